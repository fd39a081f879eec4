"""Small errors of an inertial sensor, as the analysis estimates and removes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray

ERRORS = 25
"""Number of unknowns: accelerometer bias b (3) and matrix A (9), gyroscope bias c (3) and matrix E (9), skew s (1)."""


@dataclass(frozen=True)
class SensorErrors:
    """``a = a_m - b - A a_m + s da_m/dt`` and ``w = w_m - c - E w_m`` (m/s2, rad/s, s)."""

    accel_bias_mps2: FloatArray
    accel_matrix: FloatArray
    gyro_bias_radps: FloatArray
    gyro_matrix: FloatArray
    skew_s: float

    @staticmethod
    def from_vector(x: FloatArray) -> SensorErrors:
        """Unpack the first :data:`ERRORS` unknowns."""
        return SensorErrors(x[0:3], x[3:12].reshape(3, 3), x[12:15], x[15:24].reshape(3, 3), float(x[24]))

    def correct_accel(self, accel: FloatArray, rate_hz: float) -> FloatArray:
        """Corrected specific force (n, 3), m/s2."""
        out = accel @ (np.eye(3) - self.accel_matrix).T
        out -= self.accel_bias_mps2
        if self.skew_s:
            out += self.skew_s * np.gradient(accel, 1 / rate_hz, axis=0)
        return np.asarray(out)

    def correct_gyro(self, gyro: FloatArray) -> FloatArray:
        """Corrected rotation rate (n, 3), rad/s."""
        out = gyro @ (np.eye(3) - self.gyro_matrix).T
        out -= self.gyro_bias_radps
        return np.asarray(out)
