"""Counts to calibrated SI values and exactly back.

``si = matrix @ (scale * counts - bias)`` for each triad, and ``counts = (matrix^-1 @ si + bias) / scale``, rounded. All
arrays of values hold channels along axis 0: accelerometer x, y, z, then gyroscope x, y, z.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log10

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Calibration, CountArray, FloatArray, SensorProfile

TEXT_ERROR_COUNTS = 0.05
"""Most that a value's decimal text may be off, in counts of the sensor."""


def counts_to_si(counts: CountArray, profile: SensorProfile, calibration: Calibration) -> FloatArray:
    """Calibrated values of raw counts.

    Parameters
    ----------
    counts : int16 or int32 (n, 6)
    profile : SensorProfile
    calibration : Calibration

    Returns
    -------
    float64 (6, n)
        Specific force in m/s^2, turning rate in rad/s.
    """
    si = np.ascontiguousarray(counts.T, dtype=np.float64)
    for triad in triads(profile, calibration):
        triad.calibrate_in_place(si[triad.rows])
    return si


@dataclass(frozen=True)
class TriadScale:
    """What one sensor's counts mean, and where its three axes stand among the six.

    Attributes
    ----------
    rows : slice
    si_per_count : float
    bias : float64 (3,)
    matrix : float64 (3, 3)
    """

    rows: slice
    si_per_count: float
    bias: FloatArray
    matrix: FloatArray

    def calibrate_in_place(self, values: FloatArray) -> None:
        """Turn counts into calibrated values; a calibration that changes nothing costs nothing.

        Parameters
        ----------
        values : float64 (3, n)
            Counts of the three axes; changed.
        """
        values *= self.si_per_count
        if np.any(self.bias):
            values -= self.bias[:, None]
        if not np.array_equal(self.matrix, np.eye(3)):
            values[:] = self.matrix @ values


def si_to_counts(si: FloatArray, profile: SensorProfile, calibration: Calibration) -> FloatArray:
    """Counts of calibrated values, not yet rounded: how far they lie from whole numbers tells whether they are its own.

    Parameters
    ----------
    si : float64 (6, n)
    profile : SensorProfile
    calibration : Calibration

    Returns
    -------
    float64 (6, n)

    Raises
    ------
    InputError
        A calibration that cannot be undone.

    Examples
    --------
    >>> profile = SensorProfile("part", 400.0, 0.0024, 0.0005, tick_hz=1e6)
    >>> calibration = Calibration(accel_bias_mps2=(0.1, 0.0, -0.2))
    >>> counts = np.array([[1, -2, 4096, 7, 0, -30000]], dtype=np.int32)
    >>> np.rint(si_to_counts(counts_to_si(counts, profile, calibration), profile, calibration)).astype(int).T
    array([[     1,     -2,   4096,      7,      0, -30000]])
    """
    counts = np.empty_like(si)
    for triad in triads(profile, calibration):
        inverse = _inverse(triad.matrix)
        with np.errstate(over="ignore", invalid="ignore"):  # what is no number then is no count either
            counts[triad.rows] = (inverse @ si[triad.rows] + triad.bias[:, None]) / triad.si_per_count
    return counts


def exact_decimals(profile: SensorProfile, calibration: Calibration) -> tuple[int, int]:
    """How many decimals of m/s^2 and of rad/s keep every count: rounding there and back is safe by a factor of ten.

    Parameters
    ----------
    profile : SensorProfile
        With the size of a count.
    calibration : Calibration

    Returns
    -------
    (int, int)

    Raises
    ------
    InputError
        A calibration that cannot be undone.

    Examples
    --------
    >>> exact_decimals(SensorProfile("part", 400.0, 0.0024, 0.0005, tick_hz=1e6), Calibration())
    (4, 5)
    """
    accel, gyro = (
        max(0, ceil(log10(0.5 * _largest(_inverse(triad.matrix)) / (TEXT_ERROR_COUNTS * triad.si_per_count))))
        for triad in triads(profile, calibration)
    )
    return accel, gyro


def triads(profile: SensorProfile, calibration: Calibration) -> tuple[TriadScale, TriadScale]:
    """Accelerometer and gyroscope.

    Parameters
    ----------
    profile : SensorProfile
    calibration : Calibration

    Returns
    -------
    (TriadScale, TriadScale)
    """
    c = calibration
    return (
        TriadScale(slice(0, 3), profile.accel_mps2_per_count, np.array(c.accel_bias_mps2), np.array(c.accel_matrix)),
        TriadScale(slice(3, 6), profile.gyro_radps_per_count, np.array(c.gyro_bias_radps), np.array(c.gyro_matrix)),
    )


def _largest(matrix: FloatArray) -> float:
    """Largest sum of a row's magnitudes."""
    return float(np.abs(matrix).sum(axis=1).max())


def _inverse(matrix: FloatArray) -> FloatArray:
    try:
        return np.asarray(np.linalg.inv(matrix))
    except np.linalg.LinAlgError as error:
        raise InputError(
            expected="a calibration that can be undone",
            found="a matrix that flattens an axis",
            next_step="calibrate the sensor again",
        ) from error
