r"""Slow wander of a player's markers in steady play, and what is left of a series once it is taken account of.

Blocks that follow each other are alike: posture, attention and strings wander for minutes. Tests that take blocks for
independent would call that a drift. So every marker is taken as

.. math:: y = Z \beta + x \delta + \sigma \epsilon, \qquad
          V_{ij} = (1 - r) [i = j] + r \, e^{-|t_i - t_j| / \tau}                                              (1)

with nuisance columns :math:`Z` (posture, drill, tempo), time :math:`x`, and :math:`V` the correlation of
:math:`\epsilon`. Share :math:`r` and time :math:`\tau` of the wander are common to all markers, and are found by
restricted maximum likelihood summed over them, on a grid; of all grid points within :data:`SLACK_LOG` of the best, the
one under which a slope is least certain is taken. With :math:`L L^T = V`,

.. math:: L^{-1} y = L^{-1} Z \beta + L^{-1} x \delta + \sigma \eta                                             (2)

has errors that are as good as exchangeable.

References
----------
Patterson and Thompson, Biometrika 58, 1971, 545-554 (restricted maximum likelihood).
Aitken, Proc. R. Soc. Edinburgh 55, 1935, 42-48 (generalised least squares).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from analysis.model.records import FloatArray

SHARES = (0.2, 0.4, 0.6, 0.8)
TIMES_MIN = (2.0, 5.0, 10.0, 20.0)
SLACK_LOG = 2.0
"""About the drop of a log likelihood (1.92) within which a 95 % interval of one parameter lies."""


@dataclass(frozen=True)
class Wander:
    """Share ``r`` of the variance that wanders slowly, and the wander's time in minutes; equation (1).

    Attributes
    ----------
    share : float
        0 to 1.
    time_min : float
    """

    share: float
    time_min: float

    def root(self, minute: FloatArray) -> FloatArray:
        """Lower Cholesky root (n, n) of the correlation of blocks at these times.

        Parameters
        ----------
        minute : float64 (n,)

        Returns
        -------
        float64 (n, n)
        """
        correlation = self.share * np.exp(-np.abs(np.subtract.outer(minute, minute)) / self.time_min)
        correlation[np.diag_indices(minute.size)] = 1.0
        return np.asarray(np.linalg.cholesky(correlation))

    def whiten(self, minute: FloatArray, columns: FloatArray) -> FloatArray:
        """``L^{-1}`` times some columns (n, k), equation (2).

        Parameters
        ----------
        minute : float64 (n,)
        columns : float64 (n, k)

        Returns
        -------
        float64 (n, k)
        """
        return np.asarray(solve_triangular(self.root(minute), columns, lower=True))


@dataclass(frozen=True)
class MarkerGroup:
    """Markers that are known on the same rows: minutes (n,), values (n, k), and nuisance columns (n, p).

    Attributes
    ----------
    minute : float64 (n,)
    values : float64 (n, k)
    nuisance : float64 (n, p)
    """

    minute: FloatArray
    values: FloatArray
    nuisance: FloatArray


def fit_wander(groups: Sequence[MarkerGroup]) -> Wander:
    """Find the wander common to all markers.

    Parameters
    ----------
    groups : sequence of MarkerGroup
        At least one, each with more rows than nuisance columns and one.

    Returns
    -------
    Wander

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(size=(80, 6))
    >>> fit_wander([MarkerGroup(np.arange(80.0), noise, np.ones((80, 1)))]).share
    0.0
    """
    candidates = [Wander(0.0, 1.0)] + [Wander(share, time) for share in SHARES for time in TIMES_MIN]
    scores, uncertain = [], []
    for wander in candidates:
        parts = [_likelihood(wander, group) for group in groups]
        scores.append(sum(part[0] for part in parts))
        uncertain.append(parts[0][1])
    best = max(scores)
    near = [i for i, score in enumerate(scores) if score >= best - SLACK_LOG]
    return candidates[max(near, key=lambda i: uncertain[i])]


def _likelihood(wander: Wander, group: MarkerGroup) -> tuple[float, float]:
    """Restricted log likelihood of a group, summed over its markers, and the mean variance of a slope."""
    n, k = group.values.shape
    root = wander.root(group.minute)
    time = group.minute - group.minute.mean()
    white = solve_triangular(root, np.column_stack([group.nuisance, time, group.values]), lower=True)
    p = group.nuisance.shape[1] + 1
    q, r = np.linalg.qr(white[:, :p])
    residual = white[:, p:] - q @ (q.T @ white[:, p:])
    variance = np.maximum((residual**2).sum(axis=0) / (n - p), 1e-300)
    determinant = 2 * np.log(np.diag(root)).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
    # Markers have units of their own: the variance of a slope is told in each one's plain variance.
    plain = np.maximum(group.values.var(axis=0), 1e-300)
    return float(-0.5 * ((n - p) * np.log(variance).sum() + k * determinant)), float(
        np.mean(variance / plain) / r[-1, -1] ** 2
    )
