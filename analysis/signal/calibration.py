"""Bias of a still sensor; scale, bias and cross-axis of its accelerometer from resting positions; local gravity.

Model of the accelerometer: a resting sensor reads ``m = T g u + b`` with ``T = I + E``, ``E`` symmetric (a common turn
of all axes cannot be told from a turned board), ``u`` the direction of "up" in sensor axes. In a position "x up",
``u`` is x to within how well a hand places a board, so each position's two small tilts are unknowns too, held by a
prior. What gravity's size alone tells (scale and bias) is then sharp, and what rests on placement (cross-axis) is
drawn towards zero exactly as far as the placement is doubtful. Solved by Gauss-Newton; the posterior gives the errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Calibration, FloatArray

FACES = ("+x", "-x", "+y", "-y", "+z", "-z")
DIAGONAL = (0, 1, 2)
OFF_DIAGONAL = ((0, 1), (0, 2), (1, 2))


@dataclass(frozen=True)
class CalibrationSettings:
    """Priors and limits.

    ``placement_sd_rad``: how well a board stands on its edge against a box. ``scale_sd``, ``cross_sd`` and
    ``bias_sd_mps2``: what parts deviate by, about three times a datasheet's typical value. ``noise_floor_mps2``: table
    and building.
    The limits from ``max_still_gyro_radps`` on are refusals.
    """

    placement_sd_rad: float = 0.02
    scale_sd: float = 0.03
    cross_sd: float = 0.01
    bias_sd_mps2: float = 1.0
    noise_floor_mps2: float = 0.003
    min_still_s: float = 1.0
    max_still_gyro_radps: float = 0.03
    max_still_accel_mps2: float = 0.25
    max_gyro_bias_radps: float = 0.6
    max_drift_radps: float = 0.01
    max_gravity_error: float = 0.3
    max_axis_angle_deg: float = 20.0
    max_scale_error: float = 0.12
    max_bias_mps2: float = 2.5
    max_residual_mps2: float = 0.05


@dataclass(frozen=True)
class StillMean:
    """Mean of a still stretch and its standard error, SI units, sensor axes.

    Attributes
    ----------
    accel_mps2, gyro_radps : float64 (3,)
    accel_se_mps2, gyro_se_radps : float64 (3,)
    """

    accel_mps2: FloatArray
    gyro_radps: FloatArray
    accel_se_mps2: FloatArray
    gyro_se_radps: FloatArray


@dataclass(frozen=True)
class AccelerometerFit:
    """What the positions gave.

    Attributes
    ----------
    calibration : Calibration
        Accelerometer part filled; gyroscope part as given.
    scale_error, scale_se : float64 (3,)
        Relative error of each axis' scale and its standard error.
    cross_axis, cross_axis_se : float64 (3,)
        Of xy, xz, yz.
    bias_mps2, bias_se_mps2 : float64 (3,)
    placement_deg : float64 (k,)
        How far each position stood off its axis.
    residual_mps2 : float
        RMS of what the model leaves over.
    """

    calibration: Calibration
    scale_error: FloatArray
    scale_se: FloatArray
    cross_axis: FloatArray
    cross_axis_se: FloatArray
    bias_mps2: FloatArray
    bias_se_mps2: FloatArray
    placement_deg: FloatArray
    residual_mps2: float


def normal_gravity_mps2(latitude_deg: float, height_m: float = 0.0) -> float:
    """Return gravity on the WGS84 ellipsoid (Somigliana's formula), less with height.

    Local deviations stay below 0.001 m/s^2 nearly everywhere, 0.01 % of the scale.

    Parameters
    ----------
    latitude_deg : float
        North positive.
    height_m : float
        Above the ellipsoid; sea level will do.

    Returns
    -------
    float
        m/s^2.

    Raises
    ------
    InputError
        If the latitude or height is not one on Earth.

    Examples
    --------
    >>> round(normal_gravity_mps2(45.0), 6)
    9.806198
    """
    if not -90.0 <= latitude_deg <= 90.0 or not -500.0 <= height_m <= 9000.0:
        raise InputError(
            expected="a latitude of -90 to 90 degrees and a height of -500 to 9000 m",
            found=f"{latitude_deg:g} and {height_m:g}",
            next_step="correct them",
        )
    s = np.sin(np.radians(latitude_deg)) ** 2
    surface = 9.7803253359 * (1.0 + 0.00193185265241 * s) / np.sqrt(1.0 - 0.00669437999014 * s)
    return float(surface - 3.086e-6 * height_m)


def still_mean(
    accel_mps2: FloatArray, gyro_radps: FloatArray, rate_hz: float, settings: CalibrationSettings | None = None
) -> StillMean:
    """Average a still stretch, or refuse it because it was not still.

    Parameters
    ----------
    accel_mps2, gyro_radps : float64 (n, 3)
    rate_hz : float
    settings : CalibrationSettings, optional

    Returns
    -------
    StillMean
        Means in m/s^2 and rad/s.

    Raises
    ------
    InputError
        If it is too short, moved, turned slowly, or reads what no still sensor reads.
    """
    s = settings or CalibrationSettings()
    n = len(gyro_radps)
    if n < max(4, s.min_still_s * rate_hz):
        raise InputError(
            expected=f"{s.min_still_s:g} s of stillness",
            found=f"{n / rate_hz:.2f} s",
            next_step="hold it longer",
        )
    for name, data, limit, unit in (
        ("turning", gyro_radps, s.max_still_gyro_radps, "rad/s"),
        ("shaking", accel_mps2, s.max_still_accel_mps2, "m/s2"),
    ):
        spread = float(np.std(data, axis=0).max())
        if spread > limit:
            raise InputError(
                expected="a sensor at rest",
                found=f"it {name} by {spread:.3g} {unit} (limit {limit:g})",
                next_step="lay it down, do not touch table or cable, and repeat",
            )
    mean = gyro_radps.mean(axis=0)
    drift = float(np.abs(gyro_radps[: n // 2].mean(axis=0) - gyro_radps[n // 2 :].mean(axis=0)).max())
    # Two means of noisy halves differ by chance too.
    chance = 4.0 * float(np.std(gyro_radps, axis=0).max()) * 2.0 / np.sqrt(n)
    if drift > s.max_drift_radps + chance:
        raise InputError(
            expected="a steady reading",
            found=f"the turning rate drifting by {drift:.3g} rad/s",
            next_step="let the sensor warm up for a few minutes, and repeat",
        )
    if float(np.abs(mean).max()) > s.max_gyro_bias_radps:
        raise InputError(
            expected="a turning rate near zero at rest",
            found=f"{np.degrees(np.abs(mean).max()):.0f} deg/s",
            next_step="check the profile's scale, or the sensor is broken",
        )
    return StillMean(accel_mps2.mean(axis=0), mean, _standard_error(accel_mps2), _standard_error(gyro_radps))


def _standard_error(data: FloatArray, block: int = 32) -> FloatArray:
    """Standard error (3,) of a mean whose noise may be correlated: from the means of blocks."""
    blocks = len(data) // block
    if blocks < 4:
        return np.asarray(np.std(data, axis=0, ddof=1) / np.sqrt(len(data)))
    means = data[: blocks * block].reshape(blocks, block, -1).mean(axis=1)
    return np.asarray(np.std(means, axis=0, ddof=1) / np.sqrt(blocks))


def face_up(accel_mps2: FloatArray, settings: CalibrationSettings | None = None) -> str | None:
    """Return which axis (one of :data:`FACES`) points up, or None if none does within the limit.

    Parameters
    ----------
    accel_mps2 : float64 (3,)
        Mean reading at rest.
    settings : CalibrationSettings, optional

    Returns
    -------
    str or None
    """
    s = settings or CalibrationSettings()
    axis = int(np.argmax(np.abs(accel_mps2)))
    angle = np.degrees(np.arccos(min(1.0, abs(accel_mps2[axis]) / float(np.linalg.norm(accel_mps2)))))
    if angle > s.max_axis_angle_deg:
        return None
    return FACES[2 * axis + (0 if accel_mps2[axis] > 0.0 else 1)]


def fit_positions(
    positions: Sequence[StillMean],
    gravity_mps2: float,
    gyro_bias_radps: tuple[float, float, float] = (0.0, 0.0, 0.0),
    settings: CalibrationSettings | None = None,
) -> AccelerometerFit:
    """Fit the accelerometer's scale, bias and cross-axis to resting positions.

    Parameters
    ----------
    positions : sequence of StillMean
        At least one for each of the six faces; more positions, also between faces, sharpen the cross-axis terms.
    gravity_mps2 : float
        Of the place, see :func:`normal_gravity_mps2`.
    gyro_bias_radps : 3 floats
        Passed through to the calibration.
    settings : CalibrationSettings, optional

    Returns
    -------
    AccelerometerFit
        The calibration, its standard errors and what the fit leaves over.

    Raises
    ------
    InputError
        If a face is missing, or the readings contradict gravity or the model.
    """
    s = settings or CalibrationSettings()
    means = np.array([p.accel_mps2 for p in positions]).reshape(-1, 3)
    _check_positions(means, gravity_mps2, s)
    sd = np.hypot(np.array([p.accel_se_mps2 for p in positions]), s.noise_floor_mps2)
    problem = _Positions(means, sd, gravity_mps2, s)
    theta, covariance = problem.solve()
    bias, error = theta[:3], _symmetric(theta[3:9])
    residual = problem.misfit(theta)
    _check_fit(bias, error, residual, s)
    matrix = np.linalg.inv(np.eye(3) + error)
    se = np.sqrt(np.diag(covariance))
    calibration = Calibration(
        accel_bias_mps2=_triple(bias),
        accel_matrix=tuple(_triple(row) for row in matrix),
        gyro_bias_radps=gyro_bias_radps,
        source=f"{len(means)} positions",
    )
    return AccelerometerFit(
        calibration=calibration,
        scale_error=theta[3:6],
        scale_se=se[3:6],
        cross_axis=theta[6:9],
        cross_axis_se=se[6:9],
        bias_mps2=bias,
        bias_se_mps2=se[:3],
        placement_deg=np.degrees(np.linalg.norm(theta[9:].reshape(-1, 2), axis=1)),
        residual_mps2=residual,
    )


class _Positions:
    """Gauss-Newton on bias (3), E (6) and two tilts for each position, all residuals in standard deviations."""

    def __init__(self, means: FloatArray, sd: FloatArray, gravity_mps2: float, settings: CalibrationSettings) -> None:
        self._means, self._sd, self._g = means, sd, gravity_mps2
        axis = np.argmax(np.abs(means), axis=1)
        sign = np.sign(means[np.arange(len(means)), axis])
        on_axis = np.array([face_up(mean, settings) is not None for mean in means])
        # A position between faces has no axis to stand on: it starts from its own reading, without a prior.
        self._base = means / np.linalg.norm(means, axis=1, keepdims=True)
        self._base[on_axis] = np.eye(3)[axis[on_axis]] * sign[on_axis, None]
        self._tangents = np.array([_tangents(u) for u in self._base])
        tilt_sd = np.where(on_axis, settings.placement_sd_rad, 1.0)
        prior = [settings.bias_sd_mps2] * 3 + [settings.scale_sd] * 3 + [settings.cross_sd] * 3
        self._prior_sd = np.concatenate([prior, np.repeat(tilt_sd, 2)])

    def directions(self, theta: FloatArray) -> FloatArray:
        """Unit vectors "up" (k, 3)."""
        tilted = self._base + np.einsum("kji,kj->ki", self._tangents, theta[9:].reshape(-1, 2))
        return np.asarray(tilted / np.linalg.norm(tilted, axis=1, keepdims=True))

    def misfit(self, theta: FloatArray) -> float:
        """RMS (m/s^2) of the readings' residuals."""
        modelled = self._g * self.directions(theta) @ (np.eye(3) + _symmetric(theta[3:9])) + theta[:3]
        return float(np.sqrt(np.mean((self._means - modelled) ** 2)))

    def solve(self) -> tuple[FloatArray, FloatArray]:
        """Return the unknowns and their posterior covariance."""
        theta = np.zeros(len(self._prior_sd))
        for _ in range(20):
            residual, jacobian = self._linearised(theta)
            normal = jacobian.T @ jacobian + np.diag(self._prior_sd**-2.0)
            step = np.linalg.solve(normal, jacobian.T @ residual - theta * self._prior_sd**-2.0)
            theta = theta + step
            if np.abs(step / self._prior_sd).max() < 1e-10:
                break
        return theta, np.asarray(np.linalg.inv(normal), dtype=np.float64)

    def _linearised(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Residual (3 k,) and its Jacobian (3 k, p), both divided by the readings' SDs."""
        k, p = len(self._means), len(theta)
        up = self.directions(theta)
        T = np.eye(3) + _symmetric(theta[3:9])
        residual = (self._means - self._g * up @ T - theta[:3]) / self._sd
        jacobian = np.zeros((k, 3, p))
        jacobian[:, :, :3] = np.eye(3)
        for i in DIAGONAL:
            jacobian[:, i, 3 + i] = self._g * up[:, i]
        for column, (i, j) in enumerate(OFF_DIAGONAL):
            jacobian[:, i, 6 + column] = self._g * up[:, j]
            jacobian[:, j, 6 + column] = self._g * up[:, i]
        for row in range(k):
            # d(unit vector) = tangent, made orthogonal to it.
            free = self._tangents[row] - (self._tangents[row] @ up[row])[:, None] * up[row]
            length = np.linalg.norm(self._base[row] + theta[9 + 2 * row : 11 + 2 * row] @ self._tangents[row])
            jacobian[row, :, 9 + 2 * row : 11 + 2 * row] = self._g * T @ free.T / length
        return residual.ravel(), (jacobian / self._sd[:, :, None]).reshape(3 * k, p)


def _symmetric(e: FloatArray) -> FloatArray:
    """Matrix (3, 3) of xx, yy, zz, xy, xz, yz."""
    return np.array([[e[0], e[3], e[4]], [e[3], e[1], e[5]], [e[4], e[5], e[2]]])


def _tangents(u: FloatArray) -> FloatArray:
    """Two unit vectors (2, 3) square to ``u`` and to each other."""
    helper = np.eye(3)[int(np.argmin(np.abs(u)))]
    first = np.cross(u, helper)
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(u, first)])


