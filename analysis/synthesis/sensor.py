"""From motion to counts: specific force and turning rate, a MEMS sensor's errors, its clock, lost samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt, sosfilt_zi

from analysis.model.records import FloatArray, SensorProfile
from analysis.synthesis.grades import SensorGrade
from analysis.synthesis.performance import Performance
from analysis.synthesis.rotation import (
    STENCIL_MARGIN,
    angular_velocity,
    conjugate,
    rotate,
    second_derivative,
)
from analysis.synthesis.scenario import Recording

STANDARD_GRAVITY_MPS2 = 9.80665
_IDEAL_STEP = 1e-6


@dataclass(frozen=True)
class SensorTruth:
    """One sensor's errors as drawn: readings are ``matrix @ true + bias`` plus noise, accelerometer first."""

    accel_bias_mps2: FloatArray
    gyro_bias_radps: FloatArray
    accel_warm_mps2: FloatArray
    gyro_warm_radps: FloatArray
    accel_matrix: FloatArray
    gyro_matrix: FloatArray
    g_sensitivity: FloatArray
    skew_s: float
    rate_hz: float
    rate_warm: float
    tick_scale: float
    start_s: float


def draw_sensor(rng: np.random.Generator, grade: SensorGrade, rate_hz: float, recording: Recording) -> SensorTruth:
    """Draw one sensor of a grade."""
    mg, dps = 1e-3 * STANDARD_GRAVITY_MPS2, np.pi / 180.0
    errors = rng.normal(size=(2, 3, 3)) * (grade.cross_axis + (grade.scale - grade.cross_axis) * np.eye(3))
    rate_error = grade.rate_error * rng.uniform(-1.0, 1.0)
    ppm = rng.uniform(-40.0, 40.0) if grade.rate_error > 0 else 0.0
    start = rng.uniform(5.0, 4000.0)
    return SensorTruth(
        accel_bias_mps2=grade.accel_bias_mg * mg * rng.normal(size=3),
        gyro_bias_radps=grade.gyro_bias_dps * dps * rng.normal(size=3),
        accel_warm_mps2=grade.accel_warm_mg * mg * rng.normal(size=3),
        gyro_warm_radps=grade.gyro_warm_dps * dps * rng.normal(size=3),
        accel_matrix=np.eye(3) + errors[0],
        gyro_matrix=np.eye(3) + errors[1],
        g_sensitivity=grade.g_sensitivity_dps_g * dps / STANDARD_GRAVITY_MPS2 * rng.normal(size=(3, 3)),
        skew_s=grade.skew_s * float(rng.normal()),
        rate_hz=rate_hz * (1.0 + (rate_error if recording.rate_error is None else recording.rate_error)),
        rate_warm=1e-6 * grade.rate_warm_ppm * float(rng.normal()),
        tick_scale=1.0 + 1e-6 * (ppm if recording.tick_error_ppm is None else recording.tick_error_ppm),
        start_s=start if recording.start_s is None else recording.start_s,
    )


def profile_of(grade: SensorGrade, rate_hz: float) -> SensorProfile:
    """Return the profile that a device of this grade would carry."""
    ideal = grade.accel_range_g == 0.0
    noise = (grade.accel_noise_ug_rthz * 1e-6 * STANDARD_GRAVITY_MPS2, np.radians(grade.gyro_noise_dps_rthz))
    return SensorProfile(
        name=f"simulated {grade.name}",
        rate_hz=rate_hz,
        accel_mps2_per_count=_IDEAL_STEP if ideal else grade.accel_range_g * STANDARD_GRAVITY_MPS2 / 32768,
        gyro_radps_per_count=_IDEAL_STEP if ideal else float(np.radians(grade.gyro_range_dps)) / 32768,
        tick_hz=1e6,
        part="simulated",
        accel_clip_counts=None if ideal else 32767,
        gyro_clip_counts=None if ideal else 32767,
        accel_noise_mps2_rthz=noise[0] or None,
        gyro_noise_radps_rthz=float(noise[1]) or None,
    )


def sample_times(sensor: SensorTruth, duration_s: float, warm_time_s: float) -> FloatArray:
    """Return true sampling times: the clock's error and its settling while the part warms up."""
    k = np.arange(int(duration_s * sensor.rate_hz * (1 - abs(sensor.rate_warm))))
    t: FloatArray = k / sensor.rate_hz
    return t + sensor.rate_warm * (t - warm_time_s * (1 - np.exp(-t / warm_time_s)))


