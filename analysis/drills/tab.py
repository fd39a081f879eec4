"""Text tab: plain fixed-width lines, one for each string, string 1 at the top.

Conventions
-----------
- A line reads ``NAME|-5---7-|``: the string's name, a bar, then dashes, bars and frets (``x``: any fret). A system is
  as many such lines in a row as the tuning has strings; further systems go on where the last one ended. Lines that
  start with ``#`` are remarks; blank lines part systems.
- One note at a time, evenly spaced: the number of dashes between notes carries no rhythm.
- In messages lines and columns count from 1.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.drills.phrases import MAX_FRET, Note, Phrase
from analysis.drills.tuning import Tuning, read_root
from analysis.model.errors import InputError
from analysis.model.strokes import Stroke

_LINE = re.compile(r"\s*((?:[A-Ga-g][#b]?\d?)?)\s*\|")
_FRET = re.compile(r"\d+|[xX]", re.ASCII)


@dataclass(frozen=True)
class _StringLine:
    """One line of a system: its number in the text, the text itself, and where the part after the name starts."""

    number: int
    text: str
    start: int


def read_tab(text: str, tuning: Tuning, first_stroke: Stroke = "down", loops: bool = True) -> Phrase:
    """Read a text tab.

    Parameters
    ----------
    text : str
        The whole tab.
    tuning : Tuning
        Says how many lines make a system and what they may be called.
    first_stroke, loops
        As in :class:`analysis.drills.phrases.Phrase`; a tab does not carry them.

    Returns
    -------
    Phrase

    Raises
    ------
    InputError
        Naming the line, and where it is one character that cannot be read, the column.
    """
    notes: list[Note] = []
    for system in _split_systems(text.removeprefix("\ufeff"), tuning):
        notes.extend(_read_system(system))
    if not notes:
        raise InputError("The tab holds no note; write fret numbers on the string lines.")
    return Phrase(tuning.strings, tuple(notes), first_stroke, loops)


def _split_systems(text: str, tuning: Tuning) -> list[list[_StringLine]]:
    """Group the string lines into systems of one line a string."""
    systems: list[list[_StringLine]] = []
    current: list[_StringLine] = []
    lines = text.splitlines()
    for number, line in enumerate([*lines, ""], 1):
        stripped = line.strip()
        if stripped and not stripped.startswith("#"):
            current.append(_read_line(number, line.rstrip(), tuning.names, len(current)))
        elif current and not stripped:
            raise InputError(
                f"Line {min(number, len(lines))}: a system ends after {len(current)} of {tuning.strings} string lines; "
                "write one line for each string, string 1 at the top, or choose another tuning."
            )
        if len(current) == tuning.strings:
            systems.append(current)
            current = []
    return systems


def _read_line(number: int, line: str, names: Sequence[str], place: int) -> _StringLine:
    """Read a line's name and check it against the string that should stand here."""
    match = _LINE.match(line)
    if match is None:
        raise InputError(
            f"Line {number}, column 1: expected a string line such as '{names[place]}|--5--7--|'; found {line[:20]!r}."
        )
    name = match.group(1).rstrip("0123456789")
    if name and read_root(name[0].upper() + name[1:]) != read_root(names[place]):
        raise InputError(
            f"Line {number}, column {match.start(1) + 1}: this line is called {match.group(1)!r}, but string "
            f"{place + 1} of the tuning is {names[place]}; put string 1 at the top or choose another tuning."
        )
    return _StringLine(number, line, match.end())


def _read_system(lines: list[_StringLine]) -> list[Note]:
    """Read the notes of one system in the order of their columns, measured from each line's first bar."""
    width = len(lines[0].text) - lines[0].start
    found: dict[int, tuple[Note, int, _StringLine]] = {}
    for string, line in enumerate(lines, 1):
        body = line.text[line.start :]
        if len(body) != width:
            raise InputError(
                f"Line {line.number}, column {line.start + min(len(body), width) + 1}: this line has {len(body)} "
                f"places after its name, the first line of the system {width}; make them equally long."
            )
        for column, length, note in _read_frets(body, line, string):
            for taken in range(column, column + length):
                if taken in found:
                    other = found[taken][2]
                    raise InputError(
                        f"Line {line.number}, column {line.start + column + 1}: a second note at the same moment as "
                        f"on line {other.number}; a phrase has one note at a time."
                    )
                found[taken] = (note, column, line)
    return [note for taken, (note, column, _) in sorted(found.items()) if taken == column]


def _read_frets(body: str, line: _StringLine, string: int) -> list[tuple[int, int, Note]]:
    """Return column, length and note of each fret on one line."""
    notes = []
    column = 0
    while column < len(body):
        match = _FRET.match(body, column)
        if match is None:
            if body[column] not in "-|":
                raise InputError(
                    f"Line {line.number}, column {line.start + column + 1}: cannot read {body[column]!r}; "
                    "a string line holds frets, x, - and | only."
                )
            column += 1
            continue
        text = match.group()
        if text.isdigit() and (len(text) > 2 or int(text) > MAX_FRET):
            raise InputError(
                f"Line {line.number}, column {line.start + column + 1}: fret {text[:8]} is beyond {MAX_FRET}; "
                "part two notes by a dash."
            )
        notes.append((column, len(text), Note(string, int(text) if text.isdigit() else None)))
        column = match.end()
    return notes


def write_tab(phrase: Phrase, tuning: Tuning, notes_per_line: int = 16) -> str:
    """Return a phrase as text tab, with its strokes (d, u) in a remark above each system.

    Raises
    ------
    InputError
        If the tuning has another number of strings than the phrase.
    """
    require_strings(phrase, tuning)
    label = max(len(name) for name in tuning.names)
    cells = ["x" if note.fret is None else str(note.fret) for note in phrase.notes]
    width = max(len(cell) for cell in cells) + 1
    rows: list[str] = []
    for start in range(0, len(cells), notes_per_line):
        stop = min(start + notes_per_line, len(cells))
        strokes = "".join(phrase.stroke_at(j)[0].ljust(width) for j in range(start, stop))
        rows.append("#" + " " * (label + 1) + strokes.rstrip())
        for string, name in enumerate(tuning.names, 1):
            frets = (cells[j] if phrase.notes[j].string == string else "" for j in range(start, stop))
            rows.append(f"{name:<{label}}|-" + "".join(fret.ljust(width, "-") for fret in frets) + "|")
        rows.append("")
    return "\n".join(rows)


def require_strings(phrase: Phrase, tuning: Tuning) -> None:
    """Raise InputError if phrase and tuning have different numbers of strings."""
    if phrase.strings != tuning.strings:
        raise InputError(
            f"The phrase is for {phrase.strings} strings, the tuning has {tuning.strings}; choose a tuning that fits."
        )
