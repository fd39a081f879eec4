"""A phrase from MusicXML: one part, one voice; strings, frets, slurs and strokes where the score has them.

A slur is read as notes without a stroke, and so are hammer-on, pull-off and slide; up-bow and down-bow state strokes.

References
----------
MusicXML 4.0, W3C Community Group final report, 2021: note, technical, transpose, barline, time-modification.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from analysis.drills.fingering import PitchedNote, place_notes
from analysis.drills.notes import MAX_NOTES, Metre, Note, Phrase, Slur, SlurKind
from analysis.drills.reading import MusicRead, Remark
from analysis.drills.repeats import Bar, unfold
from analysis.drills.tuning import Tuning
from analysis.model.errors import InputError
from analysis.model.strokes import Stroke
from logger.practice.midi_reading import ReadSettings
from logger.practice.score_file import read_score

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
MOST_MEASURES = 4000


@dataclass
class _Event:
    """One note or rest of a measure; ``pitch`` is None for a rest. Lengths in quarters."""

    length: Fraction
    pitch: int | None = None
    place: tuple[int, int] | None = None
    join: SlurKind | None = None
    stroke: Stroke | None = None
    tied: bool = False
    row: str = ""


@dataclass
class _Hand:
    """What goes on from measure to measure."""

    divisions: int = 1
    transpose: int = 0
    capo: int = 0
    slurs: set[str] = field(default_factory=set)
    sliding: bool = False
    metre: tuple[int, int] | None = None
    tempo: float | None = None
    left: Counter[str] = field(default_factory=Counter)


def read_musicxml(data: bytes, tuning: Tuning, settings: ReadSettings | None = None) -> MusicRead:
    """Read a phrase from a MusicXML file's bytes, plain or compressed.

    Raises
    ------
    InputError
        If the score cannot be read, has several parts or voices and none is chosen, chords, bars that do not add up, or
        notes outside the instrument's range; measures are named by their number and line.
    """
    settings = settings or ReadSettings()
    root, text = read_score(data)
    if root.tag != "score-partwise":
        raise InputError("this is no MusicXML score by parts", expected="score-partwise", found=root.tag[:40])
    number, part, first_measure = _choose_part(root, settings.part)
    rows = [text.count("\n", 0, match.start()) + 1 for match in re.finditer(r"<measure[\s>]", text)]
    measures = part.findall("measure")
    if len(measures) > MOST_MEASURES:
        raise InputError(
            f"the piece has {len(measures)} bars",
            expected=f"{MOST_MEASURES} at most",
            next_step="cut out the passage to practise, a few bars long",
        )
    hand = _Hand()
    voice, staff = _choose_voice(part)
    bars = []
    lead: list[_Event] = []
    for k, measure in enumerate(measures):
        row = rows[min(first_measure + k, len(rows) - 1)]
        at = f"bar {measure.get('number', k + 1)}, line {row}"
        bar = _read_measure(measure, hand, (voice, staff), at)
        total = sum((event.length for event in bar.content), Fraction(0))
        whole = Fraction(4 * hand.metre[0], hand.metre[1]) if hand.metre else total
        if total > whole or (total < whole and 0 < k < len(measures) - 1 and measure.get("implicit") != "yes"):
            raise InputError(
                f"{at}: the bar does not add up",
                expected=f"{whole} quarters",
                found=str(total),
                next_step="correct the bar, or export the passage again",
            )
        if k == 0 and 0 < total < whole and len(measures) > 1:
            lead = bar.content
        else:
            bars.append(bar)
    body = [event for bar in unfold(bars) for event in bar.content]
    return _make(lead, body, hand, tuning, settings, [Remark(None, "", f"part {number}, voice {voice} was read")])


def _make(
    lead: list[_Event], body: list[_Event], hand: _Hand, tuning: Tuning, settings: ReadSettings, remarks: list[Remark]
) -> MusicRead:
    """Return events as a phrase, with strings and frets chosen where the score has none."""
    unit = _unit(lead + body)
    (lead_notes, lead_rest), (notes, rest) = _to_notes(lead, unit), _to_notes(body, unit)
    if not notes:
        raise InputError("the part holds no note", next_step="choose another one with --part")
    metre = Metre(*hand.metre, unit / 4) if hand.metre else None
    skeleton = Phrase(
        1,
        tuple(replace(n.note, slurs=()) for n in notes),
        settings.first_stroke or "down",
        settings.loops,
        tuple(replace(n.note, slurs=()) for n in lead_notes),
    )
    chosen = place_notes(lead_notes + notes, skeleton, tuning.with_capo(hand.capo), settings.clearing)
    phrase = Phrase(
        tuning.strings,
        chosen.notes[len(lead_notes) :],
        skeleton.first_stroke,
        settings.loops,
        chosen.notes[: len(lead_notes)],
        rest,
        lead_rest,
        metre=metre,
    )
    if chosen.chosen:
        remarks.append(Remark(None, "", chosen.words))
    remarks += [Remark(None, "", f"{word}: {count} were not read") for word, count in sorted(hand.left.items())]
    return MusicRead(phrase, tuple(remarks), hand.capo, hand.tempo)


def _choose_part(root: Element, wanted: int | None) -> tuple[int, Element, int]:
    """Return number and element of the part, and how many measures come before it in the file."""
    parts = root.findall("part")
    full = [k for k, part in enumerate(parts, 1) if part.find("measure/note/pitch") is not None]
    if not full:
        raise InputError("the score holds no note with a pitch", next_step="export the part that is to be practised")
    if wanted is None and len(full) > 1:
        raise InputError(
            "several parts have notes",
            expected="one part",
            found=", ".join(map(str, full)),
            next_step=f"choose one with --part {full[0]}",
        )
    number = full[0] if wanted is None else wanted
    if number not in full:
        raise InputError(f"part {number} has no notes", expected=f"one of {', '.join(map(str, full))}")
    return number, parts[number - 1], sum(len(part.findall("measure")) for part in parts[: number - 1])


def _choose_voice(part: Element) -> tuple[str, str]:
    """Return the voice to read, and its staff: the one with frets where notes stand on a second staff too."""
    voices: Counter[tuple[str, str]] = Counter()
    fretted: Counter[tuple[str, str]] = Counter()
    for note in part.iterfind("measure/note"):
        if note.find("pitch") is not None:
            key = note.findtext("voice", "1"), note.findtext("staff", "1")
            voices[key] += 1
            fretted[key] += note.find("notations/technical/fret") is not None
    if len(voices) == 1:
        return next(iter(voices))
    with_frets = [key for key in voices if fretted[key]]
    if len(with_frets) == 1 and len({staff for _, staff in voices}) > 1:
        return with_frets[0]
    raise InputError(
        "the part has several voices",
        expected="one line of notes",
        found=", ".join(sorted(f"voice {voice} on staff {staff}" for voice, staff in voices)),
        next_step="export the line that is to be practised by itself",
    )


def _read_measure(measure: Element, hand: _Hand, line: tuple[str, str], at: str) -> Bar:
    """Read one measure."""
    events: list[_Event] = []
    bar = Bar(events)
    for element in measure:
        if element.tag == "attributes":
            _read_attributes(element, hand, line[1], at)
        elif element.tag == "note":
            if (element.findtext("voice", "1"), element.findtext("staff", "1")) == line:
                _read_note(element, hand, events, at)
        elif element.tag == "barline":
            bar = _read_barline(element, bar, at)
        elif element.tag in ("direction", "sound"):
            sound = element if element.tag == "sound" else element.find("sound")
            tempo = sound.get("tempo") if sound is not None else None
            if tempo and hand.tempo is None:
                hand.tempo = _number(tempo, at)
            if sound is not None and any(
                sound.get(key) for key in ("segno", "dalsegno", "dacapo", "coda", "tocoda", "fine")
            ):
                hand.left["jumps (da capo, segno, coda)"] += 1
    return bar


def _number(text: str, at: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{at}: cannot read the number {text[:20]!r}", next_step="export the score again") from None


def _whole(text: str | None, at: str, low: int, high: int) -> int:
    value = _number(text or "", at)
    if value != int(value) or not low <= value <= high:
        raise InputError(f"{at}: a number is out of bounds", expected=f"{low} to {high}", found=str(text)[:20])
    return int(value)


def _read_attributes(element: Element, hand: _Hand, staff: str, at: str) -> None:
    if element.find("divisions") is not None:
        hand.divisions = _whole(element.findtext("divisions"), at, 1, 16_383)
    beats, value = element.findtext("time/beats"), element.findtext("time/beat-type")
    if beats and value:
        parts = [_whole(part, at, 1, 64) for part in beats.split("+")]
        metre = sum(parts), _whole(value, at, 1, 64)
        if hand.metre not in (None, metre):
            raise InputError(f"{at}: the metre changes", next_step="cut out the passage in one metre")
        hand.metre = metre
    for transpose in element.findall("transpose"):
        semitones = _whole(transpose.findtext("chromatic", "0"), at, -127, 127)
        hand.transpose = semitones + 12 * _whole(transpose.findtext("octave-change", "0"), at, -9, 9)
    for details in element.findall("staff-details"):
        if details.get("number", staff) == staff and details.find("capo") is not None:
            hand.capo = _whole(details.findtext("capo"), at, 0, 24)


def _read_barline(element: Element, bar: Bar, at: str) -> Bar:
    repeat, ending = element.find("repeat"), element.find("ending")
    if ending is not None and ending.get("type") == "start":
        number = ending.get("number", "")
        if not number.strip().isdigit():
            raise InputError(f"{at}: an ending is numbered {number[:20]!r}", expected="one number an ending")
        bar = replace(bar, ending=int(number))
    if repeat is not None and repeat.get("direction") == "forward":
        return replace(bar, starts=True)
    if repeat is not None and repeat.get("direction") == "backward":
        return replace(bar, ends=True, times=_whole(repeat.get("times", "2"), at, 1, 64))
    return bar


def _read_note(element: Element, hand: _Hand, events: list[_Event], at: str) -> None:
    if element.find("grace") is not None:
        raise InputError(f"{at}: a grace note has no time of its own", next_step="write it out as a note, or remove it")
    if element.find("cue") is not None:
        hand.left["cue notes"] += 1
        return
    length = Fraction(_whole(element.findtext("duration"), at, 1, 10_000_000), hand.divisions)
    if element.find("chord") is not None and element.find("rest") is None:
        raise InputError(
            f"{at}: two notes sound together", next_step="a phrase has one note at a time: keep the line alone"
        )
    pitch = element.find("pitch")
    if pitch is None:
        if element.find("unpitched") is not None:
            raise InputError(f"{at}: a note without pitch", next_step="choose a part with pitches")
        events.append(_Event(length, row=at))
        return
    if len(events) > MAX_NOTES:
        raise InputError(f"{at}: more notes than {MAX_NOTES}", next_step="cut out the passage to practise")
    tied = any(tie.get("type") == "stop" for tie in element.findall("tie"))
    event = _Event(length, _pitch(pitch, hand, at), row=at, tied=tied)
    technical = element.find("notations/technical")
    if technical is not None:
        string, fret = technical.findtext("string"), technical.findtext("fret")
        if string is not None and fret is not None:
            event.place = _whole(string, at, 1, 99), _whole(fret, at, 0, 36)
        event.stroke = (
            "down" if technical.find("down-bow") is not None else "up" if technical.find("up-bow") is not None else None
        )
    event.join = _join(element, hand)
    events.append(event)


def _pitch(pitch: Element, hand: _Hand, at: str) -> int:
    step = pitch.findtext("step", "")
    if step not in _STEPS:
        raise InputError(f"{at}: cannot read the step {step[:5]!r}", expected="C to B")
    alter = _whole(pitch.findtext("alter", "0"), at, -3, 3)
    return 12 * (_whole(pitch.findtext("octave"), at, -1, 9) + 1) + _STEPS[step] + alter + hand.transpose


def _join(element: Element, hand: _Hand) -> SlurKind | None:
    """Return how this note follows the one before; None where it is picked."""
    join: SlurKind | None = "hammer-on" if hand.slurs else None
    if hand.sliding:
        join = "slide"
    for notations in element.findall("notations"):
        for name, kind in (("hammer-on", "hammer-on"), ("pull-off", "pull-off")):
            if any(mark.get("type") == "stop" for mark in notations.findall(f"technical/{name}")):
                join = kind  # type: ignore[assignment]
        if notations.find("technical/tap") is not None:
            join = "tap"
        slides = [*notations.findall("slide"), *notations.findall("glissando")]
        if any(slide.get("type") == "stop" for slide in slides):
            hand.sliding = False
        if any(slide.get("type") == "start" for slide in slides):
            hand.sliding = True
        for slur in notations.findall("slur"):
            key = slur.get("number", "1")
            if slur.get("type") == "start":
                hand.slurs.add(key)
            elif slur.get("type") == "stop":
                hand.slurs.discard(key)
    return join


def _unit(events: list[_Event]) -> Fraction:
    """Return the most frequent length, in quarters."""
    lengths = Counter(event.length for event in events if event.pitch is not None and not event.tied)
    if not lengths:
        return Fraction(1)
    return min(lengths, key=lambda length: (-lengths[length], length))


def _to_notes(events: list[_Event], unit: Fraction) -> tuple[list[PitchedNote], Fraction]:
    """Return picked notes with what is slurred to them, and the rest before the first."""
    notes: list[PitchedNote] = []
    before = Fraction(0)
    for event in events:
        length = event.length / unit
        if event.pitch is None:
            if notes:
                notes[-1] = replace(notes[-1], note=replace(notes[-1].note, rest=notes[-1].note.rest + length))
            else:
                before += length
        elif event.tied and notes:
            notes[-1] = _longer(notes[-1], event, length)
        elif event.join and notes and not notes[-1].note.rest:
            last = (notes[-1].pitch, *notes[-1].slurred)[-1]
            kind: SlurKind = "pull-off" if event.join == "hammer-on" and event.pitch < last else event.join
            slur = Slur(kind, None, length)
            note = replace(notes[-1].note, slurs=(*notes[-1].note.slurs, slur))
            notes[-1] = replace(notes[-1], note=note, slurred=(*notes[-1].slurred, event.pitch))
        else:
            note = Note(1, None, length, stroke=event.stroke)
            notes.append(PitchedNote(event.pitch, note, place=event.place, row=event.row))
    return notes, before


def _longer(last: PitchedNote, event: _Event, length: Fraction) -> PitchedNote:
    """Return a note that is tied on."""
    if (last.pitch, *last.slurred)[-1] != event.pitch or last.note.rest:
        raise InputError(f"{event.row}: a tie leads from another note", next_step="correct the tie")
    slurs = last.note.slurs
    if slurs:
        return replace(
            last, note=replace(last.note, slurs=(*slurs[:-1], replace(slurs[-1], length=slurs[-1].length + length)))
        )
    return replace(last, note=replace(last.note, length=last.note.length + length))
