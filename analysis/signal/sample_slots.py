r"""Slot numbers of samples whose times are uneven: jittered stamps, coarse units, packets stamped by a host.

A sample clock is periodic, :math:`t_n = c + k_n T + d_n`, with slots :math:`k_n` that are wanted and an error
:math:`d_n` of the stamp. Where the error is a part of a period, the slot is the nearest one to the clock's phase, and
the phase is the circular mean of :math:`t_n / T` over some hundred samples. Where stamps are late by many periods (a
radio hands over packets), the order of the rows is trusted, :math:`k_n = n + m_n`, and the losses :math:`m_n` are the
steps of the lower envelope of :math:`t_n / T - n`: a delay is never negative, and soon some packet is prompt again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from scipy.ndimage import minimum_filter1d

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.signal.pieces import pieces

Samples = TypeVar("Samples", FloatArray, IntArray)

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
EARLY = 0.25
SMALLEST_PERCENT = 5.0
STEADY_PACKETS = 33
DENSEST = 0.35
"""Share of the slopes over that many packets that is taken for those without loss."""
TRIED_SAMPLES = 60_000
WHOLE_PACKETS = 0.75
HOLE_S = 0.5
"""A longer step is a pause of the sensor or the host: it need not be whole packets."""
PROMPT_ROWS = 256
UNLIKE_RMS = 0.26
"""Stamps that are off their slots by more (0.29 if they knew nothing of them) do not tell slots."""


@dataclass(frozen=True)
class _PacketSize:
    """Losses are multiples of ``quantum`` samples, and of ``least`` at least; packets hold ``mean`` on average."""

    quantum: int
    least: int
    mean: float

    @property
    def varied(self) -> bool:
        return self.quantum == 1 and self.least > 1


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
    part = _middle(time)
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


def slots_by_count(time: FloatArray, rate_hz: float, packets: bool = True) -> Slots:
    """Slots of rows in order whose times come late, in packets or one by one.

    Parameters
    ----------
    time : float64 (n,)
        In periods, the period known to a per cent; may step back a little. Changed: hours of it take much memory.
    rate_hz : float
        Samples a second, about.
    packets : bool
        Whether a step that differs may be the end of a packet; a coarse unit of time makes such steps, too.

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
    number = np.arange(time.size)
    if packet:
        _skip_short_packets(number, time, packet)
    size = _PacketSize(packet, packet, packet) if packet else packet_sizes(time) if packets else _PacketSize(1, 1, 1)
    part, rows = _middle(time), _middle(number)
    rows = rows - rows[0]
    period = _steady_period(part, rows, size.mean) if size.varied else None
    steady = period is not None
    if period is None:
        period = min(_settle(part, rows, tried, (rate_hz, size)) for tried in PERIODS)[1]
    for window_s in () if steady else WINDOWS_S:
        period *= _prompt_slope(_count(part / period, rows, (window_s * rate_hz, rate_hz), size).slot, part / period)
    time /= period
    slot = _count(time, number, (WINDOWS_S[-1] * rate_hz, rate_hz), size).slot
    if size.varied:
        _join_small(slot, size.least)
    return Slots(slot, float("nan"), packet)


def _count(time: FloatArray, number: IntArray, window_and_second: tuple[float, float], size: _PacketSize) -> _Counted:
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
    if size.varied:
        # Before the next loss few packets are left, perhaps no prompt one: a level errs upwards, never downwards.
        level -= EARLY
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


