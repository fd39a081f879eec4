"""The hand's own truth beside the tip's: what the instrument does after the gestures, and fingers, set them apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.records import FloatArray
from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import draw_hand
from analysis.synthesis.performance import Performance
from analysis.synthesis.scenario import Hand, Posture
from analysis.synthesis.simulate import SimulatedSession, simulate
from tests.analysis.synthesis.rigs import QUIET_BLOCK, plain_scenario, quiet_hand

LEAN_DEG = 5.0
TILT_DEG = 12.0
BLOCKS = (replace(QUIET_BLOCK, tilt_deg=TILT_DEG), replace(QUIET_BLOCK, tilt_deg=TILT_DEG, posture="B"))
HAND = quiet_hand(draw_hand(np.random.default_rng(3), "right"))


def made(what: Disturbance, hand: Hand = HAND, new_gestures: bool = False) -> SimulatedSession:
    """Two blocks; what happens does so right after the first, before the second's own gestures if it has any."""
    blocks = BLOCKS if new_gestures else (BLOCKS[0], BLOCKS[0])
    scenario = plain_scenario(blocks=blocks, postures=(Posture("A"), Posture("B")), hand=hand)

    def befalls(performance: Performance) -> Disturbance:
        return replace(what, at_s=float(performance.blocks[0].turns_s[-1]) + 0.3, over_s=0.4)

    return simulate(scenario, 5, disturbance=befalls)


def apart_deg(session: SimulatedSession, block: int) -> FloatArray:
    """Hand less tip, stroke by stroke."""
    strokes = session.truth.strokes
    apart: FloatArray = (session.truth.hand_tilts_deg() - strokes["tilt_deg"].to_numpy())[strokes["block"] == block]
    return apart


@pytest.mark.parametrize("follows", [True, False])
def test_a_lean_about_the_strings_parts_hand_and_tip_by_itself(follows: bool) -> None:
    """A turn about X by 5 deg carries a chord at 12 deg in the end view to 17: for the hand, not for the strings."""
    leaned = made(Disturbance(lean_deg=LEAN_DEG, hand_follows=follows))
    assert leaned.truth.strokes["tilt_deg"].to_numpy() == pytest.approx(TILT_DEG, abs=0.01)
    assert apart_deg(leaned, 0) == pytest.approx(0.0, abs=0.01)
    assert apart_deg(leaned, 1) == pytest.approx(LEAN_DEG, abs=0.01)


def test_new_gestures_have_the_instrument_as_it_lies_now() -> None:
    assert apart_deg(made(Disturbance(lean_deg=LEAN_DEG), new_gestures=True), 1) == pytest.approx(0.0, abs=0.01)


def test_a_sensor_that_slips_moves_no_hand() -> None:
    slipped = made(Disturbance(slip_deg=(6.0, -5.0, 4.0), slip_mm=(4.0, 3.0, 0.0)))
    assert apart_deg(slipped, 1) == pytest.approx(0.0, abs=0.01)


def test_what_fingers_add_is_none_of_the_hands() -> None:
    """A tenth of the way across, added upwards: the hand's chord rises by so much less."""
    fingers = made(Disturbance(), replace(HAND, finger_share=0.1, finger_axis=(0.0, 0.0, 1.0)))
    hand_deg = np.degrees(np.arctan(np.tan(np.radians(TILT_DEG)) - 0.1))
    assert apart_deg(fingers, 0) == pytest.approx(hand_deg - TILT_DEG, abs=0.1)
