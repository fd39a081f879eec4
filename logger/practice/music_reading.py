"""A phrase from a file that a player brings: text tab, MIDI or MusicXML, told apart by what is in it."""

from __future__ import annotations

from pathlib import Path

from analysis.drills.reading import MusicRead
from analysis.drills.tab import read_tab
from analysis.drills.tuning import Tuning
from analysis.model.errors import InputError
from logger.files.atomic_file import reason
from logger.practice.midi_reading import ReadSettings, read_midi
from logger.practice.score_file import MOST_BYTES
from logger.practice.score_reading import read_musicxml

MOST_TAB_BYTES = 1_000_000


def read_music(path: Path, tuning: Tuning, settings: ReadSettings | None = None) -> MusicRead:
    """Read a phrase from a file.

    Parameters
    ----------
    path : Path
        MIDI, MusicXML or text tab.
    tuning : Tuning
        Of the instrument that is to play it.
    settings : ReadSettings, optional

    Returns
    -------
    MusicRead
        The phrase, and remarks on what was not read.

    Raises
    ------
    InputError
        If it cannot be read, with the file and the place in it.
    """
    settings = settings or ReadSettings()
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"the file cannot be read ({reason(error)})", next_step="check the path", file=str(path)
        ) from error
    try:
        if data[:4] == b"MThd":
            return read_midi(data, tuning, settings)
        if data[:2] == b"PK" or _is_xml(data):
            return read_musicxml(data, tuning, settings)
        return read_tab(_text(data), tuning, settings.first_stroke, settings.loops)
    except InputError as error:
        raise error.at(file=str(path)) from error


def _is_xml(data: bytes) -> bool:
    start = data[:400].replace(b"\x00", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \r\n\t")
    return start.startswith((b"<?xml", b"<score-", b"<!DOCTYPE score"))


def _text(data: bytes) -> str:
    if len(data) > MOST_TAB_BYTES:
        raise InputError("the tab is too large", expected=f"{MOST_TAB_BYTES} bytes at most", found=str(len(data)))
    if b"\x00" in data:
        raise InputError(
            "this cannot be read as text",
            expected="a text tab in UTF-8, a MIDI file or MusicXML",
            next_step="export it again",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Old tab was written on old systems; every byte is a character there, and string lines are plain ASCII.
        return data.decode("latin-1")
