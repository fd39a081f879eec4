"""Practice material as files: text tab, standard MIDI file, WAV tracks, and a plan for the guided session.

All four say the same: they are written from one :class:`analysis.drills.practice_form.Practice`. Each file appears
whole or not at all.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import mido
import pandas as pd

from analysis.drills.notes import Note, Phrase
from analysis.drills.phrases import read_demand
from analysis.drills.practice_form import BeatSound, Practice, Section, microseconds_per_beat, pickup_beats
from analysis.drills.session_changes import DrillBlock
from analysis.drills.string_changes import CHANGE_COLUMNS
from analysis.drills.tab import require_strings, write_tab
from analysis.drills.tuning import Tuning
from analysis.model.cautions import STOP
from analysis.model.errors import InputError, OutputError
from logger.files.atomic_file import reason, write_text_atomic
from logger.files.csv_cells import guard_table
from logger.files.own_result import begins_with, check_result, contains, made_by, write_result
from logger.practice.plan import check_plan_target, render_plan
from logger.practice.plan_orders import plan_practice
from logger.practice.practice_tracks import render_track

# General MIDI's percussion channel and four of its sounds, high and low wood block, claves and an open triangle;
# program 24 is a plucked guitar.
CLICK_CHANNEL = 9
ACCENT_KEY, CLICK_KEY, ANNOUNCE_KEY, CUE_KEY = 76, 77, 75, 81
KEYS: dict[BeatSound, tuple[int, int]] = {
    "accent": (ACCENT_KEY, 110),
    "plain": (CLICK_KEY, 80),
    "rest": (CLICK_KEY, 45),
    "announce": (ANNOUNCE_KEY, 90),
    "announce first": (ANNOUNCE_KEY, 120),
}
"""Key and velocity of each sound of the click."""
PLUCKED_PROGRAM = 24
TICKS_PER_BEAT = 480
MOST_TICKS = 32_767
NOTE_SHARE = Fraction(9, 10)
"""Share of a note's time that it sounds in the MIDI file."""

FILE_NAMES = {"tab": "practice.tab.txt", "midi": "practice.mid", "plan": "plan.toml"}

MADE_HERE = contains(b"Made by strokeplane ")
"""How an older tab, MIDI file or click is known."""
CHANGES_SIGN = begins_with(",".join(("block", *(column.name for column in CHANGE_COLUMNS))))
"""How an older table of string changes begins."""


class _Tick(NamedTuple):
    """A MIDI message at an absolute tick; ``order`` parts messages of one tick (ends of notes first)."""

    tick: int
    order: int
    message: mido.Message | mido.MetaMessage


def write_material(
    folder: Path, practice: Practice, tuning: Tuning, name: str, replace: bool = False
) -> dict[str, Path]:
    """Write tab, MIDI file, plan and a WAV track for every tempo into a folder, which is made if need be.

    Parameters
    ----------
    folder : Path
    practice : Practice
    tuning : Tuning
        With as many strings as the phrases.
    name : str
        Title of the practice.
    replace : bool
        A plan that is there, perhaps edited since, is written over; older files of ours besides it always are.

    Returns
    -------
    dict
        Path of each file by its key in :data:`FILE_NAMES`; tracks by their names.

    Raises
    ------
    InputError
        If the phrase does not fit the tuning, or a name holds characters that no file can.
    OutputError
        If the folder cannot be written, or holds a file of one of these names that is not ours. Nothing is written.
    """
    for text in (name, *practice.form.postures):
        if not text.isprintable():
            raise InputError(
                "Names may hold printable characters only",
                found=f"{text!r}.",
            )
    # Everything is rendered before the first file is written, so a bad phrase leaves nothing behind.
    content = {
        "tab": render_tab(practice, tuning, name).encode(),
        "midi": render_midi(practice, tuning, name),
        "plan": render_plan(plan_practice(practice, name)).encode(),
    }
    content |= {
        track_name(practice, place): render_track(practice, place) for place in range(len(practice.tempo_changes))
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be made ({reason(error)})",
            next_step="name another folder",
        ) from error
    paths = {key: folder / FILE_NAMES.get(key, key) for key in content}
    results = [key for key in content if key != "plan"]
    for key in results:
        check_result(paths[key], MADE_HERE)
    check_plan_target(paths["plan"], replace)
    for key in results:
        write_result(paths[key], content[key], MADE_HERE)
    write_text_atomic(paths["plan"], content["plan"].decode())
    return paths


