"""The tip's way as it is sampled, for the moving picture: quick and causal, where the estimator is exact and later."""

from __future__ import annotations

import numpy as np
from scipy import signal

from analysis.frame import Frame
from analysis.heading import HeadingDrift
from analysis.model import FloatArray
from analysis.play import turned_axes
from analysis.rotation import rotate
from analysis.tip_path import GRAVITY_MPS2

HIGHPASS_HZ = 0.7
POINTS_HZ = 133.0


class TipTrace:
    """Double integral of the acceleration plus the rotated lever, both through one causal high-pass.

    With ``D = s^2 + sqrt(2) w s + w^2``: position by acceleration is ``s^2 / D^2``, the lever's ``s^4 / D^2``. The
    filter delays nothing that matters to the eye and treats all axes alike, so a straight stroke stays straight.

    Parameters
    ----------
    frame : Frame
    drift : HeadingDrift
    time_s : float
        Log time for which the axes are taken.
    rate_hz : float
    """

    def __init__(self, frame: Frame, drift: HeadingDrift, time_s: float, rate_hz: float) -> None:
        self._axes = turned_axes(frame, np.array([time_s]), drift)[0]
        self._lever_m = frame.lever_m
        omega = 2 * np.pi * HIGHPASS_HZ
        below = [1.0, np.sqrt(2) * omega, omega**2]
        high, low = (_second_order(top, below, rate_hz) for top in ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0]))
        self._by_accel, self._by_lever = np.stack([high, low]), np.stack([high, high])
        self._states: list[FloatArray] | None = None
        self._step = max(1, round(rate_hz / POINTS_HZ))
        self._phase = 0

    def follow(self, quat_wxyz: FloatArray, accel_mps2: FloatArray) -> list[tuple[float, float]]:
        """Points (y, z) in millimetres of new samples."""
        accel = rotate(quat_wxyz, accel_mps2)
        accel[:, 2] -= GRAVITY_MPS2
        arm = rotate(quat_wxyz, self._lever_m)
        if self._states is None:
            self._states = [np.zeros((2, 2, 3)), signal.sosfilt_zi(self._by_lever)[:, :, None] * arm[0]]
        moved, self._states[0] = signal.sosfilt(self._by_accel, accel, axis=0, zi=self._states[0])
        swung, self._states[1] = signal.sosfilt(self._by_lever, arm, axis=0, zi=self._states[1])
        path = 1e3 * (moved + swung)[self._phase :: self._step] @ self._axes[1:].T
        self._phase = (self._phase - len(accel)) % self._step
        return [(float(y), float(z)) for y, z in path]


def _second_order(top: list[float], below: list[float], rate_hz: float) -> FloatArray:
    b, a = signal.bilinear(top, below, fs=rate_hz)
    return np.concatenate([np.resize(b, 3) if len(b) == 3 else np.pad(b, (0, 3 - len(b))), a])
