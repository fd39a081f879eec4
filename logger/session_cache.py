"""Summaries of sessions kept beside them, so that a thousand sessions are not analysed anew every week.

One SQLite file in the folder. A summary counts as long as the session's bytes (SHA-256) and the analysis are unchanged:
its version, its settings (which are its defaults here) and its code. A file whose size and time of change are as they
were is not even read; where they differ, it is hashed, and only analysed if its hash is new: a file that was copied or
renamed costs nothing.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from typing import Any

from analysis.errors import InputError, SessionFileError, StrokeplaneError
from analysis.session_summary import GroupSummary, SessionSummary
from logger.atomic_file import reason

CACHE_NAME = ".strokeplane-summaries.sqlite"
SUFFIX = ".mcap"
SCHEMA = 1
SETTLED_S = 2.0
"""A file changed less than this before it was read may change again within one tick of the file system's clock."""

_TABLE = """
CREATE TABLE IF NOT EXISTS summaries (
    name TEXT PRIMARY KEY, size INTEGER, changed_ns INTEGER, hash TEXT, made_by TEXT, summary TEXT, problem TEXT
)
"""


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


@dataclass(frozen=True)
class _Entry:
    """One session's outcome: a summary as JSON, or the sentence that says why there is none."""

    name: str
    size: int
    changed_ns: int
    digest: str
    summary: str | None
    problem: str | None


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
        raise InputError(f"expected a folder with session files, found no folder {folder}; name one")
    paths = sorted(path for path in folder.rglob(f"*{SUFFIX}") if path.is_file())
    if not paths:
        raise InputError(f"expected session files ({SUFFIX}) in {folder}, found none; record or import one into it")
    progress("looking for sessions", 0.0)
    made_by = fingerprint()
    with _open_cache(folder) as (cache, warnings):
        entries, waiting = _known(cache, folder, paths, made_by)
        cache.commit()
        for entry in _compute(folder, waiting, jobs, progress):
            entries[entry.name] = entry
            _keep(cache, entry, made_by)
            cache.commit()
    ordered = [entries[name] for name in sorted(entries)]
    return FolderSummaries(
        tuple(decode_summary(e.summary) for e in ordered if e.summary is not None),
        (*warnings, *(e.problem for e in ordered if e.problem is not None)),
        len(waiting),
        len(paths) - len(waiting),
    )


@functools.cache
def fingerprint() -> str:
    """What a summary depends on besides the session: version, and every line of the analysis with its settings."""
    digest = hashlib.sha256(f"{SCHEMA} {version('strokeplane')}".encode())
    modules = sorted(
        (entry for entry in resources.files("analysis").iterdir() if entry.name.endswith(".py")),
        key=lambda entry: entry.name,
    )
    for module in modules:
        digest.update(module.read_bytes())
    return digest.hexdigest()


def encode_summary(summary: SessionSummary) -> str:
    """A summary as JSON."""
    return json.dumps(asdict(summary), allow_nan=False)


def decode_summary(text: str) -> SessionSummary:
    """A summary from its JSON."""
    record: dict[str, Any] = json.loads(text)
    groups = tuple(GroupSummary(**group) for group in record.pop("groups"))
    ratings = tuple((label, value) for label, value in record.pop("ratings"))
    return SessionSummary(**record, groups=groups, ratings=ratings)


@contextlib.contextmanager
def _open_cache(folder: Path) -> Iterator[tuple[sqlite3.Connection, list[str]]]:
    """Open the folder's cache; where it cannot be kept, one in memory and a sentence that says so."""
    path, warnings = folder / CACHE_NAME, []
    try:
        cache = _connect(path)
    except sqlite3.Error as error:
        warnings.append(
            f"{path} cannot be used ({error}): every session is analysed again; delete it or make it writable"
        )
        cache = _connect(Path(":memory:"))
    with contextlib.closing(cache):
        yield cache, warnings


def _connect(path: Path) -> sqlite3.Connection:
    cache = sqlite3.connect(path, timeout=10.0)
    try:
        cache.execute(_TABLE)
        # Found out now, not after an hour of analysis.
        cache.execute("DELETE FROM summaries WHERE name = ''")
        cache.commit()
    except sqlite3.Error:
        cache.close()
        raise
    return cache


