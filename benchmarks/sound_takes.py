"""Takes of drills with slips, heard and aligned with and without the sound, beside what was really played."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.drills.alignment import DrillAlignment, DrillTiming, align_strokes
from analysis.drills.phrases import Phrase, read_phrase
from analysis.drills.session_changes import LEAST_AGREED, share_agreed
from analysis.drills.tuning import read_tuning
from analysis.model.records import FloatArray
from analysis.sound.onsets import nearest_onset
from analysis.sound.records import Sound
from analysis.sound.session_sound import phrase_midi
from analysis.sound.witness import AskedBlock, Felt, Heard, listen
from analysis.synthesis.plucked_string import StringModel
from analysis.synthesis.sound_play import HeardPlay, SoundPlan, play_drill
from analysis.synthesis.sound_recording import RecordingChain

RATE_HZ = 16_000
SLIPS = 1 / 30
GUITAR = read_tuning("guitar")
PHRASES = tuple(
    read_phrase(text, 6)
    for text in (
        "4:5-7 3:4-7 2:5-8 3:7-4",
        "6:3-7 5:4-7 6:7-3 5:7-4",
        "1:7-4 2:7-5 3:8-5 2:5-8",
        "4:2-5 3:2-5 2:3-5 1:3-5 2:5-3 3:5-2",
        "5:3-3-5-5 4:2-2-5-5 3:2-2-4-4 4:5-5-2-2",
        "4:5-5-5-5 3:5-5-5-5",
        "5:3-5-7 4:3-5-7 3:4-5-7 4:7-5-3",
        "6:3-3 4:5-5 5:5-5 3:4-4",
    )
)
"""Made up for this: two to four notes a string, repeated notes, a low one, a skip, an odd number on each string."""


@dataclass(frozen=True)
class Take:
    """One take: what was played, what was heard."""

    phrase: Phrase
    plan: SoundPlan
    play: HeardPlay
    heard: Heard
    block: np.ndarray


def draw_take(seed: int, notes_per_s: float, snr_db: float) -> Take:
    """Draw player, instrument, room and recorder: ringing, unevenness, capo, clocks, strokes missed and found."""
    rng = np.random.default_rng([seed, 3])
    phrase = PHRASES[seed % len(PHRASES)]
    midi = phrase_midi(phrase, GUITAR)
    if midi is None:
        raise ValueError("every phrase here has its frets")
    plan = SoundPlan(
        tuple(note.string for note in phrase.notes),
        tuple(midi.tolist()),
        notes_per_s=notes_per_s,
        notes=round(62 * notes_per_s),
        block_notes=round(21 * notes_per_s),
        slips=SLIPS,
        unevenness=rng.uniform(0.03, 0.07),
        ring_share=rng.uniform(0.1, 0.9),
        ring_s=rng.uniform(0.2, 0.5),
        click_level=rng.choice([0.0, rng.uniform(0.5, 3.0)]),
        unheard=0.005,
        unseen=0.01,
        ghosts=0.01,
        offset_s=rng.uniform(0.0, 6.0),
        drift_ppm=rng.uniform(-150, 150),
        cents=rng.uniform(-40, 40) + 100 * rng.choice([0, 0, 0, 1, 2, 3, -1]),
        model=StringModel(
            decay_s=rng.uniform(1.0, 4.0),
            dullness=rng.uniform(0.15, 0.4),
            place=rng.uniform(0.1, 0.3),
            pick_noise=rng.uniform(0.05, 0.4),
            touch_s=rng.uniform(0.002, 0.008),
        ),
    )
    chain = RecordingChain(
        snr_db=snr_db,
        room_rt60_s=rng.uniform(0.15, 0.5),
        room_db=rng.uniform(-16, -5),
        drive=rng.choice([0.0, rng.uniform(1.0, 3.0)]),
    )
    play = play_drill(plan, chain, RATE_HZ, seed)
    beat_s = plan.beat_notes / notes_per_s
    blocks = [AskedBlock(index, start, stop, beat_s, midi) for index, (start, stop) in enumerate(play.blocks_s)]
    block = np.full(play.contact_s.size, -1, np.int64)
    for each in blocks:
        block[(play.contact_s >= each.start_s - 0.3) & (play.contact_s < each.end_s)] = each.index
    felt = Felt(play.contact_s, block, (0.0, float(play.contact_s[-1]) + 3.0))
    heard = listen(Sound(play.sound.astype(np.float32), RATE_HZ), felt, blocks)
    return Take(phrase, plan, play, heard, block)


def align(take: Take, block: int, emission: FloatArray | None = None) -> DrillAlignment:
    """Match one block's strokes with the phrase, by what was heard of them if that is given."""
    rows = np.flatnonzero(take.block == block)
    direction = np.where(take.play.down[rows], "down", "up")
    table = pd.DataFrame({"contact_s": take.play.contact_s[rows], "direction": direction, "attack": True})
    period_s = 1 / take.plan.notes_per_s
    timing = DrillTiming(period_s, take.plan.beat_notes * period_s)
    return align_strokes(table, take.phrase, timing, heard=emission)


