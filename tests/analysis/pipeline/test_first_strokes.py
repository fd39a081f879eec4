"""A hand that comes to the strings and begins to play at once, worked out by hand: its first strokes are strokes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingSettings, fit_drift
from analysis.motion.level_settings import LevelSettings
from analysis.motion.turns import StrokeSettings
from analysis.reference.frame import Frame
from analysis.signal.grid import Grid
from analysis.stroke.play import BandSettings, find_strokes, turned_axes
from analysis.stroke.stroke_paths import FrameView, restore_level, strokes_on
from tests.analysis.pipeline.by_hand import Move, Rig, sensor_signals

RATE_HZ = 200.0
CYCLE_HZ = 3.5
SPAN_M = 0.016
COMING_S, PLAY_S = 2.5, 1.5
Y = np.array([0.0, 1.0, 0.0])
COMING = Move(None, Y, ((0.03, 0.5),), COMING_S)
PLAY = Move("play", Y, ((0.5 * SPAN_M, CYCLE_HZ),), PLAY_S, ramp_s=0.1)


def come_and_play() -> Motion:
    """The hand sways over the strings for two seconds and a half, then plays for one and a half."""
    rig = Rig()
    parts = [sensor_signals(np.arange(round(move.seconds * RATE_HZ)) / RATE_HZ, move, rig) for move in (COMING, PLAY)]
    accel, gyro = (np.concatenate([part[k] for part in parts]) for k in range(2))
    world = Rotation.from_matrix(rig.axes_world.T) * rig.mounting
    quat = np.tile(world.as_quat(scalar_first=True), (len(accel), 1))
    return Motion(Grid.steady(RATE_HZ, len(accel)), accel, gyro, quat, None, None, 1)


@pytest.mark.parametrize("last_s", [COMING_S + PLAY_S, COMING_S + 0.7])
def test_what_comes_before_does_not_measure_the_play(last_s: float) -> None:
    """In a band for the hand's coming, strokes of 16 mm had come out as anything from 0.1 mm to 22 m."""
    motion = come_and_play()
    last = round(last_s * RATE_HZ)
    frame = Frame("", Rig().axes_world, np.zeros(3), 0, (), ())
    steady = fit_drift(np.zeros(1), np.zeros(1), np.zeros(1, np.int64), np.zeros(1, bool), 0.0, HeadingSettings())
    rough = find_strokes(motion, 0, last, frame, steady, StrokeSettings())
    played = rough.select(rough.start > (COMING_S - 0.1) * RATE_HZ)

    def axes_at(frame: Frame, times_s: FloatArray) -> FloatArray:
        return turned_axes(frame, times_s, steady)

    (path,) = restore_level(motion, played, FrameView(frame, axes_at), LevelSettings())
    strokes = strokes_on(path, StrokeSettings(), BandSettings())
    inside = (strokes.start > (COMING_S + 0.1) * RATE_HZ) & (strokes.end < last - 0.3 * RATE_HZ)
    assert inside.sum() == pytest.approx(2 * CYCLE_HZ * (last_s - COMING_S - 0.4), abs=2)
    assert strokes.cycle_hz[inside] == pytest.approx(CYCLE_HZ, rel=0.1)
    assert 1e3 * strokes.span_m[inside] == pytest.approx(1e3 * SPAN_M, rel=0.1)
