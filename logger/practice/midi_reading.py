"""A phrase from a standard MIDI file: one track, one note at a time, on a grid."""

from __future__ import annotations

import io
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import mido

from analysis.drills.fingering import PitchedNote, place_notes
from analysis.drills.notes import MAX_NOTES, Metre, Note, Phrase
from analysis.drills.reading import MusicRead, Remark
from analysis.drills.tuning import Tuning
from analysis.model.errors import InputError
from analysis.model.strokes import Stroke

MOST_BYTES = 4_000_000
DRUMS = 9
"""General MIDI's channel 10 for percussion, counted from 0."""
GRIDS = (1, 2, 3, 4, 6, 8, 12)
"""Parts of a quarter note that are tried as the unit, coarsest first; 12 holds sixteenths and triplets together."""
OFF_GRID = Fraction(1, 16)
"""How far a note may lie off its place, in quarters."""


@dataclass(frozen=True)
class ReadSettings:
    """How music that somebody else wrote is read.

    Attributes
    ----------
    first_stroke : {"down", "up"} or None
        None leaves it to the file; a downstroke where it does not say.
    loops : bool
    part : int or None
        Which track or part, from 1; None where only one has notes.
    clearing : {"down", "up"} or None
        Stroke that clears, for choosing strings.
    """

    first_stroke: Stroke | None = None
    loops: bool = True
    part: int | None = None
    clearing: Stroke | None = None


@dataclass(frozen=True)
class _Sounding:
    start: Fraction
    end: Fraction
    pitch: int


def read_midi(data: bytes, tuning: Tuning, settings: ReadSettings | None = None) -> MusicRead:
    """Read a phrase from a MIDI file's bytes.

    Raises
    ------
    InputError
        If the file is damaged, several tracks have notes and none is chosen, notes sound together, lie off every grid
        or outside the instrument's range.
    """
    settings = settings or ReadSettings()
    if len(data) > MOST_BYTES:
        raise InputError("the MIDI file is too large", expected=f"{MOST_BYTES} bytes at most", found=f"{len(data)}")
    try:
        file = mido.MidiFile(file=io.BytesIO(data), clip=True)
    except (OSError, EOFError, ValueError, IndexError, KeyError, TypeError) as error:
        raise InputError(f"this is no MIDI file that can be read ({error})", next_step="export it again") from error
    if file.type == 2 or file.ticks_per_beat <= 0 or file.ticks_per_beat >= 0x8000:
        raise InputError("the MIDI file has no beats", next_step="export it as format 0 or 1 with ticks a quarter")
    tracks = [_sounding(track, file.ticks_per_beat) for track in file.tracks]
    number, notes = _choose(tracks, settings.part, "track")
    _refuse_together(notes)
    grid = _find_grid(notes)
    pitched = _to_notes(notes, grid)
    metre, tempo, metres = _head(file, Fraction(1, 4 * grid))
    skeleton = Phrase(1, tuple(each.note for each in pitched), settings.first_stroke or "down", settings.loops)
    chosen = place_notes(pitched, skeleton, tuning, settings.clearing)
    phrase = Phrase(tuning.strings, chosen.notes, skeleton.first_stroke, settings.loops, metre=metre)
    remarks = [Remark(None, "", f"track {number} was read, one unit is 1/{4 * grid} of a whole note")]
    remarks.append(Remark(None, "", chosen.words))
    if metre is not None and (notes[0].start / (metre.bar_units / grid)).denominator > 1:
        remarks.append(Remark(None, "", "the first note is not on a bar line: the silence before it was left out"))
    if metres > 1:
        remarks.append(Remark(None, "", "the metre changes: only the first one was read"))
    bend = sum(message.type == "pitchwheel" and message.pitch != 0 for track in file.tracks for message in track)
    if bend:
        remarks.append(Remark(None, "", f"{bend} pitch bends were not read: slurs that they stand for count as notes"))
    return MusicRead(phrase, tuple(remarks), 0, tempo)


