r"""A curve that never rises, through points with weights, and where it falls through zero.

.. math:: e(x) = b_0 - \sum_k b_k I_k(x), \quad b_k \ge 0                                                      (1)

with quadratic I-splines ``I_k``, by non-negative least squares.

References
----------
Ramsay, Statistical Science 3, 1988, 425-441.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import BSpline
from scipy.optimize import nnls

from analysis.model import FloatArray

DEGREE = 2
MOST_SPLINES = 10
APART = 0.03
"""Places nearer than this count as one."""


def count_distinct(x: FloatArray) -> int:
    """Number of places that lie apart.

    Examples
    --------
    >>> count_distinct(np.array([1.0, 1.001, 2.0]))
    2
    """
    return 1 + int(np.count_nonzero(np.diff(np.sort(x)) > APART))


def falling_basis(x: FloatArray, points: FloatArray) -> FloatArray:
    """A constant and the I-splines of equation (1), knots where the points lie.

    Parameters
    ----------
    x : float64 (n,)
        Where the columns are wanted; constant beyond the points.
    points : float64 (m,)
        Where the data lie.

    Returns
    -------
    float64 (n, k)
    """
    low, high = points.min(), points.max()
    inner = max(0, min(count_distinct(points) - 1, MOST_SPLINES) - DEGREE)
    at = np.quantile(np.unique(np.round(points, 2)), np.arange(1, inner + 1) / (inner + 1)) if inner else np.empty(0)
    knots = np.concatenate([[low] * (DEGREE + 1), np.clip(at, low, high), [high] * (DEGREE + 1)])
    splines = BSpline.design_matrix(np.clip(x, low, high), knots, DEGREE).toarray()
    rising = np.cumsum(splines[:, ::-1], axis=1)[:, ::-1][:, 1:]
    return np.column_stack([np.ones(x.size), rising])


def fit_falling(basis: FloatArray, y: FloatArray, weight: FloatArray) -> FloatArray:
    """Coefficients of equation (1): free constant, all others at most 0.

    Parameters
    ----------
    basis : float64 (n, k)
    y, weight : float64 (n,)

    Returns
    -------
    float64 (k,)

    Examples
    --------
    >>> x = np.linspace(0, 1, 5)
    >>> basis = falling_basis(x, x)
    >>> np.round(basis @ fit_falling(basis, 1 - x**2, np.ones(5)), 2)[:4].tolist()
    [1.0, 0.94, 0.75, 0.44]
    """
    # A falling curve starts above the lowest value, so that the shifted constant is never negative.
    shift = float(y.min()) - 1.0
    signs = np.concatenate([[1.0], -np.ones(basis.shape[1] - 1)])
    root = np.sqrt(weight)
    beta = signs * nnls(basis * signs * root[:, None], (y - shift) * root)[0]
    beta[0] += shift
    return np.asarray(beta)


def crossing(y: FloatArray, x: FloatArray) -> float:
    """Where a curve falls through 0: -inf if it starts below, inf if it never does.

    Examples
    --------
    >>> crossing(np.array([1.0, -1.0]), np.array([0.0, 1.0]))
    0.5
    """
    if y[0] < 0:
        return -math.inf
    below = np.flatnonzero(y < 0)
    if not below.size:
        return math.inf
    i = int(below[0])
    return float(x[i - 1] + y[i - 1] / (y[i - 1] - y[i]) * (x[i] - x[i - 1]))
