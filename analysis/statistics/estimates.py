r"""Values with intervals over blocks: means, slopes, spreads; equivalence and effect size.

An error that more blocks do not lessen (a frame's) is added to the variance of the sampling; the degrees of freedom
follow Satterthwaite:

.. math:: \nu = \nu_0 \left( \frac{\sigma_0^2 + s^2}{\sigma_0^2} \right)^2                                     (1)

References
----------
Satterthwaite, Biometrics Bulletin 2, 1946, 110-114.
Schuirmann, J. Pharmacokin. Biopharm. 15, 1987, 657-680 (two one-sided tests).
Hedges, J. Educ. Stat. 6, 1981, 107-128 (correction of the standardised difference).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray, IntArray

SLACK = 1e-9
"""Relative: less than this counts as nothing."""


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % interval; ``se`` of the sampling, ``df`` of its t distribution.

    Attributes
    ----------
    value : float
    low, high : float
        Ends of the interval.
    se : float
        In the value's unit.
    df : float
    """

    value: float
    low: float
    high: float
    se: float
    df: float


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests against ``margin``: p is the larger of the two; small p: equivalent.

    Attributes
    ----------
    margin : float
        In the unit of the difference.
    p : float
    p_lower, p_upper : float
        Against the difference lying below, above the margins.
    """

    margin: float
    p: float
    p_lower: float
    p_upper: float


def number_groups(n: int, strata: ArrayLike | None) -> IntArray:
    """Strata numbered from 0; one for all where none are given.

    Parameters
    ----------
    n : int
        Number of values.
    strata : array_like (n,) or None
        Label of each value's stratum.

    Returns
    -------
    int64 (n,)
    """
    if strata is None:
        return np.zeros(n, dtype=np.int64)
    return np.asarray(np.unique(np.asarray(strata), return_inverse=True)[1], dtype=np.int64)


def nuisance_columns(n: int, nuisance: FloatArray | None, groups: ArrayLike) -> FloatArray:
    """Columns to adjust for: one constant a stratum, then the nuisance.

    Parameters
    ----------
    n : int
        Number of values.
    nuisance : float64 (n, j) or None
    groups : array_like (n,)
        Number of each value's stratum.

    Returns
    -------
    float64 (n, k)
    """
    constants = np.equal.outer(np.asarray(groups), np.unique(np.asarray(groups))).astype(np.float64)
    return constants if nuisance is None else np.column_stack([constants, np.asarray(nuisance, dtype=np.float64)])


def remove_columns(target: FloatArray, columns: FloatArray) -> FloatArray:
    """What of the target's columns the given columns do not explain: ``M target``.

    Parameters
    ----------
    target : float64 (n, k)
    columns : float64 (n, j)
        May depend on each other.

    Returns
    -------
    float64 (n, k)
    """
    q, r = np.linalg.qr(columns)
    kept = q[:, np.abs(np.diag(r)) > 1e-10 * np.abs(r).max()]
    return np.asarray(target - kept @ (kept.T @ target))


def adjusted_slope(
    values: ArrayLike,
    regressor: ArrayLike,
    nuisance: FloatArray | None = None,
    shared_se: float = 0.0,
    strata: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Estimate:
    """Change of the values for one unit of the regressor, equation (1), with its t interval.

    With a regressor of 0 and 1 that is the adjusted difference of two labels. ``shared_se`` is an error that more
    blocks do not lessen: its variance is added, and the degrees of freedom follow Satterthwaite.

    Parameters
    ----------
    values : array_like (n,)
        One a block.
    regressor : array_like (n,)
    nuisance : float64 (n, k), optional
        Columns to adjust for.
    shared_se : float
        In the values' unit for one unit of the regressor.
    strata : array_like (n,), optional
        Groups, each with a constant of its own.
    confidence : float
        Of the interval, 0 to 1.

    Returns
    -------
    Estimate
        In the values' unit for one unit of the regressor.

    Raises
    ------
    NotEnoughDataError
        No degree of freedom is left.
    """
    y, x = np.asarray(values, dtype=np.float64), np.asarray(regressor, dtype=np.float64)
    groups = number_groups(y.size, strata)
    columns = nuisance_columns(y.size, nuisance, groups)
    own = remove_columns(x[:, None], columns)[:, 0]
    df = y.size - int(np.linalg.matrix_rank(columns)) - 1
    weight = float(own @ own)
    if df < 1 or weight < SLACK * float(x @ x):
        raise NotEnoughDataError(
            expected="more blocks than unknowns",
            found=f"{y.size} blocks",
            next_step="play more blocks of each, in mixed order",
        )
    value = float(own @ y) / weight
    residual = remove_columns(y[:, None], np.column_stack([columns, x]))[:, 0]
    sampling = float(residual @ residual) / df / weight
    variance = sampling + shared_se**2
    free = df * (variance / sampling) ** 2 if sampling > 0 else math.inf
    return _interval(value, math.sqrt(variance), free, confidence)


def mean_estimate(values: ArrayLike, shared_se: float = 0.0, confidence: float = 0.95) -> Estimate:
    """Mean of independent values with its t interval; ``shared_se`` as in :func:`adjusted_slope`.

    Parameters
    ----------
    values : array_like (n,)
        One a block.
    shared_se : float
        In the values' unit.
    confidence : float
        Of the interval, 0 to 1.

    Returns
    -------
    Estimate

    Raises
    ------
    NotEnoughDataError
        Fewer than two values.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.size < 2:
        raise NotEnoughDataError(
            expected="at least 2 blocks",
            found=f"{y.size}",
            next_step="play more blocks",
        )
    sampling = float(y.var(ddof=1)) / y.size
    variance = sampling + shared_se**2
    free = (y.size - 1) * (variance / sampling) ** 2 if sampling > 0 else math.inf
    return _interval(float(y.mean()), math.sqrt(variance), free, confidence)


