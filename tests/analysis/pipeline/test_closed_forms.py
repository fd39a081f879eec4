"""Tip paths worked out by hand, through the whole chain: no part of the forward model is used here.

Relative accuracy 1e-3: a thousandth of a radian (0.057 deg) for angles, a thousandth of the span for lengths.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray, Instrument, SessionResult
from analysis.motion.hand_motion import Motion
from analysis.motion.tip_path import Band
from analysis.motion.turns import find_turns, sample_at
from analysis.pipeline import analyse_session
from analysis.signal.grid import Grid
from tests.analysis.pipeline.by_hand import (
    UPRIGHT,
    Move,
    Rig,
    gestures,
    motion_law,
    sensor_signals,
    session_of,
    tip_path_m,
)

X, Y, Z = np.eye(3)
RADIAN = np.degrees(1e-3)
TILT = np.radians(14.0)
HALF_SPAN_M = 0.0075
LINE = Move("play", np.cos(TILT) * Y + np.sin(TILT) * Z, ((HALF_SPAN_M, 4.0),), 6.0)
# The wrist stands 80 mm above the strings and a little to one side, so that the arc's chord is tilted by 12 deg.
WRIST_M = 0.08 * np.array([0.0, -np.tan(np.radians(12.0)), 1.0])
SWING = 0.09
ARC = Move("play", X, ((SWING, 4.0),), 6.0, about_m=WRIST_M)

RIGS = {
    "upright": Rig(),
    "turned": Rig(
        UPRIGHT @ Rotation.from_euler("zyx", [130, 12, -10], degrees=True).as_matrix(),
        Rotation.from_rotvec([0.5, -1.1, 0.7]),
    ),
    "slow sensor": Rig(mounting=Rotation.from_rotvec([2.5, 0.3, -0.7]), rate_hz=100.0),
}


@cache
def result_of(rig_name: str) -> SessionResult:
    rig = RIGS[rig_name]
    session, _ = session_of([*gestures(rig), LINE, ARC], rig)
    return analyse_session(session)


def middle_strokes(result: SessionResult, block: int) -> pd.DataFrame:
    """Strokes of a block well away from its ramps, which the band's response reaches for a second."""
    event = [e for e in result.events if e.kind == "play"][block]
    strokes = result.strokes
    inside = (strokes["start_s"] > event.start_s + 1.5) & (strokes["end_s"] < event.end_s - 1.5)
    return strokes[inside & (strokes["block"] == block)]


def one_cycle(move: Move) -> FloatArray:
    """True path (n, 3), mm, of one downstroke from turn to turn, well inside the block."""
    frequency = move.amplitudes[0][1]
    turn_s = 2.0 + 0.75 / frequency  # a lowest point of the sine
    return 1e3 * tip_path_m(np.linspace(turn_s, turn_s + 0.5 / frequency, 2001), move)


@pytest.mark.parametrize("rig_name", RIGS)
def test_lever_from_a_tip_that_stands_still(rig_name: str) -> None:
    assert result_of(rig_name).lever_mm == pytest.approx(RIGS[rig_name].lever_sensor_mm, abs=0.05)


@pytest.mark.parametrize("rig_name", RIGS)
def test_every_stroke_of_a_straight_path(rig_name: str) -> None:
    strokes = middle_strokes(result_of(rig_name), 0)
    assert len(strokes) == 23
    assert strokes["tilt_deg"].to_numpy() == pytest.approx(14.0, abs=RADIAN)
    # The smoother takes strokes that grow in the ramps for turns that scatter: 0.02 mm is left of that here.
    assert strokes["span_mm"].to_numpy() == pytest.approx(15.0, rel=1.4e-3)
    assert strokes["bow_mm"].to_numpy() == pytest.approx(0.0, abs=0.015)
    # No pick attack: contact is taken at mid-stroke, and the stroke ends before it has gone a spacing of 10.5 mm.
    rise = 7.5 * np.sin(TILT) * np.where(strokes["direction"] == "down", 1.0, -1.0)
    assert strokes["lift_mm"].to_numpy() == pytest.approx(rise - 2.0, abs=0.015)
    assert not strokes["attack"].any()


