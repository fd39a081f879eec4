"""Hear an analysed session: its blocks, phrases and strokes put to the sound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.drills.phrases import Phrase, find_drill
from analysis.drills.tuning import TUNINGS, Tuning, read_tuning
from analysis.model.errors import StrokeplaneError
from analysis.model.number_words import block_number
from analysis.model.records import BlockSummary, FloatArray, Instrument, SessionResult
from analysis.sound.clock import Raps
from analysis.sound.records import Sound
from analysis.sound.witness import AskedBlock, Felt, Heard, ListenSettings, listen


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
    slurred = [block.index for block in result.blocks if _has_slurs(block, result.instrument, metadata)]
    return replace(heard, remarks=(*heard.remarks, *map(_slur_words, slurred)))


def _has_slurs(block: BlockSummary, instrument: Instrument, metadata: Mapping[str, str]) -> bool:
    try:
        phrase = find_drill(block.drill, instrument.courses, metadata) if block.drill else None
    except StrokeplaneError:
        return False
    return phrase is not None and any(note.slurs for note in phrase.played)


def _slur_words(index: int) -> str:
    return (
        f"Block {block_number(index)}: the phrase has slurred notes, which sound without a stroke; those that are "
        "heard stand among the notes that the motion missed."
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
