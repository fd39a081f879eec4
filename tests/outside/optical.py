"""Trials with optical truth, from the open benchmark of inertial orientation.

Source: D. Laidig, M. Caruso, A. Cereatti, T. Seel, "BROAD - A Benchmark for Robust Inertial Orientation Estimation",
Data 6(7):72, 2021, doi:10.3390/data6070072, CC BY 4.0. Undisturbed hand-moved trials, 285.714 samples/s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.io import loadmat

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.stillness import still_gyro_bias
from analysis.signal.grid import Grid
from analysis.signal.sensor_errors import ERRORS, SensorErrors
from analysis.signal.working_grid import Signals
from tests.optional import need_open_data

NAMES = {
    11: "11_undisturbed_slow_translation_B",
    15: "15_undisturbed_fast_translation_A",
    16: "16_undisturbed_fast_translation_B",
    21: "21_undisturbed_fast_combined",
}


@dataclass(frozen=True)
class Trial:
    """Inertial samples (SI) and optical truth; ``seen`` where the optical position exists, filled in elsewhere."""

    rate_hz: float
    accel_mps2: FloatArray
    gyro_radps: FloatArray
    optical_quat_wxyz: FloatArray
    optical_m: FloatArray
    seen: BoolArray
    moving: BoolArray

    def motion(self, skew_s: float = 0.0) -> Motion:
        """What our chain makes of the samples: bias from the stillest two seconds, our orientation.

        ``skew_s`` is how far the accelerometer's samples are moved ahead of the gyroscope's.
        """
        n = len(self.accel_mps2)
        signals = Signals(
            grid=Grid.steady(self.rate_hz, n),
            accel_mps2=self.accel_mps2,
            gyro_radps=self.gyro_radps,
            attack_mps2=None,
            fine_attack_mps2=None,
            factor=1,
            clipped_samples=0,
        )
        errors = np.zeros(ERRORS)
        errors[-1] = skew_s
        return build_motion(still_gyro_bias(signals, []), SensorErrors.from_vector(errors))

    def windows(self, seconds: float) -> list[slice]:
        """Windows of half overlap in which the sensor moved and the cameras saw it throughout."""
        size = round(seconds * self.rate_hz)
        good = self.moving & self.seen
        starts = range(0, len(good) - size, size // 2)
        return [slice(start, start + size) for start in starts if good[start : start + size].all()]


def load_trial(number: int) -> Trial:
    """One trial, or a skip where the open data are not there."""
    data = loadmat(need_open_data(f"broad/{NAMES[number]}.mat"), squeeze_me=True)
    place = np.asarray(data["opt_pos"], dtype=np.float64)
    seen = ~np.isnan(place).any(axis=1)
    index = np.arange(len(place))
    filled = np.stack([np.interp(index, index[seen], place[seen, axis]) for axis in range(3)], axis=1)
    return Trial(
        float(data["sampling_rate"]),
        np.ascontiguousarray(data["imu_acc"], dtype=np.float64),
        np.ascontiguousarray(data["imu_gyr"], dtype=np.float64),
        np.asarray(data["opt_quat"], dtype=np.float64),
        filled,
        seen,
        np.asarray(data["movement"], dtype=bool),
    )