Carried = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Where a sensor is at times (n,): place (3, n), metres, and sensor-to-world quaternions (4, n)."""


def inertial(carried: Carried, t_s: FloatArray, gravity_mps2: float) -> FloatArray:
    """Return true specific force (m/s^2) and turning rate (rad/s), (6, n - 6), at inner times of a uniform grid."""
    step = float((t_s[-1] - t_s[0]) / (t_s.size - 1))
    place, quat = carried(t_s)
    acceleration = second_derivative(place, step)
    acceleration[2] += gravity_mps2
    inner = quat[:, STENCIL_MARGIN : t_s.size - STENCIL_MARGIN]
    force = rotate(conjugate(inner), acceleration)
    return np.concatenate((force, angular_velocity(quat, step)))


def on_hand(performance: Performance) -> Carried:
    """Return how the hand carries its sensor."""

    def carried(t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        pose = performance.pose(t_s)
        return pose.sensor_m, pose.sensor_quat

    return carried


def _interpolate(values: FloatArray, position: FloatArray) -> FloatArray:
    """Return cubic interpolation of (d, n) at fractional indices (k,)."""
    base = position.astype(np.int64)
    u = position - base
    weights = (
        -u * (u - 1) * (u - 2) / 6,
        (u + 1) * (u - 1) * (u - 2) / 2,
        -(u + 1) * u * (u - 2) / 2,
        (u + 1) * u * (u - 1) / 6,
    )
    total = np.zeros((values.shape[0], position.size))
    for offset, weight in zip((-1, 0, 1, 2), weights, strict=True):
        total += weight * values[:, base + offset]
    return total


def sense(
    carried: Carried, t_s: FloatArray, sensor: SensorTruth, grade: SensorGrade, gravity_mps2: float
) -> FloatArray:
    """Return what the sensor's filter and sampler make of the motion (6, k) at its sampling times, without errors.

    The motion is computed on a grid of at least 1600 Hz that starts early enough for the filter to settle.
    """
    internal_hz = max(1600.0, 4.0 * sensor.rate_hz)
    corner = grade.bandwidth * sensor.rate_hz
    lead = 6.0 / corner if corner > 0.0 else 0.0
    margin = (STENCIL_MARGIN + 4) / internal_hz
    first = t_s[0] - lead - margin
    count = int((t_s[-1] + margin - first) * internal_hz) + 2
    grid = first + np.arange(count) / internal_hz
    signal = inertial(carried, grid, gravity_mps2)
    start = grid[STENCIL_MARGIN]
    if corner > 0.0:
        sos = butter(2, corner, fs=internal_hz, output="sos")
        settled = sosfilt_zi(sos)[:, None, :] * signal[:, :1][None]
        signal, _ = sosfilt(sos, signal, axis=1, zi=settled)
    force = _interpolate(signal[:3], (t_s + sensor.skew_s - start) * internal_hz)
    turning = _interpolate(signal[3:], (t_s - start) * internal_hz)
    return np.concatenate((force, turning))


class Electronics:
    """Adds a sensor's errors chunk by chunk, carrying its random walks along."""

    def __init__(
        self, sensor: SensorTruth, grade: SensorGrade, profile: SensorProfile, rng: np.random.Generator
    ) -> None:
        self.sensor = sensor
        self.grade = grade
        self.profile = profile
        self.rng = rng
        self.walk = np.zeros((6, 1))
        g = STANDARD_GRAVITY_MPS2 * 1e-6
        dps = np.pi / 180.0
        rate = sensor.rate_hz
        self.noise_sd = np.repeat(
            [grade.accel_noise_ug_rthz * g * np.sqrt(rate / 2), grade.gyro_noise_dps_rthz * dps * np.sqrt(rate / 2)], 3
        )[:, None]
        self.walk_sd = np.repeat(
            [grade.accel_walk_ug * g / np.sqrt(rate), grade.gyro_walk_dps * dps / np.sqrt(rate)], 3
        )[:, None]

    def counts(self, t_s: FloatArray, signal: FloatArray) -> NDArray[np.int32]:
        """Return counts (k, 6) of true signals (6, k)."""
        s = self.sensor
        warm = 1.0 - np.exp(-t_s / self.grade.warm_time_s)
        reading = np.concatenate((s.accel_matrix @ signal[:3], s.gyro_matrix @ signal[3:]))
        reading[3:] += s.g_sensitivity @ signal[:3]
        reading += np.concatenate((s.accel_bias_mps2, s.gyro_bias_radps))[:, None]
        reading += np.concatenate((s.accel_warm_mps2, s.gyro_warm_radps))[:, None] * warm
        walk = self.walk + np.cumsum(self.walk_sd * self.rng.normal(size=reading.shape), axis=1)
        self.walk = walk[:, -1:]
        reading += walk + self.noise_sd * self.rng.normal(size=reading.shape)
        per_count = np.repeat([self.profile.accel_mps2_per_count, self.profile.gyro_radps_per_count], 3)
        counts = np.rint(reading / per_count[:, None])
        if self.profile.accel_clip_counts is not None:
            counts = np.clip(counts, -32768, 32767)
        sent: NDArray[np.int32] = counts.T.astype(np.int32)
        return sent
