"""One heading for all windows: the orientation filter run once along the session, sample by sample.

A window's own orientation has a heading of its own. The batch run has one heading for the whole log; here the same
filter, fed as the samples come, holds it, and each window is turned about the vertical to agree with it. Across a gap
the hand's mean heading over two seconds goes on where it was, as in :mod:`analysis.motion.orientation`.
"""

from __future__ import annotations

import threading
from bisect import bisect
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import vqf

from analysis.model.records import Calibration, FloatArray, IntArray, SensorProfile
from analysis.motion.hand_motion import Motion
from analysis.motion.orientation import JOIN_S, LONG_GAP_S, TAU_ACC_S, heading_between
from analysis.motion.rotation import matrices
from analysis.signal.sensor_errors import SensorErrors

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


@dataclass(frozen=True)
class _Kept:
    """Orientation of some samples; ``part`` counts the gaps before them."""

    times_s: FloatArray
    quat_wxyz: FloatArray
    part: int


class HeadingAnchor:
    """Orientation along the session with one heading. Fed by one thread, asked by another.

    After a long gap the filter starts anew with a heading of its own, which is not trusted until a motion that reaches
    over the gap has joined both sides.

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
        self._kept: deque[_Kept] = deque()
        self._part = 0
        self._part_from_s = 0.0
        self._trusted = {0}

    @property
    def last_tick(self) -> int | None:
        """Tick of the newest sample taken."""
        return self._last_tick

    @property
    def join_from_s(self) -> float | None:
        """Log time from which a motion is wanted to join a gap; None while none is."""
        if self._part in self._trusted or self._last_tick is None:
            return None
        if self._last_tick / self._tick_hz - self._part_from_s < JOIN_S:
            return None
        with self._lock:
            known = [float(kept.times_s[-1]) for kept in self._kept if kept.part in self._trusted]
        return (known[-1] if known else self._part_from_s) - JOIN_S

    def feed(self, ticks: IntArray, accel_mps2: FloatArray, gyro_radps: FloatArray) -> FloatArray:
        """Take corrected samples; return their orientation, ``quat_wxyz`` (n, 4).

        Samples that are missing for at most 0.1 s are bridged by the mean rate.
        """
        times_s = ticks / self._tick_hz
        breaks = np.flatnonzero(np.diff(times_s) > 1.5 / self._rate_hz) + 1
        quats = []
        for first, last in pairwise([0, *breaks.tolist(), len(ticks)]):
            rows = slice(first, last)
            self._bridge(float(times_s[first]), accel_mps2[first], gyro_radps[first])
            own = np.asarray(self._filter.updateBatch(gyro_radps[rows], accel_mps2[rows])["quat6D"])
            self._last_tick = int(ticks[last - 1])
            quats.append(_turned(own, self._turn_rad))
            with self._lock:
                self._kept.append(_Kept(times_s[rows], quats[-1], self._part))
        with self._lock:
            while self._kept[0].times_s[-1] < times_s[-1] - KEEP_S:
                self._kept.popleft()
        return quats[0] if len(quats) == 1 else np.concatenate(quats)

    def agree_with(self, motion: Motion) -> None:
        """Take over the heading of a motion that ends with the newest samples, from its last gap on."""
        self._turn_part(motion)
        with self._lock:
            self._trusted = {self._part}

    def join(self, motion: Motion) -> None:
        """Trust the part after a gap: give it the heading of a motion that reaches over the gap."""
        self._turn_part(self.align(motion))
        with self._lock:
            self._trusted.add(self._part)

    def align(self, motion: Motion) -> Motion:
        """The motion, turned about the vertical to the heading of the parts that are trusted."""
        with self._lock:
            known = [each for each in self._kept if each.part in self._trusted]
        first = bisect(known, motion.grid.start_s, key=lambda each: each.times_s[-1])
        return replace(motion, quat_wxyz=_turned(motion.quat_wxyz, -self._turn_to(motion, known[first:])))

    def _turn_part(self, motion: Motion) -> None:
        with self._lock:
            part = self._part
            own = [kept for kept in self._kept if kept.part == part]
        turn = self._turn_to(motion, own)
        with self._lock:
            self._kept = deque(
                replace(kept, quat_wxyz=_turned(kept.quat_wxyz, turn)) if kept.part == part else kept
                for kept in self._kept
            )
        self._turn_rad += turn

    def _turn_to(self, motion: Motion, kept: Sequence[_Kept]) -> float:
        """Turn (rad) from the heading of kept samples to that of a motion, over the time that both know."""
        if not kept:
            return 0.0
        step = max(1, int(self._rate_hz // 50))
        times_s = np.concatenate([each.times_s for each in kept])[::step]
        quat = np.concatenate([each.quat_wxyz for each in kept])[::step]
        at = np.rint(motion.grid.line_position_at(times_s)).astype(np.int64)
        both = (at >= 0) & (at < motion.grid.size)
        both[both] &= motion.grid.valid[at[both]]
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
        self._part += 1
        self._part_from_s = time_s


def _turned(quat_wxyz: FloatArray, turn_rad: float) -> FloatArray:
    """Orientations turned about the vertical."""
    cos, sin = np.cos(0.5 * turn_rad), np.sin(0.5 * turn_rad)
    return np.asarray(quat_wxyz @ np.array([[cos, 0, 0, sin], [0, cos, sin, 0], [0, -sin, cos, 0], [-sin, 0, 0, cos]]))
