"""Write a file whole or not at all: a temporary file in the same folder, synced, then renamed over the target."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

from analysis.model.errors import OutputError


@contextlib.contextmanager
def open_atomic(path: Path) -> Iterator[BinaryIO]:
    """Open ``path`` for writing bytes; it appears, complete, only when the block ends without an exception.

    A device or pipe (``/dev/stdout``) cannot be renamed over and is written directly.

    Parameters
    ----------
    path : Path
        An existing file is replaced; a symbolic link keeps pointing to its target.

    Yields
    ------
    BinaryIO
        Open for writing.

    Raises
    ------
    OutputError
        The folder is missing, the path is a folder, there is no permission, or the disk is full.
    """
    try:
        check_writable(path)
        target = path.resolve()
        if target.exists() and not target.is_file():
            with target.open("wb") as device:
                yield device
            return
        partial = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
        try:
            with partial.open("xb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            partial.replace(target)
        finally:
            partial.unlink(missing_ok=True)
        sync_folder(target.parent)
    except OSError as error:
        raise _cannot(path, error) from error


def check_writable(path: Path, inputs: Sequence[Path] = ()) -> None:
    """Find out before a long computation what would keep its result from being written.

    Parameters
    ----------
    path : Path
        The file to write.
    inputs : sequence of Path
        Files that are read and must not be replaced.

    Raises
    ------
    OutputError
        The path is one of the inputs or a folder, its folder is missing, or may not be written to.
    """
    try:
        target = path.resolve()
        if target in [source.resolve() for source in inputs]:
            raise OutputError(
                f"{path} is one of the files to read",
                next_step="name another file to write",
            )
        if target.is_dir():
            raise OutputError(
                f"{path} is a folder",
                next_step="name a file to write",
            )
        if not target.parent.is_dir():
            raise OutputError(
                f"{path} cannot be written: there is no folder {target.parent}",
                next_step="make it first",
            )
        device = target.exists() and not target.is_file()
        if not os.access(target if device else target.parent, os.W_OK):
            raise OutputError(
                f"{path} cannot be written (permission denied)",
                next_step="name a file elsewhere",
            )
    except OSError as error:
        raise _cannot(path, error) from error


def check_absent(path: Path, replace: bool) -> None:
    """Refuse to write over what may be the only copy of somebody's evening.

    Parameters
    ----------
    path : Path
        The file to write.
    replace : bool
        It may be written over.

    Raises
    ------
    OutputError
        The file is there, and must not be replaced.
    """
    if path.is_file() and not replace:
        raise OutputError(
            f"{path} exists",
            next_step="name a new file, or write over it with --replace",
        )


def make_folder(folder: Path) -> None:
    """Make a folder unless it is there; the one that it stands in must be.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    OutputError
        It is a file, or may not be made.
    """
    try:
        folder.mkdir(exist_ok=True)
    except FileExistsError as error:
        raise OutputError(
            f"{folder} is a file",
            next_step="name a folder",
        ) from error
    except OSError as error:
        raise OutputError(
            f"the folder {folder} cannot be made ({reason(error)})",
            next_step="name another one",
        ) from error


def write_text_atomic(path: Path, text: str) -> None:
    """Write UTF-8 text, line ends as they are, through :func:`open_atomic`.

    Parameters
    ----------
    path : Path
        An existing file is replaced.
    text : str

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    with open_atomic(path) as stream:
        # Half a character of a name that is no UTF-8 must not cost the result.
        stream.write(text.encode("utf-8", "backslashreplace"))


def sync_folder(folder: Path) -> None:
    """Make a new or renamed name in ``folder`` survive a power cut, where the system lets folders be synced.

    Parameters
    ----------
    folder : Path

    Raises
    ------
    OSError
        The folder cannot be opened or synced.
    """
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def reason(error: OSError) -> str:
    """The system's own words for an error, in lower case at the start.

    Parameters
    ----------
    error : OSError

    Returns
    -------
    str
    """
    words = " ".join((error.strerror or str(error)).split())
    return words[:1].lower() + words[1:]


def _cannot(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{path} cannot be written ({reason(error)})",
        next_step="name another file",
    )


def give_name(partial: Path, path: Path) -> None:
    """Let a file that was written under another name appear under its own, unless that is taken.

    Parameters
    ----------
    partial : Path
        The file as it was written, in the same folder.
    path : Path
        The name that it is to have.

    Raises
    ------
    FileExistsError
        The name is taken; the file under the other name is removed.
    OSError
        The folder refuses it.
    """
    try:
        os.link(partial, path)
    except FileExistsError:
        partial.unlink()
        raise
    except OSError:  # A file system without hard links, as on many memory sticks.
        try:
            path.open("xb").close()  # Whoever makes the name first has it.
        except FileExistsError:
            partial.unlink()
            raise
        partial.replace(path)
        return
    partial.unlink()


def claim_name(path: Path) -> Path:
    """Make an empty file under this name, or under the first free one of NAME-2, NAME-3 and so on.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Path
        Nobody else gets it.

    Raises
    ------
    OSError
        The folder refuses it.
    """
    claimed, number = path, 1
    while True:
        try:
            claimed.open("xb").close()
        except FileExistsError:
            number += 1
            claimed = path.with_name(f"{path.stem}-{number}{path.suffix}")
        else:
            return claimed
