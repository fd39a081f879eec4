"""Where to play notes that a file gives only by pitch: the fewest string changes after the wrong stroke.

Every note may lie on any string where its fret exists. Between neighbouring notes the hand reaches so many frets (open
strings are always in reach). Among all such fingerings, by dynamic programming over (string, fret), the order of merit
is: fewest string changes after the stroke that does not clear; then the smallest way of the hand along the neck; then
fewest string changes. Where it is not known which stroke clears, the one with fewer wrong changes is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.drills.notes import MAX_FRET, Note, Phrase, Slur
from analysis.drills.phrases import read_demand
from analysis.drills.tuning import PITCH_NAMES, Tuning
from analysis.model.errors import InputError
from analysis.model.records import FloatArray
from analysis.model.strokes import Stroke

REACH_FRETS = 4
"""Frets between neighbouring notes that a hand reaches without moving (common practice, no source)."""
_WRONG, _WAY, _CHANGE = 1e8, 1e4, 1.0


@dataclass(frozen=True)
class PitchedNote:
    """A note as a file has it: its pitch, and the phrase's note with everything but its place.

    ``place`` is (string, fret) where the file says it; ``row`` says where in the file, for messages.

    Attributes
    ----------
    pitch : int
        MIDI number.
    note : Note
    slurred : tuple of int
        MIDI numbers of the sounds slurred to it.
    place : (int, int) or None
    row : str
    """

    pitch: int
    note: Note
    slurred: tuple[int, ...] = ()
    place: tuple[int, int] | None = None
    row: str = ""


@dataclass(frozen=True)
class Fingering:
    """Chosen places.

    Attributes
    ----------
    notes : tuple of Note
    clearing : {"down", "up"}
        The stroke that was taken to clear.
    wrong : int
        String changes after the other stroke.
    reach : int
        Frets that the hand must reach.
    chosen : int
        Notes whose place was chosen here, not by the file.
    """

    notes: tuple[Note, ...]
    clearing: Stroke
    wrong: int
    reach: int
    chosen: int

    @property
    def words(self) -> str:
        """What was chosen, in one sentence."""
        return (
            f"the file gives {self.chosen} of {len(self.notes)} notes without string and fret: they were chosen for a "
            f"hand whose {self.clearing}stroke clears, {self.wrong} string changes follow the other stroke; write the "
            "phrase or its tab to a file to change them"
        )


def place_notes(
    pitched: Sequence[PitchedNote],
    phrase_of: Phrase,
    tuning: Tuning,
    clearing: Stroke | None = None,
    last_fret: int = 22,
) -> Fingering:
    """Choose string and fret of every note.

    Parameters
    ----------
    pitched : sequence of PitchedNote
        Lead and notes, in order.
    phrase_of : Phrase
        A phrase with these notes' strokes, on any strings: says which stroke each note has.
    tuning : Tuning
    clearing : {"down", "up"}, optional
        The stroke that clears.
    last_fret : int
        Highest fret of the instrument.

    Returns
    -------
    Fingering

    Raises
    ------
    InputError
        If a note lies outside the instrument's range, or the file's own places do not sound as it says.
    """
    places = [_candidates(each, tuning, min(last_fret, MAX_FRET)) for each in pitched]
    strokes = [phrase_of.stroke_at(k) for k in range(len(pitched))]
    best: Fingering | None = None
    sides: tuple[Stroke, ...] = ("down", "up") if clearing is None else (clearing,)
    for side in sides:
        path, reach = _cheapest(places, strokes, side, phrase_of)
        notes = tuple(_placed(each, place, tuning) for each, place in zip(pitched, path, strict=True))
        lead = len(phrase_of.lead)
        demand = read_demand(replace(phrase_of, strings=tuning.strings, lead=notes[:lead], notes=notes[lead:]))
        wrong = demand.after_up if side == "down" else demand.after_down
        found = Fingering(notes, side, wrong, reach, sum(each.place is None for each in pitched))
        if best is None or found.wrong < best.wrong:
            best = found
    if best is None:
        raise InputError("there is no note to place")
    return best


def _candidates(each: PitchedNote, tuning: Tuning, last_fret: int) -> list[tuple[int, int]]:
    """Return every string and fret where a note can be played with all that is slurred to it."""
    where = f"{each.row}: " if each.row else ""
    if each.place is not None:
        string, fret = each.place
        if not 1 <= string <= tuning.strings or tuning.open_midi[string - 1] + fret != each.pitch:
            raise InputError(
                f"{where}string {string}, fret {fret} does not sound as {pitch_name(each.pitch)} in this tuning",
                next_step="choose the tuning that the file is for with --tuning",
            )
        return [each.place]
    found = []
    for string, open_midi in enumerate(tuning.open_midi, 1):
        frets = [pitch - open_midi for pitch in (each.pitch, *each.slurred)]
        if all(0 <= fret <= last_fret for fret in frets):
            found.append((string, frets[0]))
    if not found:
        lowest, highest = min(tuning.open_midi), max(tuning.open_midi) + last_fret
        raise InputError(
            f"{where}{pitch_name(each.pitch)} is outside the instrument's range",
            expected=f"{pitch_name(lowest)} to {pitch_name(highest)}, and slurs that lie on one string",
            found=" ".join(pitch_name(pitch) for pitch in (each.pitch, *each.slurred)),
            next_step="choose another tuning with --tuning, or another track",
        )
    return found


def pitch_name(pitch: int) -> str:
    """Return a MIDI number as a name with its octave: 60 is C4, 69 A4 (440 Hz by ISO 16)."""
    return f"{PITCH_NAMES[pitch % 12]}{pitch // 12 - 1}"


def _cheapest(
    places: list[list[tuple[int, int]]], strokes: list[Stroke], clearing: Stroke, phrase: Phrase
) -> tuple[list[tuple[int, int]], int]:
    """Return the best path through all places, and the reach that it needs."""
    for reach in (*range(REACH_FRETS, 12), MAX_FRET):
        path = _walk(places, strokes, clearing, phrase, reach)
        if path is not None:
            return path, reach
    raise InputError("the notes cannot be reached one after the other")


def _walk(
    places: list[list[tuple[int, int]]], strokes: list[Stroke], clearing: Stroke, phrase: Phrase, reach: int
) -> list[tuple[int, int]] | None:
    """Return the best path within one reach; a loop is closed by trying each place of its first note."""
    lead = len(phrase.lead)
    if not phrase.loops:
        return _walk_from(places, strokes, clearing, reach, None)[0]
    best: tuple[list[tuple[int, int]] | None, float] = (None, np.inf)
    for start in places[lead]:
        fixed = [*places[:lead], [start], *places[lead + 1 :]]
        found = _walk_from(fixed, strokes, clearing, reach, start)
        if found[1] < best[1]:
            best = found
    return best[0]


def _walk_from(
    places: list[list[tuple[int, int]]],
    strokes: list[Stroke],
    clearing: Stroke,
    reach: int,
    back_to: tuple[int, int] | None,
) -> tuple[list[tuple[int, int]] | None, float]:
    cost = np.zeros(len(places[0]))
    choices = []
    for k in range(1, len(places)):
        total = cost[:, None] + _step_cost(places[k - 1], places[k], strokes[k - 1] == clearing, reach)
        choices.append(np.argmin(total, axis=0))
        cost = total.min(axis=0)
    if back_to is not None:
        cost = cost + _step_cost(places[-1], [back_to], strokes[-1] == clearing, reach)[:, 0]
    at = int(np.argmin(cost))
    if not np.isfinite(cost[at]):
        return None, np.inf
    least = float(cost[at])
    path = [places[-1][at]]
    for k in range(len(places) - 1, 0, -1):
        at = int(choices[k - 1][at])
        path.append(places[k - 1][at])
    return path[::-1], least


def _step_cost(here: list[tuple[int, int]], there: list[tuple[int, int]], clears: bool, reach: int) -> FloatArray:
    """Return the cost of every step: changes after the wrong stroke, way along the neck, changes."""
    a, b = np.array(here), np.array(there)
    change = a[:, None, 0] != b[None, :, 0]
    way = np.abs(a[:, None, 1] - b[None, :, 1]).astype(np.float64)
    # An open string needs no finger.
    way[(a[:, None, 1] == 0) | (b[None, :, 1] == 0)] = 0.0
    cost = _WRONG * (change & (not clears)) + _WAY * way + _CHANGE * change
    return np.where(way > reach, np.inf, cost)


def _placed(each: PitchedNote, place: tuple[int, int], tuning: Tuning) -> Note:
    string, fret = place
    open_midi = tuning.open_midi[string - 1]
    slurs = tuple(
        Slur(slur.kind, pitch - open_midi, slur.length)
        for slur, pitch in zip(each.note.slurs, each.slurred, strict=True)
    )
    return replace(each.note, string=string, fret=fret, slurs=slurs)
