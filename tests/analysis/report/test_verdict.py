"""The verdict: the right case for strokes of known geometry, its certainty, one action each, words a player reads."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import HURT
from analysis.model.doubts import Doubt
from analysis.model.glossary import TERMS, Explainer
from analysis.model.number_words import MINUS, degrees
from analysis.model.records import Event, EventKind, Instrument
from analysis.model.session_parts import WitnessedBlock, WitnessSummary
from analysis.report.verdict import Verdict, judge_session
from analysis.stroke.block_case import HOLD_SHARE, find_block, reach_mm
from analysis.stroke.tilt import lift_mm
from analysis.stroke.tip_claim import claim_tip
from analysis.tension.caution_level import assess_tension
from tests.analysis.report.make_result import START_S, Made, Play, make_result, straight_paths


def judged(*plays: Play, made: Made | None = None) -> Verdict:
    return judge_session(make_result(*plays, made=made))


CASES = {
    "clears": (Play(tilt_deg=20), "clears", "faster"),
    "up clears": (Play(tilt_deg=-20), "clears", "faster"),
    "short": (Play(tilt_deg=16, span_mm=13), "short", "larger"),
    "shallow": (Play(tilt_deg=6), "shallow", "tilt"),
    "level": (Play(tilt_deg=0.5), "level", "tilt"),
    "uneven": (Play(tilt_deg=14, scatter_deg=5), "uneven", "slow"),
    "wrong": (Play(tilt_deg=-20, wanted="down"), "wrong", "posture"),
    "both": (Play(tilt_deg=0.0, bow_mm=7.0), "both", "faster"),
}


@pytest.mark.parametrize("name", CASES)
def test_the_case_and_its_action(name: str) -> None:
    play, case, action = CASES[name]
    verdict = judged(play)
    assert (verdict.focus.case, verdict.action_kind) == (case, action)
    assert verdict.certainty == "sure"
    assert verdict.sentence.endswith(".")
    assert verdict.action.endswith(".")


@pytest.mark.parametrize(("tilt_deg", "case"), [(5.0, "flat"), (-5.0, "flat"), (8.0, "shallow"), (-8.0, "shallow")])
def test_a_side_is_named_only_where_an_unseen_lean_of_the_instrument_would_leave_it(tilt_deg: float, case: str) -> None:
    """The hand's interval excludes 0 at 5 deg; an instrument that leaned by 3 deg (SD) makes either side of it."""
    result = make_result(Play(tilt_deg=tilt_deg, wanted="up" if tilt_deg > 0 else "down"))
    unseen = {"instrument": 3.0}
    result = replace(result, blocks=tuple(claim_tip(block, unseen) for block in result.blocks))
    verdict, (block,) = judge_session(result), result.blocks
    assert block.tilt_side == ("down" if tilt_deg > 0 else "up")
    assert verdict.focus.case == ("wrong" if case == "shallow" else case), "the wanted side is the other one"
    assert verdict.certainty == "sure"
    if case == "flat":
        assert "nearly level" in verdict.sentence
        assert "too flat to clear either way" in verdict.sentence
        findings = weigh_session(result).findings
        assert {m.side for finding in findings for m in finding.measured if m.quantity == "tilt"} == {"none"}


@pytest.mark.parametrize("name", CASES)
def test_there_is_one_action_and_the_side_is_named_right(name: str) -> None:
    play, case, _ = CASES[name]
    verdict = judged(play)
    assert verdict.action.count(". ") == 0
    if case in ("clears", "short", "shallow"):
        named, unnamed = ("downstroke", "upstroke") if play.tilt_deg > 0 else ("upstroke", "downstroke")
        assert named in verdict.sentence
        assert unnamed not in verdict.sentence


def test_mirrored_play_gives_the_mirrored_answer() -> None:
    down, up = (judged(Play(tilt_deg=tilt, span_mm=13, scatter_deg=0.0)) for tilt in (16, -16))
    assert down.sentence.replace("downstroke", "upstroke") == up.sentence
    assert down.focus.needed_span_mm == pytest.approx(up.focus.needed_span_mm, rel=0.02)


@pytest.mark.parametrize(("tilt", "held"), [(10.7, False), (10.9, True)])
def test_a_straight_path_clears_from_the_angle_whose_tangent_is_depth_over_spacing(tilt: float, held: bool) -> None:
    """Geometry: atan(2 / 10.5) is 10.78 degrees, for a stroke that reaches the next string."""
    verdict = judged(Play(tilt_deg=tilt, scatter_deg=0.0), made=Made(offset_se_deg=0.01))
    assert verdict.focus.held is held


