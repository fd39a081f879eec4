"""Device ticks to a uniform time grid, with every missing and repeated sample counted.

A sample clock is periodic: ``t = c + k T``. The slot number ``k`` of each sample is found by rounding, ``c`` and
``T`` by least squares, so that tick jitter averages out and a loss shows as an empty slot. What the sample clock
wanders against the ticks while a part warms up is kept beside the line, as its lag.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.errors import TimebaseError
from analysis.model.records import BoolArray, FloatArray, IntArray, RawSamples, SensorProfile
from analysis.signal.grid import Grid

MIN_SAMPLES = 64
RATE_TOLERANCE = 0.05
CLEAR = 0.3
"""A step within this part of a period of a whole number of periods can be rounded by itself."""
CROWDED_SHARE = 0.05
PHASE_GAINS = (0.02, 0.005)
UNEVEN_RMS = 0.2
ENOUGH_STEPS = 100_000
LONGEST_HOLE_S = 6 * 3600.0
LAG_CHUNK_S = 30.0


@dataclass(frozen=True)
class Timebase:
    """Where each sample stands on the uniform grid.

    Attributes
    ----------
    grid : Grid
        Slots from the first sample to the last; an empty one is not valid.
    slot : int64 (n,)
        Slot of each kept sample, strictly increasing.
    kept : int64 (n,)
        Index of each kept sample in the raw log.
    lost_samples, repeated_samples : int
        Empty slots; samples that stood in an occupied slot and were left out.
    even : bool
        False where times are too jittery to tell every lost sample.
    """

    grid: Grid
    slot: IntArray
    kept: IntArray
    lost_samples: int
    repeated_samples: int
    even: bool


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
        Too few samples, time going backwards, a hole of hours, or a rate that contradicts the profile by more than 5 %.

    Examples
    --------
    >>> ticks = np.array([0, 10, 20, 40, 50] + list(range(60, 700, 10)), dtype=np.int64)
    >>> raw = RawSamples(ticks, np.arange(ticks.size), np.full(ticks.size, np.nan), np.zeros((ticks.size, 6), np.int32))
    >>> base = fit_timebase(raw, SensorProfile("s", 100.0, 1e-3, 1e-3, tick_hz=1000.0))
    >>> round(base.grid.rate_hz, 9), base.lost_samples
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
    lost = int(slot[-1]) + 1 - slot.size
    if lost > LONGEST_HOLE_S * profile.tick_hz / period:
        at = int(np.argmax(steps))
        raise TimebaseError(
            f"expected a log without holes of hours, found nothing for {lost * period / profile.tick_hz / 3600:.0f} h, "
            f"most of it after {ticks[at] / profile.tick_hz:.1f} s; split the log there"
        )
    times = ticks[kept] - ticks[0]
    slope, offset = _line(slot, times)
    rate_hz = profile.tick_hz / slope
    lag_s = _lag(slot, (times - offset - slope * slot) / profile.tick_hz, rate_hz)
    first_s = float(lag_s[1, 0]) if lag_s.size else 0.0  # The line is moved to go through sample 0.
    lag_s[1] -= first_s
    start_s = (float(ticks[0]) + offset) / profile.tick_hz + first_s
    return Timebase(
        grid=Grid(start_s, rate_hz, _taken(slot), lag_s),
        slot=slot,
        kept=kept.astype(np.int64),
        lost_samples=lost,
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
    mean = float(steps[steps <= 2.0 * _typical(steps)].mean())
    # Both ways alike, so that jitter shifts nothing.
    return float(steps[np.abs(steps - mean) < 0.75 * mean].mean())


def _period_ticks(steps: IntArray, profile: SensorProfile) -> float:
    """Sample period in ticks: the mean of the steps without gaps, checked against the profile's rate."""
    moving = steps[steps > 0]
    if moving.size == 0:
        raise TimebaseError(
            "expected times that advance, found one and the same time in every sample; check the column"
        )
    period = mean_step(moving)
    if _coarse(moving):
        # Times too coarse to tell a longer step from a loss: the profile's rate does.
        every = float(steps[steps <= 2 * _typical(moving)].mean())
        period = min(period, every, key=lambda ticks: abs(profile.tick_hz / ticks - profile.rate_hz))
    rate = profile.tick_hz / period
    if abs(rate / profile.rate_hz - 1) > RATE_TOLERANCE:
        raise TimebaseError(
            f"expected {profile.rate_hz:g} samples/s from the sensor's profile, found {rate:.4g} from the times; "
            "correct the profile's rate or the unit of the time column"
        )
    return period