def _known(
    cache: sqlite3.Connection, folder: Path, paths: Sequence[Path], made_by: str
) -> tuple[dict[str, _Entry], list[tuple[Path, int, int, str]]]:
    """Entries that still count, and (path, size, time of change, hash) of the files that must be analysed."""
    columns = "name, size, changed_ns, hash, summary, problem"
    rows = cache.execute(f"SELECT {columns} FROM summaries WHERE made_by = ?", (made_by,)).fetchall()
    by_name = {row[0]: _Entry(*row) for row in rows}
    by_hash = {entry.digest: entry for entry in by_name.values()}
    entries: dict[str, _Entry] = {}
    waiting = []
    for path in paths:
        name = path.relative_to(folder).as_posix()
        try:
            now = time.time_ns()
            stat = path.stat()
            entry = by_name.get(name)
            if entry is not None and (entry.size, entry.changed_ns) == (stat.st_size, stat.st_mtime_ns):
                entries[name] = entry
                continue
            digest = _hash(path)
        except OSError as error:
            entries[name] = _Entry(name, -1, -1, "", None, f"{path}: cannot be read ({reason(error)})")
            continue
        settled = now - stat.st_mtime_ns > SETTLED_S * 1e9
        changed_ns = stat.st_mtime_ns if settled else -1
        same = by_hash.get(digest)
        if same is None:
            waiting.append((path, stat.st_size, changed_ns, digest))
        else:
            entries[name] = _renamed(same, name, stat.st_size, changed_ns)
            _keep(cache, entries[name], made_by)
    return entries, waiting


def _renamed(entry: _Entry, name: str, size: int, changed_ns: int) -> _Entry:
    """The same bytes under another name."""
    summary = entry.summary
    if summary is not None:
        summary = json.dumps({**json.loads(summary), "name": name})
    return _Entry(name, size, changed_ns, entry.digest, summary, entry.problem)


def _hash(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _keep(cache: sqlite3.Connection, entry: _Entry, made_by: str) -> None:
    values = (entry.name, entry.size, entry.changed_ns, entry.digest, made_by, entry.summary, entry.problem)
    cache.execute("INSERT OR REPLACE INTO summaries VALUES (?, ?, ?, ?, ?, ?, ?)", values)


def _compute(
    folder: Path,
    waiting: Sequence[tuple[Path, int, int, str]],
    jobs: int | None,
    progress: Callable[[str, float], None],
) -> Iterator[_Entry]:
    """Analyse the files that have no summary, several at a time."""
    workers = min(jobs or os.cpu_count() or 1, len(waiting))
    if workers <= 1:
        for done, task in enumerate(waiting):
            progress("analysing sessions", done / len(waiting))
            yield _summarise(folder, *task)
        return
    with ProcessPoolExecutor(workers) as pool:
        futures: list[Future[_Entry]] = [pool.submit(_summarise, folder, *task) for task in waiting]
        try:
            for done, future in enumerate(as_completed(futures)):
                progress("analysing sessions", done / len(waiting))
                yield future.result()
        except BrokenProcessPool as error:
            raise SessionFileError(
                "a worker process ended unexpectedly, perhaps for want of memory; what was done is kept, run it again "
                "with fewer --jobs"
            ) from error


def _summarise(folder: Path, path: Path, size: int, changed_ns: int, digest: str) -> _Entry:
    """Analyse one session; an error that a user can cure becomes its sentence."""
    from analysis.summarise_session import summarise_session
    from logger.session_results import analyse_file

    name = path.relative_to(folder).as_posix()
    try:
        recording, result = analyse_file(path)
        started = recording.raw.host_time_s
        known = started[started == started]
        summary = summarise_session(result, name, float(known[0]) if known.size else None)
    except StrokeplaneError as error:
        text = str(error)
        sentence = text if text.startswith(str(path)) else f"{path}: {text}"
        return _Entry(name, size, changed_ns, digest, None, sentence)
    return _Entry(name, size, changed_ns, digest, encode_summary(summary), None)
