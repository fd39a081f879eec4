"""The sizes that make a path's readings likeliest, and what the states are then: for :mod:`analysis.motion.level`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded, lapack

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.level_settings import LevelSettings
from analysis.motion.level_states import READ, STATES, Size, Turns, chain_of, precision_of


class Likeliest(NamedTuple):
    """The settings with one noise, each axis's size, and the axes (d,) in which it follows the hand's turn."""

    settings: LevelSettings
    sizes: list[Size]
    follows: BoolArray

    def axes_by_size(self) -> list[tuple[Size, BoolArray]]:
        """Each size with the axes (d,) that have it."""
        return [(size, np.array([each == size for each in self.sizes])) for size in sorted(set(self.sizes))]


def find_likeliest(turns: Turns, reading_m: FloatArray, settings: LevelSettings) -> Likeliest:
    """The noise of all axes, the sizes in each, and where it follows the turn, that make the readings likeliest.

    A hand that goes from string to string looks like noise: only where it stays over one may the noise be raised.
    """
    middle = max(0, (turns.time_s.size - settings.tried) // 2)
    some = slice(middle, middle + settings.tried)
    excerpt, axes = turns.part(some), np.arange(reading_m.shape[1])
    seen = _with_columns(excerpt, reading_m[some])
    least, *raised = (replace(settings, accel_noise_mps2_rthz=(each,)) for each in settings.accel_noise_mps2_rthz)
    apart, led = np.zeros(axes.size, dtype=np.bool_), axes == settings.across
    found = _tried(excerpt, seen, least, (apart, led))
    if settings.changes_strings(found.size(0)):
        raised, far = [], replace(least, level_time_s=settings.crossing_time_s)
        found = found.but(led, _tried(excerpt, seen, far, (apart, led)))
    first = found.log_likelihood
    follows = (apart, led)[int(first[1] > first[0] + settings.following_gain)]
    choice = int(follows.any())
    best, most = Likeliest(least, found.size(choice), follows), first[choice]
    for one in raised:
        found = _tried(excerpt, seen, one.within_one_string(), (follows,))
        if found.log_likelihood[0] > most:
            best, most = Likeliest(one, found.size(0), follows), found.log_likelihood[0]
    return best


class _Tried(NamedTuple):
    """For each choice (k) of axes that follow the turn: the greatest log likelihood of each axis, and its size."""

    greatest: FloatArray
    sizes: FloatArray

    @property
    def log_likelihood(self) -> FloatArray:
        return np.asarray(self.greatest.sum(axis=1))

    def size(self, choice: int) -> list[Size]:
        return [Size(*row) for row in self.sizes[choice].tolist()]

    def but(self, axes: BoolArray, other: _Tried) -> _Tried:
        """The same, some axes from another."""
        return _Tried(np.where(axes, other.greatest, self.greatest), np.where(axes[:, None], other.sizes, self.sizes))


def _tried(turns: Turns, seen: FloatArray, settings: LevelSettings, follows: Sequence[BoolArray]) -> _Tried:
    """The sizes that make the readings likeliest with one noise."""
    chain, d = chain_of(turns.time_s, settings.walks), follows[0].size
    pairs = product(settings.level_sizes_m, settings.reading_shares)
    sizes = [Size(level_m, share, settings.level_time_s) for level_m, share in pairs]
    each = np.empty((len(sizes), len(follows), d))
    for at, size in enumerate(sizes):
        noise = _reading_sd(turns, size, settings)
        precision, log_prior = precision_of(chain, 1 / noise**2, size)
        factor = cholesky_banded(precision, lower=True, check_finite=False)
        known = log_prior - np.log(factor[0]).sum() - np.log(noise).sum()
        # Products with the inverse of the readings' covariance: what the states do not explain.
        whitened = lapack.dtbtrs(factor, _pulled(seen, noise), uplo="L")[0]
        scaled = seen / noise[:, None]
        left = scaled.T @ scaled - whitened.T @ whitened
        for choice, axes in enumerate(follows):
            each[at, choice] = known - 0.5 * np.diag(left)[:d] + _coefficients(left, axes, settings)[1]
    return _Tried(each.max(axis=0), np.array(sizes)[each.argmax(axis=0)])


def states_of(turns: Turns, reading_m: FloatArray, likeliest: Likeliest) -> FloatArray:
    """Posterior means (n, STATES, d)."""
    settings, d = likeliest.settings, likeliest.follows.size
    seen, chain = _with_columns(turns, reading_m), chain_of(turns.time_s, settings.walks)
    out = np.empty((turns.time_s.size, STATES, d))
    for size, mine in likeliest.axes_by_size():
        noise, own = _reading_sd(turns, size, settings), np.concatenate([seen[:, :d][:, mine], seen[:, d:]], axis=1)
        factor = cholesky_banded(precision_of(chain, 1 / noise**2, size)[0], lower=True)
        pulled, scaled = _pulled(own, noise), own / noise[:, None]
        mean = cho_solve_banded((factor, True), pulled)
        coefficient = _coefficients(scaled.T @ scaled - mean.T @ pulled, likeliest.follows[mine], settings)[0]
        left = mean[:, : coefficient.shape[0]] - mean[:, coefficient.shape[0] :] @ coefficient.T
        out[:, :, mine] = left.reshape(noise.size, STATES, -1)
    return out


def _with_columns(turns: Turns, reading_m: FloatArray) -> FloatArray:
    """Readings, and what they hold besides the states for a unit of each coefficient (n, d + 1 + k)."""
    turned = turns.turned_rad - turns.turned_rad.mean(axis=0)
    return np.concatenate([reading_m, turns.side[:, None], turned], axis=1)


def _pulled(seen: FloatArray, noise_m: FloatArray) -> FloatArray:
    """What pulls at each state (n STATES, k)."""
    return np.asarray((READ[None, :, None] * (seen / noise_m[:, None] ** 2)[:, None]).reshape(-1, seen.shape[1]))


def _coefficients(left: FloatArray, follows: BoolArray, settings: LevelSettings) -> tuple[FloatArray, FloatArray]:
    """Half a stroke, and the level's part that follows the turn: unknowns (d, 1 + k) with a prior, eliminated.

    ``left`` are the products of readings and columns. Also by how much they raise the log likelihood (d,).
    """
    d = follows.size
    sd = np.full((d, len(left) - d), settings.half_span_m)
    sd[:, 1:] = settings.turning_m_per_rad * follows[:, None]
    inner = sd[:, :, None] * left[d:, d:] * sd[:, None] + np.eye(sd.shape[1])
    pull = sd * left[d:, :d].T
    share = np.linalg.solve(inner, pull[:, :, None])[:, :, 0]
    return sd * share, 0.5 * (pull * share).sum(axis=1) - 0.5 * np.linalg.slogdet(inner)[1]


def _reading_sd(turns: Turns, size: Size, settings: LevelSettings) -> FloatArray:
    """SD (n,) of each reading by itself."""
    own = settings.reading_m**2 + (size.share * size.level_m) ** 2
    return np.asarray(np.sqrt(own + (settings.edge_reading_m * turns.edge) ** 2))


def chord_se(turns: Turns, size: Size, settings: LevelSettings) -> FloatArray:
    """Standard error (n - 1,) of what the drift adds from each turn to the next.

    Of many, that of half of ``tried`` of them, in proportion to their time: from either end, and of the middle.
    """
    seconds = np.diff(turns.time_s)
    n, some = seconds.size, settings.tried // 2
    if n < settings.tried:
        return _exact_chord_se(turns, size, settings)
    each_s = _exact_chord_se(turns.part(slice(0, some + 1)), size, settings) / seconds[:some]
    half = some // 2
    rest = float(np.sqrt(np.mean(each_s[half // 2 : -half // 2] ** 2)))
    rate = np.concatenate([each_s[:half], np.full(n - 2 * half, rest), each_s[half - 1 :: -1]])
    return np.asarray(rate * seconds)


def _exact_chord_se(turns: Turns, size: Size, settings: LevelSettings) -> FloatArray:
    """The same from the posterior covariance of the states, half a stroke to either side unknown."""
    n = turns.time_s.size
    read = 1 / _reading_sd(turns, size, settings) ** 2
    factor = cholesky_banded(precision_of(chain_of(turns.time_s, settings.walks), read, size)[0], lower=True)
    asked = np.zeros((n * STATES, n))
    at = np.arange(n - 1)
    asked[(at + 1) * STATES, at], asked[at * STATES, at] = 1.0, -1.0
    asked[:, -1] = (READ * (read * turns.side)[:, None]).ravel()
    found = cho_solve_banded((factor, True), asked)
    left = float((read * turns.side**2).sum() - asked[:, -1] @ found[:, -1])
    half = asked[:, :-1].T @ found[:, -1] * settings.half_span_m
    variance = (asked[:, :-1] * found[:, :-1]).sum(axis=0) + half**2 / (1 + settings.half_span_m**2 * left)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
