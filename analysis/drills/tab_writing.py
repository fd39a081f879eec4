"""A phrase as text tab, with its strokes over it."""

from __future__ import annotations

from analysis.drills.notes import Note, Phrase
from analysis.drills.phrase_text import LETTERS, write_phrase
from analysis.drills.tuning import Tuning
from analysis.model.errors import InputError


def write_tab(phrase: Phrase, tuning: Tuning, notes_per_line: int = 16) -> str:
    """Return a phrase as text tab, with its strokes (d, u) in a remark above each system.

    Slurs are written as h, p, / and t. A tab has no rests and no lengths: where the phrase is not even, its one line of
    text stands above as a remark, and a rest leaves a gap.

    Parameters
    ----------
    phrase : Phrase
    tuning : Tuning
    notes_per_line : int
        Strokes in a system.

    Returns
    -------
    str
        Several lines.

    Raises
    ------
    InputError
        If the tuning has another number of strings than the phrase.
    """
    require_strings(phrase, tuning)
    rows = [] if phrase.is_even and not phrase.lead else [f"# {write_phrase(phrase)}"]
    for start in range(0, phrase.stroke_count(1), notes_per_line):
        rows += [*_system(phrase, tuning, start, min(start + notes_per_line, phrase.stroke_count(1))), ""]
    return "\n".join(rows)


def _system(phrase: Phrase, tuning: Tuning, start: int, stop: int) -> list[str]:
    """Return the lines of one system."""
    label = max(len(name) for name in tuning.names)
    width = 1 + max(len(_fret(note)) for note in phrase.played)
    strokes, lines = "", [""] * tuning.strings
    for index in range(start, stop):
        note = phrase.note_at(index)
        if index == len(phrase.lead) and phrase.lead and index > start:
            strokes, lines = strokes + " ", [line + "|" for line in lines]
        strokes = strokes.ljust(len(lines[0])) + phrase.stroke_at(index)[0]
        cells = [(note.string, _fret(note))]
        for slur in note.slurs:
            sign = "/" if slur.kind == "slide" and (slur.fret or 0) >= (note.fret or 0) else LETTERS[slur.kind]
            cells.append((slur.string or note.string, sign + ("x" if slur.fret is None else str(slur.fret))))
        for number, (string, text) in enumerate(cells):
            last = number == len(cells) - 1
            taken = max(len(text) + 1, width) if last else len(text) + (cells[number + 1][0] != string)
            lines = [line + (text if k == string else "").ljust(taken, "-") for k, line in enumerate(lines, 1)]
        if note.rest:
            lines = [line + "-" * width for line in lines]
    named = [f"{name:<{label}}|-{line}|" for name, line in zip(tuning.names, lines, strict=True)]
    return ["#" + " " * (label + 1) + strokes.rstrip(), *named]


def _fret(note: Note) -> str:
    return "x" if note.fret is None else str(note.fret)


def require_strings(phrase: Phrase, tuning: Tuning) -> None:
    """Refuse a phrase and a tuning with different numbers of strings.

    Parameters
    ----------
    phrase : Phrase
    tuning : Tuning

    Raises
    ------
    InputError
        The numbers differ.
    """
    if phrase.strings != tuning.strings:
        raise InputError(
            f"The phrase is for {phrase.strings} strings, the tuning has {tuning.strings}",
            next_step="choose a tuning that fits.",
        )
