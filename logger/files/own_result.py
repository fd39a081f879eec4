"""May an existing file be replaced? Only where its first bytes say that it is this program's own older result.

Every writer of results comes through here, before the work and again when it writes. A recording, a stranger's file, a
file cut off before its sign: none of them is ever replaced, whatever options were given.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TypeAlias

from analysis.model.errors import OutputError
from logger.files.atomic_file import check_writable, open_atomic, reason

Sign: TypeAlias = Callable[[bytes], bool]
"""Whether a file that begins with these bytes is an older result of the kind to be written."""

HEAD_BYTES = 8192
MADE_BY = "made_by"
_PAGE = re.compile(rb'\s*<!DOCTYPE html>[^$]{0,2000}?<meta name="generator" content="strokeplane [^"]*">')
_JSON = re.compile(rb'\s*\{\s*"made_by":\s*"strokeplane [^"]*"')
_TRUTH = re.compile(rb'\s*\{\s*"synthetic":\s*true,\s*"seed":')


def made_by() -> str:
    """What every JSON of ours says under its first key, :data:`MADE_BY`.

    Returns
    -------
    str
    """
    return f"strokeplane {version('strokeplane')}"


def is_page(head: bytes) -> bool:
    """Whether a file begins as a page of ours: its generator is named.

    Parameters
    ----------
    head : bytes
        The file's first bytes.

    Returns
    -------
    bool
    """
    return _PAGE.match(head) is not None


def is_json(head: bytes) -> bool:
    """Whether a file begins as a JSON of ours.

    Parameters
    ----------
    head : bytes
        The file's first bytes.

    Returns
    -------
    bool
    """
    return _JSON.match(head) is not None


def is_truth(head: bytes) -> bool:
    """Whether a file begins as the truth of a made session.

    Parameters
    ----------
    head : bytes
        The file's first bytes.

    Returns
    -------
    bool
    """
    return _TRUTH.match(head) is not None


def begins_with(*lines: str) -> Sign:
    """Sign of a text whose first lines are given, as a table's header.

    Returns
    -------
    Sign
        Takes a file's first bytes and says whether it is such a text.
    """
    start = "\n".join((*lines, "")).encode()

    def sign(head: bytes) -> bool:
        return head.replace(b"\r\n", b"\n").startswith(start)

    return sign


def begins_with_one(*headers: str) -> Sign:
    """Sign of a table whose header is one of these.

    Parameters
    ----------
    *headers : str
        Each a whole first line.

    Returns
    -------
    Sign
    """
    signs = [begins_with(header) for header in headers]
    return lambda head: any(sign(head) for sign in signs)


def contains(words: bytes) -> Sign:
    """Sign of a file that says near its beginning who made it.

    Parameters
    ----------
    words : bytes
        What it says.

    Returns
    -------
    Sign
        Takes a file's first bytes and says whether the words are there.
    """

    def sign(head: bytes) -> bool:
        return words in head

    return sign


def check_result(path: Path, sign: Sign, inputs: Sequence[Path] = ()) -> None:
    """Find out before a long computation whether its result may be written here.

    Parameters
    ----------
    path : Path
    sign : callable
        Of an older result that may be replaced.
    inputs : sequence of Path
        Files that are read and must not be replaced.

    Raises
    ------
    OutputError
        The file cannot be written, or is there and is not an older result of ours.
    """
    check_writable(path, inputs)
    if not path.is_file():
        return
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
    except OSError as error:
        raise OutputError(
            f"what is there cannot be read ({reason(error)}), so it is not replaced",
            next_step="name a new file",
            file=str(path),
        ) from error
    # An empty file, as mktemp makes it, holds nothing to lose.
    if head and not sign(head):
        raise OutputError(
            "the file is there, and is not an older result of strokeplane that may be replaced",
            found=describe(head),
            next_step="name a new file",
            file=str(path),
        )


def write_result(path: Path, content: str | bytes, sign: Sign) -> None:
    """Write a result, whole or not at all, unless another kind of file is there.

    Parameters
    ----------
    path : Path
    content : str or bytes
        Text is written as UTF-8.
    sign : Sign
        Tells from a file's first bytes whether it may be written over.

    Raises
    ------
    OutputError
        See :func:`check_result`.
    """
    check_result(path, sign)
    with open_atomic(path) as stream:
        stream.write(content.encode("utf-8") if isinstance(content, str) else content)


def describe(head: bytes) -> str:
    """In a word or two what a file is, by its first bytes."""
    known = {b"\x89MCA": "a recording", b"PAR1": "a Parquet table", b"PK\x03\x04": "a ZIP", b"MThd": "a MIDI file"}
    for start, words in known.items():
        if head.startswith(start):
            return words
    return "a file of another kind" if b"\0" in head else "another text"
