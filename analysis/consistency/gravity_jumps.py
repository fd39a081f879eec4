"""Gravity that turns in the sensor's axes without the gyroscope turning: between two moments the axes were exchanged.

The accelerometer, turned by the gyroscope's attitude alone and averaged over one to three seconds, is gravity: what
a hand does in that time hardly moves the mean. Its mean before a moment and after it are compared all over the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.motion.orientation import chain_turns, rate_since_last
from analysis.motion.rotation import rotate
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.signal.pieces import all_sound, thinned

RATE_HZ = 25.0
WINDOW_S = 6.0
SPLITS_S = (2.0, 2.75, 3.5, 4.25)
BESIDE_S = 0.4
JUMP_DEG = 15.0
STEADY = 3.0
"""A jump is larger by this than the change within either side, which is the hand's own acceleration."""
GRAVITY_OFF = 0.15


@dataclass(frozen=True)
class GravityJump:
    """At sample ``index`` gravity turned by ``angle_deg`` unseen by the gyroscope."""

    index: int
    angle_deg: float


def find_gravity_jumps(
    accel: FloatArray, gyro: FloatArray, valid: BoolArray, rate_hz: float
) -> tuple[GravityJump, ...]:
    """Jumps of more than 15 deg, one a stretch of six seconds at most.

    Parameters
    ----------
    accel, gyro : float64 (n, 3)
        m/s2 and rad/s on a uniform grid, the gyroscope less its bias.
    valid : bool (n,)
    rate_hz : float
    """
    factor = max(1, round(rate_hz / RATE_HZ))
    rate = rate_hz / factor
    half = round(0.5 * WINDOW_S * rate)
    blocks = len(valid) // factor // half
    if blocks < 2:
        return ()
    accel, gyro = (thinned(x, factor)[: blocks * half] for x in (accel, gyro))
    turns = chain_turns((rate_since_last(gyro) / rate).reshape(blocks, half, 3))
    force = rotate(turns.reshape(-1, 4), accel).reshape(blocks, half, 3)
    whole = np.asarray(all_sound(valid, factor)[: blocks * half].reshape(blocks, half).all(axis=1))
    starts = np.flatnonzero(whole[:-1] & whole[1:])
    sums = _Sums(force, turns[:, -1], starts)
    splits = [round(split * rate) for split in SPLITS_S]
    angles = np.stack([_jump_deg(sums, split, round(BESIDE_S * rate)) for split in splits], axis=1)
    best = angles.argmax(axis=1)
    return tuple(
        GravityJump(int((start * half + splits[at]) * factor), float(row[at]))
        for start, at, row in zip(starts, best, angles, strict=True)
        if row[at] > JUMP_DEG
    )


class _Sums:
    """Sums of the turned acceleration over parts of windows of two blocks, each in its window's own axes."""

    def __init__(self, force: FloatArray, turn: FloatArray, starts: IntArray) -> None:
        self._half = force.shape[1]
        self.size = 2 * self._half
        self._so_far = np.concatenate([np.zeros((len(force), 1, 3)), np.cumsum(force, axis=1)], axis=1)
        self._starts, self._turn = starts, turn[starts]

    def _until(self, end: int) -> FloatArray:
        if end <= self._half:
            return np.asarray(self._so_far[self._starts, end])
        second = rotate(self._turn, self._so_far[self._starts + 1, end - self._half])
        return np.asarray(self._so_far[self._starts, self._half] + second)

    def mean(self, first: int, last: int) -> FloatArray:
        """Means (k, 3) over samples ``first:last`` of each window."""
        return np.asarray((self._until(last) - self._until(first)) / (last - first))


def _jump_deg(sums: _Sums, split: int, beside: int) -> FloatArray:
    """Angle (k,) between the means before and after; 0 where motion, not gravity, may have made it."""
    sides = ((0, split - beside), (split + beside, sums.size))
    angle = _angle_deg(*(sums.mean(first, last) for first, last in sides))
    for first, last in sides:
        middle = first + (last - first) // 2
        angle[angle < STEADY * _angle_deg(sums.mean(first, middle), sums.mean(middle, last))] = 0.0
        angle[np.abs(np.linalg.norm(sums.mean(first, last), axis=1) / GRAVITY_MPS2 - 1) > GRAVITY_OFF] = 0.0
    return angle


def _angle_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    cross = np.linalg.norm(np.cross(a, b), axis=1)
    return np.asarray(np.degrees(np.arctan2(cross, (a * b).sum(axis=1))))