def sd_estimate(residuals: ArrayLike, df: int, confidence: float = 0.95) -> Estimate:
    """Standard deviation with its chi-square interval.

    Parameters
    ----------
    residuals : array_like (n,)
        About the mean or a fit.
    df : int
        Degrees of freedom left, at least one.
    confidence : float

    Returns
    -------
    Estimate
        In the residuals' unit.

    Examples
    --------
    >>> found = sd_estimate([-2.0, -1.0, 0.0, 1.0, 2.0], 4)
    >>> round(found.low, 3), round(found.value, 3), round(found.high, 3)
    (0.947, 1.581, 4.543)
    """
    values = np.asarray(residuals, dtype=np.float64)
    sd = math.sqrt(float(values @ values) / df)
    tail = (1 - confidence) / 2
    # chdtri wants the tail above.
    low, high = (sd * math.sqrt(df / float(special.chdtri(df, q))) for q in (tail, 1 - tail))
    return Estimate(sd, low, high, sd / math.sqrt(2 * df), float(df))


def _interval(value: float, se: float, df: float, confidence: float) -> Estimate:
    # Beyond a million degrees of freedom t is normal; scipy does not take infinity quietly.
    half = se * float(special.stdtrit(min(df, 1e6), 0.5 + confidence / 2))
    return Estimate(value, value - half, value + half, se, df)


def equivalence_test(difference: Estimate, margin: float) -> Equivalence:
    """Two one-sided t tests that a difference lies within ``+- margin``.

    Parameters
    ----------
    difference : Estimate
        With its standard error and degrees of freedom.
    margin : float
        In the unit of the difference, above 0.

    Returns
    -------
    Equivalence
        The p value of each side, and the larger one.

    Examples
    --------
    >>> round(equivalence_test(Estimate(0.0, -1.0, 1.0, 0.5, 10.0), 2.0).p, 4)
    0.0013
    """
    se = max(difference.se, 1e-300)
    df = min(difference.df, 1e6)
    lower = float(special.stdtr(df, -(difference.value + margin) / se))
    upper = float(special.stdtr(df, (difference.value - margin) / se))
    return Equivalence(margin, max(lower, upper), lower, upper)


def hedges_g(first: ArrayLike, second: ArrayLike) -> float:
    """Standardised difference, second less first, pooled SD, corrected for small samples.

    The correction is the exact one, ``J = G(m/2) / (sqrt(m/2) G((m-1)/2))`` with ``m`` degrees of freedom.

    Parameters
    ----------
    first, second : array_like (n,), (m,)
        At least two values each.

    Returns
    -------
    float
        In pooled standard deviations.

    Raises
    ------
    NotEnoughDataError
        Fewer than two values on a side, or no scatter at all.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    df = a.size + b.size - 2
    if min(a.size, b.size) < 2:
        raise NotEnoughDataError(
            "expected at least 2 blocks on each side",
            next_step="play more blocks",
        )
    pooled = math.sqrt(((a.size - 1) * a.var(ddof=1) + (b.size - 1) * b.var(ddof=1)) / df)
    if pooled == 0:
        raise NotEnoughDataError(
            expected="blocks that differ at all",
            found="equal values",
            next_step="check the log",
        )
    correction = math.exp(math.lgamma(df / 2) - math.lgamma((df - 1) / 2)) / math.sqrt(df / 2)
    return float((b.mean() - a.mean()) / pooled * correction)
