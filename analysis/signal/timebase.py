"""Device ticks to a uniform time grid, with every missing and repeated sample counted.

A sample clock is periodic: ``t = c + k T``. The slot number ``k`` of each sample is found by rounding, ``c`` and
``T`` by least squares, so that tick jitter averages out and a loss shows as an empty slot. What the sample clock
wanders against the ticks while a part warms up is kept beside the line, as its lag.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.model.errors import TimebaseError
from analysis.model.records import BoolArray, FloatArray, IntArray, RawSamples, SensorProfile
from analysis.signal.grid import Grid
from analysis.signal.sample_slots import UNLIKE_RMS, Slots, prompt_rows, slots_by_count, slots_by_phase
from analysis.signal.tick_order import ClockFaults, OrderedTicks, mean_period, settle_order

MIN_SAMPLES = 64
RATE_TOLERANCE = 0.05
CLEAR = 0.3
"""A step within this part of a period of a whole number of periods can be rounded by itself."""
CROWDED_SHARE = 0.05
UNEVEN_RMS = 0.2
ENOUGH_STEPS = 100_000
LONGEST_HOLE_S = 6 * 3600.0
LAG_CHUNK_S = 30.0
PROMPT_SHARE = 0.05
"""One in twenty stamps of a host counts as prompt."""


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
        Index of each kept sample in the raw log; rows that queued in another order are not rising here.
    lost_samples, repeated_samples : int
        Empty slots; samples that stood in an occupied slot and were left out.
    even : bool
        False where times are too jittery to tell every lost sample.
    packet : int
        Samples that a host stamped together; 0 where each has a time of its own.
    counted : bool
        Stamps are too late to tell slots: rows were counted, and losses found from the clock's steps.
    faults : ClockFaults
        What was mended in the order of the times.
    """

    grid: Grid
    slot: IntArray
    kept: IntArray
    lost_samples: int
    repeated_samples: int
    even: bool
    packet: int = 0
    counted: bool = False
    faults: ClockFaults = field(default_factory=ClockFaults)


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
    if raw.ticks.size < MIN_SAMPLES:
        raise TimebaseError(
            expected=f"at least {MIN_SAMPLES} samples",
            found=str(raw.ticks.size),
            next_step="record a longer log and try again",
        )
    ordered = settle_order(raw.ticks, raw.counts, profile.tick_hz, profile.rate_hz)
    ticks = ordered.ticks
    steps = np.diff(ticks)
    period, found = _find_slots(ticks, steps, profile)
    kept = np.flatnonzero(np.concatenate([[True], np.diff(found.slot) > 0]))
    slot = found.slot[kept]
    _refuse_long_hole(slot, ticks[kept], profile.tick_hz / period, profile.tick_hz)
    base = _timebase(ordered, kept, replace(found, slot=slot), profile.tick_hz)
    _check_rate(base.grid.rate_hz, profile)
    return base


def _timebase(ordered: OrderedTicks, kept: IntArray, found: Slots, tick_hz: float) -> Timebase:
    """The line through the kept samples, and how the clock wanders about it."""
    slot, first = found.slot, int(ordered.ticks[0])
    times = ordered.ticks[kept] - first
    slope, offset = _line(slot, times)
    counted = bool(np.isnan(found.rms))
    if counted:
        prompt_at = prompt_rows(times - slope * slot)
        slope, offset = _line(slot[prompt_at], times[prompt_at])
    late = (times - offset - slope * slot) / tick_hz
    lag = _lag(slot, late, tick_hz / slope, counted)
    # The line is moved to go through sample 0; of a host's stamps a prompt one tells the time, not a usual one.
    first_s = float(lag[1, 0]) if lag.size else float(np.quantile(late, PROMPT_SHARE)) if counted else 0.0
    offset += first_s * tick_hz
    lag[1] -= first_s
    faults = ordered.faults
    return Timebase(
        grid=Grid((float(first) + offset) / tick_hz, tick_hz / slope, _taken(slot), lag),
        slot=slot,
        kept=ordered.row[kept],
        lost_samples=int(slot[-1]) + 1 - slot.size,
        repeated_samples=faults.repeated + int(ordered.ticks.size - kept.size),
        even=bool(found.rms < UNEVEN_RMS) or found.packet > 0,
        packet=found.packet,
        counted=counted,
        faults=faults,
    )


def _refuse_long_hole(slot: IntArray, ticks: IntArray, rate_hz: float, tick_hz: float) -> None:
    """A clock that jumped, rather than a sensor that was away."""
    lost = int(slot[-1]) + 1 - slot.size
    if lost > LONGEST_HOLE_S * rate_hz:
        at = int(np.argmax(np.diff(ticks)))
        raise TimebaseError(
            expected="a log without holes of hours",
            found=f"nothing for {lost / rate_hz / 3600:.0f} h, most of it after {ticks[at] / tick_hz:.1f} s",
            next_step="split the log there",
            sample=at,
        )


