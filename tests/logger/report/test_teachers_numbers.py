"""Every number of a teacher's page, read back: it is a field of that player's own record."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from analysis.questions.progress import MeasureTrend, PlayerProgress, follow_progress
from analysis.report.progress_sections import show_name
from analysis.report.sections import Section
from logger.many.session_cache import FolderSummaries
from logger.report.answer_output import render_page, render_text
from logger.report.progress_page import progress_page
from tests.analysis.findings.read_back import changed, changed_sections, check_numbers, numbers
from tests.analysis.questions.test_progress import GROUP, SESSION, START_S, weeks
from tests.logger.report.page_text import read_page

PROBLEM = "broken.mcap: 3 bytes are no session"


def class_of_players() -> tuple[PlayerProgress, ...]:
    """Invented players: one gets better, one falls toward level, one reports discomfort, one is new, one is undated."""
    rng = np.random.default_rng(71)
    falling = [
        replace(s, dead_band_deg=10.8, groups=(replace(s.groups[0], tilt_deg=21.0 - 2.5 * i, tilt_se_deg=0.6),))
        for i, s in enumerate(weeks([8.4] * 5, "bo"))
    ]
    rated = [replace(s, ratings=(("effort", 2.0 + i),)) for i, s in enumerate(weeks([7.7] * 6, "cy"))]
    undated = replace(SESSION, player="di", started_s=None, groups=(replace(GROUP, notes_per_beat=None),))
    new = replace(
        SESSION, player="eli", simulated=True, groups=(replace(GROUP, hold_bound="at least"),), lost_share=0.07
    )
    improving = weeks(list(8.0 + 0.25 * np.arange(9) + 0.1 * rng.normal(size=9)), "ada", longest_play_min=41.0)
    return follow_progress([*improving, *falling, *rated, undated, new], START_S + 5e6)


def shown(players: Sequence[PlayerProgress]) -> list[Section]:
    found = FolderSummaries(tuple(s for p in players for s in p.sessions), (PROBLEM,), 1, 0)
    return progress_page(players, found, pictures=True)


def check_shown(sections: Sequence[Section], players: Sequence[PlayerProgress]) -> None:
    """The players' table and notes; then, player by player, a section a drill and posture, a measure each."""
    first, *rest = sections
    _check_players(first, players)
    left = [section for section in rest if section.id != "problems"]
    for player in players:
        own = [section for section in left if section.title.startswith(f"{show_name(player.player)}: ")]
        trends = list(player.trends)
        for section in own:
            check_numbers(section.title, ())
            texts = (section.sentence, *section.notes)
            for text, choice, trend in zip(texts, section.choices, trends, strict=False):
                check_numbers(text, _trend(trend))
                check_numbers(choice.label, ())
                check_numbers(choice.pictures[0].description, _trend(trend))
            trends = trends[len(texts) :]
        assert trends == []
    (problems,) = (section for section in rest if section.id == "problems")
    check_numbers(problems.sentence, [1])
    check_numbers(" ".join(problems.notes), (), [PROBLEM])


def _check_players(section: Section, players: Sequence[PlayerProgress]) -> None:
    urgent = sum(player.attention.urgency >= 3 for player in players)
    check_numbers(section.sentence, [len(players), *([urgent] if urgent else [])])
    assert section.table is not None
    for row, player in zip(section.table.rows, players, strict=True):
        name, word, last, rated, hold = row
        assert (name, word) == (show_name(player.player), player.attention.word)
        dated = [s.started_s for s in player.sessions if s.started_s is not None]
        check_numbers(last, [_day(max(dated))] if dated else ())
        ratings = [max(value for _, value in s.ratings) for s in player.sessions if s.ratings]
        check_numbers(rated, ratings[-1:])
        check_numbers(hold, _hold(player))
    notes = dict(zip((player.player for player in players), section.notes, strict=False))
    for player in players:
        dated = [s.started_s for s in player.sessions if s.started_s is not None]
        minutes = sum(s.minutes_played for s in player.sessions)
        day = [_day(min(dated))] if dated else []
        check_numbers(notes[player.player], [len(player.sessions), minutes, *day], player.attention.reasons)
    more = " ".join(section.notes[len(players) :])
    simulated = [s.simulated for p in players for s in p.sessions]
    check_numbers(more, [sum(p.undated for p in players), sum(simulated), len(simulated)])


