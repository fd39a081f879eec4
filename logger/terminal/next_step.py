"""What to do next, in six lines, given what lies in the folder: nothing, a log, a session, a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

FEW_WEEKS = 4
"""Sessions from which it is worth asking for progress."""
LOG_ENDINGS = (".csv", ".tsv", ".txt", ".zip", ".gz", ".parquet")
WIDTH = 48


@dataclass(frozen=True)
class FolderContents:
    """Names of what a folder holds, the newest first."""

    sessions: tuple[str, ...] = ()
    logs: tuple[str, ...] = ()
    plans: tuple[str, ...] = ()
    player_known: bool = False


def look_into(folder: Path, player_known: bool) -> FolderContents:
    """What a folder holds by the names of its files; a plan is a TOML file with a ``[[block]]``.

    Parameters
    ----------
    folder : Path
    player_known : bool
        Whether this computer knows a player already.

    Returns
    -------
    FolderContents
    """
    files = sorted((f for f in folder.iterdir() if f.is_file()), key=lambda f: f.stat().st_mtime, reverse=True)
    return FolderContents(
        sessions=tuple(f.name for f in files if f.suffix == ".mcap"),
        logs=tuple(f.name for f in files if f.suffix.lower() in LOG_ENDINGS),
        plans=tuple(f.name for f in files if f.suffix == ".toml" and b"[[block]]" in f.read_bytes()[:100_000]),
        player_known=player_known,
    )


def next_steps(contents: FolderContents) -> tuple[str, ...]:
    r"""At most six lines: what is there, then commands that make sense now, each with what it does.

    Parameters
    ----------
    contents : FolderContents

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> print("\n".join(next_steps(FolderContents(sessions=("evening.mcap",)))))
    In this folder: 1 session.
      strokeplane analyse evening.mcap                what your newest one shows
      strokeplane start                               set up player and sensor
      strokeplane --help                              list every command
    """
    steps: list[tuple[str, str]] = []
    if contents.sessions:
        steps.append((f"analyse {_quoted(contents.sessions[0])}", "what your newest one shows"))
    if len(contents.sessions) >= FEW_WEEKS:
        steps.append(("progress .", "are you getting better?"))
    if contents.plans:
        steps.append((f"live {_quoted(contents.plans[0])}", "play your plan on a page"))
    if contents.logs and not contents.sessions:
        steps.append((f"import {_quoted(contents.logs[0])}", "make a session of it"))
    if not contents.player_known:
        steps.append(("start", "set up player and sensor"))
        if not contents.sessions:
            steps.append(("live --source simulated -o try.mcap", "try it, no sensor needed"))
    elif not contents.plans:
        steps.append(("live -o tonight.mcap", "record tonight on a page"))
    steps = [*steps[:4], ("--help", "list every command")]
    return (_what_is_there(contents), *(f"  {'strokeplane ' + command:<{WIDTH}}{what}" for command, what in steps))


def _quoted(name: str) -> str:
    return f'"{name}"' if " " in name else name


def _what_is_there(contents: FolderContents) -> str:
    counted = [
        _count(names, word)
        for names, word in ((contents.sessions, "session"), (contents.logs, "log"), (contents.plans, "plan"))
        if names
    ]
    return f"In this folder: {', '.join(counted)}." if counted else "In this folder: no session, log or plan yet."


def _count(names: Sequence[str], word: str) -> str:
    return f"{len(names)} {word}{'s' * (len(names) != 1)}"