@settings(max_examples=40, deadline=None)
@given(tilt=st.floats(11.5, 28), span=st.floats(6, 20), scatter=st.floats(0, 2))
def test_strokes_of_the_advised_length_do_clear(tilt: float, span: float, scatter: float) -> None:
    finding = judged(Play(tilt_deg=tilt, span_mm=span, scatter_deg=scatter)).focus
    if finding.case != "short" or finding.needed_span_mm is None:
        return
    instrument = Instrument()
    tilts = tilt + scatter * np.random.default_rng(1).normal(size=160)
    ones = np.ones(tilts.size)
    paths = straight_paths(tilts, ones, finding.needed_span_mm * ones)
    lift = lift_mm(paths, ones, 0.5 * ones, instrument.mean_spacing_mm, instrument.plectrum_depth_mm)
    # Both halves of the strokes have their own draw of the scatter.
    assert (lift > 0).mean() >= HOLD_SHARE - 0.05


def test_the_share_is_the_blocks_own() -> None:
    result = make_result(Play(tilt_deg=13, scatter_deg=2), Play(tilt_deg=-12, scatter_deg=3))
    for block in result.blocks:
        assert find_block(result, block).share == block.share_clearing


def test_reach_ends_at_the_next_string_or_at_the_turn() -> None:
    paths = straight_paths(np.zeros(2), np.array([1.0, -1.0]), np.array([10.0, 30.0]))
    assert reach_mm(paths, np.full(2, 0.5), 10.5).tolist() == pytest.approx([5.0, 10.5])


def test_certainty_falls_as_the_offset_grows() -> None:
    play = Play(tilt_deg=13.5, scatter_deg=0.5)
    levels = [judged(play, made=Made(offset_se_deg=se)).certainty for se in (0.5, 2.0, 4.0)]
    assert levels == ["sure", "likely", "open"]


def test_a_wide_interval_that_reaches_both_sides_says_that_it_cannot_be_told() -> None:
    verdict = judged(Play(tilt_deg=5), made=Made(offset_se_deg=6.0))
    assert verdict.focus.case == "unsure"
    assert verdict.certainty == "open"
    assert verdict.action_kind == "repeat"
    assert "cannot tell" in verdict.sentence


def test_the_advice_to_repeat_names_the_gesture_that_leaves_most_open_and_what_it_brings() -> None:
    verdict = judged(Play(tilt_deg=5), made=Made(offset_se_deg=6.0))
    assert verdict.action.startswith("Repeat across before")
    # A second, independent repetition halves the variance of across: sqrt(36 - 35.86 / 2) * 1.96.
    assert f"±{degrees(1.96 * 6.0)} to about ±{degrees(1.96 * np.sqrt(36 - 0.5 * (36 - 0.14)))}" in verdict.action


def test_a_doubt_that_makes_the_interval_wide_is_its_reason_and_says_what_to_do() -> None:
    doubt = Doubt(
        "mounting", "likely", "since about 1:20 the sensor sits differently", "gravity turned", "tighten the strap"
    )
    result = make_result(Play(tilt_deg=13.5, scatter_deg=0.5), made=Made(offset_se_deg=4.0))
    block = result.blocks[0]
    parts = {"across": 0.8, "doubts": float(np.sqrt(4.0**2 - 0.8**2))}
    result = replace(
        result,
        blocks=(replace(block, tilt_offset_parts_deg=parts),),
        doubts=(replace(doubt, se_deg=parts["doubts"]),),
    )
    verdict = judge_session(result)
    assert verdict.certainty == "open"
    assert (
        "since about 1:20 the sensor sits differently (gravity turned). Tighten the strap." in verdict.certainty_words
    )
    assert verdict.action == "Tighten the strap."
    costs = {line.subject: line.cost for line in verdict.quality}
    assert costs["Session offset"] == f"±{degrees(1.96 * 0.8)} (95 %)"
    assert costs["Since about 1:20 the sensor sits differently"] == f"±{degrees(1.96 * parts['doubts'])} (95 %)"


def test_slower_blocks_that_hold_name_the_tempo_to_go_back_to() -> None:
    tempi = {90.0: 22.0, 104.0: 21.0, 120.0: 12.0, 138.0: 5.0}
    plays = [Play(tilt_deg=t, tempo_bpm=bpm, rate=bpm * 4 / 60, scatter_deg=1.5) for bpm, t in tempi.items()]
    verdict = judged(*plays)
    assert verdict.action_kind == "slow"
    assert verdict.action.startswith("Slow down to 104 BPM")
    assert "up to 104 BPM" in verdict.sentence
    assert "at 120 BPM" in verdict.sentence