def _middle(values: Samples) -> Samples:
    """Enough from the middle of a log to tell the period from."""
    first = max(0, (values.size - TRIED_SAMPLES) // 2)
    return values[first : first + TRIED_SAMPLES]


def _settle(
    time: FloatArray, number: IntArray, period: float, rate_and_size: tuple[float, _PacketSize]
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
    for at in _where_steps(time, lambda steps: steps > longest).tolist():
        step = residual[at : at + window].min() - residual[max(0, at - window) : at].min()
        if step > SURELY_LOST:
            total = np.zeros(time.size, dtype=np.int64) if total is None else total
            total[at:] += round(step)
    return total


def _skip_short_packets(number: IntArray, time: FloatArray, packet: int) -> None:
    """Count on over the rows that whole packets lack."""
    ends = _packet_ends(time)
    lacking = -np.diff(ends) % packet
    short = np.flatnonzero(lacking)
    after, total = ends[1:][short] + 1, np.concatenate([[0], np.cumsum(lacking[short])])
    for part in pieces(number.size) if short.size else ():
        number[part] += total[np.searchsorted(after, np.arange(part.start, part.stop), "right")]


def _packet_ends(time: FloatArray) -> IntArray:
    """Rows after which a step differs from the one within packets."""
    within = np.median(np.diff(_middle(time)))
    return _where_steps(time, lambda steps: np.abs(steps - within) > 0.1) - 1


def _where_steps(time: Samples, wanted: Callable[[Samples], BoolArray]) -> IntArray:
    """Rows after the steps that are wanted."""
    parts = [
        part.start + 1 + np.flatnonzero(wanted(np.diff(time[part.start : part.stop + 1])))
        for part in pieces(time.size - 1)
    ]
    return np.concatenate(parts)


def prompt_rows(late: FloatArray) -> IntArray:
    """The promptest stamp of every few hundred rows: a stall must not tilt the line."""
    rows = max(1, min(PROMPT_ROWS, late.size // 16))
    parts = late.size // rows
    return np.asarray(late[: parts * rows].reshape(parts, rows).argmin(axis=1) + rows * np.arange(parts))


def packet_size(time: FloatArray) -> int:
    """Samples in a packet, 0 where stamps come one by one.

    Within a packet stamps are equal, or one nominal period apart; between packets the step is another. Packets that
    were handed over together look like one of twice the size.

    Examples
    --------
    >>> packet_size(np.repeat([0.0, 8.0, 16.0, 30.0, 32.0, 40.0, 48.0], 8)), packet_size(np.arange(50.0))
    (8, 0)
    """
    part = _middle(time)
    steps = np.diff(part)
    if (np.abs(steps - np.median(steps)) < 0.02).mean() < 0.5:
        return 0
    sizes = np.diff(_packet_ends(part))
    if sizes.size < 4:
        return 0
    usual = int(np.bincount(sizes).argmax())
    return usual if usual > 1 and (sizes % usual == 0).mean() > WHOLE_PACKETS else 0


def packet_sizes(time: FloatArray) -> _PacketSize:
    """Samples in packets that vary in size; 1 where stamps come one by one.

    Examples
    --------
    >>> found = packet_sizes(np.repeat(np.arange(0.0, 600.0, 6.0), np.tile([4, 8, 5, 7], 25)))
    >>> found.quantum, found.least, round(found.mean, 1)
    (1, 4, 6.0)
    """
    part = _middle(time)
    steps = np.diff(part)
    if (np.abs(steps - np.median(steps)) < 0.02).mean() < 0.5:
        return _PacketSize(1, 1, 1)
    sizes = np.diff(_packet_ends(part))
    if sizes.size < 5:
        return _PacketSize(1, 1, 1)
    return _PacketSize(1, max(1, int(np.percentile(sizes, SMALLEST_PERCENT))), float(sizes.mean()))


def _steady_period(time: FloatArray, number: IntArray, packet: float) -> float | None:
    """Period of the stretches without loss, where packets vary in size.

    The slope of the prompt stamps over some thirty packets: a loss makes it steeper, so the densest part of all slopes
    tells. A radio's moments that keep step with a wrong period tell nothing here.
    """
    third = max(4, round(STEADY_PACKETS / 3 * packet))
    count = time.size // third
    period = 1.0
    if count < 8:
        return None
    for _ in range(3):
        late = time[: count * third] / period - number[: count * third]
        prompt = late.reshape(count, third).min(axis=1)
        slopes = np.sort((prompt[2:] - prompt[:-2]) / (2 * third))
        held = max(2, round(DENSEST * slopes.size))
        first = int((slopes[held - 1 :] - slopes[: slopes.size - held + 1]).argmin())
        period *= 1.0 + float(slopes[first : first + held].mean())
    # Losses are whole samples, so what is left of the differences tells the rest, over longer and longer ways.
    each = 3 * third
    end = time.size // each * each
    prompt = (time[:end] / period - number[:end]).reshape(-1, each).min(axis=1)
    slope, reach = 0.0, 1
    while reach < prompt.size // 2:
        left = np.exp(2j * np.pi * (prompt[reach:] - prompt[:-reach] - slope * reach * each)).mean()
        slope += float(np.angle(left)) / (2 * np.pi * reach * each)
        reach *= 2
    return period * (1.0 + slope)


def _join_small(slot: IntArray, least: int) -> None:
    """Losses of fewer samples than a packet holds are put off to the next loss, of which they are a part; in place."""
    steps = np.diff(slot) - 1
    at = np.flatnonzero(steps)
    for place, row in enumerate(at[:-1].tolist()):
        if steps[row] < least:
            slot[row + 1 : at[place + 1] + 1] -= steps[row]
            steps[at[place + 1]] += steps[row]


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
            double = _where_steps(slot, lambda steps: steps == 0) - 1
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
