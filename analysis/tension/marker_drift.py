r"""Drifts of markers over a session: tempo, loudness, posture and drill allowed for, slow wander taken account of.

After equation (2) of :mod:`analysis.statistics.autocorrelated_error`, each marker's drift has a t statistic of
generalised least squares. Turned to normal scores :math:`z`, oriented so that worse is positive (both ways, where
either is), the drifts of all markers, and their mean :math:`\bar z` over markers in units of its spread under the null
hypothesis, give one statistic

.. math:: S = \max(z_1, \ldots, z_K, \bar z / s)                                                                (1)

Its null distribution comes from permuting whitened residuals over blocks, all markers of a block together, so that
markers that go together count as often as they tell different things. Residuals are limited to three robust standard
deviations: one odd block is no drift.

References
----------
Freedman and Lane, J. Bus. Econ. Stat. 1, 1983, 292-298 (permuting residuals with nuisance variables).
Westfall and Young, Resampling-Based Multiple Testing, Wiley 1993 (the largest of several statistics).
Romano and Tirlea, arXiv:2404.06239, 2024 (permutation tests of trend fail under serial dependence without a statistic
that takes account of it).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from analysis.model.records import BoolArray, FloatArray
from analysis.statistics.autocorrelated_error import MarkerGroup, Wander, fit_wander
from analysis.statistics.estimates import Estimate, nuisance_columns, number_groups
from analysis.tension.marker_table import MARKERS, Marker

FEWEST_ROWS = 8
FEWEST_FREE = 5
LEAST_TIME = 0.1
"""Where tempo, posture and drill leave less than this of the variance of time, drift cannot be told from them."""
WIDE_TEMPO = 1.5
KNOWN_LOUDNESS = 0.8
"""Share of rows on which the pick attack must be known to allow for loudness."""
LIMIT_SD = 3.0
CHUNK = 1000


@dataclass(frozen=True)
class DriftGroup:
    """Whitened residuals of markers known on the same rows.

    Attributes
    ----------
    markers : tuple of Marker
    source : MarkerGroup
        Minutes, oriented values and nuisance before whitening.
    wander : Wander
    basis : float64 (n, p)
        Orthonormal, of the whitened nuisance.
    time : float64 (n,)
        Whitened minutes without the nuisance, unit length.
    scale : float
        Length of ``time`` before, so that ``time`` scores become slopes a minute.
    residual : float64 (n, k)
        Oriented so that worse is positive; without the nuisance, limited.
    whole : float64 (n, k)
        The same, not limited.
    """

    markers: tuple[Marker, ...]
    source: MarkerGroup
    wander: Wander
    basis: FloatArray
    time: FloatArray
    scale: float
    residual: FloatArray
    whole: FloatArray

    @property
    def minute(self) -> FloatArray:
        """Minutes of the rows from the start of play (n,)."""
        return self.source.minute

    @property
    def free(self) -> int:
        """Degrees of freedom of a drift."""
        return int(self.minute.size - self.basis.shape[1] - 1)

    @property
    def two_sided(self) -> BoolArray:
        """Markers that are worse either way."""
        return np.array([marker.worse == "either" for marker in self.markers])


@dataclass(frozen=True)
class MarkerDrift:
    """Drift of one marker.

    ``per_hour`` in the marker's unit, or for a relative one as a change of its logarithm; ``z`` its normal score,
    positive where it gets worse.
    """

    marker: Marker
    rows: int
    per_hour: Estimate
    z: float
    minutes: float

    @property
    def over_session(self) -> Estimate:
        """The change from the first row to the last, which was seen; an hour may lie beyond it."""
        slope, hours = self.per_hour, self.minutes / 60
        return Estimate(slope.value * hours, slope.low * hours, slope.high * hours, slope.se * hours, slope.df)


def marker_values(table: pd.DataFrame, markers: Sequence[Marker]) -> FloatArray:
    """Values to compare (n, k): logarithms of relative markers, worse is positive; NaN where unknown."""
    columns = []
    for marker in markers:
        values = table[marker.key].to_numpy(np.float64)
        if marker.relative:
            values = np.log(np.where(values > 0, values, np.nan))
        columns.append(-values if marker.worse == "down" else values)
    return np.column_stack(columns)


def adjusting_columns(table: pd.DataFrame, loudness: bool = True) -> FloatArray:
    """Nuisance columns (n, p): a constant for each posture and drill, tempo, straight and, if wide, bent, and loudness.

    Where most rows would have a posture and drill of their own, drills count as one.
    """
    n = len(table)
    groups = number_groups(n, table["posture"].astype(str) + "\0" + table["drill"].astype(str))
    if 3 * np.unique(groups).size > n:
        groups = number_groups(n, table["posture"].astype(str))
    pace = np.log(table["strokes_per_s"].to_numpy(np.float64))
    pace = pace - pace.mean()
    columns = [pace] if np.ptp(pace) > 0.02 else []
    if np.ptp(pace) > np.log(WIDE_TEMPO) and n >= 24:
        columns.append(pace**2)
    attack = table["attack_mps2"].to_numpy(np.float64)
    loud = np.log(np.where(attack > 0, attack, np.nan))
    if loudness and np.isfinite(loud).mean() >= KNOWN_LOUDNESS and np.nanstd(loud) > 0.02:
        loud = np.where(np.isfinite(loud), loud, np.nanmedian(loud))
        columns.append(loud - loud.mean())
    return nuisance_columns(n, np.column_stack(columns) if columns else None, groups)


def prepare_drifts(table: pd.DataFrame, load: bool = True) -> tuple[DriftGroup, ...]:
    """Whiten and adjust every marker that there is enough of.

    Parameters
    ----------
    table : DataFrame
        Columns of :data:`analysis.tension.marker_table.TENSION_COLUMNS`.
    load : bool
        The markers that may alarm, loudness allowed for; else the others.

    Returns
    -------
    tuple of DriftGroup
        The one with most rows first; empty where no marker is known on enough rows, or tempo and posture changed with
        time.
    """
    values = marker_values(table, MARKERS)
    known = np.isfinite(values)
    minute = (0.5 * (table["start_s"] + table["end_s"]) - table["start_s"].min()).to_numpy(np.float64) / 60
    by_rows: dict[bytes, list[int]] = {}
    for column in range(len(MARKERS)):
        if (
            MARKERS[column].load is load
            and known[:, column].sum() >= FEWEST_ROWS
            and np.ptp(values[known[:, column], column]) > 0
        ):
            by_rows.setdefault(known[:, column].tobytes(), []).append(column)
    raw = []
    for members in by_rows.values():
        rows = known[:, members[0]]
        nuisance = adjusting_columns(table[rows], loudness=load)
        if rows.sum() - nuisance.shape[1] - 1 >= FEWEST_FREE:
            raw.append((members, MarkerGroup(minute[rows], values[rows][:, members], nuisance)))
    raw.sort(key=lambda item: (-item[1].minute.size, item[0]))
    if not raw:
        return ()
    wander = fit_wander([group for _, group in raw])
    groups = [_whitened(tuple(MARKERS[c] for c in members), group, wander) for members, group in raw]
    return tuple(group for group in groups if group is not None)


def _whitened(markers: tuple[Marker, ...], group: MarkerGroup, wander: Wander) -> DriftGroup | None:
    white = wander.whiten(group.minute, np.column_stack([group.nuisance, group.minute, group.values]))
    p = group.nuisance.shape[1]
    q, r = np.linalg.qr(white[:, :p])
    basis = q[:, np.abs(np.diag(r)) > 1e-9 * np.abs(r).max()]
    rest = white[:, p:] - basis @ (basis.T @ white[:, p:])
    constant = wander.whiten(group.minute, np.ones((group.minute.size, 1)))
    time = white[:, p] - constant[:, 0] * (constant[:, 0] @ white[:, p]) / (constant[:, 0] @ constant[:, 0])
    scale = float(np.linalg.norm(rest[:, 0]))
    if scale**2 < LEAST_TIME * float(time @ time):
        return None
    whole = rest[:, 1:]
    robust = 1.4826 * np.median(np.abs(whole - np.median(whole, axis=0)), axis=0)
    robust = np.where(robust > 0, robust, np.maximum(whole.std(axis=0), 1e-300))
    limited = np.clip(whole, -LIMIT_SD * robust, LIMIT_SD * robust)
    return DriftGroup(markers, group, wander, basis, rest[:, 0] / scale, scale, limited, whole)


def drift_scores(group: DriftGroup) -> FloatArray:
    """Normal scores (k,) of the drifts; those that are worse either way by their size."""
    return np.asarray(_scores(group, np.arange(group.minute.size)[None])[0])


def _scores(group: DriftGroup, order: np.ndarray[tuple[int, int], np.dtype[np.int64]]) -> FloatArray:
    """Normal scores (m, k) with the rows of the residuals in each of m orders."""
    place = np.argsort(order, axis=1)
    along = group.time[place] @ group.residual
    explained = along**2
    for column in group.basis.T:
        explained += (column[place] @ group.residual) ** 2
    left = np.maximum((group.residual**2).sum(axis=0) - explained, 1e-300)
    z = normal_scores(along / np.sqrt(left / group.free), group.free)
    return np.where(group.two_sided, np.abs(z), z)


def normal_scores(t: FloatArray, free: int) -> FloatArray:
    """Student's t as normal scores, so that those of different degrees of freedom compare.

    Examples
    --------
    >>> normal_scores(np.array([-2.228, 2.228]), 10).round(2).tolist()
    [-1.96, 1.96]
    """
    size = -special.ndtri(np.maximum(special.stdtr(free, -np.abs(t)), 1e-300))
    return np.asarray(np.sign(t) * size)


def drift_chance(groups: Sequence[DriftGroup], draws: int, seed: int, enough: int = 30) -> float:
    """Chance (p) of the largest drift by permutation of blocks, equation (1).

    Stops early, after a first batch, where the observed drift was reached ``enough`` times (Besag and Clifford,
    Biometrika 78, 1991, 301-304).

    Parameters
    ----------
    groups : sequence of DriftGroup
        At least one.
    draws : int
    seed : int
    enough : int

    Returns
    -------
    float
    """
    rng = np.random.default_rng(seed)
    observed = [drift_scores(group) for group in groups]
    spread: float | None = None
    reached = drawn = 0
    while drawn < draws:
        size = min(CHUNK // 2 if drawn == 0 else CHUNK, draws - drawn)
        null = [_scores(g, rng.random((size, g.minute.size)).argsort(axis=1)) for g in groups]
        if spread is None:
            spread = float(_mean_score(groups[0], null[0]).std()) or 1.0
        found = _largest(groups, [scores[None] for scores in observed], spread)[0]
        reached += int(np.count_nonzero(_largest(groups, null, spread) >= found))
        drawn += size
        if reached >= enough:
            break
    return (reached + 1) / (drawn + 1)


def visible_changes(
    groups: Sequence[DriftGroup], allowed: float, draws: int, seed: int, found_share: float = 0.8
) -> tuple[tuple[Marker, float], ...]:
    """Smallest change of each marker over these rows that would be found so often, the way that is worse.

    The largest drift passes its bound by chance in ``allowed`` of steady sessions; a drift is found in ``found_share``
    of them where its normal score lies by the quantile of that share above the bound.

    Parameters
    ----------
    groups : sequence of DriftGroup
        At least one.
    allowed : float
        Chance of a false alarm.
    draws, seed : int
    found_share : float

    Returns
    -------
    tuple of (Marker, float)
        In the marker's unit, or of its logarithm.
    """
    rng = np.random.default_rng(seed)
    null = [_scores(group, rng.random((draws, group.minute.size)).argsort(axis=1)) for group in groups]
    spread = float(_mean_score(groups[0], null[0]).std()) or 1.0
    bound = float(np.quantile(_largest(groups, null, spread), 1 - allowed))
    wanted = bound + float(special.ndtri(found_share))
    changes = {}
    for group in groups:
        for drift, marker in zip(estimate_drifts([group]), group.markers, strict=True):
            sign = -1.0 if marker.worse == "down" else 1.0
            # As a t statistic, whose tails are wider than the normal's with few rows.
            t = float(special.stdtrit(group.free, special.ndtr(wanted)))
            changes[marker.key] = (marker, sign * t * drift.per_hour.se * float(np.ptp(group.minute)) / 60)
    return tuple(changes[marker.key] for marker in MARKERS if marker.key in changes)


def _largest(groups: Sequence[DriftGroup], scores: Sequence[FloatArray], spread: float) -> FloatArray:
    singles = np.concatenate(scores, axis=1).max(axis=1)
    return np.asarray(np.maximum(singles, _mean_score(groups[0], scores[0]) / spread))


def _mean_score(group: DriftGroup, scores: FloatArray) -> FloatArray:
    """Mean over the markers of a group that are worse one way."""
    one_way = ~group.two_sided
    return np.asarray(scores[:, one_way].mean(axis=1)) if one_way.any() else np.full(len(scores), -np.inf)


def estimate_drifts(groups: Sequence[DriftGroup]) -> tuple[MarkerDrift, ...]:
    """Drift an hour of every marker with its 95 % interval, in the order of the markers' list."""
    found = []
    for group in groups:
        z = drift_scores(group)
        slope = group.time @ group.whole
        left = (group.whole**2).sum(axis=0) - slope**2
        half = float(special.stdtrit(group.free, 0.975))
        for k, marker in enumerate(group.markers):
            sign = -1.0 if marker.worse == "down" else 1.0
            value = sign * 60 * slope[k] / group.scale
            se = 60 * float(np.sqrt(max(left[k], 0.0) / group.free)) / group.scale
            estimate = Estimate(value, value - half * se, value + half * se, se, float(group.free))
            minutes = float(np.ptp(group.minute))
            found.append(MarkerDrift(marker, group.minute.size, estimate, float(z[k]), minutes))
    order = {marker.key: place for place, marker in enumerate(MARKERS)}
    return tuple(sorted(found, key=lambda drift: order[drift.marker.key]))
