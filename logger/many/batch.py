"""Many sessions into one table of strokes and one of blocks, resumable, on this computer or on a cluster."""

from __future__ import annotations

import contextlib
import glob
import itertools
import json
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path

from analysis.model.cautions import session_cautions
from analysis.model.errors import InputError, OutputError
from analysis.pipeline import Settings
from logger.files.atomic_file import reason
from logger.many.batch_tables import BLOCKS_NAME, SESSIONS_NAME, STROKES_NAME, BatchCount, tabulate_file, write_tables
from logger.many.session_cache import SUFFIX
from logger.many.session_store import SessionStore, fingerprint
from logger.many.session_work import (
    Analyse,
    Crew,
    Progress,
    WorkDone,
    analyse_one,
    bring_up_to_date,
    find_unknown,
    outcomes,
)

STORE_NAME = ".strokeplane-batch.sqlite"
FORM = "batch 2"
"""Of what is kept of a session; another name for another layout."""

TRIES = 5
"""Sessions tried to measure the cost, where some cannot be analysed."""

Named = list[tuple[str, Path]]


@dataclass(frozen=True)
class BatchResult:
    """What a batch came to; ``seconds`` went by.

    Attributes
    ----------
    count : BatchCount
        Rows written.
    done : WorkDone
        What was computed and what was kept.
    sessions : int
        Number of them.
    seconds : float
    """

    count: BatchCount
    done: WorkDone
    sessions: int
    seconds: float


@dataclass(frozen=True)
class Forecast:
    """What a batch would do.

    Attributes
    ----------
    sessions, known : int
        Found; of which done before.
    megabytes : float
        Of the sessions that are left.
    sample : str
        Name of the one that was analysed to measure the cost; empty where none could be.
    sample_s, left_s : float
        What that took one worker; what all that are left would take one, by their size.
    """

    sessions: int
    known: int
    megabytes: float
    sample: str = ""
    sample_s: float = 0.0
    left_s: float = 0.0


def find_sessions(places: Sequence[str]) -> Named:
    """Sessions in folders (and the folders in them), under patterns, or named; with names for the table.

    Parameters
    ----------
    places : sequence of str
        Folders, files, or patterns with ``*``, ``?``, ``[...]`` and ``**``.

    Returns
    -------
    list of (str, Path)
        In the order of their names. A name is the path from the folder that holds all the places.

    Raises
    ------
    InputError
        A place with no session.
    """
    roots, paths = [], set()
    for place in places:
        root, found = _sessions_at(place)
        if not found:
            raise InputError(
                expected=f"session files ({SUFFIX}) at {place}",
                found="none",
                next_step="name a folder that holds some",
            )
        # Links are not followed: a name stays within the folder that was named.
        roots.append(os.path.normpath(root.absolute()))
        paths |= {Path(os.path.normpath(path.absolute())) for path in found}
    try:
        common = Path(os.path.commonpath(roots))
    except ValueError as error:
        raise InputError(
            expected="sessions on one drive",
            found="several",
            next_step="run one batch per drive",
        ) from error
    return sorted((path.relative_to(common).as_posix(), path) for path in paths)


def _sessions_at(place: str) -> tuple[Path, list[Path]]:
    """The folder that names start from, and the sessions."""
    path = Path(place)
    if path.is_dir():
        return path, [found for found in path.rglob(f"*{SUFFIX}") if found.is_file()]
    if path.exists():
        return path.parent, [path]
    fixed = list(itertools.takewhile(lambda part: not glob.has_magic(part), path.parts))
    root, pattern = Path(*fixed), path.parts[len(fixed) :]
    found: list[Path] = []
    for match in root.glob("/".join(pattern)) if pattern else ():
        found += _sessions_at(str(match))[1] if match.is_dir() else [match] * (match.suffix == SUFFIX)
    return root, found


