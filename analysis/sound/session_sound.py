"""Hear an analysed session: its blocks, phrases and strokes put to the sound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.drills.alignment import EXTRA, DrillTiming, align_strokes
from analysis.drills.phrases import Phrase, find_drill
from analysis.drills.session_changes import timing_of
from analysis.drills.tuning import TUNINGS, Tuning, read_tuning
from analysis.model.errors import StrokeplaneError
from analysis.model.number_words import block_number
from analysis.model.records import BlockSummary, FloatArray, Instrument, SessionResult
from analysis.sound.clock import Raps
from analysis.sound.records import Sound
from analysis.sound.witness import AskedBlock, Felt, Heard, HeardBlock, ListenSettings, listen


def hear_session(
    result: SessionResult,
    metadata: Mapping[str, str],
    sound: Sound,
    tuning: Tuning | None,
    raps: Sequence[Raps] = (),
    settings: ListenSettings | None = None,
) -> Heard:
    """Hear a session.

    Parameters
    ----------
    result : SessionResult
    metadata : Mapping
        The session's metadata; keys ``drill.NAME`` give names their phrases.
    sound : Sound
    tuning : Tuning or None
        None where it is not known: notes are then counted and timed only.
    raps : sequence of (float, float)
        First and last of three raps that the hand felt, log time.
    settings : ListenSettings, optional

    Returns
    -------
    Heard
    """
    strokes = result.strokes
    felt = Felt(
        strokes["contact_s"].to_numpy(np.float64),
        strokes["block"].fillna(-1).to_numpy(np.int64),
        (result.start_s, result.start_s + result.duration_s),
        tuple(raps),
    )
    blocks = [_ask(block, result.instrument, metadata, tuning) for block in result.blocks]
    heard = listen(sound, felt, blocks, settings)
    found = [_leave_slurs_out(block, result, metadata) for block in heard.blocks]
    return replace(heard, blocks=tuple(found), remarks=(*heard.remarks, *(_slur_words(b) for b in found if b.slurred)))


def _leave_slurs_out(block: HeardBlock, result: SessionResult, metadata: Mapping[str, str]) -> HeardBlock:
    """A session's block without the slurred notes of its drill among those that the motion missed."""
    played = next(each for each in result.blocks if each.index == block.index)
    try:
        phrase = find_drill(played.drill, result.instrument.courses, metadata) if played.drill else None
    except StrokeplaneError:  # The drill's own answer says what is wrong with it.
        return block
    rows = result.strokes[result.strokes["block"] == block.index]
    return block if phrase is None else leave_slurs_out(block, rows, phrase, timing_of(played))


def leave_slurs_out(block: HeardBlock, strokes: pd.DataFrame, phrase: Phrase, timing: DrillTiming) -> HeardBlock:
    """Take slurred notes away from those that the motion missed: they sound without a stroke.

    After each stroke as many as the note that it plays is slurred into.

    Parameters
    ----------
    block : HeardBlock
    strokes : DataFrame
        The block's rows of the stroke table.
    phrase : Phrase
    timing : DrillTiming

    Returns
    -------
    HeardBlock
    """
    slurs = np.array([len(note.slurs) for note in phrase.played])
    if not slurs.any() or len(strokes) < 2 or not block.unseen:
        return block
    note = align_strokes(strokes, phrase, timing, heard=block.emission).note
    lead = len(phrase.lead)
    place = np.where(note < lead, note, lead + (note - lead) % phrase.cycle_notes)
    expected = np.where(note == EXTRA, 0, slurs[place])
    after = np.searchsorted(strokes["contact_s"].to_numpy(), block.unseen_s) - 1
    heard = np.bincount(after[after >= 0], minlength=len(strokes))
    slurred = int(np.minimum(heard, expected).sum())
    return replace(block, unseen=block.unseen - slurred, slurred=slurred)


def _slur_words(block: HeardBlock) -> str:
    return (
        f"Block {block_number(block.index)}: {block.slurred} of the notes heard without a stroke are slurred in the "
        "phrase, and are not counted as missed."
    )


def _ask(block: BlockSummary, instrument: Instrument, metadata: Mapping[str, str], tuning: Tuning | None) -> AskedBlock:
    beat_s = 60.0 / block.tempo_bpm if block.tempo_bpm else None
    midi = None
    try:
        phrase = find_drill(block.drill, instrument.courses, metadata) if block.drill else None
        midi = phrase_midi(phrase, tuning) if phrase is not None and tuning is not None else None
    except StrokeplaneError:
        # The drill's own answer says what is wrong with it; its notes can be counted all the same.
        midi = None
    return AskedBlock(block.index, block.start_s, block.end_s, beat_s, midi)


def phrase_midi(phrase: Phrase, tuning: Tuning) -> FloatArray | None:
    """MIDI pitch of every note; None where one's fret is left open, or the tuning has another number of strings.

    Examples
    --------
    >>> from analysis.drills.phrases import read_phrase
    >>> phrase_midi(read_phrase("4:5-7 3:4-7", 6), read_tuning("guitar")).tolist()
    [55.0, 57.0, 59.0, 62.0]
    """
    if tuning.strings != phrase.strings or any(note.fret is None for note in phrase.played):
        return None
    return np.array([tuning.pitch(note) for note in phrase.played], dtype=np.float64)


def usual_tuning(instrument: Instrument) -> Tuning | None:
    """The tuning that an instrument's name stands for, else the only usual one of as many courses, else None.

    Parameters
    ----------
    instrument : Instrument
        Its name and number of courses count.

    Returns
    -------
    Tuning or None

    Examples
    --------
    >>> usual_tuning(Instrument(name="mandolin", courses=4)).names
    ('E', 'A', 'D', 'G')
    >>> usual_tuning(Instrument()).names
    ('E', 'B', 'G', 'D', 'A', 'E')
    """
    known = {name: read_tuning(name) for name in TUNINGS}
    named = known.get(instrument.name.strip().lower())
    if named is not None and named.strings == instrument.courses:
        return named
    alike = [tuning for tuning in known.values() if tuning.strings == instrument.courses]
    return alike[0] if len(alike) == 1 else None
