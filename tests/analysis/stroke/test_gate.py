"""Which strokes are play: runs, attacks, blocks, on runs written by hand; and real rests with knocks and scratches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.records import BoolArray, IntArray
from analysis.motion.turns import (
    StrokeSettings,
    cycle_frequencies,
    find_runs,
    find_turns,
    split_by_tempo,
    strokes_between,
)
from analysis.stroke.gate import accept_strokes
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import PlayBlock
from tests.analysis.pipeline.played import of_scenario

SETTINGS = StrokeSettings()


def run_of(*lengths: int) -> IntArray:
    return np.repeat(np.arange(len(lengths)), lengths)


def nowhere(run: IntArray) -> IntArray:
    return np.full(run.size, -1)


def some(run: IntArray, attacks: str) -> BoolArray:
    """Attacks from a string of dots and crosses, repeated to the length of the runs."""
    return np.resize(np.array([mark == "x" for mark in attacks]), run.size)


def test_attacks_make_play_anywhere() -> None:
    run = run_of(20)
    assert accept_strokes(run, nowhere(run), some(run, "x"), True, SETTINGS).all()
    assert accept_strokes(run, nowhere(run), some(run, "x"), False, SETTINGS).all()


def test_rhythm_without_attacks_outside_a_block_is_a_gesture() -> None:
    run = run_of(30)
    assert not accept_strokes(run, nowhere(run), some(run, "."), True, SETTINGS).any()
    assert not accept_strokes(run, nowhere(run), some(run, "x...."), True, SETTINGS).any()


def test_silent_strokes_count_inside_a_marked_block_only() -> None:
    run = run_of(20, 20)
    block = np.repeat([0, -1], 20)
    found = accept_strokes(run, block, some(run, "."), True, SETTINGS)
    np.testing.assert_array_equal(found, block == 0)


def test_irregular_strokes_never_count() -> None:
    run = np.full(20, -1)
    assert not accept_strokes(run, np.zeros(20, dtype=int), some(run, "x"), True, SETTINGS).any()


def test_below_150_samples_a_second_marks_decide_and_without_marks_length() -> None:
    run = run_of(6, 12)
    block = np.repeat([0, -1], [6, 12])
    np.testing.assert_array_equal(accept_strokes(run, block, None, True, SETTINGS), block == 0)
    np.testing.assert_array_equal(accept_strokes(run, nowhere(run), None, False, SETTINGS), run == 1)


def test_approach_and_departure_without_attack_are_left_out() -> None:
    run = run_of(12)
    attack = some(run, "..xxxxxxxx..")
    found = accept_strokes(run, np.zeros(12, dtype=int), attack, True, SETTINGS)
    np.testing.assert_array_equal(found, attack)


def test_knocks_and_scratches_in_rests_are_not_strokes() -> None:
    """Thirty of each a minute, between blocks and marked as rest or not marked at all."""
    scenario = random_scenario(691, 8.0, 5.0)
    blocks = tuple(PlayBlock(duration_s=5.0, tilt_deg=12.0) for _ in range(3))
    scenario = replace(
        scenario, blocks=blocks, rest_s=(9.0, 10.0), rest_knocks_per_min=30.0, rest_scratches_per_min=30.0
    )
    played = of_scenario(scenario, 691)
    unmarked = played.spoilt(
        lambda session: replace(session, events=tuple(e for e in session.events if e.kind != "rest"))
    )
    for case in (played, unmarked):
        assert case.score.found_strokes - case.score.matched <= 0.03 * case.score.true_strokes
        assert case.score.matched >= 0.98 * case.score.true_strokes


def test_runs_break_at_pauses_and_at_strokes_of_another_length() -> None:
    edges = np.concatenate([np.arange(8.0), 20 + np.arange(8.0)])
    start, end = np.delete(edges, [7, 15]), np.delete(edges, [0, 8])
    span = np.full(start.size, 10.0)
    assert find_runs(start, end, span, SETTINGS).tolist() == [0] * 7 + [1] * 7
    span[3] = 0.5
    assert find_runs(start, end, span, SETTINGS).tolist() == [-1] * 7 + [0] * 7
    assert find_runs(start[:0], end[:0], span[:0], SETTINGS).size == 0


def test_turns_alternate_between_maxima_and_minima() -> None:
    """A stroke with a dent on its way has no turn there; turns lie between samples."""
    t = np.arange(0, 4, 0.01)
    path = np.sin(2 * np.pi * t + 0.3) + 0.05 * np.sin(2 * np.pi * 7 * t)
    turns = find_turns(path, 0.5)
    assert turns.size == 8
    height = np.interp(turns, np.arange(path.size), path)
    assert (np.sign(np.diff(height)) == [(-1.0) ** (k + 1) for k in range(7)]).all()
    whole = find_turns(np.sin(2 * np.pi * (t + 0.003)), 0.5)
    np.testing.assert_allclose(whole, 100 * (0.25 + 0.5 * np.arange(8) - 0.003), atol=1e-3)
    assert find_turns(np.zeros(50), 0.1).size == 0


def test_series_end_where_the_rhythm_breaks() -> None:
    start, end, edge = strokes_between(np.array([0.0, 10, 20, 30]), SETTINGS.longest_ratio)
    assert start.tolist() == [-10.0, 0.0, 10.0, 20.0, 30.0]
    assert end.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert edge.tolist() == [True, False, False, False, True]


@pytest.mark.parametrize("cycle_hz", [1.0, 2.5, 4.0, 8.0])
def test_tempo_of_a_path_in_slow_wander(cycle_hz: float) -> None:
    t = np.arange(0, 20, 1 / 200)
    path = 0.007 * np.sin(2 * np.pi * cycle_hz * t) + 0.02 * np.sin(2 * np.pi * 0.15 * t)
    _, found, speed = cycle_frequencies(path, 200.0, SETTINGS)
    np.testing.assert_allclose(found, cycle_hz, rtol=0.06)
    assert np.median(speed) == pytest.approx(0.007 * 2 * np.pi * cycle_hz / np.sqrt(2), rel=0.15)
    assert split_by_tempo(found, speed > 0.006, 100) == [(0, found.size)]
