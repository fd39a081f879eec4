"""A sensor's clock that jumped, set right by its sample numbers: times step, and the numbers go on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import FloatArray, RawSamples, SensorProfile

BESIDE_S = 0.5
"""Times are compared with numbers over so long on either side: stamps tremble, packets share one."""
LEAST_S = 0.004
SCATTERS = 8.0
"""A step must be so many times what the stamps scatter."""
MOST_STEPS = 20


@dataclass(frozen=True)
class ClockStep:
    """One jump: the sensor's own time before it, and by how much the times ran ahead."""

    at_s: float
    size_s: float


def mend_clock(raw: RawSamples, profile: SensorProfile) -> tuple[RawSamples, tuple[ClockStep, ...]]:
    """Samples whose times step otherwise than their numbers, with the times set right.

    What is lost leaves numbers out, and is no step.

    Parameters
    ----------
    raw : RawSamples
    profile : SensorProfile

    Returns
    -------
    RawSamples
        On the clock as it ran before the first step.
    tuple of ClockStep
    """
    steps: list[ClockStep] = []
    while len(steps) < MOST_STEPS:
        found = _first_step(raw.ticks / profile.tick_hz, raw.sequence.astype(np.float64), profile.rate_hz)
        if found is None:
            break
        at, size_s = found
        steps.append(ClockStep(float(raw.ticks[at - 1]) / profile.tick_hz, size_s))
        ticks = raw.ticks.copy()
        ticks[at:] -= round(size_s * profile.tick_hz)
        raw = replace(raw, ticks=ticks)
    return raw, tuple(steps)


def _first_step(times_s: FloatArray, numbers: FloatArray, rate_hz: float) -> tuple[int, float] | None:
    """Row after a step, and its size; None where there is none."""
    beside = max(8, round(BESIDE_S * rate_hz))
    if times_s.size < 4 * beside:
        return None
    far = np.arange(0, times_s.size - beside, beside)
    gone = numbers[far + beside] - numbers[far]
    period_s = float(np.median((times_s[far + beside] - times_s[far])[gone > 0] / gone[gone > 0]))
    ahead = times_s - numbers * period_s
    steps = np.diff(ahead)
    scatter_s = 1.4826 * float(np.median(np.abs(steps - np.median(steps))))
    least_s = max(LEAST_S, SCATTERS * scatter_s)
    for at in (np.flatnonzero(np.abs(steps) > least_s) + 1).tolist():
        before, after = ahead[max(0, at - beside) : at], ahead[at : at + beside]
        size_s = float(np.median(after) - np.median(before))
        if min(before.size, after.size) >= beside // 2 and abs(size_s) > least_s:
            return at, size_s
    return None
