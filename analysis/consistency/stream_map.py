r"""The map between the gyroscope's axes and the accelerometer's, and the delay between them, from any motion.

Let ``w = M (w_m(t + d) - b)`` be the rate in the accelerometer's axes and ``R`` its strapdown integral. A body that
turns about a point with lever ``r``, while that point moves by ``c(t)``, reads

.. math::

   \mathrm{II}(R a) + R r = \tfrac12 g t^2 + c_0 + c_1 t + c(t),\qquad
   \delta(R a) = \phi \times R a,\quad \phi = \int R\, \delta M\, (w_m - b)                             (C1)

with ``II`` the double integral: the rotated lever carries ``alpha x r + w x (w x r)`` exactly. Gravity ``g``, lever and
start ``c_0, c_1`` are free in every window of six seconds. ``c`` has an exponential autocovariance, whose size each
window tells by itself: one of rocking about a fixed spot counts for much, one of free play for little. Windows are
added up as ``m log s^2`` with ``m`` degrees of freedom (C2).

What is not modelled is a centre of rotation that moves in step with the rotation. It makes the fit's own covariance
too small by far; :data:`MODEL_FACTOR` and :data:`MATRIX_FLOOR` were measured on simulated sessions, where the errors
of the matrix then have a standard deviation of 1.0 of the stated one.

References
----------
Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973, for the elimination of linear unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import linalg

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.orientation import integrate_rotations
from analysis.motion.rotation import matrices
from analysis.signal.pieces import all_sound, thinned

WINDOW_S = 6.0
MARGIN_S = 0.25
FIT_RATE_HZ = 50.0
MOST_WINDOWS = 12
WINDOWS_AT_ONCE = 64
LEAST_TURN_DEG = 4.0
SMOOTH_S = 0.5
MOVE_TAU_S = 0.4
LEVER_SD_M = 0.15
BIAS_SD_RADPS = float(np.radians(0.3))
NUISANCE = 12
UNKNOWNS = 13
STEPS = 6
SETTLED = 2e-3
MODEL_FACTOR = 5.0
MATRIX_FLOOR = 0.015
DELAY_FLOOR_S = 1.3e-3


@dataclass(frozen=True)
class Windows:
    """Stretches of motion at the fit rate, each with ``margin`` samples on both sides for the delay.

    ``accel_mps2`` and ``gyro_radps`` are (k, n, 3); ``sample_s`` is the step of the signals that they were cut from.
    """

    rate_hz: float
    margin: int
    accel_mps2: FloatArray
    gyro_radps: FloatArray
    sample_s: float

    def __len__(self) -> int:
        return len(self.accel_mps2)

    @property
    def size(self) -> int:
        """Samples of a window without its margins."""
        return int(self.accel_mps2.shape[1]) - 2 * self.margin

    def first(self, most: int) -> Windows:
        """The first few: those that turn most."""
        return Windows(self.rate_hz, self.margin, self.accel_mps2[:most], self.gyro_radps[:most], self.sample_s)


@dataclass(frozen=True)
class StreamMap:
    """Result of one fit.

    Attributes
    ----------
    matrix : float64 (3, 3)
        ``M`` of (C1).
    matrix_se : float64 (3, 3)
    delay_s, delay_se_s : float
        How much later the gyroscope's samples are to be read.
    bias_radps : float64 (3,)
        Of the gyroscope.
    misfit : float
        (C2).
    windows : int
    """

    matrix: FloatArray
    matrix_se: FloatArray
    delay_s: float
    delay_se_s: float
    bias_radps: FloatArray
    misfit: float
    windows: int


def cut_windows(accel: FloatArray, gyro: FloatArray, valid: BoolArray, rate_hz: float) -> Windows:
    """The windows without gaps that turn most, by either sensor, the most first.

    Parameters
    ----------
    accel, gyro : float64 (n, 3)
        m/s2 and rad/s on a uniform grid; the gyroscope less its bias as well as it is known.
    valid : bool (n,)
    rate_hz : float
    """
    factor = max(1, round(rate_hz / FIT_RATE_HZ))
    rate = rate_hz / factor
    accel, gyro = thinned(accel, factor), thinned(gyro, factor)
    margin, size = int(np.ceil(MARGIN_S * rate)) + 1, round(WINDOW_S * rate)
    starts = np.arange(margin, len(accel) - size - margin, size // 2)
    reach = np.arange(-margin, size + margin)
    turn = np.empty(starts.size)
    for at in range(0, starts.size, WINDOWS_AT_ONCE):
        rows = starts[at : at + WINDOWS_AT_ONCE, None] + reach
        own = turn[at : at + WINDOWS_AT_ONCE]
        own[:] = np.maximum(_gyro_turn_deg(gyro[rows], rate), _gravity_turn_deg(accel[rows], rate))
    lacking = np.concatenate([[0], np.cumsum(~all_sound(valid, factor))])
    turn[lacking[starts + size + margin] > lacking[starts - margin]] = 0.0
    chosen: list[int] = []
    for window in np.argsort(-turn):
        if turn[window] < LEAST_TURN_DEG or len(chosen) == MOST_WINDOWS:
            break
        if all(abs(int(window) - other) > 1 for other in chosen):  # Half overlapping ones are not independent.
            chosen.append(int(window))
    rows = starts[chosen, None] + reach
    return Windows(rate, margin, accel[rows], gyro[rows], 1 / rate_hz)


def fit_map(windows: Windows, matrix: FloatArray, delay_s: float = 0.0, steps: int = STEPS) -> StreamMap:
    """Fit (C1) by Gauss-Newton from a first guess.

    Parameters
    ----------
    windows : Windows
        At least one.
    matrix : float64 (3, 3)
    delay_s : float
    steps : int
    """
    x = np.concatenate([matrix.ravel(), np.zeros(3), [delay_s]])
    # What is not turned stays at its guess, with a standard deviation of 1: the scale of an exchanged axis.
    prior = np.concatenate([np.ones(9), np.full(3, BIAS_SD_RADPS**-2.0), [1.0]])
    variance = np.ones(len(windows))
    for step in range(steps + 1):
        design, residual = _linearise(windows, x)
        freedom = residual.shape[1] - NUISANCE
        squares = np.einsum("kn,kn->k", residual, residual)
        variance = squares / freedom if step == 0 else np.minimum(variance, squares / freedom)
        information = np.einsum("knp,knq,k->pq", design, design, 1 / variance) + np.diag(prior)
        pull = np.einsum("knp,kn,k->p", design, residual, 1 / variance)
        pull[9:12] += prior[9:12] * x[9:12]
        inverse = _inverse(information)
        change = -inverse @ pull
        if step == steps or (np.abs(change[:9]).max() < SETTLED and abs(change[12]) < 0.1 * SETTLED):
            break
        # The equations are linear only in small changes: a turn of a third of a radian, 20 ms.
        change /= max(1.0, float(np.abs(change[:9]).max()) / 0.3, abs(float(change[12])) / 0.02)
        x = x + change
        x[12] = np.clip(x[12], -MARGIN_S, MARGIN_S)
    own = np.sqrt(np.diag(inverse))
    # How far each window by itself would pull: windows of one motion err together, those of many do not.
    scores = np.einsum("knp,kn,k->kp", design, residual, 1 / variance) @ inverse
    spread = np.sqrt((scores**2).sum(axis=0) * len(windows) / max(1, len(windows) - 1))
    matrix_se = np.sqrt(MATRIX_FLOOR**2 + (MODEL_FACTOR * own[:9]) ** 2 + spread[:9] ** 2)
    delay_se = np.sqrt(DELAY_FLOOR_S**2 + (MODEL_FACTOR * own[12]) ** 2 + spread[12] ** 2)
    return StreamMap(
        matrix=x[:9].reshape(3, 3),
        matrix_se=matrix_se.reshape(3, 3),
        delay_s=float(x[12]),
        delay_se_s=float(delay_se),
        bias_radps=x[9:12],
        misfit=float(np.sum(freedom * np.log(squares / freedom))),
        windows=len(windows),
    )


def _inverse(information: FloatArray) -> FloatArray:
    """Inverse of a positive matrix whose rows are of very different size."""
    size = np.sqrt(np.diag(information))
    return np.asarray(np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size))


def misfit_of(
    windows: Windows, matrix: FloatArray, delay_s: float = 0.0, bias_radps: FloatArray | None = None
) -> float:
    """(C2) of a map as it stands; a matrix of zeros is a gyroscope that says nothing."""
    bias = np.zeros(3) if bias_radps is None else bias_radps
    rotation, accel, _ = _turned(windows, matrix, bias, delay_s)
    nuisance, target = _nuisance(rotation, accel, windows.rate_hz)
    residual = _less(np.linalg.qr(nuisance)[0], target)[..., 0]
    freedom = residual.shape[1] - NUISANCE
    return float(np.sum(freedom * np.log(np.einsum("kn,kn->k", residual, residual) / freedom)))


def _gyro_turn_deg(gyro: FloatArray, rate_hz: float) -> FloatArray:
    """RMS angle (k,) about its mean that the gyroscope turns through."""
    angle = np.cumsum(gyro, axis=1)
    n = gyro.shape[1]
    about = np.einsum("kni,kni->k", angle, angle) / n - ((angle.sum(axis=1) / n) ** 2).sum(axis=1)
    return np.asarray(np.degrees(np.sqrt(np.maximum(about, 0.0)) / rate_hz))


def _gravity_turn_deg(accel: FloatArray, rate_hz: float) -> FloatArray:
    """RMS angle (k,) of the half-second mean of the specific force about its own mean."""
    factor = max(1, round(SMOOTH_S * rate_hz))
    count = accel.shape[1] // factor
    edges = np.arange(count) * factor
    mean = np.add.reduceat(accel[:, : count * factor], edges, axis=1) / factor
    spread = np.sqrt(mean.var(axis=1).sum(axis=1))
    return np.asarray(np.degrees(spread / np.maximum(np.linalg.norm(mean.mean(axis=1), axis=1), 1e-6)))


def _turned(
    windows: Windows, matrix: FloatArray, bias: FloatArray, delay_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rotations (k, n, 3, 3), specific force and rates (k, n, 3) of the windows without their margins."""
    at = windows.margin + delay_s * windows.rate_hz
    base = int(np.floor(at))
    part, last = at - base, base + windows.size
    rate = (1 - part) * windows.gyro_radps[:, base:last] + part * windows.gyro_radps[:, base + 1 : last + 1] - bias
    accel = windows.accel_mps2[:, windows.margin : windows.margin + windows.size]
    quat = integrate_rotations(rate @ matrix.T, windows.rate_hz)
    return matrices(quat.reshape(-1, 4)).reshape(*rate.shape, 3), accel, rate


