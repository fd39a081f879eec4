r"""Slot numbers of samples whose times are uneven: jittered stamps, coarse units, packets stamped by a host.

A sample clock is periodic, :math:`t_n = c + k_n T + d_n`, with slots :math:`k_n` that are wanted and an error
:math:`d_n` of the stamp. Where the error is a part of a period, the slot is the nearest one to the clock's phase, and
the phase is the circular mean of :math:`t_n / T` over some hundred samples. Where stamps are late by many periods (a
radio hands over packets), the order of the rows is trusted, :math:`k_n = n + m_n`, and the losses :math:`m_n` are the
steps of the lower envelope of :math:`t_n / T - n`: a delay is never negative, and soon some packet is prompt again.
Of packets that vary in size only the phase is told so; :mod:`analysis.signal.packet_losses` tells their losses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import minimum_filter1d

from analysis.model.records import CountArray, FloatArray, IntArray
from analysis.signal.host_packets import (
    PacketSize,
    densest_period,
    in_step,
    middle_of,
    over_long_ways,
    packet_ends,
    packet_size,
    packet_sizes,
    slope_of_stretches,
    where_steps,
)
from analysis.signal.packet_losses import cost_of_bends, place_losses
from analysis.signal.pieces import pieces

Turning = Callable[[], CountArray]

PHASE_SAMPLES = (48, 256)
"""Samples for one value of the phase: few while the period is still a per cent wrong, more once it is known."""
PHASE_ENOUGH = 48
"""Of more samples in a part only as many are looked at."""
REACH = 4
"""A sample that finds its slot taken moves by this many at most."""
WINDOWS_S = (0.8, 5.0)
"""A radio hands over a packet promptly at least once in these, while the period is still rough and afterwards."""
LAST_WINDOW_S = 0.2
PERIODS = tuple(np.arange(0.93, 1.025, 0.01).tolist())
"""Tried against the rough period, which losses make too long."""
SURELY_LOST = 4.0
"""Prompt stamps before and after a long step may differ by less."""
FIRST_WINDOW = 160.0
LOST_WEIGHT = 0.6
PHASE_PACKETS = 500
HOLE_S = 0.5
"""A longer step is a pause of the sensor or the host: it need not be whole packets."""
PROMPT_ROWS = 256
FINER = 5e-4
"""What is counted between losses is right to this part of the period."""
UNLIKE_RMS = 0.26
"""Stamps that are off their slots by more (0.29 if they knew nothing of them) do not tell slots."""


@dataclass(frozen=True)
class Slots:
    """Slot of each sample, and what the stamps are like.

    Attributes
    ----------
    slot : int64 (n,)
        Not falling; from 0.
    rms : float
        Of the stamps' error, in periods, drift taken away; NaN where rows were counted instead.
    packet : int
        Samples in a packet; 0 where stamps belong to samples.
    """

    slot: IntArray
    rms: float
    packet: int


def slots_by_phase(time: FloatArray) -> Slots:
    """Slots of jittered times.

    Parameters
    ----------
    time : float64 (n,)
        In periods, the period known to a per cent.

    Returns
    -------
    Slots

    Examples
    --------
    >>> time = np.delete(np.arange(400.0), [100, 101, 250]) * 1.003
    >>> time[::2] += 0.2
    >>> np.flatnonzero(np.diff(slots_by_phase(time).slot) > 1).tolist()
    [99, 247]
    """
    part = middle_of(time)
    exact = part.copy()
    _phase(part, PHASE_SAMPLES[0]).take_from(exact)
    period = _slope(np.rint(exact).astype(np.int64), part)
    # In place where it can be: hours of each row take 70 MB.
    off = time / period
    _phase(off, PHASE_SAMPLES[1]).take_from(off)
    slot = np.empty(off.size, dtype=np.int64)
    np.rint(off, out=slot, casting="unsafe")
    off -= slot
    rms = float(np.sqrt(off @ off / off.size))
    np.maximum.accumulate(slot, out=slot)
    slot -= slot[0]
    _spread(slot)
    return Slots(slot, rms, 0)


def slots_by_count(time: FloatArray, rate_hz: float, packets: bool = True, turning: Turning | None = None) -> Slots:
    """Slots of rows in order whose times come late, in packets or one by one.

    Parameters
    ----------
    time : float64 (n,)
        In periods, the period known to a per cent; may step back a little. Changed: hours of it take much memory.
    rate_hz : float
        Samples a second, about.
    packets : bool
        Whether a step that differs may be the end of a packet; a coarse unit of time makes such steps, too.
    turning : callable, optional
        Gives the counts (n, 3) of the gyroscope's axes, which show where samples are missing.

    Returns
    -------
    Slots

    Examples
    --------
    Packets of eight in slots of six periods, and one packet lost:

    >>> sent = np.ceil(np.arange(8.0, 4000.0, 8.0) / 6) * 6
    >>> found = slots_by_count(np.repeat(np.delete(sent, 300), 8), 400.0)
    >>> found.packet, np.flatnonzero(np.diff(found.slot) > 1).tolist(), int(np.diff(found.slot).max())
    (8, [2399], 9)
    """
    packet = packet_size(time) if packets else 0
    size = PacketSize(packet, packet, packet) if packet else packet_sizes(time) if packets else PacketSize(1, 1, 1)
    if size.varied:
        return _slots_of_varied(time, rate_hz, size, turning)
    number = np.arange(time.size)
    if packet:
        _skip_short_packets(number, time, packet)
    part, rows = middle_of(time), middle_of(number)
    rows = rows - rows[0]
    period = min(_settle(part, rows, tried, (rate_hz, size)) for tried in PERIODS)[1]
    for window_s in WINDOWS_S:
        period *= _prompt_slope(_count(part / period, rows, (window_s * rate_hz, rate_hz), size).slot, part / period)
    time /= period
    return Slots(_count(time, number, (WINDOWS_S[-1] * rate_hz, rate_hz), size).slot, float("nan"), packet)


def _slots_of_varied(time: FloatArray, rate_hz: float, size: PacketSize, turning: Turning | None) -> Slots:
    """Slots of packets that vary in size."""
    ends = np.append(packet_ends(time), time.size - 1)
    against = np.zeros(ends.size) if turning is None else cost_of_bends(turning(), ends)
    sizes = np.diff(ends, prepend=-1)
    number = np.arange(time.size)
    part, rows = middle_of(time), middle_of(number)
    time /= densest_period(part, rows, size.mean) or 1.0
    some = slice(*np.searchsorted(ends, rows[[0, -1]]).tolist())
    late = time[ends[some]] - ends[some]
    time /= 1.0 + slope_of_stretches(late, ends[some], place_losses(late, sizes[some], against[some]))
    finer = over_long_ways(middle_of(time), rows, size.mean)
    late = time[ends] - ends
    if abs(finer - 1.0) < FINER and not in_step(time[ends[some]] / finer):
        time /= finer
        phase = _count(time, number, (WINDOWS_S[-1] * rate_hz, rate_hz), size).phase
        late = time[ends] - ends - phase.at(ends)
    lost = place_losses(late, sizes, against)
    number += np.repeat(lost - lost[0], sizes)
    return Slots(number, float("nan"), 0)


def _count(time: FloatArray, number: IntArray, window_and_second: tuple[float, float], size: PacketSize) -> _Counted:
    """Slots of rows counted from ``number``."""
    window, second = (max(8, min(round(samples), time.size // 4)) for samples in window_and_second)
    quantum = size.quantum
    residual = time - number
    holes = _holes(time, residual, max(window, 8 * second), HOLE_S * second)
    if holes is not None:
        residual -= holes
    level = _level(residual, window, round(LAST_WINDOW_S * second))
    del residual
    level /= quantum
    phase = _phase(level, max(window // 5, round(PHASE_PACKETS * size.mean) if size.varied else 4 * quantum, 32))
    phase.take_from(level)
    slot = np.rint(level, out=level).astype(np.int64)
    # A level that falls again was a stall: what had waited came late, nothing was lost.
    np.minimum.accumulate(slot[::-1], out=slot[::-1])
    stalled = float((slot < level).mean())
    del level
    slot *= quantum
    if holes is not None:
        slot += holes
    slot += number
    slot -= slot[0]
    return _Counted(slot, phase, stalled)


def _settle(
    time: FloatArray, number: IntArray, period: float, rate_and_size: tuple[float, PacketSize]
) -> tuple[float, float]:
    """Period near one that is tried, after how little it fits.

    With a wrong period the phase moves although the line was taken away, or many samples seem lost.
    """
    rate_hz, size = rate_and_size
    quantum = size.quantum
    for _ in range(2):
        found = _count(time / period, number, (max(8 * quantum, FIRST_WINDOW), rate_hz), size)
        slot = found.slot
        period *= _prompt_slope(slot, time / period)
    steps = np.abs(np.diff(found.phase.at(np.arange(0, time.size, max(8, 4 * quantum)))))
    lost = 1 - number[-1] / max(1, int(slot[-1]))
    return float(steps.mean() + LOST_WEIGHT * lost), period


def _holes(time: FloatArray, residual: FloatArray, window: int, longest: float) -> IntArray | None:
    """Samples that every long step leaves out, summed up: what the prompt stamps before and after it say."""
    total = None
    for at in where_steps(time, lambda steps: steps > longest).tolist():
        step = residual[at : at + window].min() - residual[max(0, at - window) : at].min()
        if step > SURELY_LOST:
            total = np.zeros(time.size, dtype=np.int64) if total is None else total
            total[at:] += round(step)
    return total


def _skip_short_packets(number: IntArray, time: FloatArray, packet: int) -> None:
    """Count on over the rows that whole packets lack."""
    ends = packet_ends(time)
    lacking = -np.diff(ends) % packet
    short = np.flatnonzero(lacking)
    after, total = ends[1:][short] + 1, np.concatenate([[0], np.cumsum(lacking[short])])
    for part in pieces(number.size) if short.size else ():
        number[part] += total[np.searchsorted(after, np.arange(part.start, part.stop), "right")]


def prompt_rows(late: FloatArray) -> IntArray:
    """The promptest stamp of every few hundred rows: a stall must not tilt the line."""
    rows = max(1, min(PROMPT_ROWS, late.size // 16))
    parts = late.size // rows
    return np.asarray(late[: parts * rows].reshape(parts, rows).argmin(axis=1) + rows * np.arange(parts))


def _level(residual: FloatArray, window: int, last: int) -> FloatArray:
    """Least residual of the window that begins at each sample: the prompt stamps'."""
    level = np.asarray(minimum_filter1d(residual, window, origin=-(window // 2), mode="nearest"), dtype=np.float64)
    last = min(max(last, 1), level.size - 1)
    level[-last:] = np.minimum(level[-last:], level[-last - 1])  # too few stamps are left to find a prompt one
    return level


@dataclass(frozen=True)
class _Counted:
    """Slots of rows, the clock's phase (in quanta) beside them, and the share of rows that seem to have waited."""

    slot: IntArray
    phase: _Phase
    stalled: float


@dataclass(frozen=True)
class _Phase:
    """A clock's phase (in periods, unwrapped) at some rows, straight in between."""

    row: FloatArray
    phase: FloatArray

    def at(self, row: IntArray) -> FloatArray:
        return np.asarray(np.interp(row, self.row, self.phase))

    def take_from(self, values: FloatArray) -> None:
        for part in pieces(values.size):
            low, high = np.searchsorted(self.row, (part.start, part.stop)).tolist()
            near = slice(max(0, low - 1), high + 1)
            values[part] -= np.interp(np.arange(part.start, part.stop), self.row[near], self.phase[near])


def _phase(time: FloatArray, count: int) -> _Phase:
    """Phase of times in periods: circular mean over ``count`` samples."""
    parts = max(1, time.size // count)
    edges = np.linspace(0, time.size, parts + 1).astype(np.int64)
    every = max(1, count // PHASE_ENOUGH)
    angle = 2 * np.pi * (time[::every] % 1.0)
    first = np.minimum(-(-edges[:-1] // every), angle.size - 1)
    phase = np.arctan2(np.add.reduceat(np.sin(angle), first), np.add.reduceat(np.cos(angle), first))
    phase = np.unwrap(phase) / (2 * np.pi)
    middle = 0.5 * (edges[:-1] + edges[1:] - 1)
    if parts == 1:
        return _Phase(np.asarray(middle, dtype=np.float64), phase)
    slopes = np.diff(phase)[[0, -1]] / np.diff(middle)[[0, -1]]
    before, after = phase[0] - slopes[0] * middle[0], phase[-1] + slopes[1] * (time.size - 1 - middle[-1])
    return _Phase(np.array([0.0, *middle, time.size - 1.0]), np.array([before, *phase, after]))


def _spread(slot: IntArray) -> None:
    """Two samples in one slot take an empty one nearby: the first came late, or the second early; in place."""

    def step(at: IntArray) -> IntArray:
        return np.asarray(slot[at + 1] - slot[at])

    for distance in range(1, REACH + 1):
        for towards in (1, -1):
            double = where_steps(slot, lambda steps: steps == 0) - 1
            if not double.size:
                return
            run = double[:, None] + towards * np.arange(1, distance + 1)
            inside = (run[:, -1] >= 0) & (run[:, -1] < slot.size - 1)
            double, run = double[inside], run[inside]
            free = (step(run[:, :-1]) == 1).all(axis=1) & (step(run[:, -1]) >= 2)
            double = double[free]
            if towards == 1:
                slot[(double[:, None] + np.arange(1, distance + 1)).ravel()] += 1
            else:
                slot[(double[:, None] - np.arange(distance)).ravel()] -= 1


def _slope(slot: IntArray, time: FloatArray) -> float:
    """Least-squares slope of times over slots."""
    k = slot - slot.mean()
    return float(k @ (time - time.mean()) / (k @ k))


def _prompt_slope(slot: IntArray, time: FloatArray) -> float:
    """Slope through the prompt stamps."""
    rows = prompt_rows(time - slot)
    return _slope(slot[rows], time[rows])
