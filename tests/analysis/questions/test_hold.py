"""Hold tempo: truth recovered, bounds, how it fails, and what is refused."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import make_smoothing_spline

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import Player, SessionResult
from analysis.questions.hold import HoldTempo, find_hold_tempo
from analysis.report.answer_sentences import say_hold
from analysis.report.question_sections import hold_section
from analysis.statistics.monotone_regression import PointErrors, bend_covariance, crossing, draw_falling, fit_matrix
from benchmarks.question_players import SpeedPlayer, draw_ladder
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

STEADY = SpeedPlayer(22, 18, 9.5, 0.8, scatter=1.5, block_sd=0.3, wander=0.5, frame_se=0.4)
SPEEDS = (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0)


def ladder(
    block: Callable[[float], dict[str, Any]],
    speeds: Sequence[float] = SPEEDS,
    seed: int = 1,
    drawing: Drawing | None = None,
) -> SessionResult:
    """A session with one block a speed, in mixed order; ``block`` says how each is played."""
    rng = np.random.default_rng(seed)
    blocks = [DrawnBlock("A", float(v), **block(float(v))) for v in rng.permutation(speeds)]
    return draw_session(blocks, drawing or Drawing(), rng)


def falling(v: float) -> dict[str, Any]:
    return {"tilt_deg": STEADY.tilt_deg(v), "span_mm": 24.0}


def test_the_true_hold_tempo_is_found_and_covered() -> None:
    true = STEADY.hold_strokes_per_s
    assert true is not None
    errors, covered = [], 0
    for seed in range(12):
        found = find_hold_tempo([draw_ladder(STEADY, 9, np.random.default_rng(seed))])
        errors.append(found.strokes_per_s / true - 1)
        assert found.low is not None
        assert found.high is not None
        covered += found.low <= true <= found.high
    assert np.median(np.abs(errors)) < 0.04
    # Of 12 at 95 %, fewer than 9 would come once in 2000.
    assert covered >= 9


def test_curve_and_answer_agree_and_never_rise() -> None:
    found = find_hold_tempo([ladder(falling)])
    assert found.bound == "inside"
    assert (np.diff(found.curve.edge_deg) <= 1e-9).all()
    assert np.interp(found.strokes_per_s, found.curve.strokes_per_s, found.curve.edge_deg) == pytest.approx(0, abs=0.02)
    assert (found.curve.low_deg <= found.curve.high_deg).all()
    assert found.side == "down"


def test_the_other_side_holds_just_as_well() -> None:
    one = find_hold_tempo([ladder(falling)])
    other = find_hold_tempo([ladder(lambda v: {**falling(v), "tilt_deg": -STEADY.tilt_deg(v)})])
    assert other.side == "up"
    assert other.strokes_per_s == pytest.approx(one.strokes_per_s, rel=0.06)
    assert find_hold_tempo([ladder(falling)], wanted="up").bound == "below"


def test_a_tilt_that_never_fails_gives_a_lower_bound() -> None:
    found = find_hold_tempo([ladder(lambda v: {"tilt_deg": 24.0})])
    assert found.bound == "at least"
    assert found.strokes_per_s == pytest.approx(12, rel=0.02)
    assert found.high is None
    # All resamples hold everywhere, of which the fastest speed tested is all that can be said.
    assert found.low == found.tested[1]
    assert found.failure is None
    assert "at least 12" in say_hold(found)


def test_a_tilt_that_never_holds_gives_an_upper_bound() -> None:
    found = find_hold_tempo([ladder(lambda v: {"tilt_deg": 5.0})])
    assert found.bound == "below"
    assert (found.low, found.high) == (None, found.tested[0])
    assert "below 5.0" in say_hold(found)


@pytest.mark.parametrize(
    ("mode", "fast"),
    [
        ("flattens", {"tilt_deg": 4.0}),
        ("flips", {"tilt_deg": 22.0, "flipped_share": 0.5}),
        ("becomes arched", {"tilt_deg": 8.0, "bow_mm": 3.0}),
    ],
)
def test_how_it_fails_is_named(mode: str, fast: dict[str, Any]) -> None:
    found = find_hold_tempo([ladder(lambda v: {"tilt_deg": 22.0, "span_mm": 24.0, **(fast if v > 9 else {})})])
    assert found.failure is not None
    assert found.failure.mode == mode
    assert sum(found.failure.shares.values()) <= 1
    assert found.failure.from_strokes_per_s == pytest.approx(10, rel=0.05)


def test_a_shrinking_stroke_is_told_from_one_that_flattens() -> None:
    # A few strokes slip, which ends the hold; most that fail keep their tilt and end too low.
    fast = {"span_mm": 9.0, "flipped_share": 0.1}
    found = find_hold_tempo([ladder(lambda v: {"tilt_deg": 20.0, "span_mm": 24.0, **(fast if v > 9 else {})})])
    assert found.failure is not None
    assert found.failure.mode == "shrinks"
    span = next(trend for trend in found.failure.trends if trend.name == "span")
    assert span.per_stroke_per_s.high < 0


def test_the_frames_error_widens_the_interval() -> None:
    narrow = find_hold_tempo([ladder(falling, drawing=Drawing(frame_se_deg=0.05))])
    session = ladder(falling, drawing=Drawing(frame_se_deg=0.05))
    doubtful = replace(session, blocks=tuple(replace(b, tilt_offset_se_deg=2.0) for b in session.blocks))
    wide = find_hold_tempo([doubtful])
    # Medians of 400 resamples each.
    assert wide.strokes_per_s == pytest.approx(narrow.strokes_per_s, rel=0.01)
    assert _width(wide) > 1.5 * _width(narrow)


def test_the_interval_rests_on_blocks_not_on_strokes() -> None:
    # Ten times the strokes in blocks that differ: the interval must not shrink as if strokes were independent.
    drawing = Drawing(block_sd_deg=1.5, wander_deg=0.0, frame_se_deg=0.0)
    short = [_width(find_hold_tempo([ladder(falling, seed=s, drawing=drawing)])) for s in range(4)]
    long = [
        _width(find_hold_tempo([ladder(lambda v: {**falling(v), "seconds": 200.0}, seed=s, drawing=drawing)]))
        for s in range(4)
    ]
    assert np.mean(long) > 0.6 * np.mean(short)


def test_tempo_and_what_it_rests_on_are_told() -> None:
    found = find_hold_tempo([ladder(lambda v: {**falling(v), "tempo_bpm": 15 * v, "notes_per_beat": 4.0})])
    assert found.bpm(found.strokes_per_s) == pytest.approx(15 * found.strokes_per_s)
    said = say_hold(found)
    assert f"{found.strokes_per_s:.1f} strokes/s ({15 * found.strokes_per_s:.0f} BPM at 4 notes a beat)" in said
    assert found.failure is not None
    # Nothing is told in strokes a second alone.
    assert said.count("strokes/s") == said.count("strokes/s (") + said.count("BPM (played at ") == said.count(" BPM")
    table = hold_section([found]).table
    assert table is not None
    assert all(re.fullmatch(r"[0-9.]+ BPM", row[0]) and re.fullmatch(r"[0-9.]+/s", row[1]) for row in table.rows)
    without = hold_section([find_hold_tempo([ladder(lambda v: {**falling(v), "notes_per_beat": 4.0})])]).table
    assert without is not None
    assert all(row[0] == "" and re.fullmatch(r"[0-9.]+/s, [0-9]+ BPM", row[1]) for row in without.rows)
    assert "BPM" not in say_hold(find_hold_tempo([ladder(falling)]))
    assert found.remarks[0].startswith("based on ")
    rising = draw_session([DrawnBlock("A", v, **falling(v)) for v in SPEEDS], Drawing(), np.random.default_rng(1))
    assert any("tempo only rose" in remark for remark in find_hold_tempo([rising]).remarks)
    assert any("no tempo was given" in remark for remark in find_hold_tempo([rising]).remarks)


def test_one_block_that_speeds_up_is_cut_into_pieces() -> None:
    session = ladder(falling)
    whole = session.strokes.sort_values("strokes_per_s", ignore_index=True)
    one = whole.assign(block=0, start_s=np.arange(len(whole)) * 0.1, end_s=np.arange(1, len(whole) + 1) * 0.1)
    merged = replace(session, strokes=one.astype({"block": "Int64"}), blocks=session.blocks[:1])
    found = find_hold_tempo([merged])
    assert len(found.pieces) > 4
    assert found.strokes_per_s == pytest.approx(find_hold_tempo([session]).strokes_per_s, rel=0.08)


def test_two_sessions_count_as_one_ladder() -> None:
    slow, fast = (ladder(falling, speeds, seed=s) for s, speeds in enumerate((SPEEDS[::2], SPEEDS[1::2])))
    found = find_hold_tempo([slow, fast])
    assert len(found.pieces) == 8
    assert {piece.session for piece in found.pieces} == {0, 1}


@pytest.mark.parametrize(
    ("error", "words", "ask"),
    [
        (NotEnoughDataError, "no tempo given", lambda: find_hold_tempo([ladder(falling, [8.0, 8.0, 8.0])])),
        (NotEnoughDataError, "found 1 speed", lambda: find_hold_tempo([ladder(falling, [8.0])])),
        (InputError, "found 'Z'", lambda: find_hold_tempo([ladder(falling)], "Z")),
        (InputError, "found 'scale'", lambda: find_hold_tempo([ladder(falling)], drill="scale")),
        (
            InputError,
            "one player, found invented, someone else",
            lambda: find_hold_tempo([ladder(falling), replace(ladder(falling), player=Player("someone else"))]),
        ),
        (
            InputError,
            "found down and up",
            lambda: find_hold_tempo([ladder(lambda v: {**falling(v), "wanted": "down" if v > 8 else "up"})]),
        ),
    ],
)
def test_bad_input_gets_one_sentence(error: type[Exception], words: str, ask: Callable[[], HoldTempo]) -> None:
    with pytest.raises(error, match="expected") as caught:
        ask()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_tilt_against_the_hand_alone_has_no_hold_tempo() -> None:
    session = ladder(falling)
    bare = replace(session, blocks=tuple(replace(b, tilt_offset_se_deg=None) for b in session.blocks))
    with pytest.raises(NotEnoughDataError, match="reference gestures"):
        find_hold_tempo([bare])


def blocks_alone(own_se: float, count: int, frame_se: float = 0.0) -> PointErrors:
    """Errors of blocks of one session."""
    return PointErrors(np.full(count, own_se), np.zeros(count, np.int64), np.array([frame_se]))


@given(st.lists(st.floats(-20, 20), min_size=3, max_size=12), st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_the_curve_falls_whatever_the_points(values: list[float], seed: int) -> None:
    x = np.sort(np.random.default_rng(seed).uniform(0, 3, len(values)))
    at = np.linspace(x[0], x[-1], 30)
    curves = draw_falling((x, np.array(values)), blocks_alone(0.5, x.size), at, 20, np.random.default_rng(seed))
    assert np.isfinite(curves).all()
    assert (np.diff(curves, axis=1) <= 1e-9).all()


@pytest.mark.parametrize("rho", [2.0, 20.0, 200.0])
def test_the_best_curve_is_the_smoothing_spline(rho: float) -> None:
    # SciPy minimises the weighted squares plus lambda times the integral of the squared second derivative (Woltring
    # 1986, by generalised splines): the same curve by another way, with lambda = 1 / rho^2.
    rng = np.random.default_rng(9)
    u, at = np.sort(rng.uniform(0, 1, 9)), np.linspace(0, 1, 41)
    u[[0, -1]] = 0, 1
    y, se = 4 - 3 * u + rng.normal(0, 1, 9), rng.uniform(0.3, 1.5, 9)
    ours = fit_matrix(u, at, rho**2 * bend_covariance(np.concatenate([u, at]), u), np.diag(se**2)) @ y
    theirs = make_smoothing_spline(u, y, w=1 / se**2, lam=1 / rho**2)(at)
    assert ours == pytest.approx(theirs, abs=1e-6)


def test_the_interval_covers_with_few_blocks_that_differ_more_than_their_strokes_say() -> None:
    # Six blocks leave a curve hardly any residual to tell their scatter by: taken from it, the interval covered 84 %.
    x, covered = np.linspace(0.0, 1.0, 6), 0
    at = np.linspace(0.0, 1.0, 101)
    for seed in range(100):
        rng = np.random.default_rng(seed)
        place = rng.uniform(0.3, 0.8)
        y = 14 * np.tanh((place - x) / 0.4) + rng.normal(0, 0.9, 6)
        curves = draw_falling((x, y), blocks_alone(0.4, 6), at, 200, rng)
        low, high = np.quantile([crossing(curve, at) for curve in curves], [0.025, 0.975])
        covered += low <= place <= high
    # Of 100 at 95 %, fewer than 88 would come once in 250.
    assert covered >= 88


def test_an_error_that_all_blocks_share_is_not_averaged_away() -> None:
    x = np.linspace(0.0, 1.0, 12)
    for shared in (0.0, 2.0):
        curves = draw_falling((x, 10 - 20 * x), blocks_alone(0.2, 12, shared), x, 400, np.random.default_rng(2))
        assert curves[:, 6].std() == pytest.approx(np.hypot(shared, 0.1), abs=0.25)


def test_crossings_outside_the_points_are_said() -> None:
    x = np.array([1.0, 2.0])
    assert crossing(np.array([-1.0, -2.0]), x) == -np.inf
    assert crossing(np.array([2.0, 1.0]), x) == np.inf


def _width(found: HoldTempo) -> float:
    low = found.low if found.low is not None else found.tested[0]
    high = found.high if found.high is not None else found.tested[1]
    return high - low


@pytest.mark.parametrize(("fails_at", "holds_to"), [({1}, "at least"), ({0, 1}, "at least")])
def test_slower_blocks_that_did_not_hold_are_named(fails_at: set[int], holds_to: str) -> None:
    """A curve that never rises passes over them; the answer must not say that every speed held."""
    speeds = np.linspace(5, 11, 9)
    blocks = [
        DrawnBlock(strokes_per_s=float(v), tilt_deg=3.0 if i in fails_at else 22.0, wanted="down")
        for i, v in enumerate(speeds)
    ]
    found = find_hold_tempo([draw_session(blocks, Drawing(), np.random.default_rng(8))])
    said = say_hold(found)
    assert found.bound == holds_to
    assert len(found.lapses) == len(fails_at)
    assert "every speed tested" not in said
    assert "did not hold in every slower block: only 0 of 100 at 5" in said
