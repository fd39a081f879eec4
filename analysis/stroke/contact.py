"""The moment at which a stroke meets its string, on the stroke's path."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.model.records import FloatArray


def contact_share(strokes: pd.DataFrame) -> FloatArray:
    """Moment of string contact of each stroke of the stroke table, as a share of the stroke."""
    start, end = strokes["start_s"].to_numpy(np.float64), strokes["end_s"].to_numpy(np.float64)
    return np.asarray((strokes["contact_s"].to_numpy(np.float64) - start) / (end - start))


def at_contact(values: FloatArray, contact: FloatArray) -> FloatArray:
    """What a path is at contact, on the line between its points.

    Parameters
    ----------
    values : float64 (n, k) or (n, k, d)
        ``k`` points of each stroke, from turn to turn.
    contact : float64 (n,)
        Share of the stroke; held inside 0..1.

    Returns
    -------
    float64 (n,) or (n, d)

    Examples
    --------
    >>> at_contact(np.array([[0.0, 2.0, 8.0]]), np.array([0.75])).tolist()
    [5.0]
    """
    last = values.shape[1] - 1
    at = np.clip(contact, 0.0, 1.0) * last
    base = np.minimum(at.astype(np.int64), last - 1)
    share = (at - base).reshape(-1, *[1] * (values.ndim - 2))
    rows = np.arange(len(values))
    return np.asarray(values[rows, base] * (1 - share) + values[rows, base + 1] * share)
