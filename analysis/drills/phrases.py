"""Phrases under strict alternation: which stroke precedes each string change, and what that demands of the hand.

Conventions
-----------
- String 1 is the string that a tab prints at the top; string N, the last, is the one that a downstroke meets first.
  On most instruments string 1 sounds highest, but nothing here needs that (re-entrant tunings are fine). A course, two
  strings plucked as one, counts as one string. A downstroke therefore travels from string N towards string 1.
- Every note is picked, strokes alternate strictly from ``first_stroke``, also over the loop's seam. An odd number of
  notes turns the strokes round on every pass, so its cycle is two passes.
- A change's clearing demand is the stroke before it, whatever way across the strings it goes.
- A phrase as one line of text: ``[down|up] GROUP ... [once]``. A group is ``STRINGxCOUNT`` (frets left open) or
  ``STRING:FRET-FRET-...``; ``x`` stands for an open choice of fret. ``4x2 3x2`` is two notes on string 4, two on
  string 3, from a downstroke, looped. ``once`` marks a phrase that does not loop.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from analysis.model.errors import InputError
from analysis.model.records import Clearing
from analysis.model.strokes import Stroke, other_stroke

DemandKind = Literal["down", "up", "mixed", "none"]

MAX_FRET = 36
MAX_NOTES = 4096
DRILL_KEY = "drill."
"""Prefix of a session's metadata keys that give a drill's name its phrase."""

_GROUP = re.compile(r"(\d+)(?:x(\d+)|:((?:\d+|x)(?:-(?:\d+|x))*))", re.ASCII)


@dataclass(frozen=True)
class Note:
    """One picked note; ``fret`` is None where the phrase leaves it to the player."""

    string: int
    fret: int | None = None


@dataclass(frozen=True)
class Phrase:
    """Notes in order, evenly spaced in time, on an instrument of ``strings`` strings or courses.

    Raises
    ------
    InputError
        If there is no note, or a note lies on a string or fret that is not there.
    """

    strings: int
    notes: tuple[Note, ...]
    first_stroke: Stroke = "down"
    loops: bool = True

    def __post_init__(self) -> None:
        if not 1 <= len(self.notes) <= MAX_NOTES:
            raise InputError(f"A phrase needs 1 to {MAX_NOTES} notes; this one has {len(self.notes)}.")
        if self.first_stroke not in ("down", "up"):
            raise InputError(f"The first stroke is down or up; found {self.first_stroke!r}.")
        for number, note in enumerate(self.notes, 1):
            if not 1 <= note.string <= self.strings:
                raise InputError(
                    f"Note {number} stands on string {note.string}, but the instrument has strings 1 to "
                    f"{self.strings}; correct the note or choose another tuning."
                )
            if note.fret is not None and not 0 <= note.fret <= MAX_FRET:
                raise InputError(f"Note {number} asks for fret {note.fret}; frets run from 0 to {MAX_FRET}.")

    @property
    def cycle_notes(self) -> int:
        """Notes until notes and strokes both repeat: one pass, or two where a loop has an odd number of notes."""
        return len(self.notes) * (2 if self.loops and len(self.notes) % 2 else 1)

    def stroke_at(self, index: int) -> Stroke:
        """Return the stroke of the note at a 0-based place, counted on through the repeats."""
        return self.first_stroke if index % 2 == 0 else other_stroke(self.first_stroke)

    def string_at(self, index: int) -> int:
        """Return the string of the note at a 0-based place, counted on through the repeats."""
        return self.notes[index % len(self.notes)].string


@dataclass(frozen=True)
class StringChange:
    """A change of string after the note at ``index`` (0-based, within the cycle) and the stroke that precedes it.

    ``turnaround`` marks a change that goes the other way across the strings than the change before it; ``seam`` one
    from the last note of a pass to the first of the next.
    """

    index: int
    from_string: int
    to_string: int
    after: Stroke
    turnaround: bool
    seam: bool

    @property
    def travel(self) -> Stroke:
        """The stroke whose way the hand travels across the strings: down towards string 1, up towards the last."""
        return "down" if self.to_string < self.from_string else "up"


@dataclass(frozen=True)
class Demand:
    """What a phrase demands: its changes over one cycle and the stroke that must clear."""

    kind: DemandKind
    changes: tuple[StringChange, ...]

    @property
    def after_down(self) -> int:
        """Changes that follow a downstroke."""
        return sum(change.after == "down" for change in self.changes)

    @property
    def after_up(self) -> int:
        """Changes that follow an upstroke."""
        return len(self.changes) - self.after_down

    def suited(self, clearing: Clearing) -> int:
        """Count the changes that a hand with this clearing stroke plays clear of the strings."""
        counts: Mapping[Clearing, int] = {
            "down": self.after_down,
            "up": self.after_up,
            "both": len(self.changes),
            "level": 0,
        }
        return counts[clearing]

    def suits(self, clearing: Clearing) -> bool:
        """Tell whether every change follows a stroke that clears."""
        return self.suited(clearing) == len(self.changes)


def read_demand(phrase: Phrase) -> Demand:
    """Find every string change of a phrase, the loop's seam included, and the stroke that each one follows.

    Parameters
    ----------
    phrase : Phrase

    Returns
    -------
    Demand
        ``kind`` is the stroke after which all changes fall, ``mixed``, or ``none`` for a phrase on one string.
    """
    count = len(phrase.notes)
    last = phrase.cycle_notes if phrase.loops else count - 1
    places = [j for j in range(last) if phrase.string_at(j) != phrase.string_at(j + 1)]
    towards_last = [phrase.string_at(j + 1) > phrase.string_at(j) for j in places]
    changes = []
    for k, j in enumerate(places):
        # The change before the first one is the last of the loop; a phrase played once has none before its first.
        turned = towards_last[k] != towards_last[k - 1] if k or phrase.loops else False
        seam = j % count == count - 1
        changes.append(StringChange(j, phrase.string_at(j), phrase.string_at(j + 1), phrase.stroke_at(j), turned, seam))
    found = {change.after for change in changes}
    kind: DemandKind = "none" if not found else "mixed" if len(found) == 2 else found.pop()
    return Demand(kind, tuple(changes))


def require_changes(phrase: Phrase) -> Demand:
    """Return the demand of a phrase that changes strings.

    Raises
    ------
    InputError
        If the phrase stays on one string.
    """
    demand = read_demand(phrase)
    if demand.kind == "none":
        raise InputError(
            f"The phrase stays on string {phrase.notes[0].string}, so it has no string change to look at; "
            "put some of its notes on another string."
        )
    return demand


def make_twin(phrase: Phrase) -> Phrase:
    """Return the phrase that demands the other stroke at every change, from the same first stroke.

    A loop starts one note later: every note falls on the other stroke. A phrase played once drops its first note;
    where that would lose a change, the first note is played twice instead.

    Raises
    ------
    InputError
        If the phrase stays on one string, or loops over an odd number of notes (it then demands both strokes by
        turns, and so would its twin).
    """
    require_changes(phrase)
    notes = phrase.notes
    if phrase.loops and len(notes) % 2:
        raise InputError(
            f"A loop of {len(notes)} notes turns its strokes round on every pass, so it demands both and has no "
            "twin; add or drop one note."
        )
    if phrase.loops:
        return replace(phrase, notes=notes[1:] + notes[:1])
    keeps_changes = notes[0].string == notes[1].string
    return replace(phrase, notes=notes[1:] if keeps_changes else notes[:1] + notes)


def read_phrase(text: str, strings: int) -> Phrase:
    """Read a phrase from its one line of text (see the head of this module).

    Raises
    ------
    InputError
        Naming the word that cannot be read, or the note that cannot be played.

    Examples
    --------
    >>> read_demand(read_phrase("4x2 3x2", strings=6)).kind
    'up'
    """
    words = text.split()
    first: Stroke = "down"
    loops = True
    if words and words[0] in ("down", "up"):
        first = "down" if words.pop(0) == "down" else "up"
    if words and words[-1] == "once":
        words.pop()
        loops = False
    if not words:
        raise InputError(f"Expected a phrase such as '4x2 3x2' or '4:5-7 3:4-7'; found {text!r}.")
    notes: list[Note] = []
    for word in words:
        notes.extend(_read_group(word))
    return Phrase(strings, tuple(notes), first, loops)


def _read_group(word: str) -> list[Note]:
    """Read one group of notes on one string."""
    match = _GROUP.fullmatch(word)
    if match is None:
        raise InputError(
            f"Cannot read {word!r} in the phrase; write STRINGxCOUNT (4x2) or STRING:FRET-FRET (4:5-7), "
            "with 'down' or 'up' first and 'once' last where wanted."
        )
    string, count, frets = match.groups()
    if len(string) > 3 or (count and not 1 <= len(count) <= 4):
        raise InputError(f"The numbers in {word!r} are too large for a phrase.")
    if count:
        return [Note(int(string))] * int(count)
    return [Note(int(string), None if fret == "x" else int(fret[:4])) for fret in frets.split("-")]


def write_phrase(phrase: Phrase) -> str:
    """Return the one line of text that :func:`read_phrase` reads back as the same phrase.

    Examples
    --------
    >>> write_phrase(read_phrase("down 4:5-7 3x2", strings=6))
    '4:5-7 3x2'
    """
    words = ["up"] if phrase.first_stroke == "up" else []
    start = 0
    for stop in range(1, len(phrase.notes) + 1):
        if stop < len(phrase.notes) and phrase.notes[stop].string == phrase.notes[start].string:
            continue
        frets = [note.fret for note in phrase.notes[start:stop]]
        string = phrase.notes[start].string
        if all(fret is None for fret in frets):
            words.append(f"{string}x{len(frets)}")
        else:
            words.append(f"{string}:" + "-".join("x" if fret is None else str(fret) for fret in frets))
        start = stop
    return " ".join(words if phrase.loops else [*words, "once"])


def find_drill(label: str, strings: int, metadata: Mapping[str, str]) -> Phrase | None:
    """Return the phrase that a block's drill stands for, or None where the label is only a name.

    A label is looked up in the session's metadata (key ``drill.LABEL``) first; else it may be the phrase itself.

    Raises
    ------
    InputError
        If the label or its entry is a phrase that this instrument cannot play.
    """
    if f"{DRILL_KEY}{label}" in metadata:
        return read_phrase(metadata[f"{DRILL_KEY}{label}"], strings)
    groups = [word for word in label.split() if word not in ("down", "up", "once")]
    if groups and all(_GROUP.fullmatch(word) for word in groups):
        return read_phrase(label, strings)
    return None
