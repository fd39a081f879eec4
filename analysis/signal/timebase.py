"""Device ticks to a uniform time grid, with every missing and repeated sample counted.

A sample clock is periodic: ``t = c + k T``. The slot number ``k`` of each sample is found by rounding, ``c`` and
``T`` by least squares, so that tick jitter averages out and a loss shows as an empty slot. What the sample clock
wanders against the ticks while a part warms up is kept beside the line, as its lag.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from analysis.model.errors import TimebaseError
from analysis.model.records import BoolArray, FloatArray, IntArray, RawSamples, SensorProfile
from analysis.signal.grid import Grid
from analysis.signal.pieces import pieces
from analysis.signal.sample_slots import UNLIKE_RMS, Slots, Turning, prompt_rows, slots_by_count, slots_by_phase
from analysis.signal.tick_order import ClockFaults, OrderedTicks, mean_period, settle_order

MIN_SAMPLES = 64
RATE_TOLERANCE = 0.05
CLEAR = 0.3
"""A step within this part of a period of a whole number of periods can be rounded by itself."""
CROWDED_SHARE = 0.05
UNEVEN_RMS = 0.2
ENOUGH_STEPS = 100_000
EXACT = 1e-6
LONGEST_HOLE_S = 6 * 3600.0
LAG_CHUNK_S = 30.0
PROMPT_SHARE = 0.05
"""One in twenty stamps of a host counts as prompt."""
Lateness = Callable[[slice], FloatArray]
"""How late some rows are against the line, s."""


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

    def without_rows(self) -> Timebase:
        """The same once no sample needs to be placed any more: the slots and places of hours take much memory.

        Returns
        -------
        Timebase
        """
        none = np.empty(0, dtype=np.int64)
        return replace(self, slot=none, kept=none)


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
    period, found = _find_slots(ordered.ticks, profile, lambda: raw.counts[ordered.row, 3:])
    again = np.flatnonzero(found.slot[1:] <= found.slot[:-1]) + 1
    ordered, found = _without(ordered, found, again)
    _refuse_long_hole(found.slot, ordered.ticks, profile.tick_hz / period, profile.tick_hz)
    base = _timebase(ordered, found, profile.tick_hz)
    _check_rate(base.grid.rate_hz, profile)
    return base


def _without(ordered: OrderedTicks, found: Slots, again: IntArray) -> tuple[OrderedTicks, Slots]:
    """Leave out rows whose slot another one has taken."""
    if not again.size:
        return ordered, found
    faults = replace(ordered.faults, repeated=ordered.faults.repeated + again.size)
    ordered = OrderedTicks(np.delete(ordered.ticks, again), np.delete(ordered.row, again), faults)
    return ordered, replace(found, slot=np.delete(found.slot, again))


def _timebase(ordered: OrderedTicks, found: Slots, tick_hz: float) -> Timebase:
    """The line through the kept samples, and how the clock wanders about it."""
    slot, first = found.slot, int(ordered.ticks[0])
    slope, offset = _line(slot, ordered.ticks, first)
    counted = bool(np.isnan(found.rms))
    if counted:
        prompt_at = prompt_rows(ordered.ticks - first - slope * slot)
        slope, offset = _line(slot[prompt_at], ordered.ticks[prompt_at], first)

    def late_s(part: slice) -> FloatArray:
        return np.asarray((ordered.ticks[part] - first - offset - slope * slot[part]) / tick_hz)

    lag = (_prompt_lag if counted else _mean_lag)(slot, late_s, tick_hz / slope)
    # The line is moved to go through sample 0; of a host's stamps a prompt one tells the time, not a usual one.
    first_s = 0.0
    if lag.size:
        first_s = float(lag[1, 0])
    elif counted:
        first_s = float(np.quantile(late_s(slice(None)), PROMPT_SHARE))
    offset += first_s * tick_hz
    lag[1] -= first_s
    return Timebase(
        grid=Grid((float(first) + offset) / tick_hz, tick_hz / slope, _taken(slot), lag),
        slot=slot,
        kept=ordered.row,
        lost_samples=int(slot[-1]) + 1 - slot.size,
        repeated_samples=ordered.faults.repeated,
        even=bool(found.rms < UNEVEN_RMS) or found.packet > 0,
        packet=found.packet,
        counted=counted,
        faults=ordered.faults,
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


def mean_step(ticks: IntArray) -> float:
    """Mean of the steps (ticks) that advance and are no gaps.

    Looked for twice: coarse times (whole milliseconds, say) make uneven steps, whose median alone would mislead.

    Examples
    --------
    >>> mean_step(np.cumsum([0, 2, 3, 2, 3, 2, 3, 2, 10]))
    2.4285714285714284
    """
    mean = _mean_between(ticks, 0.0, 2.0 * _typical(_middle_steps(ticks)))
    # Both ways alike, so that jitter shifts nothing.
    return _mean_between(ticks, 0.25 * mean, 1.75 * mean)


def _mean_between(ticks: IntArray, above: float, most: float) -> float:
    """Mean of the steps above one size and up to another."""
    total = count = 0
    for part in pieces(ticks.size - 1):
        steps = np.diff(ticks[part.start : part.stop + 1])
        steps = steps[(steps > above) & (steps <= most)]
        total, count = total + int(steps.sum()), count + steps.size
    return total / count


def _find_slots(ticks: IntArray, profile: SensorProfile, turning: Turning) -> tuple[float, Slots]:
    """Period in ticks and slots, by what the stamps are like: exact, jittered, or late by many periods."""
    rough = mean_period(ticks)
    middle = _middle_steps(ticks)
    if (middle < CLEAR * rough).mean() > CROWDED_SHARE:
        return rough, slots_by_count(_periods(ticks, rough), profile.tick_hz / rough, turning=turning)
    period = mean_step(ticks)
    coarse = _coarse(middle)
    if coarse:
        # Times too coarse to tell a longer step from a loss: the profile's rate does.
        every = _mean_between(ticks, -np.inf, 2 * _typical(middle))
        period = min(period, every, key=lambda ticks: abs(profile.tick_hz / ticks - profile.rate_hz))
    _check_rate(profile.tick_hz / period, profile)
    # A sensor whose ticks are whole periods to the last one leaves nothing to track, however coarse its unit.
    whole = _whole_steps(ticks, period, EXACT if coarse else CLEAR)
    if whole is not None:
        return period, Slots(whole, 0.0, 0)
    rising = all((np.diff(ticks[part.start : part.stop + 1]) >= 0).all() for part in pieces(ticks.size - 1))
    found = slots_by_phase(_periods(ticks, period)) if rising else None
    if found is None or found.rms > UNLIKE_RMS:
        return rough, slots_by_count(_periods(ticks, rough), profile.tick_hz / rough, not coarse, turning)
    return period, found


def _whole_steps(ticks: IntArray, period: float, worst: float) -> IntArray | None:
    """Slots by steps that are one period or more, and whole to within ``worst`` of one; None where they are not."""
    slot = np.zeros(ticks.size, dtype=np.int64)
    for part in pieces(ticks.size - 1):
        jumps = np.diff(ticks[part.start : part.stop + 1]) / period
        whole = np.rint(jumps)
        jumps -= whole
        if whole.min() < 1 or np.abs(jumps, out=jumps)[whole < 10].max(initial=0.0) > worst:
            return None
        own = slot[part.start + 1 : part.stop + 1]
        np.cumsum(whole.astype(np.int64), out=own)
        own += slot[part.start]
    return slot


def _periods(ticks: IntArray, period: float) -> FloatArray:
    """Times in periods, from the first on."""
    time = np.empty(ticks.size)
    np.subtract(ticks, ticks[0], out=time)
    time /= period
    return time


def _check_rate(rate_hz: float, profile: SensorProfile) -> None:
    """Compare the times with the profile's rate."""
    if abs(rate_hz / profile.rate_hz - 1) > RATE_TOLERANCE:
        raise TimebaseError(
            expected=f"{profile.rate_hz:g} samples/s from the sensor's profile",
            found=f"{rate_hz:.4g} from the times",
            next_step="correct the profile's rate or the unit of the time column",
        )


