"""A session heard: counts, pitches in the drill's alignment, and every gate that ends in no answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.drills.alignment import DrillTiming
from analysis.drills.phrases import read_phrase
from analysis.drills.session_changes import LEAST_AGREED, share_agreed
from analysis.model.errors import InputError
from analysis.report.sound_sections import sound_sections, sound_sentences
from analysis.sound.evenness import measure_evenness
from analysis.sound.session_sound import leave_slurs_out
from analysis.sound.witness import AskedBlock, Felt, listen
from analysis.synthesis.plucked_string import StringModel
from analysis.synthesis.sound_recording import RecordingChain
from tests.analysis.sound.takes import (
    ACROSS,
    align_block,
    asked,
    felt_of,
    hear,
    sound_of,
    take,
    true_places,
)

SLIPS = 1 / 30


def test_counts_of_what_motion_missed_and_what_gave_no_sound() -> None:
    play, plan = take(ACROSS, 8, 41, unseen=0.05, unheard=0.03)
    heard = listen(sound_of(play), felt_of(play), asked(play, plan, ACROSS))
    assert heard.obstacle == ""
    missed = play.onset_s.size - sum(block.strokes - block.unheard for block in heard.blocks)
    assert sum(block.unseen for block in heard.blocks) == pytest.approx(missed, abs=4)
    # Of 480 notes about 14 have no sound, 24 no stroke.
    assert 6 <= sum(block.unheard for block in heard.blocks) <= 24
    assert sum(block.notes for block in heard.blocks) == pytest.approx(play.onset_s.size, abs=6)
    assert heard.clock is not None
    assert heard.clock.offset_s == pytest.approx(3.0, abs=0.003)


@pytest.mark.parametrize("notes_per_s", [4, 8, 12])
def test_pitches_find_the_way_back_after_slips(notes_per_s: int) -> None:
    play, plan = take(ACROSS, notes_per_s, 42, slips=SLIPS)
    heard = listen(sound_of(play), felt_of(play), asked(play, plan, ACROSS))
    strings = np.array([note.string for note in ACROSS.notes])
    right = {"sound": [], "motion": []}
    for block in range(len(play.blocks_s)):
        true = strings[true_places(play, block)]
        for name, given in (("sound", heard), ("motion", None)):
            alignment = align_block(play, plan, ACROSS, block, given)
            found = np.where(alignment.note >= 0, strings[alignment.note % 8], -1)
            right[name].append(found == true)
    assert np.concatenate(right["sound"]).mean() > 0.96
    assert np.concatenate(right["motion"]).mean() < 0.9


def test_strokes_that_sound_wrong_are_never_sure() -> None:
    play, plan = take(ACROSS, 8, 43, slips=SLIPS)
    heard = listen(sound_of(play), felt_of(play), asked(play, plan, ACROSS))
    for block in heard.blocks:
        alignment = align_block(play, plan, ACROSS, block.index, heard)
        own = block.emission[np.arange(block.strokes), alignment.note % 8]
        wrong = (alignment.note >= 0) & (own < block.emission.max(axis=1) - np.log(2))
        assert alignment.doubted[wrong].all()
        assert (alignment.confidence[wrong] <= 0.5).all()


def test_another_phrase_is_not_believed() -> None:
    play, plan = take(ACROSS, 8, 44)
    other = read_phrase("5:5-8 4:6-9 3:6-8 4:9-6", 6)
    heard = listen(sound_of(play), felt_of(play), asked(play, plan, other))
    shares = []
    for block in heard.blocks:
        if block.emission is not None:
            shares.append(share_agreed(align_block(play, plan, other, block.index, heard), other, block.emission))
    assert all(share < LEAST_AGREED for share in shares)
    own = listen(sound_of(play), felt_of(play), asked(play, plan, ACROSS))
    assert share_agreed(align_block(play, plan, ACROSS, 0, own), ACROSS, own.blocks[0].emission) > 0.95


def test_a_phrase_without_pitches_and_muted_strings_are_counted_only() -> None:
    play, plan = take(ACROSS, 8, 45)
    blind = [replace(block, midi=None) for block in asked(play, plan, ACROSS)]
    heard = listen(sound_of(play), felt_of(play), blind)
    assert heard.tuned is None
    assert all(block.emission is None and block.evenness is not None for block in heard.blocks)
    play, plan = take(ACROSS, 8, 45, model=StringModel(muted=True))
    muted = listen(sound_of(play), felt_of(play), asked(play, plan, ACROSS))
    assert muted.obstacle == ""
    assert sum(block.notes for block in muted.blocks) == pytest.approx(play.onset_s.size, rel=0.03)


def test_evenness_is_that_of_the_player() -> None:
    rng = np.random.default_rng(1)
    moments = np.cumsum(0.125 + 0.004 * rng.normal(size=400))
    even = measure_evenness(np.delete(moments, [50, 51, 200]))
    assert even is not None
    assert even.interval_ms == pytest.approx(125, abs=1)
    assert even.scatter_ms == pytest.approx(4.0, rel=0.2)
    assert measure_evenness(moments[:10]) is None


GATES = {
    "noise": (RecordingChain(snr_db=10.0), {}, "closer to the strings"),
    "gain control": (RecordingChain(gain_control_db=15.0), {}, "the recorder moved its gain"),
    "short": (RecordingChain(), {"notes": 200, "block_notes": 200}, "s long, and 60 s in common"),
    "click": (RecordingChain(), {"click_level": 6.0, "count_in": 0, "lead_s": 4.0}, "lower the click"),
}


@pytest.mark.parametrize("name", GATES)
def test_a_gate_says_why_and_what_to_change(name: str) -> None:
    chain, more, sentence = GATES[name]
    heard = hear(ACROSS, 8, 46, chain, **more)
    assert sentence in heard.obstacle
    assert heard.blocks == ()
    said = sound_sentences(heard)
    assert said[0].startswith("No answer from sound: ")
    assert "Motion's own answer stays." in said
    assert sound_sections(heard)[0].table is None


def test_clipped_silent_and_another_take() -> None:
    play, plan = take(ACROSS, 8, 47)
    blocks, felt, sound = asked(play, plan, ACROSS), felt_of(play), sound_of(play)
    assert "clipped" in listen(replace(sound, clipped_share=0.01), felt, blocks).obstacle
    silent = replace(sound, samples=np.zeros_like(sound.samples))
    assert "no notes that can be heard" in listen(silent, felt, blocks).obstacle
    # Only this recorder's hiss.
    rng = np.random.default_rng(2)
    hiss = replace(sound, samples=(1e-3 * rng.normal(size=sound.samples.size)).astype(np.float32))
    assert listen(hiss, felt, blocks).obstacle
    other, _ = take(ACROSS, 7.3, 48)
    assert "recording of this session" in listen(sound_of(other), felt, blocks).obstacle
    none = listen(sound, Felt(np.empty(0), np.empty(0, np.int64), (0.0, 1.0)), [AskedBlock(0, 0.0, 1.0)])
    assert "too few notes or strokes" in none.obstacle


def test_a_report_says_what_was_heard() -> None:
    heard = hear(ACROSS, 8, 49, click_level=3.0, cents=210.0)
    (section,) = sound_sections(heard)
    assert section.table is not None
    assert len(section.table.rows) == 3
    text = " ".join((section.sentence, *section.notes))
    assert "2 semitones higher" in text
    assert "learned from the count-in" in text
    assert "grazed strings" in text


def test_what_was_heard_must_fit_the_strokes() -> None:
    play, plan = take(ACROSS, 8, 50, notes=160, block_notes=80)
    heard = hear(ACROSS, 8, 51)
    with pytest.raises(InputError, match="same block and phrase"):
        align_block(play, plan, ACROSS, 0, heard)


def test_slurred_notes_are_not_missed_by_motion() -> None:
    """Two of eight sounds are hammered on: they are heard, and have no stroke; three strokes the motion did miss."""
    sounded, slurred = ACROSS, read_phrase("4:5h7 3:4-7 2:5-8 3:7p4", 6)
    play, plan = take(sounded, 6, 44, unseen=0.0)
    picked = ~np.isin(play.stroke_place, (1, 7))
    picked[np.flatnonzero(picked)[[40, 90, 170]]] = False
    rows = np.flatnonzero(picked)
    felt = replace(felt_of(play), contact_s=play.contact_s[rows], block=felt_of(play).block[rows])
    heard = listen(sound_of(play), felt, [replace(each, midi=None) for each in asked(play, plan, sounded)])
    assert heard.obstacle == ""
    assert sum(block.unseen for block in heard.blocks) > 80
    told = []
    for block in heard.blocks:
        own = felt.block == block.index
        strokes = pd.DataFrame(
            {
                "contact_s": felt.contact_s[own],
                "direction": np.where(np.isin(play.stroke_place[rows][own], (0, 3, 5)), "down", "up"),
                "attack": True,
            }
        )
        told.append(leave_slurs_out(block, strokes, slurred, DrillTiming(1 / 6)))
    hammered = np.count_nonzero(np.isin(play.stroke_place, (1, 7)))
    assert sum(block.slurred for block in told) == pytest.approx(hammered, abs=4)
    assert sum(block.unseen for block in told) == pytest.approx(3, abs=2)