def test_two_postures_are_told_apart() -> None:
    verdict = judged(Play(posture="flat hand"), Play(posture="turned", tilt_deg=-18))
    assert "flat hand" in verdict.sentence
    assert "the downstroke clears" in verdict.sentence
    assert "the upstroke clears" in verdict.sentence
    assert len(verdict.postures) == 2


def test_without_gestures_nothing_is_said_about_the_strings() -> None:
    verdict = judged(Play(), made=Made(hand=True))
    assert verdict.against_hand
    assert verdict.action_kind == "gestures"
    assert "hand's own mean plane" in verdict.sentence
    assert "clears" not in verdict.sentence
    assert verdict.certainty == "open"


def test_who_recorded_gestures_that_cannot_be_used_is_told_to_record_them_once_more() -> None:
    recorded = Event(START_S, START_S + 5.0, "across", posture="A")
    assert judged(Play(), made=Made(hand=True)).action.startswith("Record the reference gestures before you play")
    assert judged(Play(), made=Made(hand=True, events=(recorded,))).action.startswith(
        "Record the reference gestures once more: the notes say which were not usable"
    )


@pytest.mark.parametrize(
    ("kind", "label", "rating", "stops"),
    [
        ("hurt", "", None, True),
        ("rating", "discomfort", 1.0, True),
        ("rating", "discomfort", 0.0, False),
        ("rating", "tension", 9.0, False),
    ],
)
def test_reported_discomfort_outranks_everything(
    kind: EventKind, label: str, rating: float | None, stops: bool
) -> None:
    """By a mark or by a rating: the same as what the tension of a session makes of it."""
    events = (Event(START_S + 50, START_S + 50, kind, label, rating=rating),)
    verdict = judged(Play(), made=Made(events=events))
    assert (verdict.action_kind == "stop") == stops
    assert (verdict.action == HURT) == stops
    assert (verdict.cautions[0] == HURT) == stops
    assert assess_tension(pd.DataFrame(), events).hurt == stops


def test_strokes_without_any_block_still_get_a_verdict() -> None:
    result = make_result(Play())
    result = replace(result, blocks=(), strokes=result.strokes.assign(block=result.strokes["block"].mask([True] * 160)))
    assert judge_session(result).focus.case == "clears"


def test_poor_data_is_said_with_its_cost() -> None:
    poor = Made(lost_samples=900, clipped_samples=40, offset_se_deg=4.5)
    lines = {line.subject: line for line in judged(Play(), made=poor).quality}
    assert lines["Samples"].grade == "poor"
    assert lines["Samples"].words.startswith("900 of 27200 were lost (3.3 %)")
    assert lines["Range"].words.startswith("40 samples")
    assert lines["Session offset"].cost == f"±{degrees(1.96 * 4.5)} (95 %)"
    assert lines["Session offset"].grade == "poor"
    across = next(line for subject, line in lines.items() if subject.startswith("Gesture across"))
    assert across.cost == f"±{degrees(1.96 * np.sqrt(4.5**2 - 0.14))} (95 %)"


def test_a_sensor_on_the_instrument_says_what_it_saw_and_what_it_was_worth() -> None:
    result = make_result(Play(), Play())
    unwatched = {line.subject: line for line in judge_session(result).quality}["Instrument"]
    assert unwatched.words.startswith("No sensor watches it")
    seen = WitnessedBlock(0, True, roll_deg=-4.0, sway_deg=1.0, without_deg=3.5, residue_deg=0.5)
    witness = WitnessSummary("phone", 60.0, True, 1.0, 8.0, 20.0, (seen, WitnessedBlock(1, False)))
    watched = judge_session(replace(result, witness=witness)).quality
    line = next(each for each in watched if each.subject == "Instrument watched")
    assert line.words == (
        "In 1 of 2 blocks: A phone on it saw it roll by up to 4.0° since the gestures. Without it, tilts would be up "
        "to 3.5° off."
    )
    assert (line.cost, line.grade) == ("±1.0° (95 %)", "good")


def test_every_word_is_explained_once() -> None:
    explainer = Explainer()
    met = explainer.meet(["tilt and scatter", "Dead band"]) + explainer.meet(["tilt", "lift in the dead band"])
    assert [term.word for term in met] == ["tilt", "scatter", "dead band", "lift"]
    assert len({term.word for term in TERMS}) == len(TERMS)


def test_numbers_are_written_for_people() -> None:
    text = " ".join([judged(Play(tilt_deg=-20)).sentence, judged(Play(tilt_deg=5)).action])
    assert MINUS in text
    assert not re.search(r"\d\.\d{2}", text)
    assert not re.search(r"[_{}]|None|nan", text)