def _nuisance(rotation: FloatArray, accel: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Whitened columns of lever, c_0, c_1, g, (k, 3 n, 12), and the whitened target (k, 3 n, 1)."""
    k, n = accel.shape[:2]
    time = (np.arange(n) / rate_hz)[None, :, None, None]
    eye = np.broadcast_to(np.eye(3), (k, n, 3, 3))
    columns = np.concatenate([-LEVER_SD_M * rotation, eye, time * eye, 0.5 * time**2 * eye], axis=3)
    path = _twice(np.einsum("knij,knj->kni", rotation, accel), rate_hz)
    return _whitened(columns, rate_hz), _whitened(path[..., None], rate_hz)


def _linearise(windows: Windows, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Design (k, 3 n, 13) and residual (k, 3 n) of (C1), the window's own unknowns projected out."""
    matrix, bias, rate_hz = x[:9].reshape(3, 3), x[9:12], windows.rate_hz
    rotation, accel, rate = _turned(windows, matrix, bias, float(x[12]))
    nuisance, target = _nuisance(rotation, accel, rate_hz)
    q, r = np.linalg.qr(nuisance)
    own = np.linalg.solve(r + 1e-12 * np.eye(NUISANCE), np.swapaxes(q, 1, 2) @ target)
    lever = LEVER_SD_M * own[:, :3, 0]
    k, n = accel.shape[:2]
    force = np.einsum("knij,knj->kni", rotation, accel)
    arm = np.einsum("knij,kj->kni", rotation, lever)
    turning = (rotation[..., None] * rate[:, :, None, None, :]).reshape(k, n, 3, 9)
    phi = _once(np.concatenate([turning, -rotation @ matrix], axis=3), rate_hz)
    swung = _twice(np.cross(phi, force[..., None], axis=2), rate_hz) + np.cross(phi, arm[..., None], axis=2)
    # Reading the gyroscope later is reading the accelerometer earlier; the shift of all of (C1) is in c_0, c_1, g.
    earlier = -np.einsum("knij,knj->kni", rotation, np.gradient(accel, 1 / rate_hz, axis=1))
    design = np.concatenate([swung, _twice(earlier, rate_hz)[..., None]], axis=3)
    return _less(q, _whitened(design, rate_hz)), _less(q, target)[..., 0]


def _less(basis: FloatArray, columns: FloatArray) -> FloatArray:
    """Columns less what lies in an orthonormal basis."""
    return np.asarray(columns - basis @ (np.swapaxes(basis, 1, 2) @ columns))


def _whitened(columns: FloatArray, rate_hz: float) -> FloatArray:
    """Columns (k, n, 3, p) times the inverse Cholesky factor of the movement's covariance, as (k, 3 n, p)."""
    k, n, _, p = columns.shape
    flat = np.moveaxis(columns, 1, 0).reshape(n, -1)
    white = (_whitener(n, round(rate_hz, 3)) @ flat).reshape(n, k, 3, p)
    return np.moveaxis(white, 0, 1).reshape(k, 3 * n, p)


@lru_cache(maxsize=4)
def _whitener(size: int, rate_hz: float) -> FloatArray:
    time = np.arange(size) / rate_hz
    covariance = np.exp(-np.abs(time[:, None] - time) / MOVE_TAU_S)
    factor = linalg.cholesky(covariance, lower=True)
    return np.asarray(linalg.solve_triangular(factor, np.eye(size), lower=True))


def _once(values: FloatArray, rate_hz: float) -> FloatArray:
    """Integral along axis 1, as :func:`analysis.motion.hand_motion.running_integral` along axis 0."""
    mean = values.copy()
    mean[:, 0] = 0.0
    mean[:, 1:] = 0.5 * (values[:, 1:] + values[:, :-1])
    mean[:, 2:-1] = (13 * (values[:, 1:-2] + values[:, 2:-1]) - values[:, :-3] - values[:, 3:]) / 24
    return np.asarray(np.cumsum(mean, axis=1) / rate_hz)


def _twice(values: FloatArray, rate_hz: float) -> FloatArray:
    return _once(_once(values, rate_hz), rate_hz)
