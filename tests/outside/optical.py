"""Trials with optical truth, from the open benchmark of inertial orientation.

Source: D. Laidig, M. Caruso, A. Cereatti, T. Seel, "BROAD - A Benchmark for Robust Inertial Orientation Estimation",
Data 6(7):72, 2021, doi:10.3390/data6070072, CC BY 4.0. Undisturbed hand-moved trials, 285.714 samples/s.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.io import loadmat

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.stillness import still_gyro_bias
from analysis.signal.grid import Grid
from analysis.signal.sensor_errors import ERRORS, SensorErrors
from analysis.signal.working_grid import Signals
from tests.optional import OPEN_DATA, missing, need_open_data

FEWEST = (11, 15, 16, 21)
"""Trials that must be there; the benchmark has 39, and what is said of every trial is said of all that are there."""


def trials_there() -> tuple[int, ...]:
    """Numbers of all trials in the folder of open data, at least :data:`FEWEST`."""
    folder = Path(os.environ.get(OPEN_DATA, "")) / "broad"
    return tuple(sorted({*FEWEST, *(int(path.name[:2]) for path in folder.glob("[0-9][0-9]_*.mat"))}))


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
    found = sorted(need_open_data("broad").glob(f"{number:02}_*.mat"))
    if not found:
        missing(f"trial {number} is not among the open data")
    data = loadmat(found[0], squeeze_me=True)
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
