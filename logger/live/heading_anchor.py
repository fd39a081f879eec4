"""One heading for all windows: the orientation filter run once along the session, sample by sample.

A window's own orientation has a heading of its own. The batch run has one heading for the whole log; here the same
filter, fed as the samples come, holds it, and each window is turned about the vertical to agree with it. Across a gap
the hand's mean heading over two seconds goes on where it was, as in :mod:`analysis.orientation`.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import replace

import numpy as np
import vqf

from analysis.model import Calibration, FloatArray, IntArray, SensorProfile
from analysis.motion import Motion
from analysis.orientation import JOIN_S, LONG_GAP_S, TAU_ACC_S, heading_between
from analysis.rotation import matrices, multiply
from analysis.sensor_errors import SensorErrors

KEEP_S = 32.0


class Correction:
    """Counts to corrected specific force and rate, at the full rate.

    Parameters
    ----------
    profile : SensorProfile
    calibration : Calibration
    gyro_bias_radps : float64 (3,)
        From the stillest moment.
    errors : SensorErrors
        What ``pivot`` showed.
    """

    def __init__(
        self, profile: SensorProfile, calibration: Calibration, gyro_bias_radps: FloatArray, errors: SensorErrors
    ) -> None:
        self._scale = (profile.accel_mps2_per_count, profile.gyro_radps_per_count)
        accel, gyro = np.eye(3) - errors.accel_matrix, np.eye(3) - errors.gyro_matrix
        self._accel = accel @ np.asarray(calibration.accel_matrix)
        self._gyro = gyro @ np.asarray(calibration.gyro_matrix)
        self._accel_less = self._accel @ np.asarray(calibration.accel_bias_mps2) + errors.accel_bias_mps2
        self._gyro_less = (
            self._gyro @ np.asarray(calibration.gyro_bias_radps) + gyro @ gyro_bias_radps + errors.gyro_bias_radps
        )

    def apply(self, counts: np.ndarray) -> tuple[FloatArray, FloatArray]:
        """Specific force (m/s2) and rate (rad/s), each (n, 3)."""
        accel = (counts[:, :3] * self._scale[0]) @ self._accel.T - self._accel_less
        gyro = (counts[:, 3:] * self._scale[1]) @ self._gyro.T - self._gyro_less
        return np.ascontiguousarray(accel), np.ascontiguousarray(gyro)


class HeadingAnchor:
    """Orientation along the session with one heading. Fed by one thread, asked by another.

    Parameters
    ----------
    tick_hz, rate_hz : float
        Device ticks and samples a second.
    """

    def __init__(self, tick_hz: float, rate_hz: float) -> None:
        self._tick_hz, self._rate_hz = tick_hz, rate_hz
        self._lock = threading.Lock()
        self._filter = self._new_filter()
        self._last_tick: int | None = None
        self._turn_rad = 0.0
        self._kept: deque[tuple[FloatArray, FloatArray]] = deque()
        self._before: FloatArray | None = None
        self._own: list[FloatArray] = []

    @property
    def last_tick(self) -> int | None:
        """Tick of the newest sample taken."""
        return self._last_tick

    def feed(self, ticks: IntArray, accel_mps2: FloatArray, gyro_radps: FloatArray) -> FloatArray:
        """Take corrected samples; return their orientation, ``quat_wxyz`` (n, 4).

        Samples that are missing for at most 0.1 s are bridged by the mean rate.
        """
        times_s = ticks / self._tick_hz
        parts = np.flatnonzero(np.diff(times_s) > 1.5 / self._rate_hz) + 1
        quats = []
        for part in np.split(np.arange(len(ticks)), parts):
            self._bridge(float(times_s[part[0]]), accel_mps2[part[0]], gyro_radps[part[0]])
            own = np.asarray(self._filter.updateBatch(gyro_radps[part], accel_mps2[part])["quat6D"])
            self._last_tick = int(ticks[part[-1]])
            self._settle_gap(own)
            quats.append(_turned(own, self._turn_rad))
        quat = np.concatenate(quats)
        with self._lock:
            self._kept.append((times_s, quat))
            while self._kept[0][0][-1] < times_s[-1] - KEEP_S:
                self._kept.popleft()
        return quat

    def agree_with(self, motion: Motion) -> None:
        """Take over the heading of a motion that ends with the newest samples."""
        turn = self._turn_to(motion)
        with self._lock:
            self._kept = deque((times_s, _turned(quat, turn)) for times_s, quat in self._kept)
        self._turn_rad += turn

    def align(self, motion: Motion) -> Motion:
        """The motion, turned about the vertical to this heading."""
        return replace(motion, quat_wxyz=_turned(motion.quat_wxyz, -self._turn_to(motion)))

    def _turn_to(self, motion: Motion) -> float:
        """Turn (rad) from this heading to that of a motion, over the time that both know."""
        with self._lock:
            times_s = np.concatenate([times for times, _ in self._kept])
            quat = np.concatenate([quats for _, quats in self._kept])
        step = max(1, int(self._rate_hz // 50))
        times_s, quat = times_s[::step], quat[::step]
        at = np.rint((times_s - motion.start_s) * motion.rate_hz).astype(np.int64)
        both = (at >= 0) & (at < motion.valid.size)
        both[both] &= motion.valid[at[both]]
        if not both.any():
            return 0.0
        return heading_between(matrices(quat[both]).mean(axis=0), matrices(motion.quat_wxyz[at[both]]).mean(axis=0))

    def _new_filter(self) -> vqf.VQF:
        return vqf.VQF(1.0 / self._rate_hz, tauAcc=TAU_ACC_S, motionBiasEstEnabled=False, restBiasEstEnabled=False)

    def _bridge(self, time_s: float, accel: FloatArray, gyro: FloatArray) -> None:
        """Go on over missing samples; start anew after a long gap."""
        if self._last_tick is None:
            return
        missing = round((time_s - self._last_tick / self._tick_hz) * self._rate_hz) - 1
        if missing <= 0:
            return
        if missing <= LONG_GAP_S * self._rate_hz:
            self._filter.updateBatch(np.tile(gyro, (missing, 1)), np.tile(accel, (missing, 1)))
            return
        self._filter = self._new_filter()
        with self._lock:
            recent = [quat for times, quat in self._kept if times[-1] > self._kept[-1][0][-1] - JOIN_S]
        self._before = matrices(np.concatenate(recent)).mean(axis=0) if recent else None
        self._own = []

    def _settle_gap(self, own: FloatArray) -> None:
        """After a gap, set the turn by the hand's mean heading until two seconds have come."""
        if self._before is None:
            return
        self._own.append(own)
        after = matrices(np.concatenate(self._own)).mean(axis=0)
        self._turn_rad = -heading_between(self._before, after)
        if sum(map(len, self._own)) >= JOIN_S * self._rate_hz:
            self._before = None


def _turned(quat_wxyz: FloatArray, turn_rad: float) -> FloatArray:
    """Orientations turned about the vertical."""
    half = 0.5 * turn_rad
    turn = np.broadcast_to([np.cos(half), 0.0, 0.0, np.sin(half)], quat_wxyz.shape)
    return multiply(turn, quat_wxyz)
