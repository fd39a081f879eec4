"""Phrases as music: notes that are picked, what sounds after them without a stroke, rests, swing, metre, a pickup.

Conventions
-----------
- String 1 is the string that a tab prints at the top; string N, the last, is the one that a downstroke meets first.
  On most instruments string 1 sounds highest, but nothing here needs that (re-entrant tunings are fine). A course, two
  strings plucked as one, counts as one string. A downstroke therefore travels from string N towards string 1.
- A note is one stroke, and strokes alternate strictly from ``first_stroke``, also over rests and over the loop's seam;
  a note may state its stroke itself, and those after it alternate from there. What a note is slurred into (hammer-on,
  pull-off, slide, tap) has no stroke and belongs to it, and so does the rest after it. A tie is a longer note.
- Time counts in units: one unit is a note of the usual length, so ``notes_per_beat`` of a practice are units a beat.
- ``lead`` holds the notes before the first bar line: a loop comes back to ``notes``, not to them. Indices of strokes
  count from the first note of ``lead``, on through the repeats.
- A loop that states no stroke and has an odd number of strokes turns them round on every pass: its cycle is two passes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.model.strokes import Stroke, other_stroke

SlurKind = Literal["hammer-on", "pull-off", "slide", "tap"]

MAX_FRET = 36
MAX_NOTES = 4096
MAX_LENGTH = 256
"""Longest note or rest, in units."""


@dataclass(frozen=True)
class Slur:
    """A sound without a stroke of its own; ``string`` is None where it is the string of the note before.

    Attributes
    ----------
    kind : SlurKind
    fret : int or None
    length : Fraction or int
        In units of the phrase.
    string : int or None
    """

    kind: SlurKind
    fret: int | None = None
    length: Fraction | int = 1
    string: int | None = None


@dataclass(frozen=True)
class Note:
    """One picked note and what comes of it until the next stroke.

    Attributes
    ----------
    string : int
    fret : int or None
        None where the phrase leaves it to the player, or the string is damped.
    length : Fraction or int
        Units until the first slur, the rest or the next note.
    slurs : tuple of Slur
    rest : Fraction or int
        Units of silence after all that.
    stroke : {"down", "up"} or None
        Stated by the phrase; None where strokes alternate.
    """

    string: int
    fret: int | None = None
    length: Fraction | int = 1
    slurs: tuple[Slur, ...] = ()
    rest: Fraction | int = 0
    stroke: Stroke | None = None

    @property
    def span(self) -> Fraction:
        """Units from this stroke to the next one."""
        return Fraction(self.length) + sum((Fraction(slur.length) for slur in self.slurs), Fraction(self.rest))


class Sounding(NamedTuple):
    """One sound: start and length, in units or beats, and the place of its stroke; None where it has none."""

    start: Fraction
    length: Fraction
    string: int
    fret: int | None
    stroke: int | None


@dataclass(frozen=True)
class Metre:
    """A metre such as 7/8, and which note value one unit is (1/16: a sixteenth).

    Attributes
    ----------
    beats, value : int
        7 and 8 in 7/8.
    note : Fraction
        One unit as a part of a whole note.
    """

    beats: int
    value: int
    note: Fraction

    def __post_init__(self) -> None:
        if not 1 <= self.beats <= 64 or self.value not in (1, 2, 4, 8, 16, 32, 64):
            raise InputError("a metre cannot be read", expected="such as 7/8", found=f"{self.beats}/{self.value}")
        if not Fraction(1, 128) <= self.note <= 4:
            raise InputError("a note's value is out of bounds", expected="1/128 to 4", found=str(self.note))

    @property
    def bar_units(self) -> Fraction:
        """Units of a whole bar."""
        return Fraction(self.beats, self.value) / self.note

    @property
    def compound(self) -> bool:
        """Whether three eighths (or sixteenths) make a beat: 6/8, 9/8, 12/8."""
        return self.value >= 8 and self.beats % 3 == 0 and self.beats > 3

    @property
    def units_per_beat(self) -> Fraction:
        """Units of one beat of the click."""
        return Fraction(3 if self.compound else 1, self.value) / self.note

    @property
    def beats_per_bar(self) -> int:
        """Beats of the click in a bar."""
        return self.beats // 3 if self.compound else self.beats


@dataclass(frozen=True)
class Phrase:
    """Notes in order, on an instrument of ``strings`` strings or courses.

    Attributes
    ----------
    strings : int
    notes : tuple of Note
        One a stroke.
    first_stroke : {"down", "up"}
    loops : bool
    lead : tuple of Note
        Before the first bar line, played once.
    rest, lead_rest : Fraction or int
        Units of silence before the first of ``notes`` on every pass, and before ``lead``.
    swing : Fraction or None
        Share of each pair of units that its first one takes; None is one half.
    metre : Metre or None

    Raises
    ------
    InputError
        If there is no note, or a note lies on a string or fret that is not there.
    """

    strings: int
    notes: tuple[Note, ...]
    first_stroke: Stroke = "down"
    loops: bool = True
    lead: tuple[Note, ...] = ()
    rest: Fraction | int = 0
    lead_rest: Fraction | int = 0
    swing: Fraction | None = None
    metre: Metre | None = None

    def __post_init__(self) -> None:
        if not self.notes or len(self.notes) + len(self.lead) > MAX_NOTES:
            raise InputError(
                f"A phrase needs 1 to {MAX_NOTES} notes",
                next_step=f"this one has {len(self.notes)}.",
            )
        if self.first_stroke not in ("down", "up"):
            raise InputError(
                "The first stroke is down or up",
                found=f"{self.first_stroke!r}.",
            )
        if self.swing is not None and not Fraction(1, 2) <= self.swing < 1:
            raise InputError("the swing is out of bounds", expected="1/2 to less than 1", found=str(self.swing))
        for number, note in enumerate(self.played, 1):
            self._check_note(number, note)
        if not all(0 <= value <= MAX_LENGTH for value in (self.rest, self.lead_rest)):
            raise InputError("a rest is out of bounds", expected=f"0 to {MAX_LENGTH} units", found=str(self.rest))

    def _check_note(self, number: int, note: Note) -> None:
        places = [(note.string, note.fret), *((slur.string or note.string, slur.fret) for slur in note.slurs)]
        for string, fret in places:
            if not 1 <= string <= self.strings:
                raise InputError(
                    f"Note {number} is on string {string}, but the instrument has strings 1 to {self.strings}",
                    next_step="correct the note or choose another tuning.",
                )
            if fret is not None and not 0 <= fret <= MAX_FRET:
                raise InputError(
                    f"Note {number} asks for fret {fret}",
                    next_step=f"frets run from 0 to {MAX_FRET}.",
                )
        lengths = [note.length, *(slur.length for slur in note.slurs)]
        if not all(0 < length <= MAX_LENGTH for length in lengths) or not 0 <= note.rest <= MAX_LENGTH:
            raise InputError(
                f"Note {number} lasts no time or more than {MAX_LENGTH} units",
                next_step="correct its length.",
            )

    @property
    def played(self) -> tuple[Note, ...]:
        """Lead and one pass."""
        return self.lead + self.notes

    @property
    def states_strokes(self) -> bool:
        """Whether one of the notes states its stroke."""
        return any(note.stroke for note in self.played)

    @property
    def cycle_notes(self) -> int:
        """Strokes until notes and strokes both repeat: one pass, or two where a loop has an odd number of notes."""
        turned = self.loops and len(self.notes) % 2 and not any(note.stroke for note in self.notes)
        return len(self.notes) * (2 if turned else 1)

    @property
    def pass_units(self) -> Fraction:
        """Units of one pass."""
        return sum((note.span for note in self.notes), Fraction(self.rest))

    @property
    def lead_units(self) -> Fraction:
        """Units before the first pass."""
        return sum((note.span for note in self.lead), Fraction(self.lead_rest))

    @property
    def is_even(self) -> bool:
        """Whether all strokes come one unit apart."""
        return not self.rest and self.swing in (None, Fraction(1, 2)) and all(note.span == 1 for note in self.played)

    def stroke_count(self, passes: int) -> int:
        """Strokes of the lead and so many passes.

        Parameters
        ----------
        passes : int

        Returns
        -------
        int
        """
        return len(self.lead) + passes * len(self.notes)

    def onset_units(self, count: int) -> FloatArray:
        """When each of the first so many strokes comes.

        Parameters
        ----------
        count : int

        Returns
        -------
        float64 (count,)
            Units from the beginning of the lead.
        """
        if self.is_even:
            return np.arange(count, dtype=np.float64)
        passes = max(1, -(-(count - len(self.lead)) // len(self.notes)))
        starts = [float(sound.start) for sound in self.sounds(passes) if sound.stroke is not None]
        return np.array(starts[:count])

    def place_at(self, index: IntArray) -> IntArray:
        """Place among :attr:`played` of strokes counted on through the repeats.

        Parameters
        ----------
        index : int64 array

        Returns
        -------
        int64 array
        """
        lead = len(self.lead)
        return np.where(index < lead, np.maximum(index, 0), lead + (index - lead) % len(self.notes))

    def note_at(self, index: int) -> Note:
        """Return the note of a stroke.

        Parameters
        ----------
        index : int

        Returns
        -------
        Note
        """
        body = index - len(self.lead)
        return self.lead[index] if body < 0 else self.notes[body % len(self.notes)]

    def string_at(self, index: int) -> int:
        """Return the string that a stroke plays.

        Parameters
        ----------
        index : int

        Returns
        -------
        int
        """
        return self.note_at(index).string

    def stroke_at(self, index: int) -> Stroke:
        """Return the stroke at a 0-based place, counted on through the repeats.

        Parameters
        ----------
        index : int

        Returns
        -------
        Stroke
        """
        # The lead and the first pass may differ from all later ones; those repeat.
        start, cycle = self._strokes
        return start[index] if index < len(start) else cycle[(index - len(start)) % len(cycle)]

    def downstrokes(self, index: IntArray) -> BoolArray:
        """Whether the strokes at these places are downstrokes; before the first one strict alternation runs back.

        Parameters
        ----------
        index : int64 (n,)

        Returns
        -------
        bool (n,)
        """
        start, cycle = ([stroke == "down" for stroke in part] for part in self._strokes)
        within = np.array(start)[np.clip(index, 0, len(start) - 1)]
        later = np.array(cycle)[np.maximum(index - len(start), 0) % len(cycle)]
        before = (index % 2 == 0) == start[0]
        return np.where(index < 0, before, np.where(index < len(start), within, later))

    @cached_property
    def _strokes(self) -> tuple[list[Stroke], list[Stroke]]:
        """Strokes of lead and first pass, and those of the two passes after, which repeat for ever."""
        hand: Stroke = self.first_stroke
        played: list[Stroke] = []
        for note in self.played + 2 * self.notes:
            stroke = note.stroke or hand
            played.append(stroke)
            hand = other_stroke(stroke)
        first = len(self.played)
        return played[:first], played[first:]

    def sounds(self, passes: int) -> Iterator[Sounding]:
        """Yield all that sounds, in order, in units from the beginning of the lead; swing is in it.

        Parameters
        ----------
        passes : int

        Returns
        -------
        iterator of Sounding
        """
        first = self.lead_units
        now = Fraction(self.lead_rest)
        for index in range(self.stroke_count(passes)):
            body = index - len(self.lead)
            if body >= 0 and body % len(self.notes) == 0:
                now += self.rest
            note = self.note_at(index)
            parts: list[Note | Slur] = [note, *note.slurs]
            for part in parts:
                start, end = self._swung(now - first), self._swung(now + part.length - first)
                place = index if part is note else None
                yield Sounding(start + first, end - start, part.string or note.string, part.fret, place)
                now += part.length
            now += note.rest

    def _swung(self, units: Fraction) -> Fraction:
        """Return when a moment comes with swing; pairs count from the first bar line."""
        if self.swing is None:
            return units
        pair, place = divmod(units, 2)
        long, short = 2 * self.swing, 2 * (1 - self.swing)
        return 2 * pair + (place * long if place <= 1 else long + (place - 1) * short)
