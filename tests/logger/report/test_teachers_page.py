"""The teacher's page as it is shown: names as typed, one thing to do a player, tempi in beats a minute."""

from __future__ import annotations

import html
import sys
from dataclasses import replace

import pytest

from analysis.questions.progress import follow_progress
from analysis.questions.session_summary import SessionSummary
from logger.many.session_cache import FolderSummaries
from logger.report.answer_output import render_page, render_text
from logger.report.progress_page import progress_page
from tests.analysis.questions.test_progress import GROUP, SESSION, START_S, weeks
from tests.logger.report.page_text import read_page

NAMES = ("Zoë", "ann", "Ann", " ann", "=1+1", "<b>Bo</b>", "[red]Cy[/red]", "音羽", "奏多", "(no name)", "")
"""Invented; each a player of its own, however alike they look."""


def shown(sessions: list[SessionSummary]) -> tuple[str, str]:
    """The page and the terminal's text."""
    sections = progress_page(follow_progress(sessions), FolderSummaries(tuple(sessions), (), 1, 0), pictures=False)
    return render_page("Progress", sections, ()), render_text(sections, ())


def everybody() -> list[SessionSummary]:
    return [replace(SESSION, name=str(i), player=name) for i, name in enumerate(NAMES)]


def test_names_are_shown_as_typed_and_never_merged() -> None:
    page, text = shown(everybody())
    rows = read_page(page).tables["players"]
    found = [row[0].removeprefix("Player ") for row in rows]
    assert sorted(found) == sorted([*(n for n in NAMES if n.strip() == n and n not in ("", "(no name)")),
                                    '" ann"', '"(no name)"', "(no name)"])  # fmt: skip
    for name in found:
        assert text.count(f"\n{name}  ") == 1, name
        assert text.count(f"- {name}: ") == 1, name


def test_a_terminal_without_a_letter_shows_its_number_and_merges_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    class Plain:
        encoding = "ascii"

    monkeypatch.setattr(sys, "stdout", Plain())
    _, text = shown(everybody())
    assert "Zo\\xeb" in text
    rows = {line.split("  ")[0] for line in text.splitlines() if line.startswith("\\u")}
    assert len(rows) == 2


def test_every_player_has_one_thing_to_do() -> None:
    sessions = [
        *weeks([9.0] * 4, "ada"),
        *weeks([9.0] * 4, "bo", hurt=True),
        *weeks([9.0] * 4, "cy", longest_play_min=50.0),
    ]
    page, text = shown(sessions)
    flat = " ".join(text.split())
    for name, step in (
        ("ada", "carry on as you are"),
        ("bo", "talk with the player before anything else is played"),
        ("cy", "plan a break every half hour"),
    ):
        said = next(part for part in flat.split("- ") if part.startswith(f"{name}: "))
        assert said.count("Next: ") == 1
        assert f"Next: {step}. 4 sessions, 48 minutes played since 2025-06-15." in said
        assert html.escape(f"Next: {step}.") in page


def test_a_hold_tempo_stands_in_beats_a_minute() -> None:
    """120 BPM with four notes a beat are eight strokes a second, by counting."""
    sessions = [
        *weeks([8.0], "ada"),
        replace(SESSION, player="bo", groups=(replace(GROUP, notes_per_beat=None, hold_bound="at least"),)),
    ]
    page, text = shown(sessions)
    cells = {row[0]: row[-1] for row in read_page(page).tables["players"]}
    assert cells == {"Player ada": "120 BPM, 4 notes a beat", "Player bo": "≥ 9.0 strokes/s"}
    assert "120 BPM, 4 notes a beat" in text


def test_simulated_sessions_are_counted_as_such() -> None:
    _, text = shown([replace(SESSION, simulated=True), replace(SESSION, name="t", started_s=START_S + 1e5)])
    assert "Simulated sessions, which nobody played: 1 of 2." in text
