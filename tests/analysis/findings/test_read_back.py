"""The parse-back is strict: one wrong number anywhere on any screen of a session makes it fail."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.findings.arbiter import SessionFindings, weigh_session
from analysis.model.records import Event
from analysis.pipeline import analyse_session
from analysis.report.drill_sections import drill_sections
from analysis.report.question_sections import question_sections
from analysis.report.session_sections import session_sections
from logger.live.block_result import judge_block
from logger.report.session_page import render_body
from logger.session.session_file import read_session
from logger.terminal.terminal_verdict import render_verdict
from tests.analysis.findings.expected import check_section, question_expected, session_expected, told_by
from tests.analysis.findings.read_back import changed, changed_sections, check_numbers
from tests.analysis.findings.screens import (
    check_first_screen,
    check_live,
    check_page,
    check_questions,
    check_report,
    check_terminal,
)
from tests.analysis.report.make_result import START_S, Made, Play, make_result
from tests.logger.report.page_text import read_page

SAMPLES = sorted((Path(__file__).parents[3] / "sample_logs").glob("*.mcap"))
LADDER = tuple(
    Play(tilt_deg=tilt, tempo_bpm=bpm, rate=bpm / 15) for tilt, bpm in ((20.0, 72.0), (16.0, 96.0), (4.0, 131.0))
)
POSTURES = tuple(Play(tilt_deg=tilt, posture=posture, seconds=6.0) for tilt, posture in ((20.0, "A"), (-18.0, "B")) * 2)
RATED = Event(START_S + 60.0, START_S + 60.0, "rating", "discomfort", rating=3.0)


def evening(kind: str) -> SessionFindings:
    plays = {"ladder": LADDER, "postures": POSTURES, "one block": LADDER[:1], "by hand": LADDER, "rated": LADDER}[kind]
    made = Made(hand=kind == "by hand", events=(RATED,) if kind == "rated" else ())
    return weigh_session(make_result(*plays, made=made))


KINDS = ("ladder", "postures", "one block", "by hand", "rated")


def missed(texts: Iterable[str], check: Callable[[str], None]) -> list[str]:
    """Wrong texts that a check takes for right ones."""
    return [text for text in texts if not _fails(lambda text=text: check(text))]  # type: ignore[misc]


def _fails(check: Callable[[], None]) -> bool:
    try:
        check()
    except AssertionError:
        return True
    return False


@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_number_on_the_terminal_is_seen(kind: str) -> None:
    found = evening(kind)
    wrong = changed(render_verdict(found, 100))
    assert len(wrong) > 15
    assert missed(wrong, lambda screen: check_terminal(screen, found)) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_number_in_any_section_is_seen(kind: str) -> None:
    found = evening(kind)
    told = told_by(found)
    expected = session_expected(found) | question_expected(found)
    sections = (*session_sections(found.result, found.verdict), *question_sections(found.answers))
    assert {"end-view", "blocks", "over-time", "distribution", "single-strokes"} <= {s.id for s in sections}
    for section in sections:
        wrong = changed_sections(section)
        taken = [one for one in wrong if not _fails(lambda one=one: check_section(one, told, expected[one.id]))]
        assert taken == [], section.id


@pytest.mark.parametrize("kind", ["ladder", "rated"])
def test_a_wrong_number_on_the_page_is_seen(kind: str) -> None:
    found = evening(kind)
    texts = read_page(render_body(found)).texts
    sections = (*session_sections(found.result, found.verdict), *question_sections(found.answers))
    for name, text in texts.items():
        wrong = changed(text)
        assert missed(wrong, lambda one, name=name: check_page({**texts, name: one}, found, sections)) == [], name  # type: ignore[misc]


def test_a_wrong_number_on_the_live_page_is_seen() -> None:
    found = evening("one block")
    shown = judge_block(found.result, 1, {})
    check_live(shown, found)
    wrong = [replace(shown, sentence=text) for text in changed(shown.sentence)]
    wrong += [replace(shown, more=(text,)) for more in shown.more for text in changed(more)]
    wrong += [replace(shown, tilt_mean_deg=21.0), replace(shown, strokes=shown.strokes + 1)]
    assert len(wrong) > 5
    assert [one for one in wrong if not _fails(lambda one=one: check_live(one, found))] == []  # type: ignore[misc]


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_every_number_of_the_shipped_sessions_screens_is_read_back(path: Path) -> None:
    session = read_session(path)
    found = weigh_session(analyse_session(session), session.metadata)
    check_first_screen(found)
    check_questions(found)
    check_report(found)
    told, expected = told_by(found), question_expected(found)
    for section in drill_sections(found.answers):
        wrong = changed_sections(section)
        assert [one for one in wrong if not _fails(lambda one=one: check_section(one, told, expected[one.id]))] == []  # type: ignore[misc]


def test_numbers_are_read_with_their_signs_times_and_days() -> None:
    minus = "\N{MINUS SIGN}"
    check_numbers(f"at 1:05 on 2026-03-01 the tilt was {minus}3.2°", [65.0, 739676, -3.17])
    for text, value in (("3.2", -3.2), (f"{minus}3.2", 3.2), ("1:06", 65.0), ("94", 95.0), ("3.2", 3.26)):
        with pytest.raises(AssertionError):
            check_numbers(text, [value])
    with pytest.raises(AssertionError, match=r"104\.7"):
        check_numbers("Go up to 104.7 BPM.", [], ["Go up to 104 BPM."])
