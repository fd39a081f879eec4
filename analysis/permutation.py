r"""Permutation tests of blocks, t intervals, equivalence and effect size.

The unit that is permuted is a block, never a stroke: strokes of one block share its wander, so that a thousand of
them say little more than one about another block.

With labels :math:`l` (centred), nuisance columns :math:`Z` (a constant, order, time, tempo) and
:math:`M = I - Z Z^+`, the adjusted difference of the two labels and the score that is permuted are

.. math::

   \hat\delta &= \frac{l^T M y}{l^T M l}                                                                   (1) \\
   u(l') &= \frac{l'^T M y}{\sqrt{l'^T M l' \cdot l^T M l}}, \qquad u(l) = \hat\delta                      (2)

Dividing by :math:`\sqrt{l'^T M l'}` gives every assignment the same variance under the null hypothesis; with
:math:`y^T M y` fixed, :math:`|u|` orders the assignments exactly as the t statistic of their own regression does.
Where the two labels carry measurement errors of their own, known to be normal (the frames of two postures), the
distribution of :math:`u` is convolved with them:

.. math:: p = \frac{1}{m} \sum_{l'} P(|u(l') + s N| \ge |\hat\delta|)                                     (3)

References
----------
Good, Permutation, Parametric and Bootstrap Tests of Hypotheses, 3rd ed. 2005.
Winkler et al., NeuroImage 92, 2014, 381-397 (permutation with nuisance variables).
Schuirmann, J. Pharmacokin. Biopharm. 15, 1987, 657-680 (two one-sided tests).
Hedges, J. Educ. Stat. 6, 1981, 107-128 (correction of the standardised difference).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analysis.errors import NotEnoughDataError
from analysis.model import BoolArray, FloatArray, IntArray

MOST_EXACT = 20_000
DRAWS = 9_999
SLACK = 1e-9
"""Relative: assignments whose score differs by rounding alone count as equal."""


@dataclass(frozen=True)
class PermutationTest:
    """A test by permutation.

    Attributes
    ----------
    estimate : float
        Mean (sign flips) or adjusted difference (labels).
    p : float
        Two-sided.
    assignments : int
        How many were looked at.
    exact : bool
        True: all that there are. False: that many random ones, the observed one counted in.
    smallest_p : float
        The smallest p that this design could give.
    """

    estimate: float
    p: float
    assignments: int
    exact: bool
    smallest_p: float


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % interval; ``se`` of the sampling, ``df`` of its t distribution."""

    value: float
    low: float
    high: float
    se: float
    df: float


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests against ``margin``: p is the larger of the two; small p: equivalent."""

    margin: float
    p: float
    p_lower: float
    p_upper: float


def sign_flip_test(differences: ArrayLike, seed: int = 0) -> PermutationTest:
    """Two-sided test that paired differences scatter evenly about zero.

    Parameters
    ----------
    differences : array_like (n,)
    seed : int
        Of the random flips, where there are too many for all.

    Returns
    -------
    PermutationTest

    Raises
    ------
    NotEnoughDataError
        Fewer than two differences.

    Examples
    --------
    >>> sign_flip_test([1.0, 2.0, 3.0]).p
    0.25
    """
    d = np.asarray(differences, dtype=np.float64)
    n = d.size
    if n < 2:
        raise NotEnoughDataError(f"expected at least 2 differences, found {n}; play more blocks")
    exact = 2**n <= MOST_EXACT * 4
    if exact:
        bits = np.arange(2**n, dtype=np.int64)[:, None] >> np.arange(n)
        sums = np.where(bits & 1, -1.0, 1.0) @ d
    else:
        flips = np.random.default_rng(seed).integers(0, 2, (DRAWS, n))
        sums = np.concatenate([[d.sum()], np.where(flips, -1.0, 1.0) @ d])
    reached = np.abs(sums) >= abs(d.sum()) - SLACK * np.abs(d).sum()
    return PermutationTest(
        float(d.mean()), float(reached.mean()), sums.size, exact, 2 / 2**n if exact else 1 / sums.size
    )


def label_test(
    values: ArrayLike,
    second: ArrayLike,
    nuisance: FloatArray | None = None,
    label_se: float = 0.0,
    strata: ArrayLike | None = None,
    seed: int = 0,
) -> PermutationTest:
    """Two-sided test that two labels make no difference, equations (1) to (3).

    Parameters
    ----------
    values : array_like (n,)
        One a block.
    second : array_like of bool (n,)
        True where the block carries the second label; the estimate is second less first.
    nuisance : float64 (n, k), optional
        Columns to adjust for; a constant is always there.
    label_se : float
        Standard error of the difference that the labels themselves carry, beyond the scatter of blocks.
    strata : array_like of int (n,), optional
        Labels are only exchanged within a stratum (a tempo, a drill), and strata are adjusted for.
    seed : int

    Returns
    -------
    PermutationTest

    Raises
    ------
    NotEnoughDataError
        One label only, or a nuisance that leaves nothing of the labels.
    """
    y = np.asarray(values, dtype=np.float64)
    label = np.asarray(second, dtype=bool)
    groups = (
        np.zeros(y.size, dtype=np.int64) if strata is None else np.unique(np.asarray(strata), return_inverse=True)[1]
    )
    base = remove_columns(np.eye(y.size), nuisance_columns(y.size, nuisance, groups))
    weight = float(label @ base @ label)
    if weight < SLACK * y.size:
        raise NotEnoughDataError("expected blocks of two labels that order and tempo do not explain; mix their order")
    estimate = float(label @ base @ y) / weight
    labels, exact = _assignments(label, groups, seed)
    residual = base @ y
    spread = np.einsum("mi,mi->m", labels @ base, labels)
    sound = spread > SLACK * y.size
    scores = (labels[sound] @ residual) / np.sqrt(spread[sound] * weight)  # (2)
    if label_se > 0:
        reach = abs(estimate)
        chances = stats.norm.cdf((scores - reach) / label_se) + stats.norm.cdf((-scores - reach) / label_se)  # (3)
    else:
        chances = (np.abs(scores) >= abs(estimate) - SLACK * float(np.abs(residual).max() + 1e-300)).astype(np.float64)
    count = int(scores.size)
    twins = 2 if np.unique(groups).size == 1 and 2 * label.sum() == label.size else 1
    return PermutationTest(estimate, float(chances.mean()), count, exact, twins / count)


def _groups(n: int, strata: ArrayLike | None) -> IntArray:
    """Strata numbered from 0; one for all where none are given."""
    if strata is None:
        return np.zeros(n, dtype=np.int64)
    return np.asarray(np.unique(np.asarray(strata), return_inverse=True)[1], dtype=np.int64)


def nuisance_columns(n: int, nuisance: FloatArray | None, groups: ArrayLike) -> FloatArray:
    """Columns to adjust for: one constant a stratum, then the nuisance.

    Returns
    -------
    float64 (n, k)
    """
    constants = np.equal.outer(np.asarray(groups), np.unique(np.asarray(groups))).astype(np.float64)
    return constants if nuisance is None else np.column_stack([constants, np.asarray(nuisance, dtype=np.float64)])


def remove_columns(target: FloatArray, columns: FloatArray) -> FloatArray:
    """What of the target's columns the given columns do not explain: ``M target``."""
    q, r = np.linalg.qr(columns)
    kept = q[:, np.abs(np.diag(r)) > 1e-10 * np.abs(r).max()]
    return np.asarray(target - kept @ (kept.T @ target))


