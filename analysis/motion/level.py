r"""The level about which a hand plays, told from the drift of double integration: a smoother with a state for each.

A path integrated twice from the accelerometer, and known only between its ends, is

.. math:: \hat p(t) = \text{stroke}(t) + \ell(t) + e(t), \qquad
          \ddot e = b + w, \quad \dot b = v, \quad d\ell = -\ell \, dt / \tau + u                            (8)

with the level :math:`\ell` of the hand (the string it plays on, and its wander), and the drift :math:`e` of a white
acceleration error :math:`w` on a bias :math:`b` that walks. Midway between two turns the stroke is nil: each stroke
gives one reading of :math:`\ell + e`. All else is Kalman's: the means of all states given all readings, which a
Rauch-Tung-Striebel smoother finds recursively, are the solution of one block-tridiagonal system here. How much the
level moves is not given: it is taken from what makes the readings likeliest, for each axis and each few minutes.

With the level held still and the bias nil, the drift is the cubic smoothing spline of the readings.

References
----------
Rauch, Tung, Striebel 1965, AIAA J. 3, 1445-1450. Wahba 1978, J. R. Stat. Soc. B 40, 364-372 (the spline).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Self

import numpy as np
from numpy.polynomial import legendre
from scipy.linalg import cho_solve_banded, cholesky_banded

from analysis.model.records import BoolArray, FloatArray

STATES = 4
"""Drift, its speed, the bias, the level."""
PRIOR_SD = (10.0, 1.0, 0.1)
"""Metres, m/s, m/s2: of drift, speed and bias where a path begins; next to nothing is known."""
LEAST_STEP_S = 1e-3
"""Readings closer than that would make the sums ill-conditioned; strokes are never so short."""
LEAST_NOISE_MPS2_RTHZ = 2e-3
READ = np.array([1.0, 0.0, 0.0, 1.0])
READ_PAIRS = ((0, 0), (3, 0), (3, 3))


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
    one_string_m : float
        A level whose SD across the strings is larger is that of a hand that changes strings.
    reading_m, reading_share : float
        SD of each reading by itself: as a length, and as a share of the level's SD.
    edge_reading_m : float
        The same of a stroke of which one end is no turn, so that its middle is not well known.
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
    one_string_m: float = 2e-3
    reading_m: float = 1e-4
    reading_share: float = 0.3
    edge_reading_m: float = 1.5e-3
    most_strokes: int = 800
    overlap: int = 40
    tried: int = 120

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
    """Strokes (n,) in time, and what is added to the SD of each one's reading."""

    start_s: FloatArray
    end_s: FloatArray
    extra_sd_m: FloatArray

    @property
    def middle_s(self) -> FloatArray:
        return np.asarray(0.5 * (self.start_s + self.end_s))

    def part(self, some: slice) -> _Strokes:
        return _Strokes(self.start_s[some], self.end_s[some], self.extra_sd_m[some])


