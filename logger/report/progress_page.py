"""What ``strokeplane progress`` shows: one player's weeks, or a teacher's page of many players."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from analysis.model.cautions import BREAKS, NOT_MEDICAL, SIMULATED, STOP
from analysis.model.errors import InputError
from analysis.questions.progress import PlayerProgress, follow_progress
from analysis.report.progress_sections import in_bpm, progress_sections, say_notes, say_progress, show_name
from analysis.report.sections import Section, Table
from logger.many.session_cache import FolderSummaries


def only_player(found: FolderSummaries, player: str) -> FolderSummaries:
    """The sessions of one player of a folder.

    Parameters
    ----------
    found : FolderSummaries
    player : str
        As typed, or as shown.

    Returns
    -------
    FolderSummaries

    Raises
    ------
    InputError
        No session of that player.
    """
    own = tuple(s for s in found.summaries if player in (s.player, show_name(s.player)))
    if found.summaries and not own:
        names = sorted({show_name(s.player) for s in found.summaries})
        raise InputError(
            expected=f"a player of this folder ({', '.join(names)})",
            found=f"{player!r}",
            next_step="correct the name",
        )
    return replace(found, summaries=own)


def put_out_progress(found: FolderSummaries, now_s: float | None, outputs: tuple[Path | None, Path | None]) -> None:
    """Follow the players of a folder and print or write it.

    Parameters
    ----------
    found : FolderSummaries
        The sessions' summaries, and what could not be read.
    now_s : float or None
        Seconds since the epoch, from which breaks are counted; None for no such count.
    outputs : (Path or None, Path or None)
        JSON file and page.

    Raises
    ------
    NotEnoughDataError
        No usable session.
    """
    from logger.report.answer_output import put_out

    players = follow_progress(found.summaries, now_s)
    sections = progress_page(players, found, pictures=outputs[1] is not None)
    answer = {"players": players, "problems": found.problems, "computed": found.computed, "kept": found.kept}
    mark = (SIMULATED,) if any(s.simulated for s in found.summaries) else ()
    put_out("Progress", sections, answer, (STOP, BREAKS, NOT_MEDICAL, *mark), outputs)


def progress_page(players: Sequence[PlayerProgress], found: FolderSummaries, pictures: bool) -> list[Section]:
    """Who needs attention, the weeks of each player (of a single one where there are no pictures), what is amiss.

    Parameters
    ----------
    players : sequence of PlayerProgress
        Who needs attention first.
    found : FolderSummaries
    pictures : bool
        Whether they go into a page.
    """
    sections = [players_section(players)]
    if pictures or len(players) == 1:
        for number, player in enumerate(players):
            own = progress_sections(player, f"player-{number}", pictures, local_day)
            head = f"{show_name(player.player)}: " if len(players) > 1 else ""
            sections += [Section(s.id, head + s.title, s.sentence, s.choices, s.table, s.notes) for s in own]
    if found.problems:
        count = len(found.problems)
        said = f"{count} file{'s' * (count != 1)} could not be used."
        sections.append(Section("problems", "Left out", said, notes=found.problems))
    return sections


def players_section(players: Sequence[PlayerProgress]) -> Section:
    """One row a player, who needs attention first; below, the one thing to do for each, and why."""
    columns = ("Player", "Attention", "Last", "Rated, of 10", "Hold tempo")
    notes = tuple(say_progress(player, local_day) for player in players)
    if len(players) == 1:
        sentence, notes = notes[0], ()
    else:
        urgent = sum(player.attention.urgency >= 3 for player in players)
        verb, stand = ("needs", "comes") if urgent == 1 else ("need", "come")
        first = f"{urgent} of them {verb} attention soon or at once, and {stand} first" if urgent else ""
        sentence = f"{len(players)} players; {first or 'none needs it soon'}."
    undated = sum(player.undated for player in players)
    if undated:
        told = "They are left out of every trend; sessions that the logger recorded carry a date."
        notes = (*notes, f"Sessions without a date: {undated}. {told}")
    simulated = [session.simulated for player in players for session in player.sessions]
    if any(simulated):
        notes = (*notes, f"Simulated sessions, which nobody played: {sum(simulated)} of {len(simulated)}.")
    table = Table("Players, as of their last session", columns, tuple(_row(player) for player in players))
    return Section("players", "Who needs attention?", sentence, table=table, notes=notes)


def local_day(started_s: float) -> str:
    """The date of a moment where this computer stands."""
    return datetime.fromtimestamp(started_s).strftime("%Y-%m-%d")


def _row(player: PlayerProgress) -> tuple[str, ...]:
    dated = [s.started_s for s in player.sessions if s.started_s is not None]
    return (
        show_name(player.player),
        player.attention.word,
        local_day(max(dated)) if dated else "",
        _rated_now(player),
        _hold_now(player),
    )


def _rated_now(player: PlayerProgress) -> str:
    """The highest rating of the newest session that holds one."""
    rated = [s for s in player.sessions if s.ratings]
    return f"{max(value for _, value in rated[-1].ratings):g}" if rated else ""


def _hold_now(player: PlayerProgress) -> str:
    """The newest hold tempo: beats a minute and notes a beat where they are known, else strokes a second."""
    holds = [trend for trend in player.trends if trend.name == "hold tempo"]
    if not holds:
        return ""
    newest = max((replace(t, points=t.points[-1:]) for t in holds), key=lambda trend: trend.points[0].started_s)
    (point,), unit = in_bpm(newest).points, in_bpm(newest).unit
    bound = {"at least": "≥ ", "below": "< "}.get(point.bound, "")
    if point.notes_per_beat is None:
        return f"{bound}{point.value:.1f} {unit}"
    return f"{bound}{point.value:.0f} BPM, {say_notes(point.notes_per_beat)}"
