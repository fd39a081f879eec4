"""One heading for all windows: the orientation filter run once along the session, as the samples come.

A window's own orientation has a heading of its own. The batch run has one heading for the whole log; here the same
filter (:mod:`analysis.motion.running_orientation`) holds it, and each window is turned about the vertical to agree with
it. Across a gap the hand's mean heading over two seconds goes on where it was, as in
:mod:`analysis.motion.orientation`.
"""

from __future__ import annotations

import threading
from bisect import bisect
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.model.records import FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.orientation import JOIN_S, LONG_GAP_S, heading_between
from analysis.motion.rotation import matrices, turned_about_vertical
from analysis.motion.running_orientation import RunningOrientation
from analysis.signal.sensor_errors import SensorErrors

KEEP_S = 32.0


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
    errors : SensorErrors
        What ``pivot`` showed.
    """

    def __init__(self, tick_hz: float, rate_hz: float, errors: SensorErrors) -> None:
        self._tick_hz, self._rate_hz, self._errors = tick_hz, rate_hz, errors
        self._lock = threading.Lock()
        self._orientation = RunningOrientation(rate_hz, errors)
        self._last_tick: int | None = None
        self._last_sample = np.empty((0, 6))
        self._waiting_s = np.empty(0)
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

    def feed(self, ticks: IntArray, accel_mps2: FloatArray, gyro_radps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Take samples; return orientation and corrected acceleration as far as they are known: the newest one waits.

        Samples that are missing for at most 0.1 s are filled by a straight line, as in the batch run.

        Parameters
        ----------
        ticks : int64 (n,)
        accel_mps2, gyro_radps : float64 (n, 3)
            Calibrated, less the gyroscope's bias.

        Returns
        -------
        quat_wxyz : float64 (m, 4)
        accel_mps2 : float64 (m, 3)
        """
        times_s = ticks / self._tick_hz
        samples = np.concatenate([accel_mps2, gyro_radps], axis=1)
        known = []
        breaks = np.flatnonzero(np.diff(times_s) > LONG_GAP_S + 1.0 / self._rate_hz) + 1
        for first, last in pairwise([0, *breaks.tolist(), len(ticks)]):
            known.append(self._follow(times_s[first:last], samples[first:last]))
            self._last_tick, self._last_sample = int(ticks[last - 1]), samples[last - 1 : last]
        with self._lock:
            while self._kept and self._kept[0].times_s[-1] < times_s[-1] - KEEP_S:
                self._kept.popleft()
        quats, forces = zip(*known, strict=True)
        return np.concatenate(quats), np.concatenate(forces)

    def _follow(self, times_s: FloatArray, samples: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Orientation over samples without a long gap, but perhaps one before them."""
        if self._last_tick is not None:
            last_s = self._last_tick / self._tick_hz
            if times_s[0] - last_s > LONG_GAP_S + 1.0 / self._rate_hz:
                self._orientation = RunningOrientation(self._rate_hz, self._errors)
                self._part += 1
                self._part_from_s = float(times_s[0])
                self._waiting_s = np.empty(0)
            else:
                times_s, samples = self._filled(last_s, times_s, samples)
        quat, force = self._orientation.feed(samples[:, :3], samples[:, 3:])
        times_s = np.concatenate([self._waiting_s, times_s])
        self._waiting_s = times_s[len(quat) :]
        quat = turned_about_vertical(quat, self._turn_rad)
        if len(quat):
            with self._lock:
                self._kept.append(_Kept(times_s[: len(quat)], quat, self._part))
        return quat, force

    def _filled(self, last_s: float, times_s: FloatArray, samples: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Times and samples on even steps from the sample before them on."""
        steps = np.maximum(1, np.rint(np.diff(times_s, prepend=last_s) * self._rate_hz)).astype(np.int64)
        if (steps == 1).all():
            return times_s, samples
        slot = np.cumsum(steps)
        wanted, known = np.arange(1, slot[-1] + 1), np.concatenate([[0], slot])
        around = np.concatenate([self._last_sample, samples])
        even = np.stack([np.interp(wanted, known, channel) for channel in around.T], axis=1)
        return np.interp(wanted, known, np.concatenate([[last_s], times_s])), even

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
        return replace(motion, quat_wxyz=turned_about_vertical(motion.quat_wxyz, self.turn_rad(motion)))

    def turn_rad(self, motion: Motion) -> float:
        """Turn (rad) about the vertical from a motion's heading to that of the parts that are trusted."""
        with self._lock:
            known = [each for each in self._kept if each.part in self._trusted]
        first = bisect(known, motion.grid.start_s, key=lambda each: each.times_s[-1])
        return -self._turn_to(motion, known[first:])

    def _turn_part(self, motion: Motion) -> None:
        with self._lock:
            part = self._part
            own = [kept for kept in self._kept if kept.part == part]
        turn = self._turn_to(motion, own)
        with self._lock:
            self._kept = deque(
                replace(kept, quat_wxyz=turned_about_vertical(kept.quat_wxyz, turn)) if kept.part == part else kept
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
        at = np.rint(motion.grid.position_at(times_s)).astype(np.int64)
        both = (at >= 0) & (at < motion.grid.size)
        both[both] &= motion.grid.valid[at[both]]
        if not both.any():
            return 0.0
        return heading_between(matrices(quat[both]).mean(axis=0), matrices(motion.quat_wxyz[at[both]]).mean(axis=0))