def smooth_drift(
    turns_s: tuple[FloatArray, FloatArray], edge: BoolArray, reading_m: FloatArray, settings: LevelSettings
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

    Returns
    -------
    Drift
    """
    n = edge.size
    parts = max(1, -(-n // settings.most_strokes))
    edges = np.linspace(0, n, parts + 1).astype(np.int64)
    out = np.empty((3, *reading_m.shape))
    for first, last in pairwise(edges.tolist()):
        low, high = max(0, first - settings.overlap), min(n, last + settings.overlap)
        part = slice(low, high)
        strokes = _Strokes(turns_s[0][part], turns_s[1][part], settings.edge_reading_m * edge[part].astype(np.float64))
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
    rest = reading_m - trend
    out = np.empty((3, *reading_m.shape))
    settings, sizes = _likeliest(strokes, rest, settings)
    for size in np.unique(sizes).tolist():
        mine = sizes == size
        states = _solve(strokes, rest[:, mine], size, settings)[0]
        out[0][:, mine], out[1][:, mine] = states[:, 0] + trend[:, mine], states[:, 1] + slope[:, mine]
        out[2][:, mine] = _chord_se(strokes, size, settings)[:, None]
    return out


def _likeliest(strokes: _Strokes, reading_m: FloatArray, settings: LevelSettings) -> tuple[LevelSettings, FloatArray]:
    """The noise of all axes, and the SD of each axis's level (d,), under which the readings are likeliest.

    A hand that goes from string to string looks like noise: only where it stays over one may the noise be raised.
    """
    middle = max(0, (strokes.start_s.size - settings.tried) // 2)
    some = slice(middle, middle + settings.tried)
    excerpt = strokes.part(some)
    sizes = np.array(settings.level_sizes_m)
    best = None
    for noise in settings.accel_noise_mps2_rthz:
        with_noise = replace(settings, accel_noise_mps2_rthz=(noise,))
        chain = _chain(excerpt.middle_s, with_noise)
        each = np.array([_solve(excerpt, reading_m[some], size, with_noise, chain)[1] for size in sizes.tolist()])
        found = (float(each.max(axis=0).sum()), with_noise, sizes[each.argmax(axis=0)])
        best = found if best is None or found[0] > best[0] else best
        if best[2][settings.across :][:1].max(initial=0.0) > settings.one_string_m:
            break
    if best is None:
        raise ValueError("accel_noise_mps2_rthz holds no noise to try")
    return best[1], best[2]


def _solve(
    strokes: _Strokes, reading_m: FloatArray, size_m: float, settings: LevelSettings, chain: _Chain | None = None
) -> tuple[FloatArray, FloatArray]:
    """Posterior means (n, STATES, d), and the log likelihood (d,) of the readings but for a constant."""
    noise = _reading_sd(strokes, size_m, settings)
    precision, log_prior = _precision(chain or _chain(strokes.middle_s, settings), 1 / noise**2, size_m)
    factor = cholesky_banded(precision, lower=True)
    weight = (reading_m / noise[:, None] ** 2)[:, None]
    weighted = (READ[None, :, None] * weight).reshape(-1, reading_m.shape[1])
    mean = cho_solve_banded((factor, True), weighted)
    misfit = 0.5 * (((reading_m / noise[:, None]) ** 2).sum(axis=0) - (mean * weighted).sum(axis=0))
    likelihood = log_prior - np.log(factor[0]).sum() - np.log(noise).sum() - misfit
    return np.asarray(mean.reshape(noise.size, STATES, -1)), np.asarray(likelihood)


def _reading_sd(strokes: _Strokes, size_m: float, settings: LevelSettings) -> FloatArray:
    """SD (n,) of each reading by itself."""
    own = settings.reading_m**2 + (settings.reading_share * size_m) ** 2
    return np.asarray(np.sqrt(own + strokes.extra_sd_m**2))


@dataclass(frozen=True)
class _Chain:
    """What the times alone say: lower bands of the prior's precision but for the level, whose SD comes later.

    ``fresh`` (n - 1,) is the share of the level's variance that a step renews, ``keep`` what it keeps of the level.
    """

    bands: FloatArray
    log_det: float
    keep: FloatArray
    fresh: FloatArray


def _chain(time_s: FloatArray, settings: LevelSettings) -> _Chain:
    """Position, speed and acceleration error from time to time, by their noise."""
    n, dt = time_s.size, np.maximum(np.diff(time_s), LEAST_STEP_S)
    white, walk = 0.5 * settings.accel_noise_mps2_rthz[0] ** 2, 0.5 * settings.bias_walk_mps3_rthz**2
    step = np.zeros((dt.size, 3, 3))
    step[:, [0, 1, 2], [0, 1, 2]] = 1.0
    step[:, 0, 1] = step[:, 1, 2] = dt
    step[:, 0, 2] = dt**2 / 2
    noise = np.zeros_like(step)
    noise[:, 0, 0] = white * dt**3 / 3 + walk * dt**5 / 20
    noise[:, 0, 1] = noise[:, 1, 0] = white * dt**2 / 2 + walk * dt**4 / 8
    noise[:, 1, 1] = white * dt + walk * dt**3 / 3
    noise[:, 0, 2] = noise[:, 2, 0] = walk * dt**3 / 6
    noise[:, 1, 2] = noise[:, 2, 1] = walk * dt**2 / 2
    noise[:, 2, 2] = walk * dt
    weight = np.linalg.inv(noise)
    pulled = weight @ step
    block = np.zeros((n, 3, 3))
    block[0] += np.diag(1 / np.square(PRIOR_SD))
    block[:-1] += np.swapaxes(step, 1, 2) @ pulled
    block[1:] += weight
    bands = np.zeros((2 * STATES, n * STATES))
    for row in range(3):
        for column in range(3):
            if row >= column:
                bands[row - column, column::STATES] = block[:, row, column]
            bands[STATES + row - column, column : (n - 1) * STATES : STATES] = -pulled[:, row, column]
    log_det = float(np.linalg.slogdet(noise)[1].sum()) + 2.0 * float(np.log(PRIOR_SD).sum())
    keep = np.exp(-dt / settings.level_time_s)
    return _Chain(bands, log_det, keep, 1.0 - keep**2)


def _precision(chain: _Chain, read: FloatArray, size_m: float) -> tuple[FloatArray, float]:
    """Posterior precision of all states (lower bands), and half the log determinant of the prior's.

    ``read`` (n,) is the precision of the reading at each time, 0 where there is none.
    """
    bands = chain.bands.copy()
    level = bands[0, 3::STATES]
    level[0] += 1 / size_m**2
    level[:-1] += chain.keep**2 / (size_m**2 * chain.fresh)
    level[1:] += 1 / (size_m**2 * chain.fresh)
    bands[STATES, 3 : (read.size - 1) * STATES : STATES] -= chain.keep / (size_m**2 * chain.fresh)
    for row, column in READ_PAIRS:
        bands[row - column, column::STATES] += read
    log_size = 2.0 * read.size * np.log(size_m) + np.log(chain.fresh).sum()
    return bands, -0.5 * float(chain.log_det + log_size)


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
    factor = cholesky_banded(_precision(_chain(times, settings), read, size_m)[0], lower=True)
    chord = np.zeros((times.size * STATES, n))
    chord[end * STATES, np.arange(n)] = 1.0
    chord[start * STATES, np.arange(n)] = -1.0
    return np.asarray(np.sqrt(np.maximum((chord * cho_solve_banded((factor, True), chord)).sum(axis=0), 0.0)))
