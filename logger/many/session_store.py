"""What was found out about each session, kept in one SQLite file, so that no session is analysed twice.

An entry counts as long as the session's bytes (SHA-256) and what made it are unchanged: see :func:`fingerprint`. A file
whose size and time of change are as they were is not even read; where they differ, it is hashed, and only analysed if
its hash is new: a file that was copied or renamed costs nothing. Every entry is on the disk before the next one is
waited for.

Every record carries a checksum of all that it holds. One that a bad disk has changed is thrown out, and its session
analysed again: it never changes a table in silence.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from importlib import resources
from importlib.metadata import version
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeAlias

from analysis.model.errors import OutputError

_TABLE = """
CREATE TABLE IF NOT EXISTS summed_sessions (
    name TEXT PRIMARY KEY, size INTEGER, changed_ns INTEGER, hash TEXT, made_by TEXT, problem TEXT, content BLOB,
    checksum BLOB
)
"""
_INDEXES = (
    "CREATE INDEX IF NOT EXISTS summed_by_hash ON summed_sessions (hash)",
    "CREATE INDEX IF NOT EXISTS summed_by_size ON summed_sessions (size)",
)
_COLUMNS = ("name", "size", "changed_ns", "hash", "made_by", "problem", "content")
Value: TypeAlias = str | bytes | int | float | None


@dataclass(frozen=True)
class SessionFile:
    """A session as it was found: ``changed_ns`` is -1 where the file may have changed since within a tick."""

    name: str
    path: Path
    size: int
    changed_ns: int


@dataclass(frozen=True)
class Entry:
    """One session's outcome: content of whatever form, or the rest of a sentence that starts with the file's name.

    ``lasting`` is False where another try may end otherwise, as after a file that could not be read: such an entry is
    not kept.
    """

    file: SessionFile
    digest: str
    content: str | bytes | None
    problem: str | None = None
    lasting: bool = True
    seconds: float = 0.0

    def sentence(self, name: str | Path) -> str:
        """The problem, of a file that is called so."""
        return f"{name}{self.problem}"


class SessionStore:
    """Entries by the session's name.

    Parameters
    ----------
    path : Path
        Made if it does not exist.
    made_by : str
        What the content depends on besides the session; entries made otherwise do not count.

    Raises
    ------
    sqlite3.Error
        The file is damaged, no such store, or not writable.
    """

    def __init__(self, path: Path | None, made_by: str) -> None:
        self._made_by = made_by
        self._place = path or "memory"
        self._base = sqlite3.connect(":memory:" if path is None else path, timeout=10.0)
        # A flipped bit may make text that is none: its checksum will say so.
        self._base.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
        try:
            # Records without checksums, of an older version.
            self._base.execute("DROP TABLE IF EXISTS sessions")
            self._base.execute(_TABLE)
            for index in _INDEXES:
                self._base.execute(index)
            # Found out now, not after an hour of analysis.
            self._base.execute("DELETE FROM summed_sessions WHERE name = ''")
            self._base.commit()
        except sqlite3.Error:
            self._base.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    def entry(self, name: str) -> Entry:
        """What is kept of a session.

        Raises
        ------
        LookupError
            Nothing is.
        OutputError
            The store is damaged.
        """
        found = self._select("name", name)
        if found is None:
            raise LookupError(name)
        return found

    def holds(self, file: SessionFile) -> bool:
        """Whether there is an entry for a file; one for the same bytes under another name is copied.

        Raises
        ------
        OSError
            The file cannot be read.
        OutputError
            The store is damaged.
        """
        found = self._select("name", file.name)
        stamped = file.changed_ns >= 0  # a file that was just written may change again within one tick
        if stamped and found is not None and (found.file.size, found.file.changed_ns) == (file.size, file.changed_ns):
            return True
        # Only a file of the same size can hold the same bytes: no other is read for it.
        if self._select("size", file.size) is None:
            return False
        same = self._select("hash", hash_file(file.path))
        if same is None:
            return False
        self.keep(replace(same, file=file))
        return True

    def keep(self, entry: Entry) -> None:
        """Write an entry and have it on the disk.

        Raises
        ------
        OutputError
            The disk is full or gone.
        """
        file = entry.file
        values = (file.name, file.size, file.changed_ns, entry.digest, self._made_by, entry.problem, entry.content)
        try:
            self._base.execute(
                "INSERT OR REPLACE INTO summed_sessions VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (*values, checksum(values))
            )
            self._base.commit()
        except sqlite3.Error as error:
            raise OutputError(
                f"{self._place} cannot be written on ({error})",
                next_step="what was done is kept, free some space and run it again",
            ) from error

    def _select(self, column: str, value: str | int) -> Entry | None:
        """A sound record made by the same analysis; damaged ones on the way to it are thrown out."""
        question = (
            f"SELECT rowid, checksum, {', '.join(_COLUMNS)} FROM summed_sessions WHERE made_by = ? AND {column} = ?"
        )
        try:
            for rowid, kept, *values in self._base.execute(question, (self._made_by, value)).fetchall():
                record = dict(zip(_COLUMNS, values, strict=True))
                # An index that is damaged may lead to a record that is sound, and another one.
                if kept == checksum(values) and record[column] == value and record["made_by"] == self._made_by:
                    file = SessionFile(record["name"], Path(), record["size"], record["changed_ns"])
                    return Entry(file, record["hash"], record["content"], record["problem"])
                self._base.execute("DELETE FROM summed_sessions WHERE rowid = ?", (rowid,))
            self._base.commit()
        except sqlite3.Error as error:
            raise OutputError(
                "the store of results is damaged",
                found=str(error),
                next_step="delete it; every session is then analysed again",
                file=str(self._place),
            ) from error
        return None


def checksum(values: Iterable[Value]) -> bytes:
    """SHA-256 of a record's values, each with its kind and length, so that none can pass for its neighbour."""
    digest = hashlib.sha256()
    for value in values:
        data = value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogateescape")
        digest.update(f"{type(value).__name__} {len(data)} ".encode())
        digest.update(data)
    return digest.digest()