def _assignments(label: BoolArray, groups: IntArray, seed: int) -> tuple[FloatArray, bool]:
    """All ways to give the labels within the strata (m, n), or random ones with the observed first."""
    members = [np.flatnonzero(groups == g) for g in np.unique(groups)]
    ways = [math.comb(m.size, int(label[m].sum())) for m in members]
    if math.prod(ways) <= MOST_EXACT:
        picks = [itertools.combinations(m, int(label[m].sum())) for m in members]
        rows = [list(itertools.chain.from_iterable(choice)) for choice in itertools.product(*picks)]
        labels = np.zeros((len(rows), label.size))
        labels[np.arange(len(rows))[:, None], np.array(rows)] = 1.0
        return labels, True
    rng = np.random.default_rng(seed)
    labels = np.empty((DRAWS + 1, label.size))
    labels[0] = label
    for m in members:
        keys = rng.random((DRAWS, m.size)).argsort(axis=1)
        labels[1:, m] = label[m][keys]
    return labels, False


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

    Raises
    ------
    NotEnoughDataError
        No degree of freedom is left.
    """
    y, x = np.asarray(values, dtype=np.float64), np.asarray(regressor, dtype=np.float64)
    groups = _groups(y.size, strata)
    columns = nuisance_columns(y.size, nuisance, groups)
    own = remove_columns(x[:, None], columns)[:, 0]
    df = y.size - int(np.linalg.matrix_rank(columns)) - 1
    weight = float(own @ own)
    if df < 1 or weight < SLACK * float(x @ x):
        raise NotEnoughDataError(
            f"expected more blocks than unknowns, found {y.size} blocks; play more blocks of each, in mixed order"
        )
    value = float(own @ y) / weight
    residual = remove_columns(y[:, None], np.column_stack([columns, x]))[:, 0]
    sampling = float(residual @ residual) / df / weight
    variance = sampling + shared_se**2
    free = df * (variance / sampling) ** 2 if sampling > 0 else math.inf
    return _interval(value, math.sqrt(variance), free, confidence)


def mean_estimate(values: ArrayLike, shared_se: float = 0.0, confidence: float = 0.95) -> Estimate:
    """Mean of independent values with its t interval; ``shared_se`` as in :func:`adjusted_slope`.

    Raises
    ------
    NotEnoughDataError
        Fewer than two values.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.size < 2:
        raise NotEnoughDataError(f"expected at least 2 blocks, found {y.size}; play more blocks")
    sampling = float(y.var(ddof=1)) / y.size
    variance = sampling + shared_se**2
    free = (y.size - 1) * (variance / sampling) ** 2 if sampling > 0 else math.inf
    return _interval(float(y.mean()), math.sqrt(variance), free, confidence)