def _sounding(track: mido.MidiTrack, ticks: int) -> list[_Sounding]:
    """Return a track's notes in quarters; percussion is left out."""
    now = 0
    open_notes: dict[tuple[int, int], int] = {}
    found: list[_Sounding] = []
    for message in track:
        now += message.time
        if message.type not in ("note_on", "note_off") or message.channel == DRUMS:
            continue
        key = message.channel, message.note
        if key in open_notes:
            start = open_notes.pop(key)
            if now > start:
                found.append(_Sounding(Fraction(start, ticks), Fraction(now, ticks), message.note))
        if message.type == "note_on" and message.velocity > 0:
            open_notes[key] = now
        if len(found) > MAX_NOTES:
            raise InputError(
                f"the piece has more than {MAX_NOTES} notes in one track",
                next_step="cut out the passage to practise, a few bars long",
            )
    return sorted(found, key=lambda note: (note.start, note.pitch))


def _choose(parts: list[list[_Sounding]], wanted: int | None, word: str) -> tuple[int, list[_Sounding]]:
    """Return number and notes of the part to read."""
    full = [number for number, notes in enumerate(parts, 1) if notes]
    if not full:
        raise InputError("the file holds no note", next_step="export the track that is to be practised")
    if wanted is None and len(full) > 1:
        raise InputError(
            f"several {word}s have notes",
            expected=f"one {word}",
            found=", ".join(map(str, full)),
            next_step=f"choose one with --part {full[0]}",
        )
    number = full[0] if wanted is None else wanted
    if number not in full:
        raise InputError(
            f"{word} {number} has no notes", expected=f"one of {', '.join(map(str, full))}", found=str(number)
        )
    return number, parts[number - 1]


def _refuse_together(notes: list[_Sounding]) -> None:
    for one, two in pairwise(notes):
        # Legato play overlaps a little; two notes that begin together are two strings at once.
        if two.start - one.start < Fraction(1, 32):
            raise InputError(
                f"two notes sound together at beat {float(one.start) + 1:g}",
                next_step="a phrase has one note at a time: export a track with the line alone",
            )


def _find_grid(notes: list[_Sounding]) -> int:
    """Return the coarsest unit, in parts of a quarter, on which every note begins."""
    for grid in GRIDS:
        places = [round(note.start * grid) for note in notes]
        off = max(abs(note.start - Fraction(place, grid)) for note, place in zip(notes, places, strict=True))
        if off <= min(OFF_GRID, Fraction(1, 4 * grid)) and len(set(places)) == len(places):
            return grid
    worst = max(notes, key=lambda note: abs(note.start - Fraction(round(note.start * 12), 12)))
    raise InputError(
        f"notes lie on no grid, such as the one at beat {float(worst.start) + 1:.2f}",
        next_step="quantise the track before exporting it",
    )


def _to_notes(notes: list[_Sounding], grid: int) -> list[PitchedNote]:
    """Return notes in units; the last one lasts as long as most do, if it does not last longer."""
    count = len(notes)
    starts = [Fraction(round(note.start * grid)) for note in notes]
    ends = [Fraction(round(note.end * grid)) for note in notes]
    common = Counter(b - a for a, b in pairwise(starts)).most_common(1)
    last = max(ends[-1] - starts[-1], common[0][0] if common else Fraction(1), Fraction(1))
    pitched = []
    for k in range(count):
        room = (starts[k + 1] if k + 1 < count else starts[k] + last) - starts[k]
        sounds = min(max(ends[k] - starts[k], Fraction(1)), room)
        note = Note(1, None, sounds, rest=room - sounds)
        pitched.append(PitchedNote(notes[k].pitch, note, row=f"note {k + 1}, beat {float(notes[k].start) + 1:g}"))
    return pitched


def _head(file: mido.MidiFile, unit: Fraction) -> tuple[Metre | None, float | None, int]:
    """Return metre, tempo in quarters a minute, and how many different metres there are."""
    messages = [message for track in file.tracks for message in track]
    metres = [(m.numerator, m.denominator) for m in messages if m.type == "time_signature"]
    tempi = [mido.tempo2bpm(m.tempo) for m in messages if m.type == "set_tempo"]
    metre = None
    if metres and metres[0][1] <= 64 and metres[0][0] <= 64:
        metre = Metre(*metres[0], unit)
    return metre, (round(tempi[0], 3) if tempi else None), len(set(metres))