def no_answer(take: Take) -> str:
    """Why the sound does not tell this take's pitches, or nothing."""
    return take.heard.obstacle or " ".join(take.heard.remarks if take.heard.tuned is None else ())


def answered(take: Take) -> dict[int, DrillAlignment]:
    """Alignments of the blocks that the sound answers: not of those whose pitches are not believed."""
    found = {}
    for block in take.heard.blocks:
        if block.emission is not None:
            alignment = align(take, block.index, block.emission)
            if share_agreed(alignment, take.phrase, block.emission) >= LEAST_AGREED:
                found[block.index] = alignment
    return found


def stroke_table(take: Take, by_sound: bool) -> pd.DataFrame:
    """Return a row a stroke that the sound answers: true place and string (-1: nobody played it), those found."""
    parts = []
    strings = np.array([note.string for note in take.phrase.notes])
    for block, heard in answered(take).items():
        true = take.play.stroke_place[take.block == block]
        alignment = heard if by_sound else align(take, block)
        place = np.where(alignment.note >= 0, alignment.note % len(strings), -1)
        parts.append(
            pd.DataFrame(
                {
                    "true": true,
                    "true_string": np.where(true >= 0, strings[true], -1),
                    "place": place,
                    "string": np.where(place >= 0, strings[place], -1),
                    "confidence": alignment.confidence,
                }
            )
        )
    columns = ["true", "true_string", "place", "string", "confidence"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns, dtype=float)


def change_table(take: Take, by_sound: bool, least: float = 0.9) -> pd.DataFrame:
    """Return a row a string change that is told: block, stroke, and whether it is the one that was played."""
    rows = []
    for block, heard in answered(take).items():
        alignment = heard if by_sound else align(take, block)
        true = take.play.stroke_place[take.block == block]
        for k in range(true.size - 1):
            note = int(alignment.note[k])
            if note < 0 or alignment.note[k + 1] != note + 1:
                continue
            strings = take.phrase.string_at(note), take.phrase.string_at(note + 1)
            if strings[0] == strings[1]:
                continue
            played = tuple(take.phrase.notes[place].string if place >= 0 else -1 for place in true[k : k + 2])
            sure = bool(min(alignment.confidence[k : k + 2]) >= least and not alignment.doubted[k : k + 2].any())
            rows.append((block, k, sure, strings == played))
    table = pd.DataFrame(rows, columns=["block", "stroke", "sure", "right"])
    return table.astype({"sure": bool, "right": bool})


def onset_scores(take: Take) -> tuple[float, float, np.ndarray]:
    """Precision, recall (25 ms) and the errors of the matched onsets, s; clicks of the count-in are left out."""
    true = take.play.onset_s
    found = take.heard.onsets.time_s
    inside = np.zeros(found.size, dtype=bool)
    for start, stop in take.play.blocks_s:
        low, high = (take.plan.offset_s + (1 + 1e-6 * take.plan.drift_ppm) * edge for edge in (start, stop))
        inside |= (found > low - 0.06) & (found < high)
    match = nearest_onset(found[inside], true, 0.025)
    hit = match >= 0
    errors = found[inside][match[hit]] - true[hit]
    return float(hit.sum() / max(1, inside.sum())), float(hit.mean()), errors