def _typical(steps: IntArray) -> float:
    """Median of the steps in the middle of the log; for thresholds, which need no more."""
    first = max(0, (steps.size - ENOUGH_STEPS) // 2)
    return float(np.median(steps[first : first + ENOUGH_STEPS]))


def _coarse(steps: IntArray) -> bool:
    """Whether times are so coarse (whole milliseconds, say) that one more unit could be a sample or not."""
    moving = steps[steps > 0]
    return bool(_typical(moving) < 2 * np.gcd.reduce(moving))


def _slots(steps: IntArray, period: float) -> tuple[IntArray, bool]:
    """Slot numbers, and whether every single loss can be told."""
    jumps = steps / period
    unclear = (np.abs(jumps - np.rint(jumps)) > CLEAR) & (jumps < 10)
    # A sensor whose ticks are whole periods to the last one leaves nothing to track, however coarse its unit.
    exact = bool((jumps > CLEAR).all() and (np.abs(jumps - np.rint(jumps)) < 1e-6).all())
    if exact or not (unclear.any() or _coarse(steps)):
        return np.concatenate([[0], np.cumsum(np.rint(jumps))]).astype(np.int64), True
    if (jumps < CLEAR).mean() > CROWDED_SHARE:
        return _one_by_one(jumps), False
    for gain in PHASE_GAINS:  # the slower one once the period is known better
        slot = _spread(_tracked(jumps, gain))
        jumps = jumps / _line(slot, np.concatenate([[0.0], np.cumsum(jumps)]))[0]
    return slot, bool(np.std(jumps - np.diff(slot)) < np.sqrt(2) * UNEVEN_RMS)


def _tracked(jumps: FloatArray, gain: float) -> IntArray:
    """Slots of jittery times: each rounded against the grid's phase, which follows the times by ``gain`` a sample.

    Rounding each step by itself would let one late sample shift all that follow.
    """
    slots = [0]
    at, phase, last, seen = 0.0, 0.0, 0, 1
    for jump in jumps.tolist():
        at += jump
        slot = max(last, round(at - phase))
        if jump > 20:
            phase, seen = at - slot, 0
        seen += 1
        phase += max(gain, 1.0 / seen) * (at - slot - phase)
        last = slot
        slots.append(slot)
    return np.array(slots, dtype=np.int64)


def _spread(slot: IntArray) -> IntArray:
    """Two samples in one slot take the empty one beside it: the first came late, or the second early."""
    slot = slot.copy()
    step = np.diff(slot)
    late = np.flatnonzero((step[1:] == 0) & (step[:-1] == 2)) + 1
    slot[late] -= 1
    step = np.diff(slot)
    early = np.flatnonzero((step[:-1] == 0) & (step[1:] == 2)) + 1
    slot[early] += 1
    return slot


def _one_by_one(jumps: FloatArray) -> IntArray:
    """Slots of times that come in bundles: one after the other, holes only where no bundle explains the step."""
    usual = float(np.percentile(jumps, 99.5))
    hole = np.where(jumps > 20 + 3 * usual, np.rint(jumps - usual), 0)
    return np.concatenate([[0], np.cumsum(1 + hole)]).astype(np.int64)


def _taken(slot: IntArray) -> BoolArray:
    """Which slots hold a sample."""
    taken = np.zeros(int(slot[-1]) + 1, dtype=bool)
    taken[slot] = True
    return taken


def _lag(slot: IntArray, late_s: FloatArray, rate_hz: float) -> FloatArray:
    """Mean lateness against the line over every half minute, at its middle slot."""
    chunk = slot // max(1, round(LAG_CHUNK_S * rate_hz))
    if chunk[-1] < 2:
        return np.empty((2, 0))
    count = np.bincount(chunk)
    held = count > 0
    return np.stack([np.bincount(chunk, weights=w)[held] / count[held] for w in (slot, late_s)])


def _line(slot: IntArray, times: FloatArray | IntArray) -> tuple[float, float]:
    """Least-squares slope and offset of times over slots."""
    k = slot - slot.mean()
    t = np.asarray(times, dtype=np.float64)
    slope = float(k @ (t - t.mean()) / (k @ k))
    return slope, float(t.mean() - slope * slot.mean())
