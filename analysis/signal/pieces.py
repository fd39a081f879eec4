"""Long rows a piece at a time: what is in between stays in the processor's cache, and takes no memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.model.records import BoolArray, FloatArray

PIECE_ROWS = 8192


def pieces(size: int) -> Iterator[slice]:
    """Neighbouring parts of rows ``0:size``, in order.

    Parameters
    ----------
    size : int

    Yields
    ------
    slice
        Of :data:`PIECE_ROWS` rows, the last of fewer.

    Examples
    --------
    >>> list(pieces(10_000))
    [slice(0, 8192, None), slice(8192, 10000, None)]
    """
    for start in range(0, size, PIECE_ROWS):
        yield slice(start, min(start + PIECE_ROWS, size))


def thinned(values: FloatArray, factor: int) -> FloatArray:
    """Means of every ``factor`` neighbours; a rest of fewer is left out.

    Parameters
    ----------
    values : float64 (n, k)
    factor : int

    Returns
    -------
    float64 (n // factor, k)

    Examples
    --------
    >>> thinned(np.arange(7.0)[:, None], 3)[:, 0].tolist()
    [1.0, 4.0]
    """
    end = len(values) // factor * factor
    out = values[:end:factor].copy()  # sums of strided rows: a mean over an axis of so few is ten times as slow
    for step in range(1, factor):
        out += values[step:end:factor]
    out /= factor
    return out


def all_sound(valid: BoolArray, factor: int) -> BoolArray:
    """Whether all of every ``factor`` neighbours are there, as :func:`thinned` takes them.

    Parameters
    ----------
    valid : bool (n,)
    factor : int

    Returns
    -------
    bool (n // factor,)
    """
    end = len(valid) // factor * factor
    return np.asarray(np.logical_and.reduce([valid[step:end:factor] for step in range(factor)]))
