"""From a session, or its file, to the answer: the one way in which every command reads, marks raps and analyses."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.model.errors import InputError, StrokeplaneError
from analysis.model.records import Session, SessionResult
from analysis.pipeline import Prepared, analyse_prepared, prepare_session
from analysis.stroke.raps import mark_blocks_by_raps
from logger.session.session_file import read_session
from logger.terminal.progress_bar import show_progress

Progress = Callable[[str, float], None]


def _silent(_stage: str, _share: float) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Analysed:
    """A session as it was recorded, and what the analysis says of it; blocks that raps marked are in the result.

    ``session`` no longer has its samples; ``started_s`` is the host's time at the first that has one, or None.
    """

    session: Session
    result: SessionResult
    started_s: float | None


def analyse_recording(session: Session, progress: Progress = _silent, raps: bool = True) -> Analysed:
    """Analyse a session that was read or made.

    Parameters
    ----------
    session : Session
    progress : callable, optional
        Told the stage and the share done.
    raps : bool
        Let three raps start and end a block where none is marked.

    Returns
    -------
    Analysed

    Raises
    ------
    StrokeplaneError
        With what was damaged in the session's file, which may be why.
    """
    return _analyse(_take(session, progress, raps), progress)


@dataclass(frozen=True)
class _Taken:
    """A session without its samples, and what the analysis took from them: together they would fill the memory."""

    session: Session
    started_s: float | None
    prepared: Prepared


def _take(session: Session, progress: Progress, raps: bool) -> _Taken:
    known = session.raw.host_time_s
    known = known[np.isfinite(known)]
    started_s = float(known[0]) if known.size else None
    with _damage_told(session.warnings):
        prepared = prepare_session(mark_blocks_by_raps(session) if raps else session, progress)
    return _Taken(session.without_samples(), started_s, prepared)


def _analyse(taken: _Taken, progress: Progress) -> Analysed:
    with _damage_told(taken.session.warnings):
        return Analysed(taken.session, analyse_prepared(taken.prepared, progress), taken.started_s)


@contextlib.contextmanager
def _damage_told(warnings: Sequence[str]) -> Iterator[None]:
    """An error's sentence goes on with what was damaged in the file, which may be why."""
    try:
        yield
    except StrokeplaneError as error:
        if not warnings:
            raise
        raise _with_damage(error, warnings) from error


def _with_damage(error: StrokeplaneError, warnings: Sequence[str]) -> StrokeplaneError:
    """The error, and behind it what was damaged in the file."""
    facts = error.facts.copy()
    if "next_step" not in facts:
        return type(error)(". ".join(part for part in (error.problem, *warnings) if part), **facts)
    facts["next_step"] = ". ".join((facts["next_step"], *warnings))
    return type(error)(error.problem, **facts)


def analyse_file(path: Path, progress: Progress = _silent, raps: bool = True, instrument: bool = True) -> Analysed:
    """Read and analyse one session file, as :func:`analyse_recording`.

    Parameters
    ----------
    path : Path
        Session file.
    progress : callable
        Takes a stage's name and the share that is done, 0 to 1.
    raps : bool
        Whether three raps begin and end blocks where no marks do.
    instrument : bool
        Whether a sensor on the instrument, where there is one, is listened to.

    Returns
    -------
    Analysed

    Raises
    ------
    StrokeplaneError
        With the file's name in front.
    """
    progress(f"Reading {path.name}", 0.0)
    session = [_read(path, instrument)]
    try:
        # Handed on without a name here, which would keep the samples.
        return _analyse(_take(session.pop(), progress, raps), progress)
    except StrokeplaneError as error:
        raise error.at(file=str(path)) from error


def _read(path: Path, instrument: bool) -> Session:
    session = read_session(path)
    if not instrument:
        session = replace(session, streams=tuple(each for each in session.streams if each.role != "instrument"))
    return session


def analyse_files(paths: Sequence[Path], progress: Progress = _silent) -> list[SessionResult]:
    """Read and analyse sessions in the order given.

    Raises
    ------
    InputError
        A session that is named twice, under whatever name.
    StrokeplaneError
        With the file's name in front.
    """
    results: list[SessionResult] = []
    for number, path in enumerate(paths):

        def part(stage: str, share: float, path: Path = path, number: int = number) -> None:
            progress(f"{path.name}: {stage}", (number + share) / len(paths))

        result = analyse_file(path, part).result
        if any(result.log_hash == other.log_hash for other in results):
            raise InputError(
                f"{path} holds the same session as one named before it",
                next_step="name each session once",
            )
        results.append(result)
    return results


def analyse_with_progress(paths: Sequence[Path]) -> list[SessionResult]:
    """:func:`analyse_files` with a bar where it takes long.

    Parameters
    ----------
    paths : sequence of Path
        Session files.

    Returns
    -------
    list of SessionResult
        In the order of the paths.

    Raises
    ------
    StrokeplaneError
        With the name of the file at fault.
    """
    with show_progress() as progress:
        return analyse_files(paths, progress)
