r"""The hand's motion in the world, and how every small error of the sensor or the lever would move the tip.

Tip displacement is linear in small errors, equation (1) of :mod:`analysis.reference.lever`; :func:`error_columns` is
its one implementation, shared by the pivot problem and by the uncertainty of every direction.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.model.records import BoolArray, FloatArray, FloatArray32, IntArray
from analysis.motion.orientation import estimate_orientation, gapless_parts, rate_since_last
from analysis.motion.rotation import matrices, rotate
from analysis.motion.tip_path import GRAVITY_MPS2, Band, band_displacements
from analysis.signal.grid import Grid
from analysis.signal.sensor_errors import (
    ACCEL_BIAS,
    ACCEL_MATRIX,
    ERRORS,
    GYRO,
    LEVERS,
    SKEW,
    SensorErrors,
)
from analysis.signal.working_grid import NOWHERE, Signals

MARGIN_CYCLES = 2.0
"""Margin around a stretch, in periods of its high-pass, so that the ends of the excerpt are not felt inside."""


@dataclass(frozen=True)
class Motion:
    """Corrected signals of a session with the orientation of the hand.

    Attributes
    ----------
    grid : Grid
        As of the signals; a hand held still over a long gap is not valid either.
    accel_mps2, gyro_radps : float64 (n, 3)
        Corrected, sensor axes.
    quat_wxyz : float64 (n, 4)
        Sensor to world.
    attack_mps2 : float32 (n,) or None
    fine_attack_mps2 : float32 (n factor,) or None
        At the full rate.
    factor : int
        Full rate over working rate.
    clipped_at : int64 (m,)
        Samples at which the accelerometer stood at the end of its range, ascending.
    """

    grid: Grid
    accel_mps2: FloatArray
    gyro_radps: FloatArray
    quat_wxyz: FloatArray
    attack_mps2: FloatArray32 | None
    fine_attack_mps2: FloatArray32 | None
    factor: int
    clipped_at: IntArray = field(default_factory=lambda: NOWHERE)

    def displacement(self, first: int, last: int, lever_m: FloatArray, band: Band) -> FloatArray:
        """Tip displacement (m, world axes) over samples ``first:last``, filtered with a margin on both sides.

        Parameters
        ----------
        first, last : int
            Sample numbers, half-open.
        lever_m : float64 (3,)
            From the sensor to the tip, sensor axes.
        band : Band

        Returns
        -------
        float64 (last - first, 3)
            Metres.
        """
        return self.displacements(first, last, lever_m, (band,))[0]

    def displacements(
        self, first: int, last: int, lever_m: FloatArray, bands: tuple[Band, ...]
    ) -> tuple[FloatArray, ...]:
        """Tip displacement in several bands, as :meth:`displacement`.

        Parameters
        ----------
        first, last : int
            Sample numbers, half-open.
        lever_m : float64 (3,)
            From the sensor to the tip, sensor axes.
        bands : tuple of Band

        Returns
        -------
        tuple of float64 (last - first, 3)
            Metres, one a band.
        """
        start, end = self._with_margin(first, last, bands)
        quat = self.quat_wxyz[start:end]
        accel = rotate(quat, self.accel_mps2[start:end])
        accel[:, 2] -= GRAVITY_MPS2
        paths = band_displacements(accel, rotate(quat, lever_m), self.grid.rate_hz, bands)
        return tuple(path[first - start : last - start] for path in paths)

    def series_path(self, first: int, last: int, lever_m: FloatArray) -> FloatArray:
        """Tip displacement (m, world axes) from samples ``first:last`` alone, with the drift of a double integral.

        Parameters
        ----------
        first, last : int
            Sample numbers, half-open.
        lever_m : float64 (3,)
            From the sensor to the tip, sensor axes.

        Returns
        -------
        float64 (last - first, 3)
            Metres.
        """
        quat = self.quat_wxyz[first:last]
        accel = rotate(quat, self.accel_mps2[first:last])
        accel -= accel.mean(axis=0)
        speed = running_integral(accel, self.grid.rate_hz)
        path = running_integral(speed - speed.mean(axis=0), self.grid.rate_hz)
        return np.asarray(path + rotate(quat, lever_m))

    def _with_margin(self, first: int, last: int, bands: tuple[Band, ...]) -> tuple[int, int]:
        margin = int(MARGIN_CYCLES / min(band.highpass_hz for band in bands) * self.grid.rate_hz)
        return max(0, first - margin), min(self.grid.size, last + margin)

    def displacement_columns(self, first: int, last: int, lever_m: FloatArray, band: Band) -> FloatArray:
        """Change of the tip displacement for a unit of each sensor error, then of each lever component.

        Parameters
        ----------
        first, last : int
            Sample numbers, half-open.
        lever_m : float64 (3,)
            From the sensor to the tip, sensor axes.
        band : Band

        Returns
        -------
        float64 (last - first, 3, 28)
        """
        start, end = self._with_margin(first, last, (band,))
        rotation = matrices(self.quat_wxyz[start:end])
        accel, arm = error_columns(
            rotation, self.accel_mps2[start:end], self.gyro_radps[start:end], lever_m, self.grid.rate_hz
        )
        n = end - start
        path = band_displacements(accel.reshape(n, -1), arm.reshape(n, -1), self.grid.rate_hz, (band,))[0]
        return path.reshape(n, 3, -1)[first - start : last - start]


def running_integral(values: FloatArray, rate_hz: float) -> FloatArray:
    """Integral along axis 0 from the first sample, by the cubic through four samples.

    The trapezoid rule is too short by ``(pi f / rate)^2 / 3``: 1.2 % at 8 Hz and 133 samples/s, and twice that in a
    double integral, which would no longer fit the rotated lever.

    Parameters
    ----------
    values : float64 (n, ...)
        On a uniform grid.
    rate_hz : float

    Returns
    -------
    float64 (n, ...)
        In the values' unit times seconds; 0 at the first sample.

    Examples
    --------
    >>> t = np.arange(134) / 133
    >>> path = running_integral(np.cos(2 * np.pi * 8 * t)[:, None], 133.0)[:, 0]
    >>> round(float(np.ptp(path) * np.pi * 8), 3)
    1.0
    """
    total = rate_since_last(values)
    total[0] = 0.0
    np.cumsum(total, axis=0, out=total)
    total /= rate_hz
    return total


def build_motion(signals: Signals, errors: SensorErrors) -> Motion:
    """Correct the signals and run the orientation filter once over the session.

    Parameters
    ----------
    signals : Signals
        m/s2 and rad/s, in the sensor's axes.
    errors : SensorErrors
        Biases and scales to take away.

    Returns
    -------
    Motion
        Corrected signals and orientation at every sample; gaps are marked as not valid.
    """
    accel = errors.correct_accel(signals.accel_mps2, signals.grid.rate_hz)
    gyro = errors.correct_gyro(signals.gyro_radps)
    quat = estimate_orientation(gyro, accel, signals.grid)
    valid = _hold_still_in_gaps(signals, quat, accel, gyro)
    return Motion(
        grid=replace(signals.grid, valid=valid),
        accel_mps2=accel,
        gyro_radps=gyro,
        quat_wxyz=quat,
        attack_mps2=signals.attack_mps2,
        fine_attack_mps2=signals.fine_attack_mps2,
        factor=signals.factor,
        clipped_at=signals.clipped_at,
    )


def _hold_still_in_gaps(signals: Signals, quat: FloatArray, accel: FloatArray, gyro: FloatArray) -> BoolArray:
    """Fill long gaps with a hand that stands still, which no filter turns into motion; where samples are sound."""
    held = np.ones(signals.grid.size, dtype=bool)
    for part in gapless_parts(signals.grid):
        held[part] = False
    if not held.any():
        return signals.grid.valid
    accel[held] = rotate(quat[held] * [1.0, -1.0, -1.0, -1.0], np.array([0.0, 0.0, GRAVITY_MPS2]))
    gyro[held] = 0.0
    return np.asarray(signals.grid.valid & ~held)


def error_columns(
    rotation: FloatArray, accel: FloatArray, gyro: FloatArray, lever_m: FloatArray, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """Change of world acceleration and of the rotated lever for a unit of each error.

    Parameters
    ----------
    rotation : float64 (n, 3, 3)
        Sensor to world.
    accel, gyro : float64 (n, 3)
        Sensor axes.
    lever_m : float64 (3,)
    rate_hz : float

    Returns
    -------
    accel_columns, arm_columns : float64 (n, 3, 28)
        In the order b, A, c, E, s of :mod:`analysis.signal.sensor_errors`, then the lever.
    """
    n, dt = len(accel), 1 / rate_hz
    force = np.einsum("nij,nj->ni", rotation, accel)
    arm = rotation @ lever_m
    accel_columns = np.zeros((n, 3, ERRORS + 3))
    arm_columns = np.zeros((n, 3, ERRORS + 3))
    accel_columns[:, :, ACCEL_BIAS] = -rotation
    accel_columns[:, :, ACCEL_MATRIX] = -(rotation[:, :, :, None] * accel[:, None, None, :]).reshape(n, 3, 9)
    # Attitude error of a rate error: phi = -integral of R (c + E w).
    rates = np.concatenate([rotation, (rotation[:, :, :, None] * gyro[:, None, None, :]).reshape(n, 3, 9)], axis=2)
    phi = -running_integral(rates, rate_hz)
    accel_columns[:, :, GYRO] = np.cross(phi, force[:, :, None], axis=1)
    arm_columns[:, :, GYRO] = np.cross(phi, arm[:, :, None], axis=1)
    accel_columns[:, :, SKEW] = np.einsum("nij,nj->ni", rotation, np.gradient(accel, dt, axis=0))
    arm_columns[:, :, LEVERS] = rotation
    return accel_columns, arm_columns
