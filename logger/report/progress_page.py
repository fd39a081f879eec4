"""What ``strokeplane progress`` shows: one player's weeks, or a teacher's page of many players."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from analysis.model.cautions import BREAKS, NOT_MEDICAL, STOP
from analysis.model.errors import InputError
from analysis.model.number_words import signed
from analysis.questions.progress import PlayerProgress, follow_progress
from analysis.report.progress_sections import progress_sections, say_progress
from analysis.report.sections import Section, Table
from logger.many.session_cache import FolderSummaries

NO_NAME = "(no name)"


def put_out_progress(
    found: FolderSummaries, player: str | None, now_s: float | None, outputs: tuple[Path | None, Path | None]
) -> None:
    """Follow the players of a folder and print or write it.

    Parameters
    ----------
    found : FolderSummaries
        The sessions' summaries, and what could not be read.
    player : str or None
        The only one to show, or None for all.
    now_s : float or None
        Seconds since the epoch, from which breaks are counted; None for no such count.
    outputs : (Path or None, Path or None)
        JSON file and page.

    Raises
    ------
    InputError
        No session of the player asked for.
    NotEnoughDataError
        No usable session.
    """
    from logger.report.answer_output import put_out

    summaries = found.summaries
    if player is not None:
        names = sorted({s.player or NO_NAME for s in summaries})
        summaries = tuple(s for s in summaries if player in (s.player, s.player or NO_NAME))
        if not summaries:
            raise InputError(
                expected=f"a player of this folder ({', '.join(names)})",
                found=f"{player!r}",
                next_step="correct the name",
            )
    players = follow_progress(summaries, now_s)
    sections = progress_page(players, found, pictures=outputs[1] is not None)
    answer = {"players": players, "problems": found.problems, "computed": found.computed, "kept": found.kept}
    put_out("Progress", sections, answer, (STOP, BREAKS, NOT_MEDICAL), outputs)


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
            own = progress_sections(player, f"player-{number}", pictures)
            head = f"{player.player or NO_NAME}: " if len(players) > 1 else ""
            sections += [Section(s.id, head + s.title, s.sentence, s.choices, s.table, s.notes) for s in own]
    if found.problems:
        count = len(found.problems)
        said = f"{count} file{'s' * (count != 1)} could not be used."
        sections.append(Section("problems", "Left out", said, notes=found.problems))
    return sections


def players_section(players: Sequence[PlayerProgress]) -> Section:
    """One row a player, who needs attention first, with the reason."""
    rows = tuple(_row(player) for player in players)
    columns = ("Player", "Attention", "Sessions", "Last", "Minutes", "Rated, of 10", "Hold tempo, /s")
    if len(players) == 1:
        sentence = say_progress(players[0])
    else:
        urgent = sum(player.attention.urgency >= 3 for player in players)
        verb = "needs" if urgent == 1 else "need"
        said = f"{urgent} of them {verb} attention soon or at once, and stand first" if urgent else "none needs it soon"
        sentence = f"{len(players)} players; {said}."
    undated = sum(player.undated for player in players)
    why = [(p.player or NO_NAME, "; ".join(p.attention.reasons)) for p in players if len(players) > 1]
    notes = [f"{name}: {reasons}." for name, reasons in why if reasons]
    if undated:
        notes.append(
            f"Sessions without a date: {undated}. They are in no trend; sessions recorded with the logger hold theirs."
        )
    return Section(
        "players",
        "Who needs attention",
        sentence,
        table=Table("Players", columns, rows),
        notes=tuple(notes),
    )


def _row(player: PlayerProgress) -> tuple[str, ...]:
    dated = [s.started_s for s in player.sessions if s.started_s is not None]
    return (
        player.player or NO_NAME,
        player.attention.word,
        str(len(player.sessions)),
        datetime.fromtimestamp(max(dated)).strftime("%Y-%m-%d") if dated else "",
        f"{sum(s.minutes_played for s in player.sessions):.0f}",
        _rated_now(player),
        _hold_now(player),
    )


def _rated_now(player: PlayerProgress) -> str:
    """The highest rating of the newest session that holds one."""
    rated = [s for s in player.sessions if s.ratings]
    return f"{max(value for _, value in rated[-1].ratings):g}" if rated else ""


def _hold_now(player: PlayerProgress) -> str:
    """The newest hold tempo, strokes a second."""
    holds = [t.points[-1] for t in player.trends if t.name == "hold tempo"]
    if not holds:
        return ""
    newest = max(holds, key=lambda point: point.started_s)
    bound = {"at least": "≥ ", "below": "< "}.get(newest.bound, "")
    return f"{bound}{signed(newest.value)}"
