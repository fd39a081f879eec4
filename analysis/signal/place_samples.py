"""Counts on the slots of their grid, a piece at a time; lost samples filled.

A single lost sample is filled by a cubic and counts as valid; what longer gaps hold does not: a cubic up to
``BRIDGED_S``, then a straight line, only so that filters can run.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analysis.model.records import BoolArray, CountArray, FloatArray
from analysis.signal.timebase import Timebase

BRIDGED_S = 0.1
"""A straight line fills longer gaps. Which strokes bear a bridge, :mod:`analysis.stroke.gaps` tells."""
LEAST_BESIDE = 3
"""Samples on either side that a cubic over a gap rests on."""


@dataclass(frozen=True)
class Placed:
    """A piece of the grid.

    Attributes
    ----------
    first : int
        Slot of its first sample.
    counts : float64 (channels, n)
        Channels first, so that every filter runs along time.
    valid : bool (n,)
        Samples that came, and single ones that were filled.
    """

    first: int
    counts: FloatArray
    valid: BoolArray


def place_samples(counts: CountArray, timebase: Timebase, first: int, last: int) -> Placed:
    """Place the samples of slots ``first:last``; the same values whatever else is placed with them.

    Parameters
    ----------
    counts : int (n, channels)
        All rows of the log.
    timebase : Timebase
        Of the same log.
    first, last : int
        Slots of the grid, half-open.

    Returns
    -------
    Placed
    """
    longest = int(BRIDGED_S * timebase.grid.rate_hz)
    reach = 2 * max(longest, LEAST_BESIDE) + 4  # a bridge, and whether the samples beside it are single ones
    slot = timebase.slot
    rows = slice(
        max(0, int(np.searchsorted(slot, first, "right")) - 1 - reach),
        min(slot.size, int(np.searchsorted(slot, last)) + 1 + reach),
    )
    begin = int(slot[rows.start])
    at = slot[rows] - begin
    values = np.empty((counts.shape[1], int(at[-1]) + 1))
    kept = timebase.kept[rows]
    together = kept[-1] - kept[0] == kept.size - 1 and (np.diff(kept) == 1).all()
    own = counts[int(kept[0]) : int(kept[-1]) + 1] if together else counts[kept]
    if at.size == values.shape[1]:
        values[:] = own.T
        valid = np.ones(at.size, dtype=bool)
    else:
        values[:, at] = own.T
        valid = np.zeros(values.shape[1], dtype=bool)
        valid[at] = True
        _fill(values, valid, longest)
    inside = slice(first - begin, last - begin)
    return Placed(first, values[:, inside], valid[inside])


def _fill(values: FloatArray, valid: BoolArray, longest: int) -> None:
    """Fill what is missing between the first sample and the last."""
    there, missing = np.flatnonzero(valid), np.flatnonzero(~valid)
    after = np.searchsorted(there, missing)
    left, right = there[after - 1], there[after]
    share = (missing - left) / (right - left)
    values[:, missing] = values[:, left] * (1.0 - share) + values[:, right] * share
    inner = missing[(missing >= 2) & (missing < valid.size - 2)]
    single = inner[valid[inner - 2] & valid[inner - 1] & valid[inner + 1] & valid[inner + 2]]
    # Four-point cubic through the neighbours at -2, -1, 1, 2.
    near, far = values[:, single - 1] + values[:, single + 1], values[:, single - 2] + values[:, single + 2]
    values[:, single] = (4 * near - far) / 6
    valid[single] = True
    _bridge(values, valid, longest)


def _bridge(values: FloatArray, valid: BoolArray, longest: int) -> None:
    """Fill gaps of 2 to ``longest`` samples by the cubic that fits as many samples on either side, at least three."""
    edges = np.flatnonzero(np.diff(np.concatenate([[1], valid.astype(np.int8), [1]]))).reshape(-1, 2)
    there = np.concatenate([[0], np.cumsum(valid)])
    for first, last in edges.tolist():
        size = last - first
        sides = max(LEAST_BESIDE, size)
        if not 2 <= size <= longest or first < LEAST_BESIDE or last + LEAST_BESIDE > valid.size:
            continue
        if first < sides or last + sides > valid.size or there[last + sides] - there[first - sides] < 2 * sides:
            sides = LEAST_BESIDE
        if there[last + sides] - there[first - sides] == 2 * sides:
            beside = np.concatenate([values[:, first - sides : first], values[:, last : last + sides]], axis=1)
            values[:, first:last] = beside @ _cubic_weights(size, sides)


@lru_cache(maxsize=64)
def _cubic_weights(size: int, sides: int) -> FloatArray:
    """Weights (2 sides, size) of the samples beside a gap in the least-squares cubic over it."""
    at = (np.arange(-sides, size + sides) - (size - 1) / 2) / (size + sides)
    powers = np.vander(at, 4)
    inside = slice(sides, sides + size)
    beside = np.delete(powers, np.arange(sides, sides + size), axis=0)
    return np.asarray((powers[inside] @ np.linalg.pinv(beside)).T)