def check_folder(folder: Path) -> None:
    """Refuse an output folder that holds anything but a batch's own files.

    Parameters
    ----------
    folder : Path
        May not exist yet.

    Raises
    ------
    OutputError
        It is no folder, holds something foreign, or cannot be read.
    """
    ours = (STROKES_NAME, BLOCKS_NAME, SESSIONS_NAME)
    try:
        if not folder.exists():
            return
        names = sorted(path.name for path in folder.iterdir())
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written to ({reason(error)})",
            next_step="name another folder",
        ) from error
    foreign = [
        name for name in names if name not in ours and not name.startswith((STORE_NAME, *(f".{n}." for n in ours)))
    ]
    if foreign or (names and STORE_NAME not in names):
        raise OutputError(
            f"{folder} holds {(foreign or names)[0]}, which no batch wrote there",
            next_step="name a new or empty folder",
        )


def run_batch(
    named: Named, folder: Path, crew: Crew, progress: Progress, analyse: Analyse = tabulate_file
) -> BatchResult:
    """Analyse what was not analysed before, then write the tables of all.

    Parameters
    ----------
    named : list of (str, Path)
        As from :func:`find_sessions`.
    folder : Path
        Made if it does not exist.
    crew : Crew
    progress : callable
    analyse : callable
        :func:`logger.many.batch_tables.tabulate_file`, or something around it that measures.

    Returns
    -------
    BatchResult

    Raises
    ------
    OutputError
        The folder cannot be written to, or holds something foreign.
    ClusterError
        The workers were lost; what was done is kept.
    InputError
        No session could be used; the list of them says why.
    """
    began = time.monotonic()
    check_folder(folder)
    with _open_store(folder) as store:
        done = bring_up_to_date(store, named, analyse, crew, progress)
        progress("writing tables", 1.0)
        found = ((name, entry) for name, _, entry in outcomes(store, named, done))
        count = write_tables(folder, found, _provenance())
    if not count.used:
        raise InputError(
            f"expected sessions that can be analysed, found none in {len(named)}: {count.problems[0]}"
            + (f"; {folder / SESSIONS_NAME} says what is wrong with the others" if len(named) > 1 else "")
        )
    return BatchResult(count, done, len(named), time.monotonic() - began)


def forecast_batch(named: Named, folder: Path) -> Forecast:
    """Say what is left to do and, from one session of middling size, what each will cost; nothing is kept.

    Parameters
    ----------
    named : Named
        The session files by the names they get in the tables.
    folder : Path
        Where the batch keeps or will keep its results.

    Returns
    -------
    Forecast
        Sizes in MB, times in s.

    Raises
    ------
    OutputError
        The folder holds something foreign.
    """
    check_folder(folder)
    done = WorkDone()
    path = folder / STORE_NAME
    with _open_store(folder) if path.exists() else contextlib.closing(SessionStore(None, made_by())) as store:
        left = sorted(find_unknown(store, named, done), key=lambda file: file.size)
    size = sum(file.size for file in left)
    plain = Forecast(len(named), done.kept, size / 1e6)
    for sample in left[len(left) // 2 :][:TRIES]:
        # The first one also loads what the others find loaded, and says whether it can be analysed at all.
        if analyse_one(tabulate_file, sample).problem is None:
            seconds = analyse_one(tabulate_file, sample).seconds
            return replace(plain, sample=sample.name, sample_s=seconds, left_s=seconds * size / sample.size)
    return plain


def made_by() -> str:
    """What is kept of a session depends on this, besides the session."""
    return fingerprint(FORM)


@contextlib.contextmanager
def _open_store(folder: Path) -> Iterator[SessionStore]:
    path = folder / STORE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        store = SessionStore(path, made_by())
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written to ({reason(error)})",
            next_step="name another folder",
        ) from error
    except sqlite3.Error as error:
        raise OutputError(
            f"{path} cannot be used ({error})",
            next_step="delete it, or name another folder",
        ) from error
    with contextlib.closing(store):
        yield store


def _provenance() -> dict[str, str]:
    """Where the tables come from; the same for every run that gives the same tables."""
    return {
        "version": version("strokeplane"),
        "analysis": made_by(),
        "settings": json.dumps(asdict(Settings())),
        "cautions": " ".join(session_cautions((), True)),
    }
