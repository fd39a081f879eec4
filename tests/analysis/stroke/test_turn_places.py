"""Where turns are placed on a path whose level is restored, against turns that are known."""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray
from analysis.motion.level import Drift
from analysis.motion.turns import StrokeSettings
from analysis.stroke.play import BandSettings
from analysis.stroke.stroke_paths import LevelPath, strokes_on

RATE_HZ = 133.0


def uneven_strokes() -> tuple[FloatArray, FloatArray]:
    """Times of turns, and a position: minimum-jerk strokes of 15 mm that take .2 and .35 s by turns."""
    turns = 1.0 + np.concatenate([[0.0], np.cumsum(np.resize([0.2, 0.35], 30))])
    t = np.arange(int((turns[-1] + 1.0) * RATE_HZ)) / RATE_HZ
    u = np.clip((t[:, None] - turns[:-1]) / np.diff(turns), 0.0, 1.0)
    sign = np.where(np.arange(30) % 2 == 0, 1.0, -1.0)
    return turns, 0.015 * (u**3 * (10 - 15 * u + 6 * u**2) * sign).sum(axis=1)


def error_ms(bands: BandSettings) -> FloatArray:
    turns, across = uneven_strokes()
    path = np.stack([0 * across, across, 0 * across], axis=1)
    drift = Drift(np.zeros(1), np.zeros((1, 3)), np.zeros((1, 3)), np.zeros((1, 3)))
    found = strokes_on(LevelPath(0, path, np.eye(3), drift, np.ones(1), 1.5, RATE_HZ), StrokeSettings(), bands)
    inner = found.end[:-1] / RATE_HZ
    return np.asarray(1e3 * np.abs(inner[:, None] - turns[1:-1]).min(axis=1))


def test_turns_of_uneven_strokes_are_placed_in_the_wide_band() -> None:
    """A low-pass pulls the turn between a quick and a slow stroke towards the slow one."""
    wide, narrow = error_ms(BandSettings()), error_ms(BandSettings(wide_lowpass=BandSettings().lowpass))
    assert wide.size == narrow.size == 29
    assert np.median(wide) < 0.5 * np.median(narrow)
