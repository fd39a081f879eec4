"""Orientation while samples come: the same corrections and the same filter as over a whole log, one sample behind.

The batch run corrects a sample by the change across its neighbours (the skew between the two sensors), and turns by the
mean rate since the sample before, a cubic through four samples. Both need the next sample; so the newest one waits.
"""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray
from analysis.motion.orientation import new_filter, rate_since_last
from analysis.signal.sensor_errors import SensorErrors

CONTEXT = 2
"""Samples before the waiting one that the next step's cubic goes through."""


class RunningOrientation:
    """The orientation filter, fed on even steps.

    Parameters
    ----------
    rate_hz : float
    errors : SensorErrors
        What is to be corrected.
    """

    def __init__(self, rate_hz: float, errors: SensorErrors) -> None:
        self._rate_hz = rate_hz
        self._errors = errors
        self._filter = new_filter(rate_hz)
        self._accel = np.empty((0, 3))
        self._gyro = np.empty((0, 3))
        self._done = 0

    def feed(self, accel_mps2: FloatArray, gyro_radps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Take samples; return what is known now, from the one that waited to the last but one.

        Parameters
        ----------
        accel_mps2, gyro_radps : float64 (n, 3)
            Calibrated, less the gyroscope's bias; not corrected yet.

        Returns
        -------
        quat_wxyz : float64 (m, 4)
            Sensor to world; m is n, one less at the first call.
        accel_mps2 : float64 (m, 3)
            Corrected.
        """
        accel = np.concatenate([self._accel, accel_mps2])
        gyro = np.concatenate([self._gyro, gyro_radps])
        known = slice(self._done, max(self._done, len(accel) - 1))
        self._accel, self._gyro = accel[-CONTEXT - 1 :], gyro[-CONTEXT - 1 :]
        self._done = max(0, len(self._accel) - 1)
        if known.stop == known.start:
            return np.empty((0, 4)), np.empty((0, 3))
        force = self._errors.correct_accel(accel, self._rate_hz)[known]
        rate = rate_since_last(self._errors.correct_gyro(gyro))[known]
        found = self._filter.updateBatch(np.ascontiguousarray(rate), np.ascontiguousarray(force))
        return np.asarray(found["quat6D"]), force
