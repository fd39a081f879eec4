"""Errors of MEMS sensors by grade, and straps that give.

Figures follow the data sheets of common parts; each SD is per axis.

``cheap`` is of the class of an MPU-6050, ``good`` of an ICM-42688-P. Turn-on biases are those of boards after
soldering, mostly smaller than the data sheet's limits. Temperature terms are the warming by a few kelvin on skin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.synthesis.rotation import random_quat

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class SensorGrade:
    """Magnitudes of a sensor's errors; draws are normal with these SDs.

    Attributes
    ----------
    accel_range_g, gyro_range_dps : float
        Full scale; counts are int16 over it. 0: no clipping and counts of 1e-6 m/s^2 or rad/s.
    accel_noise_ug_rthz, gyro_noise_dps_rthz : float
        White noise densities.
    accel_bias_mg, gyro_bias_dps : float
        Turn-on bias.
    accel_warm_mg, gyro_warm_dps : float
        Bias change while the part warms up, time constant ``warm_time_s``.
    accel_walk_ug, gyro_walk_dps : float
        Random walk of the bias, per root second.
    scale, cross_axis : float
        SD of the diagonal and of the off-diagonal elements of the error matrices.
    g_sensitivity_dps_g : float
        SD of the elements of the gyroscope's response to acceleration.
    skew_s : float
        SD of the accelerometer's delay against the gyroscope's.
    rate_error : float
        Sampling clock: uniform within this.
    rate_warm_ppm : float
        Change of the sampling clock while warming up.
    bandwidth : float
        Corner of the second-order low-pass, as a part of the sample rate; 0: none.
    """

    name: str
    accel_range_g: float
    gyro_range_dps: float
    accel_noise_ug_rthz: float
    gyro_noise_dps_rthz: float
    accel_bias_mg: float
    gyro_bias_dps: float
    accel_warm_mg: float
    gyro_warm_dps: float
    accel_walk_ug: float
    gyro_walk_dps: float
    scale: float
    cross_axis: float
    g_sensitivity_dps_g: float
    skew_s: float
    rate_error: float
    rate_warm_ppm: float
    bandwidth: float = 0.4
    warm_time_s: float = 300.0


CHEAP = SensorGrade(
    name="cheap",
    accel_range_g=8.0,
    gyro_range_dps=1000.0,
    accel_noise_ug_rthz=400.0,
    gyro_noise_dps_rthz=0.007,
    accel_bias_mg=23.0,
    gyro_bias_dps=2.0,
    accel_warm_mg=2.0,
    gyro_warm_dps=0.1,
    accel_walk_ug=20.0,
    gyro_walk_dps=0.001,
    scale=0.005,
    cross_axis=0.005,
    g_sensitivity_dps_g=0.05,
    skew_s=0.3e-3,
    rate_error=0.01,
    rate_warm_ppm=200.0,
)
GOOD = SensorGrade(
    name="good",
    accel_range_g=8.0,
    gyro_range_dps=1000.0,
    accel_noise_ug_rthz=70.0,
    gyro_noise_dps_rthz=0.0028,
    accel_bias_mg=8.0,
    gyro_bias_dps=0.3,
    accel_warm_mg=0.5,
    gyro_warm_dps=0.02,
    accel_walk_ug=5.0,
    gyro_walk_dps=0.0003,
    scale=0.002,
    cross_axis=0.002,
    g_sensitivity_dps_g=0.01,
    skew_s=0.1e-3,
    rate_error=0.005,
    rate_warm_ppm=50.0,
)
IDEAL = SensorGrade(
    "ideal", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, bandwidth=0.0
)
GRADES: dict[str, SensorGrade] = {grade.name: grade for grade in (CHEAP, GOOD, IDEAL)}


@dataclass(frozen=True)
class SoftMount:
    """A strap that gives: a case on springs and dampers, each along or about an axis of the strap.

    Attributes
    ----------
    axes_wxyz : tuple of 4 floats
        Rotates the strap's axes into the sensor's.
    shift_hz, turn_hz : (float, float, float)
        Natural frequencies of shifting along and of turning about each axis, were the other five held.
    shift_damping, turn_damping : (float, float, float)
        As parts of the critical.
    centre_mm : Vector
        The case's centre of mass, seen from the point that the strap holds, strap's axes.
    gyration_mm : float
        Radius of gyration about its centre.
    """

    axes_wxyz: tuple[float, float, float, float]
    shift_hz: Vector
    turn_hz: Vector
    shift_damping: Vector
    turn_damping: Vector
    centre_mm: Vector
    gyration_mm: float


def draw_mount(rng: np.random.Generator, lowest_hz: float, highest_hz: float) -> SoftMount:
    """Return a random strap.

    Parameters
    ----------
    rng : Generator
    lowest_hz, highest_hz : float
        Between which its six frequencies lie: each axis has its own.

    Returns
    -------
    SoftMount
    """
    w, x, y, z = (float(value) for value in random_quat(rng))
    hz = rng.uniform(lowest_hz, highest_hz, 6)
    damping = rng.uniform(0.05, 0.3, 6)
    centre = rng.uniform(1.0, 5.0) * random_quat(rng)[:3]
    return SoftMount(
        axes_wxyz=(w, x, y, z),
        shift_hz=(float(hz[0]), float(hz[1]), float(hz[2])),
        turn_hz=(float(hz[3]), float(hz[4]), float(hz[5])),
        shift_damping=(float(damping[0]), float(damping[1]), float(damping[2])),
        turn_damping=(float(damping[3]), float(damping[4]), float(damping[5])),
        centre_mm=(float(centre[0]), float(centre[1]), float(centre[2])),
        gyration_mm=float(rng.uniform(8.0, 12.0)),
    )
