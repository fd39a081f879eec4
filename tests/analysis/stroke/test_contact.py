"""Pick attacks against what is heard at the turns, on envelopes written by hand."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.hand_motion import Motion
from analysis.signal.grid import Grid
from analysis.stroke.contact import hear_attacks
from analysis.stroke.play import StrokeSet

LENGTH, COUNT = 20, 100


def heard(envelope: FloatArray) -> BoolArray:
    """Attacks of a hundred strokes of twenty samples, the threshold at 0.3."""
    size = envelope.size
    still = np.zeros((size, 3))
    quat = np.tile([1.0, 0.0, 0.0, 0.0], (size, 1))
    motion = Motion(Grid.steady(133.0, size), still, still, quat, envelope.astype(np.float32), None, 3)
    start = 50.0 + LENGTH * np.arange(COUNT)
    sign = np.where(np.arange(COUNT) % 2 == 0, 1.0, -1.0)
    ones = np.ones(COUNT)
    return hear_attacks(motion, StrokeSet(start, start + LENGTH, sign, 0.01 * ones, ones, ones < 0), 0.3, 0.15)[0]


def envelope(of_noise: float) -> FloatArray:
    return np.asarray(of_noise * np.random.default_rng(5).rayleigh(size=50 + LENGTH * COUNT + 50))


def test_a_string_is_heard_in_mid_stroke_only() -> None:
    sound = envelope(0.05)
    struck = np.arange(COUNT) % 2 == 0
    sound[60 + LENGTH * np.flatnonzero(struck)] = 3.0
    np.testing.assert_array_equal(heard(sound), struck)


@pytest.mark.parametrize("noise", [0.2, 1.0, 20.0])
def test_noise_that_is_as_loud_at_the_turns_is_no_attack(noise: float) -> None:
    assert not heard(envelope(noise)).any()


def test_attacks_stand_out_of_noise_above_the_threshold() -> None:
    sound = envelope(0.3)
    sound[60 + LENGTH * np.arange(COUNT)] = 3.0
    assert heard(sound).all()
