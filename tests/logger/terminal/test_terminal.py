"""The verdict in a terminal: plain ASCII, inside the width, the same words and numbers as everywhere."""

from __future__ import annotations

from itertools import pairwise

import pytest

from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import HURT, STOP
from analysis.model.records import Event, Instrument
from analysis.report.verdict import judge_session
from logger.terminal.terminal_verdict import ASCII, draw_end_view_text, render_verdict
from tests.analysis.report.make_result import START_S, Made, Play, make_result

TWO = (Play(tilt_deg=20), Play(tilt_deg=-18, posture="B"))


@pytest.mark.parametrize("width", [40, 60, 80, 132])
@pytest.mark.parametrize("hand", [False, True])
def test_lines_are_ascii_and_fit(width: int, hand: bool) -> None:
    text = render_verdict(weigh_session(make_result(*TWO, made=Made(hand=hand))), width)
    assert text.isascii()
    assert max(len(line) for line in text.splitlines()) <= width


def test_the_words_are_the_verdicts() -> None:
    result = make_result(Play(tilt_deg=16, span_mm=13))
    verdict = judge_session(result)
    flat = " ".join(render_verdict(weigh_session(result)).split())
    for words in (verdict.sentence, verdict.certainty_words, verdict.tip_words, f"Next: {verdict.action}"):
        assert " ".join(words.translate(ASCII).split()) in flat
    for caution in result.cautions:
        assert caution in flat.replace("! ", "")


def test_blocks_count_from_one_as_on_the_recorders_screen() -> None:
    lines = render_verdict(weigh_session(make_result(*TWO))).splitlines()
    assert [line.split()[1] for line in lines if line.startswith("block ")] == ["1", "2"]


def test_that_discomfort_means_stop_is_said_once_and_first() -> None:
    hurt = Event(START_S + 50, START_S + 50, "hurt")
    flat = " ".join(render_verdict(weigh_session(make_result(Play(), made=Made(events=(hurt,))))).split())
    assert f"Next: {HURT}" in flat
    assert flat.count(HURT) == flat.count(STOP) == 1


def test_the_small_end_view_is_to_scale() -> None:
    """Strings 12 mm apart stand 24 characters apart at half a millimetre a character."""
    made = Made(instrument=Instrument(spacing_mm=(12.0,) * 5))
    result = make_result(Play(tilt_deg=20, span_mm=24), made=made)
    picture = draw_end_view_text(result, judge_session(result))
    strings = next(line for line in picture.splitlines()[3:] if line.count("O") >= 2)
    places = [i for i, mark in enumerate(strings) if mark == "O"]
    assert {b - a for a, b in pairwise(places)} == {24}


def test_a_down_tilted_path_rises_to_the_right() -> None:
    for tilt, rises in ((20.0, True), (-20.0, False)):
        result = make_result(Play(tilt_deg=tilt))
        lines = draw_end_view_text(result, judge_session(result)).splitlines()[3:]
        marked = [(row, line) for row, line in enumerate(lines) if any(mark in line for mark in "\\/x")]
        first, last = marked[0][1], marked[-1][1]
        top = max(first.rfind(mark) for mark in "\\/x")
        bottom = max(last.rfind(mark) for mark in "\\/x")
        assert (top > bottom) is rises


def test_against_the_hand_it_says_so_and_draws_no_string() -> None:
    text = render_verdict(weigh_session(make_result(Play(), made=Made(hand=True))))
    assert "against the hand" in text
    assert "O string" not in text
