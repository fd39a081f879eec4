"""The tip's path as it is sampled, for the moving picture: quick and causal, where the estimator is exact and later."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import signal

from analysis.model.records import FloatArray
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.rotation import rotate
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.reference.frame import Frame
from analysis.stroke.play import turned_axes

HIGHPASS_HZ = 0.7
POINTS_HZ = 133.0
STATES = 4
"""Of each of the two filters."""


class TipTrace:
    """Double integral of the acceleration plus the rotated lever, both through one causal high-pass.

    With ``D = s^2 + sqrt(2) w s + w^2``: position by acceleration is ``s^2 / D^2``, the lever's ``s^4 / D^2``. The
    filter delays nothing that matters to the eye and treats all axes alike, so a straight stroke stays straight.

    Samples come a few at a time, many times a second; then a filter's calls cost more than its sums. So a whole batch
    is one product: the outputs and the new state are linear in the inputs and the old state.

    Parameters
    ----------
    frame : Frame
    drift : HeadingDrift
    time_s : float
        Log time for which the axes are taken.
    rate_hz : float
    """

    def __init__(self, frame: Frame, drift: HeadingDrift, time_s: float, rate_hz: float) -> None:
        self._frame_axes = self._axes = turned_axes(frame, np.array([time_s]), drift)[0]
        self._lever_m = frame.lever_m
        self._rate_hz = rate_hz
        self._state: FloatArray | None = None
        self._step = max(1, round(rate_hz / POINTS_HZ))
        self._phase = 0

    def seen_from(self, back: FloatArray) -> None:
        """From now on the instrument is taken to have turned since the gestures.

        Parameters
        ----------
        back : float64 (3, 3)
            Turns it back to where it was.
        """
        self._axes = self._frame_axes @ back

    def follow(self, quat_wxyz: FloatArray, accel_mps2: FloatArray) -> list[tuple[float, float]]:
        """Points (y, z) in millimetres of new samples."""
        accel = rotate(quat_wxyz, accel_mps2)
        accel[:, 2] -= GRAVITY_MPS2
        arm = rotate(quat_wxyz, self._lever_m)
        if self._state is None:
            self._state = _at_rest(self._rate_hz)[:, None] * arm[0]
        count = len(accel)
        out = _batch(self._rate_hz, count) @ np.concatenate([accel, arm, self._state])
        self._state = out[count:]
        path = 1e3 * out[self._phase : count : self._step] @ self._axes[1:].T
        self._phase = (self._phase - count) % self._step
        return [(y, z) for y, z in path.tolist()]


def _filters(rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Second-order sections of the acceleration's and of the lever's filter."""
    omega = 2 * np.pi * HIGHPASS_HZ
    below = [1.0, np.sqrt(2) * omega, omega**2]
    high, low = (_second_order(top, below, rate_hz) for top in ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0]))
    return np.stack([high, low]), np.stack([high, high])


def _at_rest(rate_hz: float) -> FloatArray:
    """State (2 STATES,) of no acceleration, and of a lever that has rested at 1 for long."""
    return np.concatenate([np.zeros(STATES), signal.sosfilt_zi(_filters(rate_hz)[1]).ravel()])


@lru_cache(maxsize=64)
def _batch(rate_hz: float, count: int) -> FloatArray:
    """Matrix (count + 2 STATES, 2 count + 2 STATES): accelerations, lever and old state to path and new state.

    Both filters run once, on every unit input and from every unit state.
    """
    units = np.hstack([np.eye(count), np.zeros((count, STATES))])
    states = np.hstack([np.zeros((STATES, count)), np.eye(STATES)]).reshape(2, 2, -1)
    (moved, after_moved), (swung, after_swung) = (
        signal.sosfilt(sections, units, axis=0, zi=states) for sections in _filters(rate_hz)
    )
    path = [moved[:, :count], swung[:, :count], moved[:, count:], swung[:, count:]]
    first, second = (after.reshape(STATES, -1) for after in (after_moved, after_swung))
    none, neither = np.zeros((STATES, count)), np.zeros((STATES, STATES))
    return np.block(
        [
            path,
            [first[:, :count], none, first[:, count:], neither],
            [none, second[:, :count], neither, second[:, count:]],
        ]
    )


def _second_order(top: list[float], below: list[float], rate_hz: float) -> FloatArray:
    b, a = signal.bilinear(top, below, fs=rate_hz)
    return np.concatenate([np.resize(b, 3) if len(b) == 3 else np.pad(b, (0, 3 - len(b))), a])