@pytest.mark.parametrize("rig_name", RIGS)
def test_every_stroke_of_a_turn_about_a_fixed_wrist(rig_name: str) -> None:
    strokes = middle_strokes(result_of(rig_name), 1)
    path = one_cycle(ARC)
    chord = path[-1] - path[0]
    assert np.degrees(np.arctan2(chord[2], chord[1])) == pytest.approx(12.0, abs=1e-9)
    assert len(strokes) == 23
    assert strokes["tilt_deg"].to_numpy() == pytest.approx(12.0, abs=RADIAN)
    span = 2e3 * SWING * float(np.linalg.norm(WRIST_M))
    assert np.linalg.norm(np.diff(path, axis=0), axis=1).sum() == pytest.approx(span, rel=1e-6)
    assert strokes["span_mm"].to_numpy() == pytest.approx(span, rel=1.4e-3)
    # The bend is the second harmonic, where the band's gain is 5 % above that of the fundamental, by which all is
    # divided: 0.016 mm of 0.33 mm.
    sagitta = 1e3 * float(np.linalg.norm(WRIST_M)) * (1 - np.cos(SWING))
    assert strokes["bow_mm"].to_numpy() == pytest.approx(sagitta, abs=0.025)
    middle = path[1000]
    rise = np.where(strokes["direction"] == "down", path[-1, 2] - middle[2], path[0, 2] - middle[2])
    assert strokes["lift_mm"].to_numpy() == pytest.approx(rise - 2.0, abs=0.025)


@pytest.mark.parametrize("rig_name", RIGS)
def test_blocks_answer(rig_name: str) -> None:
    result = result_of(rig_name)
    assert [block.tilt_side for block in result.blocks] == ["down", "down"]
    assert [block.tilt_mean_deg for block in result.blocks] == pytest.approx([14.0, 12.0], abs=2 * RADIAN)
    for block, true in zip(result.blocks, (14.0, 12.0), strict=True):
        assert block.tilt_ci95_deg is not None
        assert block.tilt_ci95_deg[0] < true < block.tilt_ci95_deg[1]
        assert block.strokes_per_s == pytest.approx(8.0, rel=1e-3)
        assert block.clearing_stroke == "level"  # 7.5 mm at 14 deg rise by 1.8 mm: not the depth of 2 mm
    assert result.lost_samples == result.clipped_samples == 0


@pytest.mark.parametrize("first_down", [True, False])
def test_flat_instrument_takes_its_sign_from_the_first_move(first_down: bool) -> None:
    """Strings level, soundboard up: gravity does not tell down from up, the first move of ``across`` does."""
    rig = Rig(axes_world=np.eye(3), mounting=RIGS["turned"].mounting)
    moves = gestures(rig)
    moves[2] = replace(moves[2], direction=Y if first_down else -Y, ramp_s=0.05)  # its first quarter is a full move
    session, _ = session_of([*moves, LINE], rig)
    result = analyse_session(replace(session, instrument=Instrument(held="flat")))
    strokes = middle_strokes(result, 0)
    # Turned about Z by half a turn, Y and the downstroke change places, and the tilt its sign.
    assert strokes["tilt_deg"].to_numpy() == pytest.approx(14.0 if first_down else -14.0, abs=RADIAN)
    assert strokes["direction"].iloc[0] == ("up" if first_down else "down")  # it starts at the sine's maximum


def test_across_askew_costs_nothing() -> None:
    """Dragged 20 deg askew in the string plane, ``across`` still spans that plane with ``along``."""
    rig = RIGS["turned"]
    session, _ = session_of([*gestures(rig, across_deg=20.0), LINE], rig)
    assert middle_strokes(analyse_session(session), 0)["tilt_deg"].to_numpy() == pytest.approx(14.0, abs=RADIAN)


def test_displacement_of_a_turn_about_a_fixed_wrist_at_any_speed() -> None:
    """Sensor's and lever's part through one response: the chord of the arc times the band's gain."""
    rig = RIGS["turned"]
    for cycle_hz in (1.0, 4.0, 8.0):
        move = Move("play", X, ((SWING, cycle_hz),), 12.0, about_m=WRIST_M)
        t = np.arange(2400) / 200.0
        accel, gyro = sensor_signals(t, move, rig)
        turn = Rotation.from_rotvec(motion_law(t, move)[0][:, None] * X)
        world = Rotation.from_matrix(rig.axes_world.T) * turn * rig.mounting
        motion = Motion(Grid.steady(200.0, t.size), accel, gyro, world.as_quat(scalar_first=True), None, None, 1)
        band = Band(0.5 * cycle_hz, 4, 40.0)
        path = motion.displacement(800, 1600, 1e-3 * rig.lever_sensor_mm, band) @ rig.axes_world.T
        theirs = motion.displacement(0, 2400, np.zeros(3), band)[800:1600] @ rig.axes_world.T
        ends = sample_at(path, find_turns(path[:, 1], 0.005)[:2])
        chord = (ends[1] - ends[0]) * np.sign(ends[1, 1] - ends[0, 1])
        gain = band.gain(np.array([cycle_hz]))[0]
        expected = 2 * np.sin(SWING) * np.linalg.norm(WRIST_M) * gain
        assert np.linalg.norm(chord) == pytest.approx(expected, rel=1e-3)
        assert np.degrees(np.arctan2(chord[2], chord[1])) == pytest.approx(12.0, abs=RADIAN)
        assert not np.allclose(theirs, path, atol=1e-3)  # the sensor itself goes elsewhere
