"""One MCAP file per session: write it whole, record into it live, read whatever of it is sound."""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from analysis.model.errors import OutputError, SessionFileError
from analysis.model.records import Event, RawSamples, Session
from logger.files.atomic_file import claim_name, give_name, open_atomic, reason, sync_folder
from logger.session.heads import head_of
from logger.session.session_chunks import ChunkStream
from logger.session.session_reading import assemble, read_bytes, scan_file
from logger.session.session_records import MOST_ATTACHMENTS, MOST_STREAMS, SessionHead

SAMPLES_PER_CHUNK = 512
SYNC_INTERVAL_S = 0.5


def write_session(path: Path, session: Session) -> None:
    """Write a whole session; the file appears complete or not at all.

    Parameters
    ----------
    path : Path
        An existing file is replaced.
    session : Session
        ``log_hash`` is not stored: it is the hash of the file itself. The same session gives the same bytes.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    head = head_of(session)
    _check_streams(head)
    with open_atomic(path) as stream:
        chunks = ChunkStream(stream, head)
        for event in session.events:
            chunks.add_event(event)
        chunks.close_chunk()
        for start in range(0, session.raw.ticks.size, SAMPLES_PER_CHUNK):
            chunks.add_samples(_rows(session.raw, start, start + SAMPLES_PER_CHUNK))
            chunks.close_chunk()
        for number, stream_of in enumerate(session.streams):
            for start in range(0, stream_of.raw.ticks.size, SAMPLES_PER_CHUNK):
                chunks.add_stream_samples(number, _rows(stream_of.raw, start, start + SAMPLES_PER_CHUNK))
                chunks.close_chunk()
        chunks.finish()


def _check_streams(head: SessionHead) -> None:
    if len(head.streams) > MOST_STREAMS or len(head.attachments) > MOST_ATTACHMENTS:
        raise SessionFileError(
            expected=f"at most {MOST_STREAMS} further streams and {MOST_ATTACHMENTS} attachments",
            found=f"{len(head.streams)} and {len(head.attachments)}",
            next_step="leave some out",
        )


class SessionWriter:
    """Record into a session file: every half second what came is closed as a chunk and synced to the disk.

    Not safe to share between threads. Works as a context manager; leaving it closes the file, also after an error.

    Parameters
    ----------
    path : Path
        A new file: a recording never replaces another.
    head : SessionHead
        Profile, calibration, player, instrument, ruler's lever, metadata.
    clock : callable
        Monotonic seconds.

    Raises
    ------
    SessionFileError
        The file exists, or cannot be written.
    """

    def __init__(self, path: Path, head: SessionHead, clock: Callable[[], float] = time.monotonic) -> None:
        self.path = path
        self._clock = clock
        self._pending: list[RawSamples] = []
        self._pending_streams: list[list[RawSamples]] = [[] for _ in head.streams]
        _check_streams(head)
        # Readable from its first moment on: the file gets its name when its head is on the disk. Windows cannot rename
        # an open file. The other name is nobody else's, so that two recorders with one name cannot harm each other.
        partial = path if sys.platform == "win32" else path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
        try:
            if path.exists():
                raise FileExistsError
            with contextlib.ExitStack() as on_error:
                self._file = partial.open("x+b")
                on_error.callback(partial.unlink, missing_ok=True)
                on_error.enter_context(self._file)
                self._chunks = ChunkStream(self._file, head)
                self.sync()
                if partial != path:
                    give_name(partial, path)
                sync_folder(path.resolve().parent)
                on_error.pop_all()
        except FileExistsError as error:
            raise SessionFileError(
                f"{path} exists",
                next_step="a recording never replaces another, name a new file",
            ) from error
        except OSError as error:
            raise SessionFileError(
                f"{path} cannot be written ({reason(error)})",
                next_step="name another file",
            ) from error

    def write_samples(self, raw: RawSamples) -> None:
        """Take samples (ticks and sequence unwrapped); synced at once if half a second has passed, else later.

        Parameters
        ----------
        raw : RawSamples
        """
        if raw.ticks.size:
            self._pending.append(raw)
        self._sync_if_due()

    def write_stream_samples(self, number: int, raw: RawSamples) -> None:
        """Take samples of further stream ``number``, from 0, in the order of the head's streams.

        Parameters
        ----------
        number : int
        raw : RawSamples
        """
        if raw.ticks.size:
            self._pending_streams[number].append(raw)
        self._sync_if_due()

    def write_event(self, event: Event) -> int:
        """Take an event and return its number.

        Parameters
        ----------
        event : Event

        Returns
        -------
        int
        """
        number = self._chunks.add_event(event)
        self._sync_if_due()
        return number

    def replace_event(self, number: int, event: Event) -> None:
        """Write an event anew, once more is known of it; readers keep the latest of one number.

        Parameters
        ----------
        number : int
        event : Event
        """
        self._chunks.replace_event(number, event)
        self._sync_if_due()

    def write_metadata(self, metadata: Mapping[str, str]) -> None:
        """Add to the session's metadata or replace entries of it.

        Parameters
        ----------
        metadata : mapping of str to str
        """
        head = self._chunks.head
        self._chunks.head = replace(head, metadata={**head.metadata, **metadata})
        self._chunks.add_head()
        self._sync_if_due()

    @property
    def head(self) -> SessionHead:
        """The settings as they were written last."""
        return self._chunks.head

    def write_head(self, head: SessionHead) -> None:
        """Write the settings anew: readers keep the last.

        Parameters
        ----------
        head : SessionHead
        """
        self._chunks.head = head
        self._chunks.add_head()
        self._sync_if_due()

    def sync(self) -> None:
        """Close the chunk and force it to the disk: what was written so far survives a power cut.

        Raises
        ------
        SessionFileError
            The disk is full or gone; what was synced before is safe.
        """
        try:
            if self._pending:
                self._chunks.add_samples(_joined(self._pending))
                self._pending.clear()
            for number, pending in enumerate(self._pending_streams):
                if pending:
                    self._chunks.add_stream_samples(number, _joined(pending))
                    pending.clear()
            self._chunks.close_chunk()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise SessionFileError(
                f"{self.path} cannot be written on ({reason(error)})",
                next_step="what was synced before is safe, free some space and start a new recording",
            ) from error
        self._synced_at = self._clock()

    def sizes(self) -> tuple[int, int]:
        """Bytes on the disk so far, and those that the file's end will take.

        Returns
        -------
        (int, int)
        """
        return os.fstat(self._file.fileno()).st_size, self._chunks.closing_bytes()

    def is_in_place(self) -> bool:
        """Whether the file is still found under its name; a folder can be removed while one records into it.

        Returns
        -------
        bool
        """
        try:
            found = self.path.stat()
        except OSError:
            return False
        mine = os.fstat(self._file.fileno())
        return (found.st_dev, found.st_ino) == (mine.st_dev, mine.st_ino)

    def copy_synced_to(self, path: Path) -> Path:
        """Copy everything that was synced into a new file, although this one has lost its name.

        Returns
        -------
        Path
            The file; a number is added to its name where there is one already.

        Raises
        ------
        OutputError
            The copy cannot be written.

        Parameters
        ----------
        path : Path
        """
        try:
            claimed = claim_name(path)
        except OSError as error:
            raise OutputError(
                f"{path} cannot be written ({reason(error)})",
                next_step="what was synced is lost",
            ) from error
        with contextlib.ExitStack() as on_error:
            on_error.callback(claimed.unlink, missing_ok=True)
            self._copy(claimed)
            on_error.pop_all()
        return claimed

    def _copy(self, path: Path) -> None:
        with open_atomic(path) as copy:
            self._file.seek(0)
            while block := self._file.read(1 << 20):
                copy.write(block)
            self._file.seek(0, os.SEEK_END)

    def close(self) -> None:
        """Write what is pending, a second copy of settings and events, and the index. Closing twice does nothing.

        Raises
        ------
        SessionFileError
        """
        if self._file.closed:
            return
        try:
            self.sync()
            self._chunks.finish()
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise SessionFileError(
                f"{self.path} could not be closed ({reason(error)})",
                next_step="what was synced is safe",
            ) from error
        finally:
            # What the disk refused is still in the buffer; closing tries once more, and the error is told already.
            with contextlib.suppress(OSError):
                self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _sync_if_due(self) -> None:
        if self._clock() - self._synced_at >= SYNC_INTERVAL_S:
            self.sync()


def read_session(path: Path) -> Session:
    """Read every sound chunk of a session file.

    Parameters
    ----------
    path : Path
        Of a session file (.mcap).

    Returns
    -------
    Session
        ``warnings`` tells of damage and of what it cost; ``log_hash`` is the SHA-256 of the file.

    Raises
    ------
    SessionFileError
        No such file, not a session, a newer format version, or no copy of the settings is left.
    """
    data = read_bytes(path)
    with ThreadPoolExecutor(1) as pool:
        digest = pool.submit(lambda: hashlib.sha256(data).hexdigest())
        try:
            session = assemble(scan_file(data))
        except SessionFileError as error:
            raise SessionFileError(
                f"{error}",
                file=str(path),
            ) from error
        return replace(session, log_hash=digest.result())


def _rows(raw: RawSamples, start: int, stop: int) -> RawSamples:
    """A slice of the samples."""
    part = slice(start, stop)
    return RawSamples(raw.ticks[part], raw.sequence[part], raw.host_time_s[part], raw.counts[part])


def _joined(parts: Sequence[RawSamples]) -> RawSamples:
    """Samples one after the other."""
    return RawSamples(
        np.concatenate([part.ticks for part in parts]),
        np.concatenate([part.sequence for part in parts]),
        np.concatenate([part.host_time_s for part in parts]),
        np.concatenate([part.counts for part in parts]),
    )
