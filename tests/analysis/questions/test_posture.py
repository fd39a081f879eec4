"""Comparison of two postures: differences, both frames' errors, designs that are refused, switching."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from analysis.model.errors import InputError, NotEnoughDataError, StrokeplaneError
from analysis.model.records import SessionResult
from analysis.questions.posture import Margins, PostureComparison, PostureSettings, compare_postures
from analysis.questions.posture_measures import MeasureDifference, detectable_difference
from analysis.questions.posture_words import say_comparison, say_measure
from analysis.questions.switching import find_switches
from analysis.report.answer_sentences import say_switching
from analysis.statistics.estimates import Estimate
from analysis.statistics.permutation import label_test
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

ORDER = "ABBABAABABBA"


def session(
    order: str = ORDER,
    tilt: float = 0.0,
    spread: float = 0.0,
    drawing: Drawing | None = None,
    seed: int = 1,
    **more: object,
) -> SessionResult:
    """Blocks in this order; posture B differs by so much."""
    blocks = [
        DrawnBlock(p, tilt_deg=15.0 + tilt * (p == "B"), scatter_deg=1.5 + spread * (p == "B"), **more)  # type: ignore[arg-type]
        for p in order
    ]
    return draw_session(blocks, drawing or Drawing(block_sd_deg=0.4, frame_se_deg=0.4), np.random.default_rng(seed))


def measure(found: PostureComparison, key: str) -> MeasureDifference:
    return next(m for m in found.measures if m.key == key)


def test_differences_are_found_where_they_are_and_nowhere_else() -> None:
    found = compare_postures([session(tilt=4.0, spread=2.0)])
    assert (found.first, found.second) == ("A", "B")
    tilt, spread, timing = (measure(found, key) for key in ("tilt_deg", "tilt_sd_deg", "timing_pct"))
    assert tilt.verdict == spread.verdict == "different"
    assert tilt.difference.low < 4.0 < tilt.difference.high
    assert spread.difference.value == pytest.approx(np.hypot(3.5, 0.8) - np.hypot(1.5, 0.8), abs=0.4)
    assert spread.test.exact
    assert spread.test.p == pytest.approx(2 / 924)
    assert timing.verdict == "equivalent"
    assert spread.effect is not None
    assert spread.effect > 2
    said = say_comparison(found)
    assert "mean tilt" in said
    assert "timing" not in said


def test_the_interval_of_tilt_carries_both_frames_that_of_spread_neither() -> None:
    sure = compare_postures([session()])
    doubtful = session()
    doubtful = replace(
        doubtful,
        blocks=tuple(replace(b, tilt_offset_se_deg={"A": 3.0, "B": 4.0}[b.posture]) for b in doubtful.blocks),
    )
    found = compare_postures([doubtful])
    assert measure(found, "tilt_deg").frame_se == pytest.approx(5.0)
    assert measure(found, "tilt_deg").difference.se == pytest.approx(
        np.hypot(5.0, np.sqrt(measure(sure, "tilt_deg").difference.se ** 2 - 2 * 0.4**2)), rel=1e-3
    )
    assert measure(found, "tilt_sd_deg").difference == measure(sure, "tilt_sd_deg").difference
    # Lift turns with the frame: travel to the next string, or half the span, times the angle.
    assert measure(found, "lift_mm").frame_se == pytest.approx(7.5 * np.radians(5.0), rel=0.03)
    assert measure(found, "tilt_deg").more_blocks is None
    assert "repeat the gestures" in say_measure(found, measure(found, "tilt_deg"))


def test_two_sessions_halve_the_frames_variance() -> None:
    two = compare_postures([session(seed=1), session(seed=2)])
    assert measure(two, "tilt_deg").frame_se == pytest.approx(0.4 * np.sqrt(2) / np.sqrt(2))
    assert "-" in two.design.order


def test_a_trend_of_time_is_not_taken_for_a_posture() -> None:
    drawing = Drawing(block_sd_deg=0.2, frame_se_deg=0.05, trend_deg=lambda minutes: 1.5 * minutes)
    found = measure(compare_postures([session("ABABABAB", drawing=drawing)]), "tilt_deg")
    assert found.difference.low < 0 < found.difference.high
    # The plain difference of means lies half a block's step off, well outside.
    assert abs(found.second - found.first) > 0.5


def test_equivalence_and_what_more_blocks_would_show() -> None:
    same = compare_postures([session(drawing=Drawing(block_sd_deg=0.2, frame_se_deg=0.2))])
    assert measure(same, "tilt_deg").verdict == "equivalent"
    assert "the same within 3°" in say_measure(same, measure(same, "tilt_deg"))
    few = session("ABBABA", drawing=Drawing(block_sd_deg=2.5, frame_se_deg=0.2), seed=3)
    rough = compare_postures([few], (), PostureSettings(Margins(tilt_deg=2)))
    tilt = measure(rough, "tilt_deg")
    assert tilt.verdict == "not shown"
    assert tilt.more_blocks is not None
    assert tilt.more_blocks > 3
    assert f"{tilt.more_blocks} more blocks of each posture would settle it against 2°" in say_measure(rough, tilt)
    assert any("cannot fall below 0.10" in remark for remark in rough.remarks)


def test_a_difference_as_large_as_the_detectable_one_is_shown_in_8_of_10_cases() -> None:
    rng = np.random.default_rng(5)
    place = np.linspace(-1, 1, 12)
    nuisance = np.column_stack([place, place**2])
    sd, frame_se = 1.6, 0.5
    se = np.hypot(sd * np.sqrt(4 / 12), frame_se)
    effect = detectable_difference(Estimate(0.0, 0.0, 0.0, se, 8.0), frame_se, 12, 12)
    shown = 0
    for _ in range(400):
        label = np.array([int(c) for _ in range(3) for c in ("0110", "1001")[rng.integers(2)]], bool)
        y = sd * rng.normal(size=12) + (effect + frame_se * rng.normal()) * label
        shown += label_test(y, label, nuisance, frame_se).p < 0.05
    # 400 of 80 %: 320 +- 8.
    assert 290 <= shown <= 350


@pytest.mark.parametrize(
    ("error", "words", "ask"),
    [
        (InputError, "found 'C'", lambda: compare_postures([session()], ("A", "C"))),
        (InputError, "two postures", lambda: compare_postures([session("ABCABCABC")])),
        (NotEnoughDataError, "found only A", lambda: compare_postures([session("AAAA")])),
        (NotEnoughDataError, "found 1 of B", lambda: compare_postures([session("AABA")])),
        (NotEnoughDataError, "cannot be told from the posture", lambda: compare_postures([session("AAAAAABBBBBB")])),
        (NotEnoughDataError, "never share a drill", lambda: compare_postures([_by_drill()])),
        (NotEnoughDataError, "never share a tempo", lambda: compare_postures([_by_tempo()])),
        (NotEnoughDataError, "never share a session", lambda: compare_postures([session("AAAA"), session("BBBB")])),
        (NotEnoughDataError, "same click", lambda: compare_postures([_by_speed()])),
    ],
)
def test_designs_that_cannot_tell_are_refused_with_the_reason(
    error: type[StrokeplaneError], words: str, ask: Callable[[], PostureComparison]
) -> None:
    with pytest.raises(error, match="expected") as caught:
        ask()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def _by_drill() -> SessionResult:
    blocks = [DrawnBlock(p, drill="one" if p == "A" else "two") for p in ORDER]
    return draw_session(blocks, Drawing(), np.random.default_rng(1))


def _by_tempo() -> SessionResult:
    blocks = [DrawnBlock(p, tempo_bpm=120.0 if p == "A" else 124.0, notes_per_beat=4.0) for p in ORDER]
    return draw_session(blocks, Drawing(), np.random.default_rng(1))


def _by_speed() -> SessionResult:
    blocks = [DrawnBlock(p, strokes_per_s=8.0 if p == "A" else 10.0) for p in ORDER]
    return draw_session(blocks, Drawing(), np.random.default_rng(1))


def test_blocks_played_in_one_posture_only_are_left_out() -> None:
    blocks = [DrawnBlock(p, drill="tune") for p in ORDER] + [DrawnBlock("A", drill="scale")] * 2
    found = compare_postures([draw_session(blocks, Drawing(), np.random.default_rng(1))])
    assert len(found.design.blocks) == 12
    assert "2 blocks were left out" in found.remarks[1]


def test_without_gestures_of_its_own_a_postures_tilt_is_not_compared() -> None:
    found = compare_postures([session(tilt=5.0, spread=2.0, drawing=Drawing(own_gestures=False))])
    assert {m.key for m in found.measures} == {"tilt_sd_deg", "span_mm", "timing_pct"}
    assert measure(found, "tilt_sd_deg").verdict == "different"
    assert "not repeated in posture B" in found.refused["mean tilt"]
    assert set(found.refused) == {"mean tilt", "lift of the stroke", "strokes that clear", "hold tempo"}


def test_hold_tempi_are_compared_where_both_play_a_ladder() -> None:
    def tilt(posture: str, v: float) -> float:
        return 22 - 14 / (1 + np.exp(-(v - (9.0 if posture == "A" else 10.5)) / 0.5))

    rng = np.random.default_rng(2)
    blocks = [
        DrawnBlock(p, v, 10.0, tilt(p, v), tempo_bpm=15 * v, notes_per_beat=4.0, span_mm=24.0)
        for v in rng.permutation([7.0, 8.0, 9.0, 10.0, 11.0, 12.0])
        for p in ("AB" if rng.random() < 0.5 else "BA")
    ]
    found = compare_postures([draw_session(blocks, Drawing(0.2, 0.3, frame_se_deg=0.3), rng)], ("A", "B"))
    assert found.hold is not None
    assert found.hold.difference == pytest.approx(1.5, abs=0.5)
    assert (found.hold.low or 0) < 1.5 < (found.hold.high or 0)
    assert "hold tempo" not in found.refused


def test_the_same_session_gives_the_same_answer() -> None:
    one, other = (compare_postures([session(tilt=1.0)]) for _ in range(2))
    assert one.measures == other.measures


def test_switches_are_timed_and_flips_told_on_purpose_from_by_accident() -> None:
    result = session("ABAB", tilt=-30.0)
    strokes = result.strokes.copy()
    tilt = strokes["tilt_deg"].to_numpy(copy=True)
    second = np.flatnonzero(strokes["block"] == 1)
    tilt[second[:20]] = 15.0  # twenty strokes until the new tilt comes
    last = np.flatnonzero(strokes["block"] == 3)
    tilt[last[100:106]] = 20.0  # six strokes on the wrong side
    tilt[last[140:142]] = 20.0  # two: a slip, no flip
    found = find_switches([replace(result, strokes=strokes.assign(tilt_deg=tilt))])
    assert found.switches[0].strokes in range(14, 21)
    assert found.switches[0].seconds == pytest.approx((found.switches[0].strokes or 0) / 8.0, rel=0.1)
    assert found.flips == 3
    assert (found.accidents, found.accident_strokes) == (1, 6)
    assert found.minutes == pytest.approx(4 * 20 / 60, rel=0.02)
    assert "3 times on purpose, 1 by accident" in say_switching(found)


def test_a_settled_player_counts_as_switched_at_once() -> None:
    found = find_switches([session("ABAB" * 3, tilt=-30.0, drawing=Drawing(wander_deg=0.0))])
    assert found.median_strokes == 0
    assert found.never == 0
    assert found.accidents == 0
    assert find_switches([session("AAAA")]).switches == ()


def test_a_posture_that_was_played_slower_is_said_to_be_and_no_share_passes_100() -> None:
    """Without a click no adjustment takes speed out of a difference."""
    blocks = [
        DrawnBlock(p, strokes_per_s=8.0 if p == "A" else 7.2, tilt_deg=20.0 if p == "A" else 8.0)
        for p in "ABBABAABABBA"
    ]
    found = compare_postures([draw_session(blocks, Drawing(), np.random.default_rng(9))], ("A", "B"))
    assert "Posture B was played 10 % slower than A" in say_comparison(found)
    clears = next(m for m in found.measures if m.key == "share_clearing")
    assert -100 <= clears.difference.low < clears.difference.high <= 100
    alike = [replace(block, strokes_per_s=8.0) for block in blocks]
    found = compare_postures([draw_session(alike, Drawing(), np.random.default_rng(9))], ("A", "B"))
    assert "slower" not in say_comparison(found)
