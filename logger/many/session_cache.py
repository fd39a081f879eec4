"""Summaries of sessions kept beside them, so that a thousand sessions are not analysed anew every week."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from analysis.model.errors import InputError
from analysis.questions.session_summary import GroupSummary, SessionSummary
from logger.many import session_store
from logger.many.session_store import open_store
from logger.many.session_work import bring_up_to_date, local_crew, outcomes

CACHE_NAME = ".strokeplane-summaries.sqlite"
SUFFIX = ".mcap"


@dataclass(frozen=True)
class FolderSummaries:
    """What a folder holds.

    Attributes
    ----------
    summaries : tuple of SessionSummary
        By file name.
    problems : tuple of str
        One sentence a file that could not be used.
    computed, kept : int
        Sessions analysed now, and taken from the cache.
    """

    summaries: tuple[SessionSummary, ...]
    problems: tuple[str, ...]
    computed: int
    kept: int


def summarise_folder(
    folder: Path, jobs: int | None = None, progress: Callable[[str, float], None] = lambda _stage, _share: None
) -> FolderSummaries:
    """Summarise every session in a folder and the folders in it; what was summarised before is not analysed again.

    Parameters
    ----------
    folder : Path
    jobs : int, optional
        Worker processes; as many as there are cores if left out.
    progress : callable, optional
        Told the stage and the share done.

    Returns
    -------
    FolderSummaries

    Raises
    ------
    InputError
        No such folder, or no session in it.
    """
    if not folder.is_dir():
        raise InputError(
            expected="a folder with session files",
            found=f"no folder {folder}",
            next_step="name one",
        )
    paths = [path for path in folder.rglob(f"*{SUFFIX}") if path.is_file()]
    if not paths:
        raise InputError(
            expected=f"session files ({SUFFIX}) in {folder}",
            found="none",
            next_step="record or import one into it",
        )
    named = sorted((path.relative_to(folder).as_posix(), path) for path in paths)
    summaries, problems = [], []
    with open_store(folder / CACHE_NAME, fingerprint()) as (store, warnings):
        done = bring_up_to_date(store, named, _summarise, local_crew(jobs, len(named)), progress)
        for name, path, entry in outcomes(store, named, done):
            if isinstance(entry.content, str):
                summaries.append(replace(decode_summary(entry.content), name=name, log_hash=entry.digest))
            else:
                problems.append(entry.sentence(path))
    return FolderSummaries(tuple(summaries), (*warnings, *problems), done.computed, done.kept)


def fingerprint() -> str:
    """What a summary depends on besides its session."""
    return session_store.fingerprint("summaries 7")


def encode_summary(summary: SessionSummary) -> str:
    """A summary as JSON."""
    return json.dumps(asdict(summary), allow_nan=False)


def decode_summary(text: str) -> SessionSummary:
    """A summary from its JSON."""
    record: dict[str, Any] = json.loads(text)
    groups = tuple(GroupSummary(**group) for group in record.pop("groups"))
    ratings = tuple((label, value) for label, value in record.pop("ratings"))
    lever = record.pop("lever_mm")
    place = None if lever is None else (lever[0], lever[1], lever[2])
    return SessionSummary(**record, groups=groups, ratings=ratings, lever_mm=place)


def _summarise(path: Path) -> tuple[str, str]:
    """Analyse one session; its hash and its summary as JSON, without its name."""
    from analysis.questions.summarise_session import summarise_session
    from logger.many.analyse import analyse_file

    found = analyse_file(path)
    summary = summarise_session(found.result, "", found.started_s)
    return found.session.log_hash, encode_summary(summary)
