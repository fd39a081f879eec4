"""Packets of a host's stamps: where they end, how large they are, and the sensor's period where they vary in size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.signal.pieces import pieces

Samples = TypeVar("Samples", FloatArray, IntArray)

SMALLEST_PERCENT = 5.0
STEADY_PACKETS = 33
DENSEST = 0.35
"""Share of the slopes over that many packets that is taken for those without loss."""
TRIED_SAMPLES = 60_000
WHOLE_PACKETS = 0.75
IN_STEP = 4.0
"""Standard errors."""
STALLED = 30.0
"""Samples; who comes later than that against his stretch was held up."""


@dataclass(frozen=True)
class PacketSize:
    """Losses are multiples of ``quantum`` samples, and of ``least`` at least; packets hold ``mean`` on average."""

    quantum: int
    least: int
    mean: float

    @property
    def varied(self) -> bool:
        """Whether packets differ in size."""
        return self.quantum == 1 and self.least > 1


def middle_of(values: Samples) -> Samples:
    """Enough from the middle of a log to tell the period from."""
    first = max(0, (values.size - TRIED_SAMPLES) // 2)
    return values[first : first + TRIED_SAMPLES]


def packet_ends(time: FloatArray) -> IntArray:
    """Rows after which a step differs from the one within packets."""
    within = np.median(np.diff(middle_of(time)))
    return where_steps(time, lambda steps: np.abs(steps - within) > 0.1) - 1


def where_steps(time: Samples, wanted: Callable[[Samples], BoolArray]) -> IntArray:
    """Rows after the steps that are wanted."""
    parts = [
        part.start + 1 + np.flatnonzero(wanted(np.diff(time[part.start : part.stop + 1])))
        for part in pieces(time.size - 1)
    ]
    return np.concatenate(parts)


def packet_size(time: FloatArray) -> int:
    """Samples in a packet, 0 where stamps come one by one.

    Within a packet stamps are equal, or one nominal period apart; between packets the step is another. Packets that
    were handed over together look like one of twice the size.

    Examples
    --------
    >>> packet_size(np.repeat([0.0, 8.0, 16.0, 30.0, 32.0, 40.0, 48.0], 8)), packet_size(np.arange(50.0))
    (8, 0)
    """
    part = middle_of(time)
    steps = np.diff(part)
    if (np.abs(steps - np.median(steps)) < 0.02).mean() < 0.5:
        return 0
    sizes = np.diff(packet_ends(part))
    if sizes.size < 4:
        return 0
    usual = int(np.bincount(sizes).argmax())
    return usual if usual > 1 and (sizes % usual == 0).mean() > WHOLE_PACKETS else 0


def packet_sizes(time: FloatArray) -> PacketSize:
    """Samples in packets that vary in size; 1 where stamps come one by one.

    Examples
    --------
    >>> found = packet_sizes(np.repeat(np.arange(0.0, 600.0, 6.0), np.tile([4, 8, 5, 7], 25)))
    >>> found.quantum, found.least, round(found.mean, 1)
    (1, 4, 6.0)
    """
    part = middle_of(time)
    steps = np.diff(part)
    if (np.abs(steps - np.median(steps)) < 0.02).mean() < 0.5:
        return PacketSize(1, 1, 1)
    sizes = np.diff(packet_ends(part))
    if sizes.size < 5:
        return PacketSize(1, 1, 1)
    return PacketSize(1, max(1, int(np.percentile(sizes, SMALLEST_PERCENT))), float(sizes.mean()))


def densest_period(time: FloatArray, number: IntArray, packet: float) -> float | None:
    """Period of the stretches without loss, where packets vary in size; None where there are too few rows.

    The slope of the prompt stamps over some thirty packets: a loss makes it steeper, so the densest part of all slopes
    tells. Right to some parts in ten thousand.
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
    return period


def slope_of_stretches(late: FloatArray, row: IntArray, lost: IntArray) -> float:
    """Slope over all stretches between two losses: by which the period is too short, as a share of it.

    Parameters
    ----------
    late : float64 (n,)
        When packets were handed over, in periods, less the number of their last row.
    row : int64 (n,)
        These rows.
    lost : int64 (n,)
        Samples lost before each packet.

    Returns
    -------
    float

    Examples
    --------
    >>> row, lost = np.arange(7, 700, 7), np.repeat([0, 5], [40, 59])
    >>> round(slope_of_stretches(1e-3 * row + lost, row, lost), 6)
    0.001
    """
    first = np.append(0, np.flatnonzero(np.diff(lost)) + 1)
    size = np.diff(first, append=row.size)
    x, y = (v - np.repeat(np.add.reduceat(v, first) / size, size) for v in (row.astype(np.float64), late))
    square, slope = float(x @ x), 0.0
    for _ in range(2 if square else 0):  # stalls apart: what was held up tells nothing of the clock
        slope = float(x @ y) / square
        y = np.clip(y - slope * x, -STALLED, STALLED) + slope * x
    return slope


def in_step(arrived: FloatArray) -> bool:
    """Whether a radio's moments, in periods, are whole ones or halves: a period that seems to fit because of that.

    Examples
    --------
    >>> moments = np.cumsum(np.random.default_rng(1).integers(1, 4, 1000))
    >>> in_step(6.0 * moments), in_step(5.96 * moments), in_step(1.5 * moments)
    (True, False, True)
    """
    off = np.exp(4j * np.pi * np.diff(arrived))
    usual = off.mean()
    error = np.abs(np.angle(off / usual)).std() / np.sqrt(off.size)
    return bool(abs(np.angle(usual)) < IN_STEP * max(float(error), 1e-9))


def over_long_ways(time: FloatArray, number: IntArray, packet: float) -> float:
    """What a period that is nearly right lacks, as a factor.

    Losses are whole samples, so what is left of the prompt stamps' differences tells, over longer and longer ways. A
    radio's moments that keep step with another period mislead.
    """
    each = 3 * max(4, round(STEADY_PACKETS / 3 * packet))
    end = time.size // each * each
    prompt = (time[:end] - number[:end]).reshape(-1, each).min(axis=1)
    slope, reach = 0.0, 1
    while reach < prompt.size // 2:
        left = np.exp(2j * np.pi * (prompt[reach:] - prompt[:-reach] - slope * reach * each)).mean()
        slope += float(np.angle(left)) / (2 * np.pi * reach * each)
        reach *= 2
    return 1.0 + slope
