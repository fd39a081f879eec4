r"""Permutation tests of blocks.

The unit that is permuted is a block, never a stroke: strokes of one block share its wander, so that a thousand of
them say little more than one about another block.

With labels :math:`l` (centred), nuisance columns :math:`Z` (a constant, order, time, tempo) and
:math:`M = I - Z Z^+`, the adjusted difference of the two labels and the score that is permuted are

.. math::

   \hat\delta &= \frac{l^T M y}{l^T M l}                                                                   (1) \\
   u(l') &= \frac{l'^T M y}{\sqrt{l'^T M l' \cdot l^T M l}}, \qquad u(l) = \hat\delta                      (2)

Dividing by :math:`\sqrt{l'^T M l'}` gives every assignment the same variance under the null hypothesis; with
:math:`y^T M y` fixed, :math:`|u|` orders the assignments exactly as the t statistic of their own regression does.

Where the two labels carry measurement errors of their own, known to be normal with standard deviation :math:`s` (the
frames of two postures), blocks are exchangeable only in what the labels leave, so :math:`l` joins the nuisance.
Every other assignment then gives a t statistic :math:`t(l')`; with :math:`\hat\sigma` the residual scatter of blocks,

.. math::

   d(l') &= t(l') \, \hat\sigma / \sqrt{l^T M l}                                                           (3) \\
   p &= \frac{1}{m} \sum_{l'} P(|d(l') + s N| \ge |\hat\delta|)                                            (4)

References
----------
Good, Permutation, Parametric and Bootstrap Tests of Hypotheses, 3rd ed. 2005.
Winkler et al., NeuroImage 92, 2014, 381-397 (permutation with nuisance variables).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.statistics.estimates import SLACK, nuisance_columns, remove_columns

MOST_EXACT = 20_000
DRAWS = 9_999


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
        The smallest p that this design could give; 0 where the labels carry a normal error of their own.
    """

    estimate: float
    p: float
    assignments: int
    exact: bool
    smallest_p: float


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
        raise NotEnoughDataError(
            expected="at least 2 differences",
            found=f"{n}",
            next_step="play more blocks",
        )
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
    """Two-sided test that two labels make no difference, equations (1) to (4).

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
        raise NotEnoughDataError(
            "expected blocks of two labels that order and tempo do not explain",
            next_step="mix their order",
        )
    estimate = float(label @ base @ y) / weight
    labels, exact = _assignments(label, groups, seed)
    if label_se > 0:
        chances = _chances_with_error(labels, (label.astype(np.float64), base), y, (estimate, weight), label_se)
    else:
        scores = _scores(labels, base, y)  # (2)
        reach = abs(estimate) * math.sqrt(weight)
        chances = (np.abs(scores) >= reach - SLACK * float(np.abs(scores).max())).astype(np.float64)
    # The mirror image of an even split says the same.
    twins = 2 if np.unique(groups).size == 1 and 2 * label.sum() == label.size else 1
    smallest = 0.0 if label_se > 0 else twins / chances.size
    return PermutationTest(estimate, float(chances.mean()), int(chances.size), exact, smallest)


def _scores(labels: FloatArray, base: FloatArray, y: FloatArray) -> FloatArray:
    """``l' M y / sqrt(l' M l')`` for every assignment that ``M`` does not explain."""
    spread = np.einsum("mi,mi->m", labels @ base, labels)
    sound = spread > SLACK * y.size
    return np.asarray((labels[sound] @ (base @ y)) / np.sqrt(spread[sound]))


def _chances_with_error(
    labels: FloatArray,
    own: tuple[FloatArray, FloatArray],
    y: FloatArray,
    found: tuple[float, float],
    label_se: float,
) -> FloatArray:
    """Chance of the estimate or more under every assignment, equations (3) and (4)."""
    label, base = own
    estimate, weight = found
    along = base @ label / math.sqrt(weight)
    base = base - np.outer(along, along)
    df = round(float(np.trace(base)))
    total = float(y @ base @ y)
    if df < 2:
        raise NotEnoughDataError(
            expected="more blocks than unknowns",
            found=f"{y.size}",
            next_step="play more blocks of each",
        )
    scores = _scores(labels, base, y)
    if total > SLACK * float(y @ y):
        t = scores * math.sqrt(df - 1) / np.sqrt(np.maximum(total - scores**2, SLACK * total))
        drawn = t * math.sqrt(total / df / weight)  # (3)
    else:
        # Blocks of one label that are all alike leave the labels' own error alone.
        drawn = np.zeros_like(scores)
    reach = abs(estimate)
    return np.asarray(special.ndtr((drawn - reach) / label_se) + special.ndtr((-drawn - reach) / label_se))  # (4)


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
