"""Rows of a log in the order of their samples: wrapped counters, restarts, strays, repeats and queue order mended.

Every mend is counted, so that it can be said. What the times alone cannot decide is refused with the sample.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.model.errors import TimebaseError
from analysis.model.records import BoolArray, CountArray, FloatArray, IntArray

LARGE_STEP_S = 1.0
"""A clock that goes back by more is no queue: it wrapped, restarted, or was set."""
STRAY_SAMPLES = 8
NEW_START_S = 30.0
"""A restarted clock begins near zero, or near where it began before."""
RESTART_GAP_S = 1.0
ENOUGH_ROWS = 100_000
"""About the first step back; they tell whether rows or stamps are out of order."""
MOST_LARGE_STEPS = 1000
_UNITS = (1, 1000, 1_000_000, 1_000_000_000)
WRAPS = (*(2**bits * unit for bits in (16, 24, 31, 32) for unit in _UNITS), 1_000_000, 1_000_000_000)
"""Ticks after which counters wrap: of 16 to 32 bits in this unit or a coarser one, or the part below a second."""
WRAP_SLACK_PERIODS = 50.0


@dataclass(frozen=True)
class ClockFaults:
    """What was mended in the order of a log's times.

    Attributes
    ----------
    moved, stepped_back : int
        Samples that stood out of order and were put in order; steps back that were taken for a late stamp.
    repeated, strays : int
        Samples left out: copies of another row; times that belong to no neighbour.
    wraps : int
    restarts : tuple of int
        Raw sample at which the clock began anew.
    restart_gap_s : float
        Pause that is assumed at every restart.
    """

    moved: int = 0
    stepped_back: int = 0
    repeated: int = 0
    strays: int = 0
    wraps: int = 0
    restarts: tuple[int, ...] = ()
    restart_gap_s: float = RESTART_GAP_S


@dataclass(frozen=True)
class OrderedTicks:
    """Ticks in the order of the samples; ``row`` (n,) is each one's place in the raw log.

    Attributes
    ----------
    ticks : int64 (n,)
        Without wraps.
    row : int64 (n,)
    faults : ClockFaults
        What was wrong with the clock.
    """

    ticks: IntArray
    row: IntArray
    faults: ClockFaults = field(default_factory=ClockFaults)


def settle_order(ticks: IntArray, counts: CountArray, tick_hz: float, rate_hz: float) -> OrderedTicks:
    """Bring samples into the order in which they were taken.

    Parameters
    ----------
    ticks : int64 (n,)
        As the log gives them, row by row.
    counts : int16 or int32 (n, 6)
        Tell a repeated row from another sample at the same time.
    tick_hz, rate_hz : float
        Ticks a second; about how many samples a second.

    Returns
    -------
    OrderedTicks
        Ticks step back only where stamps of packets overlap (``faults.stepped_back``).

    Raises
    ------
    TimebaseError
        Time goes back for good, and neither a wrapped counter nor a restart explains it.

    Examples
    --------
    >>> wrapped = np.concatenate([np.arange(65_000, 65_536, 10), np.arange(4, 400, 10)])
    >>> found = settle_order(wrapped, np.arange(6 * wrapped.size).reshape(-1, 6).astype(np.int32), 1e3, 100.0)
    >>> found.faults.wraps, int(np.diff(found.ticks).max())
    (1, 10)
    """
    found = OrderedTicks(ticks, np.arange(ticks.size, dtype=np.int64))
    steps = np.diff(ticks)
    least = int(steps.min()) if steps.size else 1
    if least <= 0:
        found = _without_repeats(found, counts, bool(least < -LARGE_STEP_S * tick_hz))
    if least < 0:
        found = _large_steps(found, tick_hz, rate_hz)
        found = _queue_order(found, tick_hz / rate_hz)
    return _without_strays_ahead(found, tick_hz)


def _without_repeats(found: OrderedTicks, counts: CountArray, far: bool) -> OrderedTicks:
    """Leave out rows that copy another's time and values: next to it, or ``far`` from it in a stretch written twice.

    In packets that share one stamp neighbours may well be equal while the sensor lies still: those are kept.
    """
    order = np.argsort(found.ticks, kind="stable") if far else None
    ticks = found.ticks if order is None else found.ticks[order]
    same = np.flatnonzero(ticks[1:] == ticks[:-1])
    if order is None:
        packets = same.size > 0.05 * found.ticks.size
        few = same[:1000]
        if packets and (counts[found.row[few]] == counts[found.row[few + 1]]).all(axis=1).mean() < 0.5:
            return found
        again = same + 1
    else:
        again, same = order[same + 1], order[same]
        neighbours = int((found.row[again] - found.row[same] == 1).sum())
        packets = same.size > 0.05 * found.ticks.size and neighbours > 0.5 * same.size
    first, second = found.row[same], found.row[again]
    copies = (counts[first] == counts[second]).all(axis=1)
    if packets and copies.mean() < 0.5:
        copies &= second - first > 1
    drop = np.zeros(found.ticks.size, dtype=bool)
    drop[again[copies]] = True
    count = int(drop.sum())
    if count in (0, found.ticks.size - 1):
        return found
    return OrderedTicks(found.ticks[~drop], found.row[~drop], replace(found.faults, repeated=count))


def _large_steps(found: OrderedTicks, tick_hz: float, rate_hz: float) -> OrderedTicks:
    """Wrapped counters, restarts, and single times that belong nowhere."""
    backs = np.flatnonzero(np.diff(found.ticks) < -LARGE_STEP_S * tick_hz) + 1
    if not backs.size:
        return found
    ticks, faults = found.ticks.copy(), found.faults
    keep = np.ones(ticks.size, dtype=bool)
    if backs.size > MOST_LARGE_STEPS:
        raise TimebaseError(
            expected="times that run on",
            found=f"{backs.size} places where they go back by more than a second",
            next_step="sort the rows by time, or name the right time column",
            sample=int(found.row[backs[0]]),
        )
    for at in backs.tolist():
        if not keep[at] or not keep[at - 1]:
            continue
        stray = _strays(ticks, at, tick_hz)
        if stray is not None:
            keep[stray] = False
            faults = replace(faults, strays=faults.strays + stray.stop - stray.start)
            continue
        back = int(ticks[at - 1] - ticks[at])
        wrap = _wrap(back, tick_hz, rate_hz)
        if wrap is not None:
            ticks[at:] += wrap
            faults = replace(faults, wraps=faults.wraps + 1)
        elif 0 <= ticks[at] < NEW_START_S * tick_hz or abs(int(ticks[at] - ticks[0])) < NEW_START_S * tick_hz / 30:
            ticks[at:] += back + round(RESTART_GAP_S * tick_hz)
            faults = replace(faults, restarts=(*faults.restarts, int(found.row[at])))
        else:
            raise TimebaseError(
                expected="times that never go backwards by more than a second",
                found=f"{ticks[at] / tick_hz:.6f} s after {ticks[at - 1] / tick_hz:.6f} s, which neither a restart nor "
                "a wrapped counter explains",
                next_step="split the log there",
                sample=int(found.row[at]),
            )
    if keep.all():
        return OrderedTicks(ticks, found.row, faults)
    return OrderedTicks(ticks[keep], found.row[keep], faults)


def _wrap(back: int, tick_hz: float, rate_hz: float) -> int | None:
    """Range of the counter that wrapped, if one explains the step back by a step ahead of a few samples."""
    ahead = [wrap - back for wrap in WRAPS]
    fits = [wrap for wrap, step in zip(WRAPS, ahead, strict=True) if 0 <= step < WRAP_SLACK_PERIODS * tick_hz / rate_hz]
    return min(fits, key=lambda wrap: wrap - back) if fits else None


def _strays(ticks: IntArray, at: int, tick_hz: float) -> slice | None:
    """Few samples whose time does not belong: they went back and the clock returns, or they had jumped ahead."""
    for length in range(1, STRAY_SAMPLES + 1):
        after = at + length
        if after < ticks.size and 0 <= ticks[after] - ticks[at - 1] < LARGE_STEP_S * tick_hz:
            return slice(at, after)
        before = at - length - 1
        if before >= 0 and 0 <= ticks[at] - ticks[before] < LARGE_STEP_S * tick_hz:
            return slice(before + 1, at)
    return None


def _queue_order(found: OrderedTicks, period: float) -> OrderedTicks:
    """Small steps back: rows that queued in another order are sorted; late stamps of whole packets are left."""
    back = found.ticks[1:] < found.ticks[:-1]
    count = int(np.count_nonzero(back))
    if count == 0:
        return found
    first = max(0, int(np.argmax(back)) - ENOUGH_ROWS // 2)
    part = found.ticks[first : first + ENOUGH_ROWS]
    if _unevenness(np.sort(part), period) <= _unevenness(part, period):
        order = np.argsort(found.ticks, kind="stable")
        moved = int(np.count_nonzero(order != np.arange(order.size)))
        return OrderedTicks(found.ticks[order], found.row[order], replace(found.faults, moved=moved))
    return replace(found, faults=replace(found.faults, stepped_back=count))


def _unevenness(ticks: IntArray, period: float) -> float:
    """Mean deviation of the steps from one period, each counted as one period at most."""
    off: FloatArray = np.minimum(np.abs(np.diff(ticks) / period - 1.0), 1.0)
    return float(off.mean())


def _without_strays_ahead(found: OrderedTicks, tick_hz: float) -> OrderedTicks:
    """Leave out a last few samples that jump far ahead of all others: a stamp that nothing confirms."""
    if found.ticks.size < 4 * STRAY_SAMPLES:
        return found
    jumps: BoolArray = np.diff(found.ticks[-STRAY_SAMPLES - 1 :]) > 86_400 * tick_hz
    if not jumps.any():
        return found
    keep = found.ticks.size - STRAY_SAMPLES + int(np.argmax(jumps))
    strays = found.faults.strays + found.ticks.size - keep
    return OrderedTicks(found.ticks[:keep], found.row[:keep], replace(found.faults, strays=strays))


def mean_period(ticks: IntArray) -> float:
    """About one sample's period (ticks) from times in any order: the median over stretches of a few hundred rows.

    Parameters
    ----------
    ticks : int64 (n,)
        At least two.

    Returns
    -------
    float
        Ticks a sample.

    Raises
    ------
    TimebaseError
        The times do not advance.

    Examples
    --------
    >>> mean_period(np.repeat(np.arange(0, 2_000, 20), 8))
    2.5
    """
    reach = max(1, min(512, ticks.size // 4))
    every = max(1, ticks.size // ENOUGH_ROWS)
    period = float(np.median(ticks[reach::every] - ticks[:-reach:every])) / reach
    if not period > 0:
        raise TimebaseError(
            expected="times that advance",
            found="one and the same time in every sample",
            next_step="check the column",
        )
    return period