def _hold(player: PlayerProgress) -> list[float]:
    """The newest hold tempo, by the trends themselves."""
    holds = [trend for trend in player.trends if trend.name == "hold tempo"]
    if not holds:
        return []
    point = max((trend.points[-1] for trend in holds), key=lambda point: point.started_s)
    return (
        [point.value]
        if point.notes_per_beat is None
        else [60 * point.value / point.notes_per_beat, point.notes_per_beat]
    )


def _trend(trend: MeasureTrend) -> list[float]:
    """Numbers of a measure's sentence: now, since when and by how much, and what two sessions could show."""
    notes = {point.notes_per_beat for point in trend.points}
    (only,) = notes if len(notes) == 1 else (None,)
    beats = only if trend.unit == "strokes/s" else None
    factor = 1.0 if beats is None else 60 / beats
    unit = [beats] if beats is not None else [float(n) for n in re.findall(r"\d+", trend.unit)]
    last = trend.points[-1]
    now = [factor * last.value, *unit, _day(last.started_s)]
    if trend.verdict == "beyond the ladder":
        return now
    change, sd, smallest = trend.change, trend.session_sd, trend.smallest_change
    if change is None or sd is None or smallest is None:
        return [*now, len(trend.points)]
    since = _day(min(point.started_s for point in trend.points if not point.bound))
    interval = [factor * change.low, factor * change.high]
    return [*now, factor * change.value, since, *interval, factor * sd, factor * smallest]


def _day(started_s: float) -> float:
    return datetime.fromtimestamp(started_s).toordinal()


def test_every_number_of_the_teacher_s_page_is_the_player_s_own() -> None:
    players = class_of_players()
    assert len({player.attention.urgency for player in players}) > 2
    check_shown(shown(players), players)


def test_a_wrong_number_on_the_teacher_s_page_is_seen() -> None:
    players = class_of_players()
    sections = shown(players)
    tried = 0
    for i, section in enumerate(sections):
        for wrong in changed_sections(section):
            tried += 1
            with pytest.raises(AssertionError):
                check_shown([*sections[:i], wrong, *sections[i + 1 :]], players)
    assert tried > 300


def test_a_player_s_numbers_are_never_another_s() -> None:
    """Two rows changed over: every number is on the page, but in the wrong place."""
    players = class_of_players()
    first, *rest = shown(players)
    assert first.table is not None
    names = [row[0] for row in first.table.rows]
    turned = [(name, *row[1:]) for name, row in zip(names, reversed(first.table.rows), strict=True)]
    with pytest.raises(AssertionError):
        check_shown([replace(first, table=replace(first.table, rows=tuple(turned))), *rest], players)


def test_page_and_terminal_hold_the_sections_numbers_and_no_others() -> None:
    players = class_of_players()
    sections = shown(players)
    page = read_page(render_page("Progress", sections, ()))
    for section in sections:
        rows = section.table.rows if section.table else ()
        told = {n for text in (section.title, section.sentence, *section.notes) for n in numbers(text)}
        cells = {n for row in rows for cell in row for n in numbers(cell)}
        columns = {n for name in (section.table.columns if section.table else ()) for n in numbers(name)}
        words = set(numbers(page.texts[section.id]))
        assert words - columns - {"95", "100"} <= told | cells, section.id
        assert told | cells <= words, section.id
    text = numbers(render_text(sections, ()))
    assert set(text) == {n for s in sections for t in _terminal(s) for n in numbers(t)}
    assert len(changed(render_text(sections, ()))) > 50


def _terminal(section: Section) -> list[str]:
    cells = [cell for row in (section.table.columns, *section.table.rows) for cell in row] if section.table else []
    return [section.title, section.sentence, *section.notes, *cells]
