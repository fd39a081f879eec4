"""Session files to results, for the commands that ask a question of one or more sessions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from analysis.model.errors import InputError, StrokeplaneError
from analysis.model.records import Session, SessionResult
from analysis.pipeline import analyse_session
from analysis.stroke.raps import mark_blocks_by_raps
from logger.session.session_file import read_session
from logger.terminal.progress_bar import show_progress


def analyse_file(path: Path, progress: Callable[[str, float], None] | None = None) -> tuple[Session, SessionResult]:
    """Read and analyse one session.

    Raises
    ------
    StrokeplaneError
        With the file's name in front.
    """
    session = read_session(path)
    try:
        session = mark_blocks_by_raps(session)
        return session, analyse_session(session, progress)
    except StrokeplaneError as error:
        raise type(error)(f"{path}: {error}") from error


def analyse_files(
    paths: Sequence[Path], progress: Callable[[str, float], None] = lambda _stage, _share: None
) -> list[SessionResult]:
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

        result = analyse_file(path, part)[1]
        if any(result.log_hash == other.log_hash for other in results):
            raise InputError(f"{path} holds the same session as one named before it; name each session once")
        results.append(result)
    return results


def analyse_with_progress(paths: Sequence[Path]) -> list[SessionResult]:
    """:func:`analyse_files` with a bar where it takes long."""
    with show_progress() as progress:
        return analyse_files(paths, progress)