def _check_positions(means: FloatArray, gravity_mps2: float, s: CalibrationSettings) -> None:
    if not 9.76 <= gravity_mps2 <= 9.84:
        raise InputError(
            expected="gravity of a place on Earth (9.76 to 9.84 m/s2)",
            found=f"{gravity_mps2:g}",
            next_step="check it",
        )
    seen = {face_up(mean, s) for mean in means}
    missing = [face for face in FACES if face not in seen]
    if missing:
        raise InputError(
            expected="the sensor to rest with each axis up and down once",
            found=f"none with {', '.join(missing)} up",
            next_step="add these positions",
        )
    ratio = np.linalg.norm(means, axis=1) / gravity_mps2
    worst = int(np.argmax(np.abs(ratio - 1.0)))
    if abs(ratio[worst] - 1.0) > s.max_gravity_error:
        raise InputError(
            expected="readings of about gravity",
            found=f"{ratio[worst]:.2f} times it in position {worst + 1}",
            next_step="check the range in the sensor's profile",
        )


def _check_fit(bias: FloatArray, error: FloatArray, residual: float, s: CalibrationSettings) -> None:
    if residual > s.max_residual_mps2:
        raise InputError(
            expected=f"positions that agree within {s.max_residual_mps2:g} m/s2",
            found=f"{residual:.3f}",
            next_step="the sensor moved in one of them, repeat all on a firm level table",
        )
    if np.abs(error).max() > s.max_scale_error or np.abs(bias).max() > s.max_bias_mps2:
        raise InputError(
            expected=f"a scale within {s.max_scale_error:.0%} and a bias below {s.max_bias_mps2:g} m/s2",
            found=f"{np.abs(error).max():.0%} and {np.abs(bias).max():.2f} m/s2",
            next_step="check the range in the sensor's profile, or the sensor is broken",
        )


def _triple(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
