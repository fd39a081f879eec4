"""Strokes and missing samples: which gaps a stroke bears, and which strokes a gap leaves alone."""

from __future__ import annotations

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray

BORNE_S = 0.03
BORNE_SHARE = 0.1
"""A stroke bears gaps of this part of its time, or of ``BORNE_S``, whichever is longer."""


def gap_lengths(valid: BoolArray) -> IntArray:
    """Samples in the gap that each sample is in; 0 where it is there.

    Examples
    --------
    >>> gap_lengths(np.array([1, 0, 0, 1, 0], bool)).tolist()
    [0, 2, 2, 0, 1]
    """
    length = np.zeros(valid.size, dtype=np.int64)
    edges = np.flatnonzero(np.diff(np.concatenate([[1], valid.astype(np.int8), [1]]))).reshape(-1, 2)
    for first, last in edges.tolist():
        length[first:last] = last - first
    return length


def is_whole(gaps: IntArray, start: FloatArray, end: FloatArray, rate_hz: float) -> BoolArray:
    """Strokes whose longest gap can be bridged.

    Parameters
    ----------
    gaps : int64 (m,)
        As :func:`gap_lengths` gives them.
    start, end : float64 (n,)
        Sample numbers.
    rate_hz : float

    Returns
    -------
    bool (n,)
    """
    if start.size == 0:
        return np.zeros(0, dtype=bool)
    first = np.clip(np.floor(start).astype(np.int64), 0, gaps.size - 1)
    last = np.clip(np.ceil(end).astype(np.int64), first + 1, gaps.size)
    borders = np.stack([first, last], axis=1).ravel()
    longest = np.maximum.reduceat(np.append(gaps, 0), borders)[::2]
    # Gaps are whole samples: half a one keeps rounding from deciding.
    return np.asarray(longest <= np.maximum(BORNE_S * rate_hz, BORNE_SHARE * (end - start)) + 0.5)


def is_cut_off(gaps: IntArray, start: FloatArray, end: FloatArray, run: IntArray, least: int) -> BoolArray:
    """Strokes of runs shorter than ``least`` that stand beside a gap: too few to show what drifts.

    Parameters
    ----------
    gaps : int64 (m,)
    start, end : float64 (n,)
    run : int64 (n,)
        -1 for none.
    least : int

    Returns
    -------
    bool (n,)
    """
    cut = np.zeros(run.size, dtype=bool)
    if not gaps.any():
        return cut
    missing = np.concatenate([[0], np.cumsum(gaps > 0)])
    reach = end - start
    first, last = (np.clip(at.astype(np.int64), 0, gaps.size) for at in (start - reach, end + reach))
    beside = missing[last] > missing[first]
    for number in np.unique(run[(run >= 0) & beside]):
        members = run == number
        cut |= members & (members.sum() < least)
    return cut
