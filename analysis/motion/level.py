r"""The level about which a hand plays, told from the drift of double integration: a smoother with a state for each.

A path integrated twice from the accelerometer, and known only between its ends, is

.. math:: \hat p(t) = \text{stroke}(t) + \ell(t) + e(t), \qquad
          \ddot e = b + w, \quad \dot b = v, \quad d\ell = -\ell \, dt / \tau + u                            (8)

with the level :math:`\ell` of the hand (the string it plays on, and its wander), and the drift :math:`e` of a white
acceleration error :math:`w` on a bias :math:`b` that walks. Midway between two turns the stroke is nil: each stroke
gives one reading of :math:`\ell + e`. All else is Kalman's: the means of all states given all readings, which a
Rauch-Tung-Striebel smoother finds recursively, are the solution of one block-tridiagonal system here. How much the
level moves is not given: it is taken from what makes the readings likeliest, for each axis and each few minutes.

A hand that goes to another string turns on the way, about the joints that carry it, and a turn does not drift. So the
level across the strings is, in part, a combination :math:`\beta^T \rho` of the hand's turn :math:`\rho`. What
:math:`\beta` is, the readings tell: it is one more unknown, with a prior of no preferred direction.

With the level held still and the bias nil, the drift is the cubic smoothing spline of the readings.

References
----------
Rauch, Tung, Striebel 1965, AIAA J. 3, 1445-1450. Wahba 1978, J. R. Stat. Soc. B 40, 364-372 (the spline).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple, Self

import numpy as np
from numpy.polynomial import legendre
from scipy.linalg import cho_solve_banded, cholesky_banded

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.level_states import READ, STATES, Chain, Walks, chain_of, precision_of

LEAST_NOISE_MPS2_RTHZ = 2e-3


@dataclass(frozen=True)
class LevelSettings:
    """What is assumed of sensor and hand.

    Attributes
    ----------
    accel_noise_mps2_rthz : tuple of float
        One-sided densities of the acceleration's error that are tried, the same for all axes. The least is for a cheap
        sensor whose noise is not known: leaking gravity and scale add to it, and attacks that a slow sensor folds
        into its band.
    bias_walk_mps3_rthz : float
        How fast the acceleration's bias walks.
    level_time_s : float
        Over which the level forgets where it was.
    level_sizes_m : tuple of float
        SDs of the level that are tried.
    across : int
        The axis across the strings.
    turning_m_per_rad : float
        How far the level across the strings may move for a radian by which the hand turns: SD, about any axis.
    following_gain : float
        By how much the log likelihood must rise before the level is taken to follow the turn.
    one_string_m : float
        A level whose SD across the strings is larger is that of a hand that changes strings.
    reading_m, reading_share : float
        SD of each reading by itself: as a length, and as a share of the level's SD.
    edge_reading_m : float
        The same of a stroke of which one end is no turn, so that its middle is not well known.
    se_factors : (float, float)
        How much larger the chord's error is than what noise, bias and a Gaussian level make of it: leaking gravity and
        scale add to it; the second where the hand goes from string to string, because it leaps. From simulated
        sessions of two forward models.
    most_strokes, overlap : int
        Strokes solved at once; neighbours share so many at each end.
    tried : int
        Strokes in whose middle the level's SD is sought.
    """

    accel_noise_mps2_rthz: tuple[float, ...] = (6e-3, 1.2e-2, 2.4e-2)
    bias_walk_mps3_rthz: float = 3e-3
    level_time_s: float = 0.7
    level_sizes_m: tuple[float, ...] = (1e-4, 2e-4, 5e-4, 1e-3, 2e-3, 5e-3, 1e-2, 2e-2)
    across: int = 1
    turning_m_per_rad: float = 0.1
    following_gain: float = 10.0
    one_string_m: float = 2e-3
    reading_m: float = 1e-4
    reading_share: float = 0.3
    edge_reading_m: float = 1.5e-3
    se_factors: tuple[float, float] = (1.25, 1.5)
    most_strokes: int = 800
    overlap: int = 40
    tried: int = 120

    @property
    def walks(self) -> Walks:
        """How the states move, at the least of the noises."""
        return Walks(self.accel_noise_mps2_rthz[0], self.bias_walk_mps3_rthz, self.level_time_s)

    def changes_strings(self, size_m: FloatArray) -> bool:
        """Whether a level moves as that of a hand that changes strings.

        Parameters
        ----------
        size_m : float64 (d,)
            Its SD in each axis.

        Returns
        -------
        bool
        """
        return bool(size_m[self.across :][:1].max(initial=0.0) > self.one_string_m)

    def with_noise(self, sensor_mps2_rthz: float | None) -> Self:
        """The settings for a sensor whose noise was measured: one and a half times that, and no less than 2 mm/s2.

        Parameters
        ----------
        sensor_mps2_rthz : float or None

        Returns
        -------
        LevelSettings
        """
        if sensor_mps2_rthz is None:
            return self
        ratio = max(1.5 * sensor_mps2_rthz, LEAST_NOISE_MPS2_RTHZ) / self.accel_noise_mps2_rthz[0]
        return replace(self, accel_noise_mps2_rthz=tuple(ratio * each for each in self.accel_noise_mps2_rthz))

    def for_clipped_attacks(self) -> Self:
        """The settings where attacks go beyond the sensor's range.

        What they lack, and what folds into the band, is noise of up to sixteen times the sensor's own, in whatever
        player: without it, it would pass for leaps from string to string.

        Returns
        -------
        LevelSettings
        """
        least = self.accel_noise_mps2_rthz[0]
        return replace(self, accel_noise_mps2_rthz=tuple(least * 2.0**k for k in range(5)), one_string_m=np.inf)


@dataclass(frozen=True)
class Drift:
    """Drift of a path at the middles of its strokes.

    Attributes
    ----------
    time_s : float64 (n,)
    position_m, speed_mps : float64 (n, d)
    chord_se_m : float64 (n, d)
        Standard error of what the drift adds from a stroke's start to its end.
    """

    time_s: FloatArray
    position_m: FloatArray
    speed_mps: FloatArray
    chord_se_m: FloatArray

    def at(self, time_s: FloatArray) -> FloatArray:
        """Drift (m) at times (k,): cubic between readings, straight beyond the outermost.

        Parameters
        ----------
        time_s : float64 (k,)

        Returns
        -------
        float64 (k, d)
        """
        knots, n = self.time_s, self.time_s.size
        if n == 1:
            return np.asarray(self.position_m + (time_s - knots[0])[:, None] * self.speed_mps)
        at = np.clip(np.searchsorted(knots, time_s, side="right") - 1, 0, n - 2)
        step = (knots[at + 1] - knots[at])[:, None]
        u = (time_s - knots[at])[:, None] / step
        inside = np.clip(u, 0.0, 1.0)
        p0, p1 = self.position_m[at], self.position_m[at + 1]
        v0, v1 = self.speed_mps[at] * step, self.speed_mps[at + 1] * step
        cubic = ((2 * (p0 - p1) + v0 + v1) * inside + 3 * (p1 - p0) - 2 * v0 - v1) * inside**2 + v0 * inside + p0
        return np.asarray(cubic + np.minimum(u, 0.0) * v0 + np.maximum(u - 1.0, 0.0) * v1)


@dataclass(frozen=True)
class _Strokes:
    """Strokes (n,) in time, what is added to the SD of each one's reading, and the hand's turn (n, k) in each."""

    start_s: FloatArray
    end_s: FloatArray
    extra_sd_m: FloatArray
    turned_rad: FloatArray

    @property
    def middle_s(self) -> FloatArray:
        return np.asarray(0.5 * (self.start_s + self.end_s))

    def part(self, some: slice) -> _Strokes:
        return _Strokes(self.start_s[some], self.end_s[some], self.extra_sd_m[some], self.turned_rad[some])


class _Readings(NamedTuple):
    """Readings (n, d), and in which axes (d,) the level may follow the hand's turn."""

    metre: FloatArray
    follows: BoolArray

    def axes(self, mine: BoolArray) -> _Readings:
        return _Readings(self.metre[:, mine], self.follows[mine])


