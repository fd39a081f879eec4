"""Takes of drills with known notes, and how they are put to the sound."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analysis.drills.alignment import DrillAlignment, DrillTiming, align_strokes
from analysis.drills.phrases import Phrase, read_phrase
from analysis.drills.tuning import read_tuning
from analysis.sound.records import Sound
from analysis.sound.session_sound import phrase_midi
from analysis.sound.witness import AskedBlock, Felt, Heard, listen
from analysis.synthesis.sound_play import HeardPlay, SoundPlan, play_drill
from analysis.synthesis.sound_recording import RecordingChain

RATE_HZ = 16_000
GUITAR = read_tuning("guitar")
ACROSS = read_phrase("4:5-7 3:4-7 2:5-8 3:7-4", 6)


def plan_of(phrase: Phrase, notes_per_s: float, **more: Any) -> SoundPlan:
    """A minute of a phrase in three blocks, recorded from 3 s before the log on."""
    midi = phrase_midi(phrase, GUITAR)
    assert midi is not None
    given = {
        "notes": round(60 * notes_per_s),
        "block_notes": round(20 * notes_per_s),
        "offset_s": 3.0,
        "drift_ppm": 80.0,
        **more,
    }
    strings = tuple(note.string for note in phrase.notes)
    return SoundPlan(strings, tuple(midi.tolist()), notes_per_s=notes_per_s, **given)


def sound_of(play: HeardPlay) -> Sound:
    return Sound(play.sound.astype(np.float32), play.rate_hz, name="take.wav")


def block_of(play: HeardPlay) -> np.ndarray:
    block = np.full(play.contact_s.size, -1, np.int64)
    for index, (start, stop) in enumerate(play.blocks_s):
        block[(play.contact_s >= start - 0.3) & (play.contact_s < stop)] = index
    return block


def asked(play: HeardPlay, plan: SoundPlan, phrase: Phrase, tempo: bool = True) -> list[AskedBlock]:
    beat_s = plan.beat_notes / plan.notes_per_s if tempo else None
    midi = phrase_midi(phrase, GUITAR)
    return [AskedBlock(index, start, stop, beat_s, midi) for index, (start, stop) in enumerate(play.blocks_s)]


def felt_of(play: HeardPlay) -> Felt:
    raps = ((0.9, 1.6),) if play.raps_s.size else ()
    return Felt(play.contact_s, block_of(play), (0.0, float(play.contact_s[-1]) + 3.0), raps)


def take(
    phrase: Phrase, notes_per_s: float, seed: int, chain: RecordingChain | None = None, **more: Any
) -> tuple[HeardPlay, SoundPlan]:
    plan = plan_of(phrase, notes_per_s, **more)
    return play_drill(plan, chain or RecordingChain(), RATE_HZ, seed), plan


def hear(phrase: Phrase, notes_per_s: float, seed: int, chain: RecordingChain | None = None, **more: Any) -> Heard:
    """Play a take and hear it."""
    play, plan = take(phrase, notes_per_s, seed, chain, **more)
    return listen(sound_of(play), felt_of(play), asked(play, plan, phrase))


def strokes_of(play: HeardPlay, block: int) -> pd.DataFrame:
    rows = np.flatnonzero(block_of(play) == block)
    direction = np.where(play.down[rows], "down", "up")
    return pd.DataFrame({"contact_s": play.contact_s[rows], "direction": direction, "attack": True})


def align_block(play: HeardPlay, plan: SoundPlan, phrase: Phrase, block: int, heard: Heard | None) -> DrillAlignment:
    """Align one block's strokes with the phrase, with or without what was heard."""
    timing = DrillTiming(1 / plan.notes_per_s, plan.beat_notes / plan.notes_per_s)
    found = None if heard is None else heard.block(block)
    emission = None if found is None else found.emission
    return align_strokes(strokes_of(play, block), phrase, timing, heard=emission)


def true_places(play: HeardPlay, block: int) -> np.ndarray:
    return play.stroke_place[block_of(play) == block]


def with_sound(play: HeardPlay, sound: np.ndarray) -> HeardPlay:
    return replace(play, sound=sound)
