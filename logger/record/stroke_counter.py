"""Count strokes while recording: turns of the hand, for a figure on the screen. The analysis counts them properly."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.model.records import RawSamples
from logger.sources.stream import DeviceInfo, Item

SLOW_HZ = 0.7
SPREAD_S = 1.0
MIN_SPREAD_RADPS = 0.25
HYSTERESIS = 0.5


class StrokeCounter:
    """A listener: every change of direction of the hand's main turn is a stroke.

    The turning rate, less its slow part, is laid along the axis about which the hand turns most; a change of sign
    counts once the rate has passed half its usual size on the other side.

    Attributes
    ----------
    strokes : int
        Since :meth:`reset`.
    """

    def __init__(self) -> None:
        self.strokes = 0
        self._counting = False
        self._gyro_scale = 0.0
        self._rate_hz = 1.0
        self._slow: np.ndarray | None = None
        self._spread = np.eye(3) * MIN_SPREAD_RADPS**2
        self._axis = np.array([1.0, 0.0, 0.0])
        self._side = 0

    def reset(self) -> None:
        """Start at zero and count."""
        self.strokes, self._side, self._counting = 0, 0, True

    def pause(self) -> None:
        """Stop counting; the count stays."""
        self._counting = False

    def __call__(self, items: Sequence[Item]) -> None:
        """Take items from a source."""
        for item in items:
            if isinstance(item, DeviceInfo):
                self._gyro_scale = item.profile.sensor.gyro_radps_per_count
                self._rate_hz = item.profile.sensor.rate_hz
            elif isinstance(item, RawSamples) and self._gyro_scale and len(item.counts):
                self._take(item.counts[:, 3:] * self._gyro_scale)

    def _take(self, gyro: np.ndarray) -> None:
        # One step a batch is enough for the slow part and the axis: batches are 25 ms long.
        part_s = len(gyro) / self._rate_hz
        mean = gyro.mean(axis=0)
        if self._slow is None:
            self._slow = mean
        self._slow += (mean - self._slow) * min(1.0, 2.0 * np.pi * SLOW_HZ * part_s)
        fast = gyro - self._slow
        self._spread += (fast.T @ fast / len(fast) - self._spread) * min(1.0, part_s / SPREAD_S)
        values, vectors = np.linalg.eigh(self._spread)
        axis = vectors[:, -1]
        self._axis = axis if axis @ self._axis >= 0.0 else -axis
        threshold = HYSTERESIS * max(MIN_SPREAD_RADPS, float(np.sqrt(values[-1])))
        if self._counting:
            self._count(fast @ self._axis, threshold)

    def _count(self, turning: np.ndarray, threshold: float) -> None:
        for rate in turning[np.abs(turning) > threshold]:
            side = 1 if rate > 0.0 else -1
            if side != self._side:
                self.strokes += 1
                self._side = side
