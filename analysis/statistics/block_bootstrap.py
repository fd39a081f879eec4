"""Draw again from strokes that are not independent: whole stretches, or whole blocks with random weights."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from analysis.model.records import FloatArray, IntArray

STRETCH_S = 2.0
FEWEST_UNITS = 4


def draw_stretches(count: int, length: int, draws: int, rng: np.random.Generator) -> IntArray:
    """Indices of a series drawn again in overlapping stretches (moving blocks).

    Parameters
    ----------
    count : int
        Length of the series.
    length : int
        Of each stretch.
    draws : int
    rng : Generator

    Returns
    -------
    int64 (draws, count)

    References
    ----------
    Kuensch, Annals of Statistics 17, 1989, 1217-1241.

    Examples
    --------
    >>> bool((np.diff(draw_stretches(9, 3, 2, np.random.default_rng(1))[:, :3]) == 1).all())
    True
    """
    first = rng.integers(0, count - length + 1, (draws, math.ceil(count / length)))
    index = (first[:, :, None] + np.arange(length)).reshape(draws, -1)
    return np.asarray(index[:, :count], dtype=np.int64)


def independent_units(strokes: pd.DataFrame) -> tuple[IntArray, str]:
    """What may be drawn again as a whole: blocks, or stretches of two seconds where there are too few blocks.

    Parameters
    ----------
    strokes : DataFrame
        With ``session``, ``block`` and ``start_s``.

    Returns
    -------
    unit : int64 (n,)
        From 0.
    name : str
        ``blocks`` or ``stretches of 2 s``.
    """
    block = pd.Series(zip(strokes["session"], strokes["block"], strict=True)).factorize()[0]
    if np.unique(block).size >= FEWEST_UNITS:
        return np.asarray(block, dtype=np.int64), "blocks"
    stretch = np.floor(strokes["start_s"].to_numpy(np.float64) / STRETCH_S).astype(np.int64)
    unit = pd.Series(zip(block, stretch, strict=True)).factorize()[0]
    return np.asarray(unit, dtype=np.int64), "stretches of 2 s"


def draw_weights(units: int, draws: int, rng: np.random.Generator) -> FloatArray:
    """How often each unit stands in each draw with replacement, (draws, units).

    Parameters
    ----------
    units : int
        Number of units.
    draws : int
        Number of draws.
    rng : Generator

    Returns
    -------
    float64 (draws, units)
        Counts; every row adds up to ``units``.
    """
    return np.asarray(rng.multinomial(units, np.full(units, 1 / units), size=draws), dtype=np.float64)
