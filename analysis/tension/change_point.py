r"""Where a series changed its level, if it did.

For a step after block :math:`k`, generalised least squares over whitened blocks
(:mod:`analysis.statistics.autocorrelated_error`), adjusted for tempo, posture and drill, gives a :math:`t_k`; the
change point is where :math:`|t_k|` is largest. Its p comes from permuting the whitened residuals over blocks: the share
of permutations whose own largest :math:`|t|`, over all splits, is as large.

References
----------
Page, Biometrika 41, 1954, 100-115 (cumulated sums).
Andrews, Econometrica 61, 1993, 821-856 (the largest of the tests at all splits).
Freedman and Lane, J. Bus. Econ. Stat. 1, 1983, 292-298 (permuting residuals).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray
from analysis.statistics.autocorrelated_error import Wander
from analysis.tension.marker_drift import LIMIT_SD

FEWEST_BESIDE = 4
LEAST_BESIDE = 0.1


@dataclass(frozen=True)
class ChangePoint:
    """A change of level: it lies between two rows, ``after`` and the next; their times; the step; p.

    ``minute`` is midway between both rows. ``step`` is later less earlier, in the values' unit.
    """

    after: int
    minute: float
    step: float
    p: float


def find_change_point(
    minute: FloatArray,
    values: FloatArray,
    nuisance: FloatArray,
    wander: Wander,
    draws: int = 999,
    seed: int = 0,
) -> ChangePoint | None:
    """Find the most likely change of level in a series.

    Parameters
    ----------
    minute : float64 (n,)
        Ascending.
    values : float64 (n,)
    nuisance : float64 (n, p)
        Columns to adjust for, a constant among them.
    wander : Wander
    draws : int
        Permutations.
    seed : int

    Returns
    -------
    ChangePoint or None
        None where fewer than four rows, or a tenth of them, would lie on either side of any split, or tempo and
        posture explain all splits.

    Examples
    --------
    >>> series = np.concatenate([np.zeros(20), np.ones(20)]) + 0.1 * np.random.default_rng(2).normal(size=40)
    >>> found = find_change_point(np.arange(40.0), series, np.ones((40, 1)), Wander())
    >>> found.after, round(found.step, 1), found.p
    (19, 1.0, 0.001)
    """
    n = minute.size
    beside = max(FEWEST_BESIDE, int(np.ceil(LEAST_BESIDE * n)))
    splits = np.arange(beside, n - beside + 1)
    if splits.size == 0:
        return None
    steps = (np.arange(n)[:, None] >= splits).astype(np.float64)
    white = wander.whiten(minute, np.column_stack([nuisance, values, steps]))
    p = nuisance.shape[1]
    q, r = np.linalg.qr(white[:, :p])
    q = q[:, np.abs(np.diag(r)) > 1e-9 * np.abs(r).max()]
    rest = white[:, p:] - q @ (q.T @ white[:, p:])
    length = np.linalg.norm(rest[:, 1:], axis=0)
    sound = length**2 > 0.05 * (white[:, p + 1 :] ** 2).sum(axis=0)
    free = n - q.shape[1] - 1
    if not sound.any() or free < 3:
        return None
    directions, splits = rest[:, 1:][:, sound] / length[sound], splits[sound]
    robust = 1.4826 * float(np.median(np.abs(rest[:, 0] - np.median(rest[:, 0]))))
    residual = np.clip(rest[:, 0], -LIMIT_SD * robust, LIMIT_SD * robust) if robust > 0 else rest[:, 0]
    order = np.vstack([np.arange(n), np.random.default_rng(seed).random((draws, n)).argsort(axis=1)])
    size = _largest_t(residual[order], q, directions, free)
    at = int(np.argmax(np.abs(residual @ directions)))
    step = float(rest[:, 0] @ directions[:, at] / length[sound][at])
    chance = float(np.mean(size >= size[0] * (1 - 1e-12)))
    after = int(splits[at]) - 1
    return ChangePoint(after, float(0.5 * (minute[after] + minute[after + 1])), step, chance)


def _largest_t(residual: FloatArray, basis: FloatArray, directions: FloatArray, free: int) -> FloatArray:
    """Largest ``|t|`` over all splits (m,) of residuals (m, n)."""
    along = (residual @ directions) ** 2
    left = (residual**2).sum(axis=1) - ((residual @ basis) ** 2).sum(axis=1)
    share = along / np.maximum(left[:, None] - along, 1e-300)
    return np.asarray(np.sqrt(free * share.max(axis=1)))


def adjust_for_many(chances: Sequence[float]) -> list[float]:
    """Chances of several tests, each as large as it must be for all of them together (Holm).

    Parameters
    ----------
    chances : sequence of float

    Returns
    -------
    list of float

    References
    ----------
    Holm, Scand. J. Stat. 6, 1979, 65-70.

    Examples
    --------
    >>> adjust_for_many([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(chances)
    adjusted = np.empty(len(chances))
    highest = 0.0
    for place, index in enumerate(order):
        highest = max(highest, min(1.0, (len(chances) - place) * chances[int(index)]))
        adjusted[int(index)] = highest
    return [float(value) for value in adjusted]