def _middle_steps(ticks: IntArray) -> IntArray:
    """Steps in the middle of the log; enough for thresholds."""
    first = max(0, (ticks.size - 1 - ENOUGH_STEPS) // 2)
    return np.diff(ticks[first : first + ENOUGH_STEPS + 1])


def _typical(steps: IntArray) -> float:
    """Median of the steps that advance."""
    return float(np.median(steps[steps > 0]))


def _coarse(steps: IntArray) -> bool:
    """Whether times are so coarse (whole milliseconds, say) that one more unit could be a sample or not."""
    return bool(_typical(steps) < 2 * np.gcd.reduce(steps[steps > 0]))


def _taken(slot: IntArray) -> BoolArray:
    """Which slots hold a sample."""
    taken = np.zeros(int(slot[-1]) + 1, dtype=bool)
    taken[slot] = True
    return taken


def _mean_lag(slot: IntArray, late_s: Lateness, rate_hz: float) -> FloatArray:
    """Mean lateness (s) against the line over every half minute, below the mean of its slots."""
    each = max(1, round(LAG_CHUNK_S * rate_hz))
    chunks = int(slot[-1]) // each + 1
    if chunks < 3:
        return np.empty((2, 0))
    sums = np.zeros((3, chunks))
    for part in pieces(slot.size):
        chunk = slot[part] // each
        first = int(chunk[0])
        chunk -= first
        own = sums[:, first : first + int(chunk[-1]) + 1]
        own += [np.bincount(chunk), np.bincount(chunk, slot[part]), np.bincount(chunk, late_s(part))]
    count, middle, late = sums[:, sums[0] > 0]
    return np.stack([middle / count, late / count])


def _prompt_lag(slot: IntArray, late_s: Lateness, rate_hz: float) -> FloatArray:
    """The same by the prompt stamps."""
    each = max(1, round(LAG_CHUNK_S * rate_hz))
    if int(slot[-1]) // each < 2:
        return np.empty((2, 0))
    edges = np.searchsorted(slot, np.arange(0, int(slot[-1]) + each, each)).tolist()
    parts = [slice(a, b) for a, b in pairwise(edges) if b > a]
    return np.array([[slot[p].mean() for p in parts], [np.quantile(late_s(p), PROMPT_SHARE) for p in parts]])


def _line(slot: IntArray, ticks: IntArray, first: int) -> tuple[float, float]:
    """Least-squares slope and offset of ticks since ``first`` over slots."""
    middle = float(slot.mean())
    time = float(sum(float((ticks[part] - first).sum(dtype=np.float64)) for part in pieces(ticks.size))) / ticks.size
    square = product = 0.0
    for part in pieces(slot.size):
        k = slot[part] - middle
        square, product = square + float(k @ k), product + float(k @ (ticks[part] - first - time))
    slope = product / square
    return slope, time - slope * middle
