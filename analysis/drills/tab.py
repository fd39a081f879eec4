r"""Text tab as people write it: read to a phrase, with all that was not read, and written with its strokes.

Conventions
-----------
- A system is one line for each string, string 1 at the top, as many as the tuning has strings; or only those that play,
  where their names say which. A string line reads ``NAME|-5---7-|``: name, bar, dashes, frets (``x``: damped).
- One note at a time. The number of dashes carries no rhythm; a line of letters over the notes does (w h q e s, with
  dots). Without it notes are evenly spaced.
- ``h``, ``p``, ``/``, ``\``, ``s``, ``t``: the note after it has no stroke. ``b``, ``r``, ``~`` and accents change
  nothing of strokes. A line of d and u over or under a system, or the bowing signs n and v, states the strokes.
- ``|: :|``, ``||: :||``, ``|* *|``, ``x3`` behind a line, ``1.`` and ``2.`` over it: repeats are written out.
- Lines may end raggedly, as long as the order of notes on different lines stays certain.
- Everything else (titles, chords, lyrics) is kept as a remark. In messages rows and columns count from 1.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from analysis.drills.notes import MAX_NOTES, Note, Phrase, Slur
from analysis.drills.phrase_text import LETTERS, Line, write_phrase
from analysis.drills.reading import MusicRead, Remark
from analysis.drills.repeats import Bar, unfold
from analysis.drills.tab_lines import TextLine, find_systems, spell_near
from analysis.drills.tab_order import Sound, read_system
from analysis.drills.tuning import PITCH_NAMES, Tuning, read_root
from analysis.model.errors import InputError
from analysis.model.strokes import Stroke

_CAPO = re.compile(r"\bcapo\b\W*(?:on|at|fret|:)?\s*(\d{1,2})", re.IGNORECASE)
_TUNING = re.compile(r"\btuning\b\s*[:=]?\s*((?:[A-Ga-g][#b]?\d?[\s,\-]*){3,})$", re.IGNORECASE)
_RETUNED = re.compile(
    r"\b(drop(?:ped)?\s+[A-G]|(?:half|whole|full)[\s-]*step|open\s+[A-G]\b|tuned?\s+down)", re.IGNORECASE
)
_AGAIN = re.compile(r"\b(repeat|play|again|times|x\s*\d+|\d+\s*x)\b", re.IGNORECASE)


def read_tab(text: str, tuning: Tuning, first_stroke: Stroke | None = None, loops: bool = True) -> MusicRead:
    """Read a text tab.

    Parameters
    ----------
    text : str
        The whole tab.
    tuning : Tuning
        Says how many lines make a system and what they may be called.
    first_stroke : {"down", "up"}, optional
        Where the tab does not state its strokes; a downstroke if left out.
    loops
        As in :class:`analysis.drills.notes.Phrase`; a tab does not carry it.

    Returns
    -------
    MusicRead

    Raises
    ------
    InputError
        Naming the row, and where it is one character that cannot be read, the column.
    """
    systems, other = find_systems(text.removeprefix("\ufeff"), tuning)
    bars: list[Bar] = []
    remarks: list[Remark] = []
    used: set[int] = set()
    for system in systems:
        read = read_system(system)
        bars += read.bars
        remarks += read.remarks
        used |= read.used
    if not bars or not any(bar.content for bar in bars):
        raise _no_notes(other, tuning)
    capo = 0
    for line in other:
        if line.number in used:
            continue
        capo = _check_words(line, tuning) or capo
        remarks.append(Remark(line.number, line.text.strip(), _said_of(line)))
    notes = _join_sounds([sound for bar in unfold(bars) for sound in bar.content])
    first, notes = _settle_strokes(notes, first_stroke, tuning.strings)
    phrase = Phrase(tuning.strings, notes, first, loops)
    return MusicRead(phrase, tuple(sorted(remarks, key=lambda remark: remark.line or 0)), capo)


def _no_notes(other: Sequence[TextLine], tuning: Tuning) -> InputError:
    inked = [line for line in other if line.text.strip() and not line.text.lstrip().startswith("#")]
    place = {"row": inked[0].number} if inked else {}
    return InputError(
        "the tab holds no note",
        expected=f"string lines such as '{tuning.names[0]}|--5--7--|'",
        found=repr(inked[0].text[:20]) if inked else "none",
        next_step="write fret numbers on the string lines",
        **place,  # type: ignore[arg-type]
    )


def _check_words(line: TextLine, tuning: Tuning) -> int:
    """Return the capo that a line names; refuse a line that names another tuning."""
    stated = _TUNING.search(line.text.strip())
    if stated:
        names = re.findall(r"[A-Ga-g][#b]?", stated[1])
        classes = [read_root(name[0].upper() + name[1:]) for name in names]
        own = [pitch % 12 for pitch in reversed(tuning.open_midi)]
        if classes not in (own, own[::-1]):
            step = "choose the tuning that the tab is for with --tuning"
            if len(classes) == tuning.strings:
                step = f"if it is meant so, name it: --tuning '{spell_near(classes[::-1], tuning)}'"
            raise InputError(
                "the tab is for another tuning",
                expected=" ".join(PITCH_NAMES[pitch] for pitch in own),
                found=" ".join(names),
                next_step=step,
                row=line.number,
            )
    elif _RETUNED.search(line.text) and not line.text.lstrip().startswith("#"):
        raise InputError(
            f"this line may name another tuning: {line.text.strip()[:60]!r}",
            next_step="choose the tab's tuning with --tuning, and put # in front of the line",
            row=line.number,
        )
    capo = _CAPO.search(line.text)
    return int(capo[1]) if capo else 0


def _said_of(line: TextLine) -> str:
    if line.text.lstrip().startswith("#"):
        return "a remark, kept"
    if _CAPO.search(line.text):
        return "the capo was read: frets count from it"
    if _TUNING.search(line.text.strip()):
        return "the tuning was read: it is the one chosen"
    if _AGAIN.search(line.text):
        return "not read, kept as a remark: if it asks for repeats, they are not played"
    return "not read, kept as a remark"


def _join_sounds(sounds: Sequence[Sound]) -> tuple[Note, ...]:
    """Join what is slurred to the notes that are picked."""
    line = Line()
    for sound in sounds:
        if len(line.notes) >= MAX_NOTES:
            raise InputError(
                f"the piece has more than {MAX_NOTES} notes, repeats written out",
                next_step="cut out the passage to practise, a few bars long",
                row=sound.row,
            )
        if sound.join is None:
            line.notes.append(Note(sound.string, sound.fret, sound.length, stroke=sound.stroke))
        elif not line.notes:
            raise InputError(
                "the first note has no stroke",
                next_step="remove the letter before it",
                row=sound.row,
                column=sound.place,
            )
        else:
            own = line.notes[-1].string
            line.slur(Slur(sound.join, sound.fret, sound.length, None if sound.string == own else sound.string))
    return tuple(line.notes)


def _settle_strokes(notes: tuple[Note, ...], first: Stroke | None, strings: int) -> tuple[Stroke, tuple[Note, ...]]:
    """Return the first stroke; stated strokes go where they are what strict alternation gives anyway."""
    stated = [(k, note.stroke) for k, note in enumerate(notes) if note.stroke]
    if not stated:
        return first or "down", notes
    place, stroke = stated[0]
    opening: Stroke = stroke if place % 2 == 0 else ("up" if stroke == "down" else "down")
    bare = tuple(replace(note, stroke=None) for note in notes)
    strict = Phrase(strings, bare, opening, loops=False)
    if all(strict.stroke_at(k) == stroke for k, stroke in stated):
        return opening, bare
    return opening, notes


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