@functools.cache
def fingerprint(form: str) -> str:
    """What an entry depends on besides its session: version, every line of the analysis with its settings, and form.

    Parameters
    ----------
    form : str
        Of the content; another name for another layout.
    """
    digest = hashlib.sha256(f"{form} {version('strokeplane')}".encode())
    for name, module in sorted(_modules("analysis", resources.files("analysis"))):
        digest.update(name.encode())
        digest.update(module.read_bytes())
    return digest.hexdigest()


def _modules(name: str, folder: Traversable) -> Iterator[tuple[str, Traversable]]:
    """Every module of a package, those of its inner packages too, by its path."""
    for entry in folder.iterdir():
        inner = f"{name}/{entry.name}"
        if entry.is_dir():
            yield from _modules(inner, entry)
        elif entry.name.endswith(".py"):
            yield inner, entry


def forget_sessions(path: Path, digests: Iterable[str]) -> int:
    """Take what is kept of sessions out of a store, so that not even its free pages hold it.

    Parameters
    ----------
    path : Path
        Of the store; there may be none.
    digests : iterable of str
        SHA-256 of the sessions' files.

    Returns
    -------
    int
        Entries that are gone.

    Raises
    ------
    OutputError
        The store is damaged or cannot be written.
    """
    if not path.is_file():
        return 0
    try:
        with contextlib.closing(sqlite3.connect(path, timeout=10.0)) as base:
            base.execute("PRAGMA secure_delete = ON")
            before = base.total_changes
            base.executemany("DELETE FROM summed_sessions WHERE hash = ?", [(digest,) for digest in digests])
            base.commit()
            gone = base.total_changes - before
            base.execute("VACUUM")
            return gone
    except sqlite3.Error as error:
        raise OutputError(
            f"{path} cannot be written on ({error})", next_step="delete it, every session is then analysed again"
        ) from error


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes, as ``log_hash`` is."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextlib.contextmanager
def open_store(path: Path, made_by: str) -> Iterator[tuple[SessionStore, list[str]]]:
    """Open a store; where it cannot be kept, one in memory and a sentence that says so."""
    warnings = []
    try:
        store = SessionStore(path, made_by)
    except sqlite3.Error as error:
        warnings.append(
            f"{path} cannot be used ({error}): every session is analysed again; delete it or make it writable"
        )
        store = SessionStore(None, made_by)
    with contextlib.closing(store):
        yield store, warnings
