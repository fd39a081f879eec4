"""A hand that comes to the strings and begins to play at once, worked out by hand: its first strokes are strokes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.turns import StrokeSettings
from analysis.signal.grid import Grid
from analysis.stroke.play import BandSettings, Piece, trace_strokes
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


def axes_at(times_s: FloatArray) -> FloatArray:
    return np.tile(Rig().axes_world, (times_s.size, 1, 1))


@pytest.mark.parametrize("border_s", [COMING_S + PLAY_S, COMING_S + 0.7])
def test_the_spectrum_of_the_coming_does_not_measure_the_play(border_s: float) -> None:
    """The spectrum's window holds more of the coming than of the play: all of it, or the first strokes only.

    In a band for half a cycle a second strokes of 16 mm had come out as anything from 0.1 mm to 22 m.
    """
    motion = come_and_play()
    last = motion.grid.size
    border = round(border_s * RATE_HZ)
    pieces = [Piece(0, border, 0.5, (0, last))]
    pieces += [Piece(border, last, CYCLE_HZ, (0, last))] if border < last else []
    strokes = trace_strokes(motion, pieces, axes_at, np.zeros(3), StrokeSettings(), BandSettings())
    inside = (strokes.start > (COMING_S + 0.1) * RATE_HZ) & (strokes.end < last - 0.3 * RATE_HZ)
    assert inside.sum() == pytest.approx(2 * CYCLE_HZ * (PLAY_S - 0.4), abs=2)
    assert strokes.cycle_hz[inside] == pytest.approx(CYCLE_HZ, rel=0.1)
    assert 1e3 * strokes.span_m[inside] == pytest.approx(1e3 * SPAN_M, rel=0.15)
