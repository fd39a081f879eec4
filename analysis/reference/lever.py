r"""Lever arm and sensor errors from the ``pivot`` gesture, as one maximum-a-posteriori problem.

While the tip stands on one spot, sensor position plus rotated lever is constant. With true signals
``a = a_m - b - A a_m + s a_m'`` and ``w = w_m - c - E w_m``, strapdown orientation ``R`` and its error ``phi``:

.. math::

   \mathrm{II}(R a - g) + R r + c_0 + c_1 t = \text{slip},\qquad
   \phi(t) = \phi_0 - \int R (c + E w),\qquad R_{true} \approx (I + [\phi]_\times) R            (1)

which is linear in small errors. Unknowns: levers ``r`` (one a grip), accelerometer bias ``b`` and matrix ``A``,
gyroscope bias ``c`` and matrix ``E``, skew ``s`` between the two sensors; per window the initial attitude error
``phi_0`` and the start of the integration ``c_0, c_1``. Slip of the tip has an exponential autocovariance, the
integrated accelerometer noise that of a twice integrated white process (2):

.. math::

   C(t, u) = \sigma^2 e^{-|t-u|/\tau} + q \, m^2 (3 M - m) / 6,\qquad m = \min(t, u),\; M = \max(t, u)   (2)

Gravity's magnitude during the stills is one more measurement a still (3). Solved by Gauss-Newton; the covariance is
the inverse of the information matrix, scaled by the residuals.

References
----------
Sarkka, Bayesian Filtering and Smoothing, 2013, for integrated processes; Rasmussen and Williams, Gaussian Processes
for Machine Learning, 2006, ch. 4, for the kernels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from analysis.model.records import FloatArray
from analysis.motion.hand_motion import error_columns, running_integral
from analysis.motion.orientation import integrate_rotation
from analysis.motion.rotation import matrices
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.signal.sensor_errors import (
    ACCEL_BIAS,
    ACCEL_MATRIX,
    ERRORS,
    LEVERS,
    SENSOR,
    ErrorCovariance,
    SensorErrors,
    lever_of,
)


@dataclass(frozen=True)
class LeverSettings:
    """Priors and noise of the pivot problem (SI units unless named).

    ``gyro_bias_dps`` is kept small: a wider prior lets slip of the tip pass for a turning heading. ``rounding_mm`` is
    what no pivot can show: the rounded tip rolls, so the centre of its curvature stands still rather than the tip.
    ``regrip_mm`` is how far, an axis, the lever of a posture without a pivot may be from another posture's.
    ``accel_scale_sd`` is that of the scale of each accelerometer axis, ``matrix_sd`` of all else in both matrices.
    """

    fit_rate_hz: float = 25.0
    trim_s: float = 0.4
    slip_mm: float = 0.8
    slip_tau_s: float = 0.4
    accel_noise_mps2_rthz: float = 300e-6 * GRAVITY_MPS2
    accel_bias_mps2: float = 0.023 * GRAVITY_MPS2
    matrix_sd: float = 0.0058
    accel_scale_sd: float = 0.0058
    gyro_bias_dps: float = 0.01
    skew_s: float = 0.3e-3
    attitude_rad: float = 0.03
    free_lever_mm: float = 150.0
    ruler_sd_mm: float = 5.0
    gravity_sd_mps2: float = 0.02
    rounding_mm: float = 0.45
    regrip_mm: float = 3.0
    iterations: int = 3
    residual_weight: float = 20.0


@dataclass(frozen=True)
class PivotWindow:
    """One pivot: its signals at the working rate and the grip whose lever it shows.

    Attributes
    ----------
    accel_mps2, gyro_radps : float64 (n, 3)
    grip : int
        From 0.
    """

    accel_mps2: FloatArray
    gyro_radps: FloatArray
    grip: int


@dataclass(frozen=True)
class LeverPrior:
    """A lever as it is expected: mean (3,) and standard deviation an axis, metres.

    Attributes
    ----------
    mean_m : float64 (3,)
        Sensor axes.
    sd_m : float
    """

    mean_m: FloatArray
    sd_m: float


@dataclass(frozen=True)
class LeverFit:
    """Result of :func:`fit_levers`.

    Attributes
    ----------
    errors : SensorErrors
    levers_m : float64 (grips, 3)
    covariance : ErrorCovariance
        Of the sensor errors and the levers.
    slip_ratio : float
        Residual slip over the assumed one; the covariance carries its square where it exceeds 1.
    accel_gains : tuple of float
        What each accelerometer axis reads for what it feels, where the pivots tell it wrong; empty if nobody asked.
    """

    errors: SensorErrors
    levers_m: FloatArray
    covariance: ErrorCovariance
    slip_ratio: float
    accel_gains: tuple[float, ...] = ()


def borrow_lever(fit: LeverFit, grip: int, settings: LeverSettings) -> LeverFit:
    """The fit with one grip more: a copy of another whose plectrum may have been gripped anew."""
    covariance = fit.covariance.with_copy(grip, 1e-3 * settings.regrip_mm)
    return replace(fit, levers_m=np.vstack([fit.levers_m, fit.levers_m[grip]]), covariance=covariance)


def fit_levers(
    windows: Sequence[PivotWindow],
    stills_mps2: Sequence[FloatArray],
    rate_hz: float,
    lever_priors: Sequence[LeverPrior],
    settings: LeverSettings,
) -> LeverFit:
    """Solve for levers and sensor errors of all pivots together.

    Parameters
    ----------
    windows : sequence of PivotWindow
    stills_mps2 : sequence of float64 (3,)
        Mean accelerometer reading of each still.
    rate_hz : float
    lever_priors : sequence of LeverPrior
        Of each grip.
    settings : LeverSettings

    Returns
    -------
    LeverFit
    """
    unknowns = ERRORS + 3 * len(lever_priors)
    mean = np.concatenate([np.zeros(ERRORS), *[prior.mean_m for prior in lever_priors]])
    sd = np.concatenate([_error_sds(settings), *[np.full(3, prior.sd_m) for prior in lever_priors]])
    x = mean.copy()
    for _ in range(settings.iterations):
        information = np.diag(1 / sd**2)
        pull = (mean - x) / sd**2
        misfit, rows = 0.0, 0
        for window in windows:
            block = _whitened_window(window, x, rate_hz, settings)
            reduced, target, squares, count = _eliminate_nuisance(block, unknowns, settings)
            information += reduced
            pull += target
            misfit, rows = misfit + squares, rows + count
        for still in stills_mps2:
            row, value = _gravity_row(still, x, unknowns, settings)
            information += np.outer(row, row)
            pull += row * value
        step = linalg.solve(information, pull, assume_a="pos")
        x = x + step
    # Residuals after the last step, per degree of freedom, pulled towards 1 by `residual_weight` rows.
    left = misfit - step @ pull if rows else 0.0
    ratio2 = (max(left, 0.0) + settings.residual_weight) / (rows + settings.residual_weight)
    covariance = ErrorCovariance(linalg.inv(information) * max(1.0, ratio2))
    covariance = covariance.widened(LEVERS, 1e-3 * settings.rounding_mm)
    return LeverFit(SensorErrors.from_vector(x), x[LEVERS].reshape(-1, 3), covariance, float(np.sqrt(ratio2)))


def _error_sds(settings: LeverSettings) -> FloatArray:
    return np.concatenate(
        [
            np.full(3, settings.accel_bias_mps2),
            np.where(np.eye(3, dtype=bool), settings.accel_scale_sd, settings.matrix_sd).ravel(),
            np.full(3, np.radians(settings.gyro_bias_dps)),
            np.full(9, settings.matrix_sd),
            [settings.skew_s],
        ]
    )


def _twice(values: FloatArray, rate_hz: float) -> FloatArray:
    """Double integral along axis 0, starting at 0."""
    return running_integral(running_integral(values, rate_hz), rate_hz)


def _whitened_window(window: PivotWindow, x: FloatArray, rate_hz: float, settings: LeverSettings) -> FloatArray:
    """Rows of equation (1), linearised at ``x`` and whitened by (2).

    Returns
    -------
    float64 (3 n, 1 + unknowns + 9)
        Residual, regressors of the global unknowns, regressors of phi_0, c_0, c_1.
    """
    dt = 1 / rate_hz
    errors = SensorErrors.from_vector(x)
    lever = x[lever_of(window.grip)]
    accel = errors.correct_accel(window.accel_mps2, rate_hz)
    gyro = errors.correct_gyro(window.gyro_radps)
    rotation = _level(matrices(integrate_rotation(gyro, rate_hz)), accel)
    force = np.einsum("nij,nj->ni", rotation, accel)
    arm = rotation @ lever
    accel_columns, arm_columns = error_columns(rotation, accel, gyro, lever, rate_hz)
    n = len(accel)
    residual = _twice(force - [0.0, 0.0, GRAVITY_MPS2], rate_hz) + arm
    swung = _twice(accel_columns, rate_hz) + arm_columns
    shared = np.zeros((n, 3, len(x)))
    shared[:, :, SENSOR] = swung[:, :, SENSOR]
    shared[:, :, lever_of(window.grip)] = swung[:, :, LEVERS]
    eye = np.tile(np.eye(3), (n, 1, 1))
    turned = _twice(np.cross(eye, force[:, :, None], axis=1), rate_hz) + np.cross(eye, arm[:, :, None], axis=1)
    time = (np.arange(n) * dt)[:, None, None]
    columns = np.concatenate([residual[:, :, None], shared, turned, eye, time * eye], axis=2)
    return _whiten(columns, rate_hz, settings)


def _level(rotation: FloatArray, accel: FloatArray) -> FloatArray:
    """Turn strapdown rotations so that the mean specific force of the window points up."""
    mean = np.einsum("nij,nj->i", rotation, accel)
    mean /= np.linalg.norm(mean)
    cross = np.cross(mean, [0.0, 0.0, 1.0])
    sine, cosine = float(np.linalg.norm(cross)), float(mean[2])
    if sine < 1e-12:
        align = np.diag([1.0, 1.0, 1.0]) if cosine > 0 else np.diag([1.0, -1.0, -1.0])
    else:
        axis = cross / sine
        k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
        align = np.eye(3) + sine * k + (1 - cosine) * k @ k
    return np.asarray(align @ rotation)


def _whiten(columns: FloatArray, rate_hz: float, settings: LeverSettings) -> FloatArray:
    """Average to the fit rate, then multiply by the inverse Cholesky factor of (2)."""
    factor = max(1, round(rate_hz / settings.fit_rate_hz))
    n = len(columns) // factor
    means = columns[: n * factor].reshape(n, factor, 3, -1).mean(axis=1)
    time = (np.arange(n) + 0.5) * factor / rate_hz
    low, high = np.minimum.outer(time, time), np.maximum.outer(time, time)
    slip = (settings.slip_mm * 1e-3) ** 2 * np.exp(-(high - low) / settings.slip_tau_s)
    noise = 0.5 * settings.accel_noise_mps2_rthz**2 * low**2 * (3 * high - low) / 6
    factor_l = linalg.cholesky(slip + noise, lower=True)
    white = linalg.solve_triangular(factor_l, means.reshape(n, -1), lower=True)
    return np.asarray(white.reshape(n * 3, -1))


def _eliminate_nuisance(
    block: FloatArray, unknowns: int, settings: LeverSettings
) -> tuple[FloatArray, FloatArray, float, int]:
    """Information and pull of the global unknowns after phi_0, c_0, c_1 are solved out (Schur complement)."""
    residual, design, nuisance = block[:, 0], block[:, 1 : 1 + unknowns], block[:, 1 + unknowns :]
    prior = np.concatenate([np.full(3, settings.attitude_rad**-2.0), np.full(6, 1e-2)])
    normal = linalg.cho_factor(nuisance.T @ nuisance + np.diag(prior))
    solved = linalg.cho_solve(normal, nuisance.T @ np.column_stack([design, residual]))
    information = design.T @ (design - nuisance @ solved[:, :-1])
    pull = -design.T @ (residual - nuisance @ solved[:, -1])
    squares = float(residual @ (residual - nuisance @ solved[:, -1]))
    return information, pull, squares, residual.size - nuisance.shape[1]


def _gravity_row(still: FloatArray, x: FloatArray, unknowns: int, settings: LeverSettings) -> tuple[FloatArray, float]:
    """Equation (3): the corrected reading of a still has the length of local gravity."""
    errors = SensorErrors.from_vector(x)
    corrected = still - errors.accel_bias_mps2 - errors.accel_matrix @ still
    length = float(np.linalg.norm(corrected))
    direction = corrected / length
    row = np.zeros(unknowns)
    row[ACCEL_BIAS] = direction
    row[ACCEL_MATRIX] = np.outer(direction, still).ravel()
    return row / settings.gravity_sd_mps2, (length - GRAVITY_MPS2) / settings.gravity_sd_mps2
