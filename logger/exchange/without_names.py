"""Sessions for others without the players' names: each player is ``p01``, ``p02``, ... wherever a name was typed.

Numbers follow the hashes of the players' sessions, not the alphabet and not the order of the files. Sound is left out,
for a voice is a name. What is not a name stays: hands, dates, instruments, the sensor's own number.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.model.records import OFF_HAND, Event, Session
from logger.exchange.motion_bids import participant_labels, session_labels
from logger.many.session_cache import FolderSummaries
from logger.session.session_file import read_session

SHORTEST = 2
"""A single letter is part of too many words to be taken for a part of somebody's name."""


@dataclass(frozen=True)
class Alias:
    """What a session is called in an export without names.

    Attributes
    ----------
    player : str
        In place of the player's name.
    path : Path
        In place of the session file's, for the names of files made from it.
    """

    player: str
    path: Path


def make_aliases(paths: Sequence[Path], chosen: Mapping[str, str]) -> list[Alias]:
    """An alias for each session, alike for sessions of one player.

    Parameters
    ----------
    paths : sequence of Path
        Session files.
    chosen : mapping of str to str
        Labels for some players' names; the others are numbered.

    Returns
    -------
    list of Alias
        In the order given.

    Raises
    ------
    SessionFileError
        A file cannot be read.
    InputError
        Two players would have one label.
    """
    sessions = [read_session(path) for path in paths]
    labels = number_players([(s.player.name, s.log_hash) for s in sessions], chosen)
    players = participant_labels([(s.player, str(path)) for s, path in zip(sessions, paths, strict=True)], labels)
    host = [session.raw.host_time_s for session in sessions]
    started = [float(times[0]) if times.size else float("nan") for times in host]
    numbers = session_labels(players, started)
    return [Alias(p, Path(f"{p}-{number}.mcap")) for p, number in zip(players, numbers, strict=True)]


def number_players(known: Sequence[tuple[str, str]], chosen: Mapping[str, str]) -> dict[str, str]:
    """Labels by players' names.

    Parameters
    ----------
    known : sequence of (str, str)
        A session's player and its file's hash.
    chosen : mapping of str to str
        Labels that were asked for.

    Returns
    -------
    dict of str to str

    Examples
    --------
    >>> number_players([("ada", "b"), ("bo", "a"), ("ada", "c")], {})
    {'bo': 'p01', 'ada': 'p02'}
    """
    order = dict.fromkeys(name for name, _ in sorted(known, key=lambda one: one[1]))
    free = (label for number in range(1, 10_000) if (label := f"p{number:02}") not in chosen.values())
    return {name: chosen.get(name) or next(free) for name in order}


def without_name(session: Session, path: Path, alias: Alias) -> Session:
    """A session in which the player's name, its single words and the file's name are the alias.

    Parameters
    ----------
    session : Session
    path : Path
        Of its file.
    alias : Alias

    Returns
    -------
    Session
        Without attachments.
    """
    clean = _cleaner(session.player.name, path, alias.player)
    files = {key: alias.path.name for key in session.metadata if key.endswith(("imported_from", "column_map"))}
    kept = {clean(key): clean(value) for key, value in session.metadata.items() if key != "synthetic"}
    marks = {key: value for key, value in session.metadata.items() if key == "synthetic"}
    return replace(
        session,
        player=replace(session.player, name=alias.player),
        instrument=replace(session.instrument, name=clean(session.instrument.name)),
        events=tuple(_clean_event(event, clean) for event in session.events),
        warnings=tuple(clean(warning) for warning in session.warnings),
        metadata={**kept, **files, **marks},
        attachments=(),
    )


def summaries_without_names(found: FolderSummaries) -> FolderSummaries:
    """Summaries in which players, their files and whatever was typed of a name are labels.

    Parameters
    ----------
    found : FolderSummaries

    Returns
    -------
    FolderSummaries
        Files that could not be used are only counted: they are known by nothing but their names.
    """
    labels = number_players([(s.player, s.log_hash) for s in found.summaries], {})
    players = [labels[summary.player] for summary in found.summaries]
    started = [float("nan") if s.started_s is None else s.started_s for s in found.summaries]
    cleaned = []
    for summary, player, number in zip(found.summaries, players, session_labels(players, started), strict=True):
        clean = _cleaner(summary.player, Path(summary.name), player)
        groups = tuple(replace(g, drill=clean(g.drill), posture=clean(g.posture)) for g in summary.groups)
        ratings = tuple((clean(label), value) for label, value in summary.ratings)
        nameless = replace(summary, name=f"{player}-{number}", player=player, instrument=clean(summary.instrument))
        cleaned.append(replace(nameless, groups=groups, ratings=ratings))
    count = len(found.problems)
    problems = (f"{count} file{'s' * (count != 1)}; without --without-names they are named.",) if count else ()
    return replace(found, summaries=tuple(cleaned), problems=problems)


def _cleaner(name: str, path: Path, label: str) -> Callable[[str], str]:
    """What puts a label in place of a player's name, of its single words and of the file's name."""
    words = [word for word in (name, *name.split()) if len(word) >= SHORTEST]
    typed = sorted({*words, path.stem}, key=len, reverse=True)
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(word)}(?!\w)" for word in typed), re.IGNORECASE)
    return lambda text: text if text == OFF_HAND else pattern.sub(label, text)


def _clean_event(event: Event, clean: Callable[[str], str]) -> Event:
    """An event with its typed words cleaned; its kind is none of them."""
    return replace(event, label=clean(event.label), posture=clean(event.posture), drill=clean(event.drill))
