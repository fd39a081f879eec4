"""Device ticks to a uniform time grid, with every missing and repeated sample counted.

A sample clock is periodic: ``t = c + k T``. The slot number ``k`` of each sample is found by rounding, ``c`` and
``T`` by least squares, so that tick jitter averages out and a loss shows as an empty slot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.errors import TimebaseError
from analysis.model import FloatArray, IntArray, RawSamples, SensorProfile

MIN_SAMPLES = 64
RATE_TOLERANCE = 0.05
JITTER_SHARE = 0.05


@dataclass(frozen=True)
class Timebase:
    """Where each sample stands on the uniform grid.

    Attributes
    ----------
    start_s : float
        Log time of slot 0.
    rate_hz : float
        Fitted slot rate.
    slot : int64 (n,)
        Slot of each kept sample, strictly increasing.
    kept : int64 (n,)
        Index of each kept sample in the raw log.
    slots : int
        Number of slots from first to last.
    lost_samples, repeated_samples : int
        Empty slots; samples that stood in an occupied slot and were left out.
    even : bool
        False where times were too jittery to see losses and samples were taken as evenly spaced.
    """

    start_s: float
    rate_hz: float
    slot: IntArray
    kept: IntArray
    slots: int
    lost_samples: int
    repeated_samples: int
    even: bool

    def time_s(self, slot: FloatArray) -> FloatArray:
        """Log time (s) of fractional slots."""
        return self.start_s + np.asarray(slot, dtype=np.float64) / self.rate_hz


def fit_timebase(raw: RawSamples, profile: SensorProfile) -> Timebase:
    """Put the samples of a log on a uniform grid.

    Parameters
    ----------
    raw : RawSamples
    profile : SensorProfile
        Gives ``tick_hz`` and the nominal ``rate_hz``.

    Returns
    -------
    Timebase

    Raises
    ------
    TimebaseError
        Too few samples, time going backwards, or a rate that contradicts the profile by more than 5 %.

    Examples
    --------
    >>> ticks = np.array([0, 10, 20, 40, 50] + list(range(60, 700, 10)), dtype=np.int64)
    >>> raw = RawSamples(ticks, np.arange(ticks.size), np.full(ticks.size, np.nan), np.zeros((ticks.size, 6), np.int32))
    >>> base = fit_timebase(raw, SensorProfile("s", 100.0, 1e-3, 1e-3, tick_hz=1000.0))
    >>> base.rate_hz, base.lost_samples
    (100.0, 1)
    """
    ticks = raw.ticks
    if ticks.size < MIN_SAMPLES:
        raise TimebaseError(
            f"expected at least {MIN_SAMPLES} samples, found {ticks.size}; record a longer log and try again"
        )
    steps = np.diff(ticks)
    if (steps < 0).any():
        at = int(np.argmax(steps < 0)) + 1
        raise TimebaseError(
            f"expected times that never go backwards, found sample {at} at {ticks[at] / profile.tick_hz:.6f} s after "
            f"{ticks[at - 1] / profile.tick_hz:.6f} s; sort the log or split it where the sensor restarted"
        )
    period = _period_ticks(steps, profile)
    slot, even = _slots(steps, period)
    kept = np.flatnonzero(np.concatenate([[True], np.diff(slot) > 0]))
    slot = slot[kept]
    times = ticks[kept] - ticks[0]
    slope, offset = _line(slot, times)
    return Timebase(
        start_s=(float(ticks[0]) + offset) / profile.tick_hz,
        rate_hz=profile.tick_hz / slope,
        slot=slot,
        kept=kept.astype(np.int64),
        slots=int(slot[-1]) + 1,
        lost_samples=int(slot[-1]) + 1 - slot.size,
        repeated_samples=int(ticks.size - kept.size),
        even=even,
    )


def mean_step(steps: IntArray) -> float:
    """Mean of the steps (ticks) that are no gaps.

    Looked for twice: coarse times (whole milliseconds, say) make uneven steps, whose median alone would mislead.

    Examples
    --------
    >>> mean_step(np.array([2, 3, 2, 3, 2, 3, 2, 10]))
    2.4285714285714284
    """
    mean = float(steps[steps <= 2.0 * np.median(steps)].mean())
    return float(steps[steps < 1.75 * mean].mean())


def _period_ticks(steps: IntArray, profile: SensorProfile) -> float:
    """Sample period in ticks: the mean of the steps without gaps, checked against the profile's rate."""
    moving = steps[steps > 0]
    if moving.size == 0:
        raise TimebaseError(
            "expected times that advance, found one and the same time in every sample; check the column"
        )
    period = mean_step(moving)
    rate = profile.tick_hz / period
    if abs(rate / profile.rate_hz - 1) > RATE_TOLERANCE:
        raise TimebaseError(
            f"expected {profile.rate_hz:g} samples/s from the sensor's profile, found {rate:.4g} from the times; "
            "correct the profile's rate or the unit of the time column"
        )
    return period


def _slots(steps: IntArray, period: float) -> tuple[IntArray, bool]:
    """Slot numbers by rounding; one after the other where jitter makes rounding meaningless."""
    jumps = steps / period
    ragged = np.abs(jumps - np.rint(jumps)) > 0.35
    if ragged.mean() > JITTER_SHARE:
        return np.arange(steps.size + 1, dtype=np.int64), False
    # Rounding each step alone would add up its errors; carry the phase of the grid along instead.
    slot = np.concatenate([[0], np.cumsum(np.rint(jumps))]).astype(np.int64)
    times = np.concatenate([[0.0], np.cumsum(steps)])
    slope, offset = _line(slot, times)
    refined = np.rint((times - offset) / slope).astype(np.int64)
    refined -= refined[0]
    steady = bool((np.diff(refined) >= 0).all()) and int(np.abs(refined - slot).max()) <= 1
    return (refined if steady else slot), True


def _line(slot: IntArray, times: FloatArray | IntArray) -> tuple[float, float]:
    """Least-squares slope and offset of times over slots."""
    k = slot - slot.mean()
    t = np.asarray(times, dtype=np.float64)
    slope = float(k @ (t - t.mean()) / (k @ k))
    return slope, float(t.mean() - slope * slot.mean())
