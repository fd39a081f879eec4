"""Small errors of an inertial sensor and of the levers to the tip: their order as unknowns, how well they are known.

The unknowns stand in one row: accelerometer bias b and matrix A, gyroscope bias c and matrix E, skew s, then one lever
a grip. Only this module knows at which place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray

ACCEL_BIAS, ACCEL_MATRIX = slice(0, 3), slice(3, 12)
GYRO_BIAS, GYRO_MATRIX, GYRO = slice(12, 15), slice(15, 24), slice(12, 24)
SKEW = 24
ERRORS = 25
"""Number of the sensor's unknowns."""
SENSOR = slice(0, ERRORS)
LEVERS = slice(ERRORS, None)


def lever_of(grip: int) -> slice:
    """Place of one grip's lever among the unknowns.

    Parameters
    ----------
    grip : int
        From 0.

    Returns
    -------
    slice
        Three places.
    """
    return slice(ERRORS + 3 * grip, ERRORS + 3 * grip + 3)


@dataclass(frozen=True)
class SensorErrors:
    """``a = a_m - b - A a_m + s da_m/dt`` and ``w = w_m - c - E w_m`` (m/s2, rad/s, s).

    Attributes
    ----------
    accel_bias_mps2, gyro_bias_radps : float64 (3,)
        ``b`` and ``c``.
    accel_matrix, gyro_matrix : float64 (3, 3)
        ``A`` and ``E``.
    skew_s : float
        ``s``: by how much the accelerometer runs late.
    """

    accel_bias_mps2: FloatArray
    accel_matrix: FloatArray
    gyro_bias_radps: FloatArray
    gyro_matrix: FloatArray
    skew_s: float

    @staticmethod
    def none() -> SensorErrors:
        """A sensor without any.

        Returns
        -------
        SensorErrors
        """
        return SensorErrors.from_vector(np.zeros(ERRORS))

    @staticmethod
    def from_vector(x: FloatArray) -> SensorErrors:
        """Unpack the first :data:`ERRORS` unknowns.

        Parameters
        ----------
        x : float64 (25,)

        Returns
        -------
        SensorErrors
        """
        return SensorErrors(
            accel_bias_mps2=x[ACCEL_BIAS],
            accel_matrix=x[ACCEL_MATRIX].reshape(3, 3),
            gyro_bias_radps=x[GYRO_BIAS],
            gyro_matrix=x[GYRO_MATRIX].reshape(3, 3),
            skew_s=float(x[SKEW]),
        )

    def correct_accel(self, accel: FloatArray, rate_hz: float) -> FloatArray:
        """Corrected specific force (n, 3), m/s2.

        Parameters
        ----------
        accel : float64 (n, 3)
            m/s2.
        rate_hz : float

        Returns
        -------
        float64 (n, 3)
            m/s2.
        """
        out = accel @ (np.eye(3) - self.accel_matrix).T
        out -= self.accel_bias_mps2
        if self.skew_s:
            out += self.skew_s * np.gradient(accel, 1 / rate_hz, axis=0)
        return np.asarray(out)

    def correct_gyro(self, gyro: FloatArray) -> FloatArray:
        """Corrected rotation rate (n, 3), rad/s.

        Parameters
        ----------
        gyro : float64 (n, 3)
            rad/s.

        Returns
        -------
        float64 (n, 3)
            rad/s.
        """
        out = gyro @ (np.eye(3) - self.gyro_matrix).T
        out -= self.gyro_bias_radps
        return np.asarray(out)


@dataclass(frozen=True)
class ErrorCovariance:
    """How well the sensor's errors and the levers are known, together.

    Attributes
    ----------
    matrix : float64 (25 + 3 grips, 25 + 3 grips)
        In the order of the unknowns.
    """

    matrix: FloatArray

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of every unknown (25 + 3 grips,)."""
        return np.sqrt(np.diag(self.matrix))

    def lever_sd_m(self, grip: int) -> FloatArray:
        """Standard deviations (3,) of one grip's lever, sensor axes.

        Parameters
        ----------
        grip : int

        Returns
        -------
        float64 (3,)
        """
        return self.sd[lever_of(grip)]

    def gyro_bias_sd_radps(self, axis: FloatArray) -> float:
        """Standard deviation of the gyroscope's bias along a direction (3,), sensor axes.

        Parameters
        ----------
        axis : float64 (3,)

        Returns
        -------
        float
            rad/s.
        """
        return float(np.sqrt(axis @ self.matrix[GYRO_BIAS, GYRO_BIAS] @ axis))

    def variance(self, slope: FloatArray) -> float:
        """Variance of what changes by ``slope`` (25 + 3 grips,) for a unit of each unknown.

        Parameters
        ----------
        slope : float64 (25 + 3 grips,)

        Returns
        -------
        float
        """
        return float(slope @ self.matrix @ slope)

    def widened(self, levers: slice, spread_m: float) -> ErrorCovariance:
        """The same with the levers of a slice of the unknowns known less well, by ``spread_m`` an axis.

        Parameters
        ----------
        levers : slice
        spread_m : float

        Returns
        -------
        ErrorCovariance
        """
        matrix = self.matrix.copy()
        matrix[levers, levers] += spread_m**2 * np.eye(len(matrix[levers]))
        return ErrorCovariance(matrix)

    def with_copy(self, grip: int, spread_m: float) -> ErrorCovariance:
        """One grip more: a copy of another's lever, which may be off by ``spread_m`` an axis.

        Parameters
        ----------
        grip : int
        spread_m : float

        Returns
        -------
        ErrorCovariance
        """
        unit = np.eye(len(self.matrix))
        spread = np.vstack([unit, unit[lever_of(grip)]])
        return ErrorCovariance(spread @ self.matrix @ spread.T).widened(slice(len(unit), None), spread_m)
