"""May an existing session file be replaced? Only one that was imported or made up, and only where it was asked for."""

from __future__ import annotations

from pathlib import Path

from analysis.model.errors import OutputError, SessionFileError
from logger.session.session_file import read_session

MADE_KEYS = ("imported_from", "synthetic")
"""Entries of the metadata of sessions that can be made again."""


def check_session_target(path: Path, replace: bool) -> None:
    """Refuse to write over what may be the only copy of somebody's evening.

    Parameters
    ----------
    path : Path
        The session file to write.
    replace : bool
        ``--replace`` was said.

    Raises
    ------
    OutputError
        Something is there: a session without ``replace``, or anything but an imported or a made-up session with it.
    """
    if not path.is_file():
        return
    if not replace:
        raise OutputError(
            f"{path} exists",
            next_step="name a new file, or write over it with --replace",
        )
    try:
        metadata = read_session(path).metadata
    except SessionFileError as error:
        raise OutputError(
            "the file is there, and --replace replaces imported or made-up sessions only",
            found="something that is no readable session",
            next_step="name a new file",
            file=str(path),
        ) from error
    if not any(metadata.get(key) for key in MADE_KEYS):
        raise OutputError(
            "the file is there, and --replace replaces imported or made-up sessions only",
            found="a recording",
            next_step="name a new file",
            file=str(path),
        )