def track_name(practice: Practice, place: int) -> str:
    """Return the file name of the track of one rung."""
    return f"track-{place + 1:02d}-{practice.tempo_changes[place][1]:g}-bpm.wav"


def render_tab(practice: Practice, tuning: Tuning, name: str) -> str:
    """Return phrase and twin as text tab with remarks on how to practise them."""
    form = practice.form
    tempi = ", ".join(f"{tempo:g}" for _, tempo in practice.tempo_changes)
    length = f"at least {form.section_s:g} s" if practice.sections[0].phrase.loops else "once"
    length = length if form.repeats is None else f"{form.repeats} times"
    lines = [
        f"# {' '.join(name.split())}",
        f"# Tempo: {tempi} BPM, {float(form.notes_per_beat):g} notes a beat. Each {length}, "
        f"then {form.rest} beats of rest, then the other with the other posture.",
        "# d: downstroke, u: upstroke.",
        f"# {STOP}",
        f"# Made by {made_by()}.",
        "",
    ]
    for title, section in zip(("Phrase", "Twin"), practice.sections[:2], strict=True):
        lines.append(f"# {title}, posture {section.posture}: {describe_demand(section.phrase)}")
        lines.append(write_tab(section.phrase, tuning))
    return "\n".join(lines)


def describe_demand(phrase: Phrase) -> str:
    """Return in one clause what a phrase's string changes demand."""
    demand = read_demand(phrase)
    if demand.kind == "none":
        return "no string change."
    if demand.kind == "mixed":
        return f"{demand.after_up} string changes after an upstroke, {demand.after_down} after a downstroke."
    return f"every string change after {'an upstroke' if demand.kind == 'up' else 'a downstroke'}."


