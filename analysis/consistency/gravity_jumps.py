"""Gravity that turns in the sensor's axes without the gyroscope turning: between two moments the axes were exchanged.

The accelerometer, turned by the gyroscope's attitude alone and averaged over one to three seconds, is gravity: what
a hand does in that time hardly moves the mean. Its mean before a moment and after it are compared all over the log.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.orientation import integrate_rotations
from analysis.motion.rotation import matrices
from analysis.motion.tip_path import GRAVITY_MPS2

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
    count, size = len(valid) // factor, round(WINDOW_S * rate_hz / factor)
    accel, gyro = (x[: count * factor].reshape(count, factor, 3).mean(axis=1) for x in (accel, gyro))
    sound = np.asarray(valid[: count * factor].reshape(count, factor).all(axis=1))
    starts = np.arange(0, count - size + 1, max(1, size // 2))
    starts = starts[[bool(sound[start : start + size].all()) for start in starts]] if starts.size else starts
    if not starts.size:
        return ()
    rows = starts[:, None] + np.arange(size)
    quat = integrate_rotations(gyro[rows], rate)
    force = np.einsum("nij,nj->ni", matrices(quat.reshape(-1, 4)), accel[rows].reshape(-1, 3))
    force = force.reshape(*rows.shape, 3)
    splits = [round(split * rate) for split in SPLITS_S]
    angles = np.stack([_jump_deg(force, split, round(BESIDE_S * rate)) for split in splits], axis=1)
    best = angles.argmax(axis=1)
    return tuple(
        GravityJump(int((start + splits[at]) * factor), float(row[at]))
        for start, at, row in zip(starts, best, angles, strict=True)
        if row[at] > JUMP_DEG
    )


def _jump_deg(force: FloatArray, split: int, beside: int) -> FloatArray:
    """Angle (k,) between the means before and after; 0 where motion, not gravity, may have made it."""
    before, after = force[:, : split - beside], force[:, split + beside :]
    angle = _angle_deg(before.mean(axis=1), after.mean(axis=1))
    for side in (before, after):
        half = side.shape[1] // 2
        angle[angle < STEADY * _angle_deg(side[:, :half].mean(axis=1), side[:, half:].mean(axis=1))] = 0.0
        angle[np.abs(np.linalg.norm(side.mean(axis=1), axis=1) / GRAVITY_MPS2 - 1) > GRAVITY_OFF] = 0.0
    return angle


def _angle_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    cross = np.linalg.norm(np.cross(a, b), axis=1)
    return np.asarray(np.degrees(np.arctan2(cross, (a * b).sum(axis=1))))