def smooth_drift(
    turns_s: tuple[FloatArray, FloatArray],
    edge: BoolArray,
    reading_m: FloatArray,
    settings: LevelSettings,
    turned_rad: FloatArray | None = None,
) -> Drift:
    """Drift of a twice integrated path from the mid-points of its strokes.

    Parameters
    ----------
    turns_s : (float64 (n,), float64 (n,))
        Where strokes start and end, ascending.
    edge : bool (n,)
        Strokes of which one end is no turn.
    reading_m : float64 (n, d)
        Path midway between two turns, axis by axis.
    settings : LevelSettings
    turned_rad : float64 (n, 3), optional
        By how much the hand is turned then, from any attitude and in any axes.

    Returns
    -------
    Drift
    """
    n = edge.size
    turned = np.zeros((n, 0)) if turned_rad is None else turned_rad - turned_rad.mean(axis=0)
    parts = max(1, -(-n // settings.most_strokes))
    edges = np.linspace(0, n, parts + 1).astype(np.int64)
    out = np.empty((3, *reading_m.shape))
    for first, last in pairwise(edges.tolist()):
        low, high = max(0, first - settings.overlap), min(n, last + settings.overlap)
        part = slice(low, high)
        extra = settings.edge_reading_m * edge[part].astype(np.float64)
        strokes = _Strokes(turns_s[0][part], turns_s[1][part], extra, turned[part])
        found = _smooth_part(strokes, reading_m[part], settings)
        out[:, first:last] = found[:, first - low : last - low]
    return Drift(0.5 * (turns_s[0] + turns_s[1]), *out)


def _smooth_part(strokes: _Strokes, reading_m: FloatArray, settings: LevelSettings) -> FloatArray:
    """Position, speed and the chord's standard error (3, n, d) of some strokes."""
    time_s = strokes.middle_s
    # A parabola through all readings is no news: states then stay small.
    half_s = max(0.5 * float(time_s[-1] - time_s[0]), 1e-9)
    span = (time_s - time_s[0]) / half_s - 1
    fit = legendre.legfit(span, reading_m, min(2, time_s.size - 1))
    trend, slope = (legendre.legval(span, c).T for c in (fit, legendre.legder(fit) / half_s))
    likeliest = _likeliest(strokes, reading_m - trend, settings)
    settings, rest = likeliest.settings, _Readings(reading_m - trend, likeliest.follows)
    out = np.empty((3, *reading_m.shape))
    for size in np.unique(likeliest.size_m).tolist():
        mine = likeliest.size_m == size
        states = _solve(strokes, rest.axes(mine), size, settings)[0]
        out[0][:, mine], out[1][:, mine] = states[:, 0] + trend[:, mine], states[:, 1] + slope[:, mine]
        out[2][:, mine] = _chord_se(strokes, size, settings)[:, None]
    leaps = bool(likeliest.follows.any()) or settings.changes_strings(likeliest.size_m)
    return np.asarray(out * np.array([1.0, 1.0, settings.se_factors[leaps]])[:, None, None])


def _likeliest(strokes: _Strokes, reading_m: FloatArray, settings: LevelSettings) -> _Likeliest:
    """The noise of all axes, the level's SD in each, and where it follows the turn, that make the readings likeliest.

    A hand that goes from string to string looks like noise: only where it stays over one may the noise be raised.
    """
    middle = max(0, (strokes.start_s.size - settings.tried) // 2)
    some = slice(middle, middle + settings.tried)
    excerpt, axes = strokes.part(some), np.arange(reading_m.shape[1])
    seen = _Readings(reading_m[some], np.zeros(axes.size, dtype=np.bool_))
    each = [replace(settings, accel_noise_mps2_rthz=(noise,)) for noise in settings.accel_noise_mps2_rthz]
    first = _likeliest_sizes(excerpt, seen, each[0])
    if settings.changes_strings(first[1]):
        each = each[:1]
    if strokes.turned_rad.size:
        following = seen._replace(follows=axes == settings.across)
        led = _likeliest_sizes(excerpt, following, each[0])
        if led[0] > first[0] + settings.following_gain:
            seen, first = following, led
    tried = [(*first, each[0]), *((*_likeliest_sizes(excerpt, seen, one), one) for one in each[1:])]
    _, sizes, best = max(tried, key=lambda found: found[0])
    return _Likeliest(best, sizes, seen.follows)


class _Likeliest(NamedTuple):
    """The settings with one noise, the level's SD (d,), and the axes (d,) in which it follows the hand's turn."""

    settings: LevelSettings
    size_m: FloatArray
    follows: BoolArray


def _likeliest_sizes(strokes: _Strokes, readings: _Readings, settings: LevelSettings) -> tuple[float, FloatArray]:
    """The sum over axes of the greatest log likelihoods, and the level's SD (d,) that gives each."""
    chain = chain_of(strokes.middle_s, settings.walks)
    sizes = np.array(settings.level_sizes_m)
    each = np.array([_solve(strokes, readings, size, settings, chain)[1] for size in sizes.tolist()])
    return float(each.max(axis=0).sum()), sizes[each.argmax(axis=0)]


def _solve(
    strokes: _Strokes, readings: _Readings, size_m: float, settings: LevelSettings, chain: Chain | None = None
) -> tuple[FloatArray, FloatArray]:
    """Posterior means (n, STATES, d), and the log likelihood (d,) of the readings but for a constant."""
    noise = _reading_sd(strokes, size_m, settings)
    precision, log_prior = precision_of(chain or chain_of(strokes.middle_s, settings.walks), 1 / noise**2, size_m)
    factor = cholesky_banded(precision, lower=True)
    seen = np.concatenate([readings.metre, strokes.turned_rad], axis=1)
    weighted = (READ[None, :, None] * (seen / noise[:, None] ** 2)[:, None]).reshape(-1, seen.shape[1])
    mean = cho_solve_banded((factor, True), weighted)
    # Products with the inverse of the readings' covariance: what the states do not explain.
    product = (seen / noise[:, None]).T @ (seen / noise[:, None]) - mean.T @ weighted
    d = readings.follows.size
    likelihood = log_prior - np.log(factor[0]).sum() - np.log(noise).sum() - 0.5 * np.diag(product)[:d]
    if strokes.turned_rad.size and readings.follows.any():
        # The level's part that follows the turn: its coefficients are unknowns with a prior (k = 3).
        size2 = settings.turning_m_per_rad**2
        inner = product[d:, d:] * size2 + np.eye(seen.shape[1] - d)
        pull = product[d:, :d] * readings.follows
        beta = size2 * np.linalg.solve(inner, pull)
        mean[:, :d] -= mean[:, d:] @ beta
        likelihood += 0.5 * (pull * beta).sum(axis=0) - 0.5 * readings.follows * np.linalg.slogdet(inner)[1]
    return np.asarray(mean[:, :d].reshape(noise.size, STATES, -1)), np.asarray(likelihood)


def _reading_sd(strokes: _Strokes, size_m: float, settings: LevelSettings) -> FloatArray:
    """SD (n,) of each reading by itself."""
    own = settings.reading_m**2 + (settings.reading_share * size_m) ** 2
    return np.asarray(np.sqrt(own + strokes.extra_sd_m**2))


def _chord_se(strokes: _Strokes, size_m: float, settings: LevelSettings) -> FloatArray:
    """Standard error (n,) of what the drift adds over each stroke.

    Of many strokes, that of half of ``tried`` of them, in proportion to their time: from either end, and of the middle.
    """
    seconds = strokes.end_s - strokes.start_s
    n, some = seconds.size, settings.tried // 2
    if n <= settings.tried:
        return _exact_chord_se(strokes, size_m, settings)
    each_s = _exact_chord_se(strokes.part(slice(0, some)), size_m, settings) / seconds[:some]
    half = some // 2
    rest = float(np.sqrt(np.mean(each_s[half // 2 : -half // 2] ** 2)))
    rate = np.concatenate([each_s[:half], np.full(n - 2 * half, rest), each_s[half - 1 :: -1]])
    return np.asarray(rate * seconds)


def _exact_chord_se(strokes: _Strokes, size_m: float, settings: LevelSettings) -> FloatArray:
    """The same from the posterior covariance, with the turns as times of their own."""
    n = strokes.start_s.size
    # Where one stroke ends as the next begins, both share a time.
    every = np.concatenate([strokes.start_s, strokes.middle_s, strokes.end_s])
    times, place = np.unique(np.round(every, 3), return_inverse=True)
    start, mid, end = place[:n], place[n : 2 * n], place[2 * n :]
    read = np.zeros(times.size)
    read[mid] = 1 / _reading_sd(strokes, size_m, settings) ** 2
    factor = cholesky_banded(precision_of(chain_of(times, settings.walks), read, size_m)[0], lower=True)
    chord = np.zeros((times.size * STATES, n))
    chord[end * STATES, np.arange(n)] = 1.0
    chord[start * STATES, np.arange(n)] = -1.0
    return np.asarray(np.sqrt(np.maximum((chord * cho_solve_banded((factor, True), chord)).sum(axis=0), 0.0)))