def _interval(value: float, se: float, df: float, confidence: float) -> Estimate:
    # Beyond a million degrees of freedom t is normal; scipy's t does not take infinity quietly.
    half = se * float(stats.t.ppf(0.5 + confidence / 2, min(df, 1e6)))
    return Estimate(value, value - half, value + half, se, df)


def equivalence_test(difference: Estimate, margin: float) -> Equivalence:
    """Two one-sided t tests that a difference lies within ``+- margin``.

    Examples
    --------
    >>> round(equivalence_test(Estimate(0.0, -1.0, 1.0, 0.5, 10.0), 2.0).p, 4)
    0.0013
    """
    se = max(difference.se, 1e-300)
    df = min(difference.df, 1e6)
    lower = float(stats.t.sf((difference.value + margin) / se, df))
    upper = float(stats.t.cdf((difference.value - margin) / se, df))
    return Equivalence(margin, max(lower, upper), lower, upper)


def hedges_g(first: ArrayLike, second: ArrayLike) -> float:
    """Standardised difference, second less first, pooled SD, corrected for small samples.

    The correction is the exact one, ``J = G(m/2) / (sqrt(m/2) G((m-1)/2))`` with ``m`` degrees of freedom.

    Raises
    ------
    NotEnoughDataError
        Fewer than two values on a side, or no scatter at all.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    df = a.size + b.size - 2
    if min(a.size, b.size) < 2:
        raise NotEnoughDataError("expected at least 2 blocks on each side; play more blocks")
    pooled = math.sqrt(((a.size - 1) * a.var(ddof=1) + (b.size - 1) * b.var(ddof=1)) / df)
    if pooled == 0:
        raise NotEnoughDataError("expected blocks that differ at all, found equal values; check the log")
    correction = math.exp(math.lgamma(df / 2) - math.lgamma((df - 1) / 2)) / math.sqrt(df / 2)
    return float((b.mean() - a.mean()) / pooled * correction)