def render_midi(practice: Practice, tuning: Tuning, name: str) -> bytes:
    """Return a standard MIDI file, format 1: tempo map with markers, phrase, twin, and the click on its own track.

    Ticks are exact: a beat has as many as the notes per beat need. Names are in UTF-8.
    """
    ticks = _ticks_per_beat(practice)
    file = mido.MidiFile(type=1, ticks_per_beat=int(ticks / _signature(practice).quarters), charset="utf-8")
    file.tracks.append(_track(" ".join(name.split()), _tempo_map(practice, ticks)))
    for channel, title in enumerate(("phrase", "twin")):
        events = [_Tick(0, 0, mido.Message("program_change", program=PLUCKED_PROGRAM, channel=channel))]
        for section in practice.sections[channel::2]:
            events += _note_events(practice, section, tuning, ticks, channel)
        file.tracks.append(_track(title, events))
    clicks: list[_Tick] = []
    for beat, sound in practice.clicks:
        clicks += _sounding(beat * ticks, ticks // 8, *KEYS[sound], CLICK_CHANNEL)
    for beat in practice.cues:
        clicks += _sounding(beat * ticks, ticks // 2, CUE_KEY, 110, CLICK_CHANNEL)
    file.tracks.append(_track("click", clicks))
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


def _ticks_per_beat(practice: Practice) -> int:
    """Return the ticks of a beat, a multiple of 480 that puts every note on a whole tick, if a file can hold it."""
    beats = [beat for section in practice.sections[:2] for beat, *_ in practice.sounds(section)]
    # Divisible by three: a beat of a compound metre is one and a half quarters.
    ticks = math.lcm(TICKS_PER_BEAT, *(beat.denominator for beat in beats))
    return ticks if 2 * ticks <= MOST_TICKS else TICKS_PER_BEAT * 30


class _Signature(NamedTuple):
    """A time signature, and how many quarters one beat of the click is."""

    beats: int
    value: int
    quarters: Fraction


def _signature(practice: Practice) -> _Signature:
    """The phrase's metre, where the practice keeps to it; else beats are quarters."""
    metre, form = practice.sections[0].phrase.metre, practice.form
    if metre is None or (metre.beats_per_bar, metre.units_per_beat) != (form.beats_per_bar, form.notes_per_beat):
        return _Signature(form.beats_per_bar, 4, Fraction(1))
    return _Signature(metre.beats, metre.value, 4 * metre.units_per_beat * metre.note)


def _bars_begin(practice: Practice) -> list[int]:
    """Beats from which on bars are counted anew: the beginning, and wherever a bar line falls out of step."""
    form, found = practice.form, [0]
    lines = [beat for beat, _ in practice.tempo_changes]
    lines += [each.start_beat + pickup_beats(each.phrase, form.notes_per_beat) for each in practice.sections]
    for beat in sorted(lines):
        if (beat - found[-1]) % form.beats_per_bar:
            found.append(beat)
    return found


def _tempo_map(practice: Practice, ticks: int) -> list[_Tick]:
    """Return tempo changes and a marker at every section and count-in."""
    events = [_Tick(0, 0, mido.MetaMessage("text", text=f"Made by {made_by()}"))]
    signature = _signature(practice)
    events += [
        _Tick(
            beat * ticks, 0, mido.MetaMessage("time_signature", numerator=signature.beats, denominator=signature.value)
        )
        for beat in _bars_begin(practice)
    ]
    for beat, tempo in practice.tempo_changes:
        message = mido.MetaMessage("set_tempo", tempo=round(microseconds_per_beat(tempo) / signature.quarters))
        events.append(_Tick(beat * ticks, 0, message))
        if practice.form.count_in:
            events.append(_Tick(beat * ticks, 1, mido.MetaMessage("marker", text=f"{tempo:g} BPM, count-in")))
    for k, section in enumerate(practice.sections):
        text = f"{section.tempo_bpm:g} BPM, {('phrase', 'twin')[k % 2]}, posture {section.posture}"
        events.append(_Tick(section.start_beat * ticks, 1, mido.MetaMessage("marker", text=text)))
    return events


def _note_events(practice: Practice, section: Section, tuning: Tuning, ticks: int, channel: int) -> list[_Tick]:
    """Return the notes of one section, the first of every pass a little louder."""
    phrase = section.phrase
    require_strings(phrase, tuning)
    lead = len(phrase.lead)
    events = []
    for beat, beats, string, fret, place in practice.sounds(section):
        # What is slurred sounds softer than what is picked; it follows without a gap.
        first = place is not None and place >= lead and (place - lead) % len(phrase.notes) == 0
        velocity = 60 if place is None else 100 if first else 80
        start, end = round(beat * ticks), round((beat + beats * NOTE_SHARE) * ticks)
        events += _sounding(start, max(end - start, 1), tuning.pitch(Note(string, fret)), velocity, channel)
    return events


def _sounding(tick: int, length: int, key: int, velocity: int, channel: int) -> list[_Tick]:
    """Return the start and end of one sound."""
    start = mido.Message("note_on", note=key, velocity=velocity, channel=channel)
    end = mido.Message("note_off", note=key, velocity=0, channel=channel)
    return [_Tick(tick, 1, start), _Tick(tick + length, 0, end)]


def _track(name: str, events: Sequence[_Tick]) -> mido.MidiTrack:
    """Return a named track with the events in order of time."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    now = 0
    for event in sorted(events, key=lambda event: event[:2]):
        track.append(event.message.copy(time=event.tick - now))
        now = event.tick
    track.append(mido.MetaMessage("end_of_track"))
    return track


def write_changes(path: Path, blocks: Sequence[DrillBlock]) -> None:
    """Write the string changes of a session's drills as CSV, one row a change, with the block in front.

    Parameters
    ----------
    path : Path
        Of the CSV file.
    blocks : sequence of DrillBlock
        At least one.

    Raises
    ------
    OutputError
        If the file cannot be written, or is there and no older table of ours.
    """
    tables = [block.changes.assign(block=block.index) for block in blocks]
    table = pd.concat(tables)[["block", *(column.name for column in CHANGE_COLUMNS)]]
    write_result(path, guard_table(table).to_csv(index=False, float_format="%.6g", lineterminator="\n"), CHANGES_SIGN)
