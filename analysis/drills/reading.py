"""What reading somebody's music gave: the phrase, and everything that was not read, with its line."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.drills.notes import Phrase


@dataclass(frozen=True)
class Remark:
    """One thing that was not read, or was read in one of several ways.

    Attributes
    ----------
    line : int or None
        In the file, counted from 1; None where the file has no lines.
    text : str
        The line itself, kept as a comment when the phrase is written; empty where nothing needs keeping.
    said : str
        What was made of it, for a person.
    """

    line: int | None
    text: str
    said: str

    def __str__(self) -> str:
        """One sentence."""
        where = f"Line {self.line}" if self.line is not None else "The file"
        quoted = f" {self.text!r}:" if self.text else ":"
        return f"{where}{quoted} {self.said}"


@dataclass(frozen=True)
class MusicRead:
    """A phrase as it was read.

    Attributes
    ----------
    phrase : Phrase
    remarks : tuple of Remark
    capo : int
        Frets by which the open strings sound higher.
    tempo_bpm : float or None
        As the file has it.
    """

    phrase: Phrase
    remarks: tuple[Remark, ...] = ()
    capo: int = 0
    tempo_bpm: float | None = None
