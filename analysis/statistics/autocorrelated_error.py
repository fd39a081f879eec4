r"""Slow wander of a player's markers in steady play, and what is left of a series once it is taken account of.

Blocks that follow each other are alike: posture, attention and strings wander for minutes. Tests that take blocks for
independent would call that a drift. So every marker is taken as

.. math:: y = Z \beta + x \delta + \sigma \epsilon, \qquad
          V_{ij} = \Bigl(1 - \sum_m r_m\Bigr) [i = j] + \sum_m r_m \, e^{-|t_i - t_j| / \tau_m}                    (1)

with nuisance columns :math:`Z` (posture, drill, tempo), time :math:`x`, and :math:`V` the correlation of
:math:`\epsilon`, common to all markers. Wanders of one share and one time on a grid, and none, are each as likely as
their restricted likelihood, multiplied over the markers; :math:`V` is their mean, weighed so. A single best fit is
too sure of itself, and the most cautious of those that fit nearly as well finds too little. With :math:`L L^T = V`,

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


@dataclass(frozen=True)
class Wander:
    """Shares ``r`` of the variance that wander slowly, and the time of each in minutes; equation (1).

    Attributes
    ----------
    shares : tuple of float
        0 to 1, in all.
    times_min : tuple of float
        As many.
    """

    shares: tuple[float, ...] = ()
    times_min: tuple[float, ...] = ()

    @property
    def share(self) -> float:
        """What wanders in all."""
        return sum(self.shares)

    def root(self, minute: FloatArray) -> FloatArray:
        """Lower Cholesky root (n, n) of the correlation of blocks at these times.

        Parameters
        ----------
        minute : float64 (n,)

        Returns
        -------
        float64 (n, n)
        """
        apart = np.abs(np.subtract.outer(minute, minute))
        correlation = np.zeros_like(apart)
        for share, time_min in zip(self.shares, self.times_min, strict=True):
            correlation += share * np.exp(-apart / time_min)
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
    >>> fit_wander([MarkerGroup(np.arange(80.0), noise, np.ones((80, 1)))]).share < 0.02
    True
    """
    single = [(share, time_min) for share in SHARES for time_min in TIMES_MIN]
    scores = np.array(
        [
            sum(_likelihood(wander, group) for group in groups)
            for wander in (Wander(), *(Wander((share,), (time_min,)) for share, time_min in single))
        ]
    )
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    shares = [
        float(sum(w * share for w, (share, own) in zip(weights[1:], single, strict=True) if own == time_min))
        for time_min in TIMES_MIN
    ]
    return Wander(tuple(shares), TIMES_MIN)


def _likelihood(wander: Wander, group: MarkerGroup) -> float:
    """Restricted log likelihood of a group, summed over its markers."""
    n, k = group.values.shape
    root = wander.root(group.minute)
    time = group.minute - group.minute.mean()
    white = solve_triangular(root, np.column_stack([group.nuisance, time, group.values]), lower=True)
    p = group.nuisance.shape[1] + 1
    q, r = np.linalg.qr(white[:, :p])
    residual = white[:, p:] - q @ (q.T @ white[:, p:])
    variance = np.maximum((residual**2).sum(axis=0) / (n - p), 1e-300)
    determinant = 2 * np.log(np.diag(root)).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
    return float(-0.5 * ((n - p) * np.log(variance).sum() + k * determinant))
