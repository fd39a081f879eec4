"""Which strokes are play: runs, attacks, blocks, on runs written by hand; and real rests with knocks and scratches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.records import BoolArray, IntArray, Session
from analysis.motion.moves import strokes_along
from analysis.motion.turns import (
    StrokeSettings,
    cycle_frequencies,
    find_runs,
    find_turns,
)
from analysis.stroke.gate import Candidates, accept_strokes
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


def accept(
    run: IntArray,
    block: IntArray,
    attack: BoolArray | None,
    *,
    blocks_known: bool,
    telling: bool = False,
    small: bool = False,
    passage: IntArray | None = None,
) -> BoolArray:
    """Strokes of play; all as slow as a way back, and in one passage."""
    telling_all, small_all = (np.full(run.size, each) for each in (telling, small))
    one = np.zeros(run.size, dtype=int) if passage is None else passage
    candidates = Candidates(run, block, attack, telling_all, np.zeros(run.size, dtype=bool), small_all, one)
    return accept_strokes(candidates, blocks_known, SETTINGS)


def test_attacks_make_play_anywhere() -> None:
    run = run_of(20)
    assert accept(run, nowhere(run), some(run, "x"), blocks_known=True).all()
    assert accept(run, nowhere(run), some(run, "x"), blocks_known=False).all()


def test_rhythm_without_attacks_outside_a_block_is_a_gesture() -> None:
    run = run_of(30)
    assert not accept(run, nowhere(run), some(run, "."), blocks_known=True).any()
    assert not accept(run, nowhere(run), some(run, "x...."), blocks_known=True).any()


def test_silent_strokes_count_inside_a_marked_block_only() -> None:
    run = run_of(20, 20)
    block = np.repeat([0, -1], 20)
    found = accept(run, block, some(run, "."), blocks_known=True)
    np.testing.assert_array_equal(found, block == 0)


def test_irregular_strokes_never_count() -> None:
    run = np.full(20, -1)
    assert not accept(run, np.zeros(20, dtype=int), some(run, "x"), blocks_known=True).any()


def test_below_150_samples_a_second_marks_decide_and_without_marks_length() -> None:
    run = run_of(6, 12)
    block = np.repeat([0, -1], [6, 12])
    np.testing.assert_array_equal(accept(run, block, None, blocks_known=True), block == 0)
    np.testing.assert_array_equal(accept(run, nowhere(run), None, blocks_known=False, passage=run), run == 1)


def test_without_marks_and_attacks_long_runs_are_play() -> None:
    """A sensor that smooths hears no attack; one run that has attacks shows that this one hears them."""
    run = run_of(6, 12, 12)
    found = accept(run, nowhere(run), some(run, "."), blocks_known=False, passage=run)
    np.testing.assert_array_equal(found, run > 0)
    heard = some(run, "." * 18 + "x" * 12)
    np.testing.assert_array_equal(accept(run, nowhere(run), heard, blocks_known=False, passage=run), run == 2)


def test_without_marks_and_attacks_short_runs_near_each_other_are_play() -> None:
    """Five, three and four strokes in one passage: the regular runs make up nine; six alone are none."""
    run, passage = run_of(5, 3, 4, 6), np.repeat([0, 1], [12, 6])
    found = accept(run, nowhere(run), some(run, "."), blocks_known=False, passage=passage)
    np.testing.assert_array_equal(found, (run == 0) | (run == 2))


def test_a_few_false_attacks_do_not_silence_a_log_without_marks() -> None:
    run = run_of(30, 12, 12)
    few = some(run, "." * 42 + "x" * 12)
    np.testing.assert_array_equal(accept(run, nowhere(run), few, blocks_known=False), True)


def test_approach_and_departure_without_attack_are_left_out() -> None:
    run = run_of(12)
    attack = some(run, "..xxxxxxxx..")
    inside = np.zeros(12, dtype=int)
    np.testing.assert_array_equal(accept(run, inside, attack, blocks_known=True, telling=True), attack)
    assert accept(run, inside, attack, blocks_known=True).all()


def test_quick_strokes_between_rests_count_where_attacks_tell_nothing_and_there_are_several() -> None:
    run, block = np.arange(30), np.repeat([0, 1, -1], 10)
    quick = np.arange(30) % 10 < np.repeat([8, 7, 8], 10)
    for telling, expected in ((False, quick & (block == 0)), (True, np.zeros(30, dtype=bool))):
        candidates = Candidates(run, block, some(run, "."), np.full(30, telling), quick, quick & ~quick, run)
        np.testing.assert_array_equal(accept_strokes(candidates, True, SETTINGS), expected)


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


def test_scratches_in_a_block_marked_too_long_are_not_strokes() -> None:
    """One block marked over three of five seconds and the rests between: attacks tell, though they are in a third."""
    scenario = random_scenario(692, 8.0, 5.0)
    blocks = tuple(replace(scenario.blocks[0], duration_s=5.0) for _ in range(3))
    scenario = replace(
        scenario, blocks=blocks, rest_s=(9.0, 10.0), rest_knocks_per_min=10.0, rest_scratches_per_min=40.0
    )
    played = of_scenario(scenario, 692).spoilt(_as_one_block)
    assert played.score.found_strokes - played.score.matched <= 0.03 * played.score.true_strokes
    assert played.score.matched >= 0.98 * played.score.true_strokes


def _as_one_block(session: Session) -> Session:
    plays = [event for event in session.events if event.kind == "play"]
    others = [event for event in session.events if event.kind not in {"play", "rest"}]
    return replace(session, events=(*others, replace(plays[0], end_s=plays[-1].end_s)))


def test_runs_break_at_pauses_and_at_strokes_of_another_length() -> None:
    edges = np.concatenate([np.arange(8.0), 20 + np.arange(8.0)])
    start, end = np.delete(edges, [7, 15]), np.delete(edges, [0, 8])
    span = np.full(start.size, 10.0)
    assert find_runs(start, end, span, SETTINGS).tolist() == [0] * 7 + [1] * 7
    span[3] = 0.5
    assert find_runs(start, end, span, SETTINGS).tolist() == [0] * 3 + [-1] + [1] * 3 + [2] * 7
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


def smooth_strokes(*strokes: tuple[float, float, float]) -> np.ndarray:
    """Path (mm) of strokes at rest before and after: begin and length in seconds, way in mm; 200 samples a second."""
    t = np.arange(0, 5, 0.005)
    part = [np.clip((t - begin) / length, 0, 1) for begin, length, _ in strokes]
    return sum(way * (10 * u**3 - 15 * u**4 + 6 * u**5) for u, (_, _, way) in zip(part, strokes, strict=True))


def test_strokes_end_where_the_hand_rests() -> None:
    """Two strokes down with a rest between, and the way back: a rest is in none of them, and turns stay turns."""
    path = smooth_strokes((1.0, 0.1, 10), (1.1, 0.1, -10), (1.2, 0.1, 12), (2.0, 0.1, 10), (2.1, 0.15, -10))
    found = strokes_along(1e-3 * path, 200.0, SETTINGS)
    assert found.sign.tolist() == [1, -1, 1, 1, -1]
    np.testing.assert_allclose(found.start / 200, [1.0, 1.1, 1.2, 2.0, 2.1], atol=0.012)
    np.testing.assert_allclose(found.end / 200, [1.1, 1.2, 1.3, 2.1, 2.25], atol=0.015)
    assert found.edge.tolist() == [True, False, True, True, True]


def test_uneven_strokes_stay_whole() -> None:
    """Times that scatter by 22 %, as those of real play do: each stroke from turn to turn."""
    length = 0.12 * np.exp(0.22 * np.random.default_rng(3).normal(size=24))
    begin = 0.5 + np.concatenate([[0], np.cumsum(length)[:-1]])
    way = np.where(np.arange(24) % 2 == 0, 12.0, -12.0)
    found = strokes_along(1e-3 * smooth_strokes(*zip(begin, length, way, strict=True)), 200.0, SETTINGS)
    np.testing.assert_allclose(found.start[1:] / 200, begin[1:], atol=2e-3)
    np.testing.assert_allclose(found.end[:-1] / 200, begin[1:], atol=2e-3)


@pytest.mark.parametrize(("span_mm", "seen"), [(1.5, True), (0.5, False)])
def test_small_strokes_are_those_of_a_hand_that_plays_small(span_mm: float, seen: bool) -> None:
    """Strokes of 1.5 mm by themselves; less than tremor makes is none."""
    small = smooth_strokes(*((1.0 + 0.1 * k, 0.1, span_mm * (-1) ** k) for k in range(20)))
    found = strokes_along(1e-3 * small, 200.0, SETTINGS)
    assert found.start.size == (20 if seen else 0)


def test_beside_large_strokes_a_small_shift_is_none() -> None:
    """The same 1.5 mm in a rest between strokes of 12 mm: a hand that settles."""
    play = [(0.5 + 0.1 * k, 0.1, 12.0 * (-1) ** k) for k in range(8)]
    shifts = [(1.6, 0.1, 1.5), (1.7, 0.1, -1.5)]
    again = [(2.0 + 0.1 * k, 0.1, 12.0 * (-1) ** k) for k in range(8)]
    found = strokes_along(1e-3 * smooth_strokes(*play, *shifts, *again), 200.0, SETTINGS)
    assert found.start.size == 16


def test_small_strokes_count_in_a_series_with_attacks() -> None:
    run = run_of(12, 12, 3)
    attack = some(run, "x" * 12 + "." * 12 + "xxx")
    block = np.repeat([0, 1, 2], [12, 12, 3])
    np.testing.assert_array_equal(accept(run, block, attack, blocks_known=True, small=True), run == 0)
    assert accept(run, block, attack, blocks_known=True).all()
    assert not accept(run, block, None, blocks_known=True, small=True).any()


@pytest.mark.parametrize("seed", [90301, 90302])
def test_strokes_of_two_millimetres_are_found(seed: int) -> None:
    """Speed of 8/s: some 5 m/s2, far above the sensor's noise; before, two of three were lost."""
    played = of_scenario(random_scenario(seed, 8.0, 12.0, span_mm=2.0), seed)
    assert played.score.matched >= 0.98 * played.score.true_strokes
    assert played.score.found_strokes == played.score.matched