def mean_step(steps: IntArray) -> float:
    """Mean of the steps (ticks) that advance and are no gaps.

    Looked for twice: coarse times (whole milliseconds, say) make uneven steps, whose median alone would mislead.

    Examples
    --------
    >>> mean_step(np.array([2, 3, 2, 3, 2, 3, 2, 10]))
    2.4285714285714284
    """
    mean = float(np.mean(steps, where=(steps > 0) & (steps <= 2.0 * _typical(steps))))
    # Both ways alike, so that jitter shifts nothing.
    return float(np.mean(steps, where=(steps > 0.25 * mean) & (steps < 1.75 * mean)))


def _find_slots(ticks: IntArray, steps: IntArray, profile: SensorProfile) -> tuple[float, Slots]:
    """Period in ticks and slots, by what the stamps are like: exact, jittered, or late by many periods."""
    rough = mean_period(ticks)
    if (_middle(steps) < CLEAR * rough).mean() > CROWDED_SHARE:
        return rough, slots_by_count((ticks - ticks[0]) / rough, profile.tick_hz / rough)
    period = mean_step(steps)
    coarse = _coarse(steps)
    if coarse:
        # Times too coarse to tell a longer step from a loss: the profile's rate does.
        every = float(steps[steps <= 2 * _typical(steps)].mean())
        period = min(period, every, key=lambda ticks: abs(profile.tick_hz / ticks - profile.rate_hz))
    _check_rate(profile.tick_hz / period, profile)
    jumps = steps / period
    whole = np.rint(jumps)
    jumps -= whole
    worst = float(np.abs(jumps, out=jumps)[whole < 10].max(initial=0.0))
    # A sensor whose ticks are whole periods to the last one leaves nothing to track, however coarse its unit.
    if whole.min() >= 1 and (worst < 1e-6 or (worst <= CLEAR and not coarse)):
        return period, Slots(np.concatenate([[0], np.cumsum(whole)]).astype(np.int64), 0.0, 0)
    found = slots_by_phase((ticks - ticks[0]) / period) if steps.min() >= 0 else None
    if found is None or found.rms > UNLIKE_RMS:
        return rough, slots_by_count((ticks - ticks[0]) / rough, profile.tick_hz / rough, packets=not coarse)
    return period, found


def _check_rate(rate_hz: float, profile: SensorProfile) -> None:
    """Compare the times with the profile's rate."""
    if abs(rate_hz / profile.rate_hz - 1) > RATE_TOLERANCE:
        raise TimebaseError(
            expected=f"{profile.rate_hz:g} samples/s from the sensor's profile",
            found=f"{rate_hz:.4g} from the times",
            next_step="correct the profile's rate or the unit of the time column",
        )


def _middle(steps: IntArray) -> IntArray:
    """Steps in the middle of the log; enough for thresholds."""
    first = max(0, (steps.size - ENOUGH_STEPS) // 2)
    return steps[first : first + ENOUGH_STEPS]


def _typical(steps: IntArray) -> float:
    """Median of the steps that advance in the middle of the log."""
    middle = _middle(steps)
    return float(np.median(middle[middle > 0]))


def _coarse(steps: IntArray) -> bool:
    """Whether times are so coarse (whole milliseconds, say) that one more unit could be a sample or not."""
    middle = _middle(steps)
    return bool(_typical(middle) < 2 * np.gcd.reduce(middle[middle > 0]))


def _taken(slot: IntArray) -> BoolArray:
    """Which slots hold a sample."""
    taken = np.zeros(int(slot[-1]) + 1, dtype=bool)
    taken[slot] = True
    return taken


def _lag(slot: IntArray, late_s: FloatArray, rate_hz: float, prompt: bool) -> FloatArray:
    """Lateness against the line over every half minute, at its middle slot: the mean, or the prompt stamps'."""
    chunk = slot // max(1, round(LAG_CHUNK_S * rate_hz))
    if chunk[-1] < 2:
        return np.empty((2, 0))
    count = np.bincount(chunk)
    held = count > 0
    middle = np.bincount(chunk, weights=slot)[held] / count[held]
    if not prompt:
        return np.stack([middle, np.bincount(chunk, weights=late_s)[held] / count[held]])
    parts = np.split(late_s, np.flatnonzero(np.diff(chunk)) + 1)
    return np.stack([middle, [float(np.quantile(part, PROMPT_SHARE)) for part in parts]])


def _line(slot: IntArray, times: FloatArray | IntArray) -> tuple[float, float]:
    """Least-squares slope and offset of times over slots."""
    k = slot - slot.mean()
    t = np.asarray(times, dtype=np.float64)
    slope = float(k @ (t - t.mean()) / (k @ k))
    return slope, float(t.mean() - slope * slot.mean())
