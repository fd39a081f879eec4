"""Tremor in still moments: the band, what is still, what is not on the hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.model.records import OFF_HAND, Event
from analysis.motion.hand_motion import Motion
from analysis.signal.grid import Grid
from analysis.tension.marker_table import tabulate_tension
from analysis.tension.tremor import find_still_moments, tremor_mps2
from tests.analysis.tension.played import long_result, long_session

RATE = 133.0
SECONDS = 20.0
NO_STROKES = pd.DataFrame({"start_s": [], "end_s": []}, dtype=float)


def hand_at_rest(tremor: float = 0.2, noise: float = 0.004) -> Motion:
    """Motion of a hand that rests; 10 Hz tremor of this RMS on one axis."""
    n = int(SECONDS * RATE)
    rng = np.random.default_rng(3)
    t = np.arange(n) / RATE
    accel = np.array([0.0, 0.0, 9.81]) + noise * rng.normal(size=(n, 3))
    accel[:, 0] += np.sqrt(2) * tremor * np.sin(2 * np.pi * 10 * t)
    return Motion(
        Grid.steady(RATE, n), accel, 0.002 * rng.normal(size=(n, 3)), np.tile([1.0, 0, 0, 0], (n, 1)), None, None, 1
    )


@pytest.mark.parametrize(("frequency", "inside"), [(4.0, 0), (6.0, 0), (9.0, 1), (10.5, 1), (14.5, 0), (20.0, 0)])
def test_only_eight_to_twelve_hertz_count(frequency: float, inside: int) -> None:
    """Physiological tremor of the hand lies between 8 and 12 Hz (textbook figure, from memory)."""
    t = np.arange(int(8 * RATE)) / RATE
    tone = np.sqrt(2) * 0.3 * np.sin(2 * np.pi * frequency * t)[:, None] * np.array([0.6, 0.0, 0.8])
    assert tremor_mps2(tone, RATE) == pytest.approx(0.3 * inside, abs=0.01)


def test_a_hand_at_rest_is_found_whole_and_measured() -> None:
    moments = find_still_moments(hand_at_rest(), (), NO_STROKES)
    assert sum(m.end_s - m.start_s for m in moments) == pytest.approx(SECONDS, abs=0.2)
    assert [m.tremor_mps2 for m in moments] == pytest.approx([0.2] * len(moments), rel=0.02)


def test_a_hand_that_trembles_more_is_not_left_out() -> None:
    strong = find_still_moments(hand_at_rest(tremor=3.0), (), NO_STROKES)
    assert sum(m.end_s - m.start_s for m in strong) > 0.95 * SECONDS


def test_a_hand_that_moves_is_not_still() -> None:
    motion = hand_at_rest()
    t = np.arange(motion.grid.size) / RATE
    gyro = motion.gyro_radps.copy()
    gyro[:, 1] += np.where((t > 5) & (t < 12), 0.5 * np.sin(2 * np.pi * 0.8 * t), 0.0)
    for m in find_still_moments(replace(motion, gyro_radps=gyro), (), NO_STROKES):
        assert m.end_s < 5.6 or m.start_s > 11.4


def test_strokes_gestures_and_gaps_are_kept_out() -> None:
    strokes = pd.DataFrame({"start_s": [4.0, 4.2], "end_s": [4.2, 4.4]})
    motion = hand_at_rest()
    valid = motion.grid.valid.copy()
    valid[int(15 * RATE) : int(16 * RATE)] = False
    events = (Event(8.0, 10.0, "across"),)
    moments = find_still_moments(replace(motion, grid=replace(motion.grid, valid=valid)), events, strokes)
    for m in moments:
        for start, end in ((3.6, 4.8), (8.0, 10.0), (15.0, 16.0)):
            assert m.end_s <= start + 0.02 or m.start_s >= end - 0.02
    assert len(moments) == 4


def test_a_sensor_off_the_hand_has_no_tremor() -> None:
    """Before it is strapped on, and where its band holds no more than its own noise."""
    events = (Event(0.0, 5.0, "still", OFF_HAND),)
    assert find_still_moments(hand_at_rest(tremor=0.0), events, NO_STROKES) == ()
    motion = hand_at_rest()
    accel = motion.accel_mps2.copy()
    accel[: int(6 * RATE)] = [0.0, 0.0, 9.81] + 0.004 * np.random.default_rng(1).normal(size=(int(6 * RATE), 3))
    moments = find_still_moments(replace(motion, accel_mps2=accel), events, NO_STROKES)
    assert min(m.start_s for m in moments) >= 6.0 - 0.05


def test_growth_of_tremor_comes_back_through_the_whole_chain() -> None:
    blocks = tabulate_tension(long_result(1.0))
    tremor = blocks["tremor_mps2"].to_numpy()
    assert np.isfinite(tremor).mean() > 0.8
    ends = [np.nanmedian(part) for part in (tremor[:8], tremor[-8:])]
    # True growth: from 1 to 2 over thirty blocks, so between the middles of the first and last eight.
    assert ends[1] / ends[0] == pytest.approx((1 + 25.5 / 29) / (1 + 3.5 / 29), rel=0.15)
    assert len(long_session(1.0).truth.blocks) == len(blocks)