def test_a_path_without_strokes() -> None:
    for path in (np.zeros(400), np.linspace(0, 1e-3, 400), np.zeros(3)):
        assert strokes_along(path, 200.0, SETTINGS).start.size == 0


def test_of_few_strokes_in_a_block_those_with_an_attack_count() -> None:
    run = run_of(3, 2, 12, 1)
    attack = some(run, "xxx.xxxxxxxxxxxxxx")
    inside = np.zeros(run.size, dtype=int)
    expected = np.array(list("xxx.xxxxxxxxxxxxxx")) == "x"
    np.testing.assert_array_equal(accept(run, inside, attack, blocks_known=True), expected)
    np.testing.assert_array_equal(accept(run, nowhere(run), attack, blocks_known=True), run == 2)


@pytest.mark.parametrize("cycle_hz", [1.0, 2.5, 4.0, 8.0])
def test_tempo_of_a_path_in_slow_wander(cycle_hz: float) -> None:
    t = np.arange(0, 20, 1 / 200)
    path = 0.007 * np.sin(2 * np.pi * cycle_hz * t) + 0.02 * np.sin(2 * np.pi * 0.15 * t)
    _, found, speed = cycle_frequencies(path, 200.0, SETTINGS)
    np.testing.assert_allclose(found, cycle_hz, rtol=0.06)
    assert np.median(speed) == pytest.approx(0.007 * 2 * np.pi * cycle_hz / np.sqrt(2), rel=0.15)
