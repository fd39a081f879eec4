"""Stills on the soundboard tell the strings' roll to a player who always lifts in ``across``."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.pipeline import analyse_session
from analysis.reference.soundboard import Soundboard, settle_roll
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan
from analysis.synthesis.simulate import simulate


def test_axes_turn_to_where_the_board_points() -> None:
    """An upright frame whose roll is 2 deg off, against a board that is surely known."""
    roll = np.radians(2.0)
    true = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    off = np.array([[1.0, 0.0, 0.0], [0.0, np.cos(roll), np.sin(roll)], [0.0, -np.sin(roll), np.cos(roll)]]) @ true
    axes, weight = settle_roll(off, Soundboard(0.0, 0.0, 1e-3), 0.6)
    assert weight == pytest.approx(1.0, abs=1e-3)
    assert np.allclose(axes, true, atol=1e-4)


def test_a_lap_instrument_is_not_told_by_it() -> None:
    assert settle_roll(np.eye(3), Soundboard(1.0, 0.0, 0.5), 0.6)[1] == 0.0


def test_a_constant_lift_is_taken_out() -> None:
    errors = []
    for soundboard in (False, True):
        for seed in (88_101, 88_102, 88_103):
            scenario = random_scenario(seed, 8.0, 8.0)
            plan = GesturePlan(repetitions=2, soundboard=soundboard, across_lift_deg=2.0)
            made = simulate(replace(scenario, gestures=plan), seed)
            block = analyse_session(made.session).blocks[0]
            assert block.tilt_mean_deg is not None
            errors.append(block.tilt_mean_deg - made.truth.blocks["tilt_mean_deg"][0])
    without, with_it = np.array(errors).reshape(2, 3)
    assert np.sqrt((without**2).mean()) > 1.5
    assert np.sqrt((with_it**2).mean()) < 1.2
