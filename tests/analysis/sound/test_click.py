"""A metronome's click, learned from the count-in and taken out."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.sound.click import hidden_click_db, learn_click, subtract_click
from analysis.sound.onsets import find_onsets, nearest_onset
from analysis.synthesis.sound_recording import RecordingChain
from tests.analysis.sound.takes import ACROSS, take
from tests.optional import need_module


@pytest.mark.parametrize("notes_per_s", [4, 8, 12])
def test_clicks_are_found_and_go(notes_per_s: int) -> None:
    mir_eval = need_module("mir_eval.onset")
    play, plan = take(ACROSS, notes_per_s, 31, notes=20 * notes_per_s, block_notes=20 * notes_per_s, click_level=4.0)
    samples, beat_s = play.sound.astype(np.float32), 4 / notes_per_s * (1 + 1e-6 * plan.drift_ppm)
    start, stop = (plan.offset_s + (1 + 1e-6 * plan.drift_ppm) * t for t in play.blocks_s[0])
    click = learn_click(samples, play.rate_hz, find_onsets(samples, play.rate_hz), (start, beat_s))
    assert click is not None
    assert click.time_s.size == 4
    cleared, times, gain = subtract_click(samples, play.rate_hz, click, (start, stop, beat_s))
    assert times.size == pytest.approx(play.click_s.size, abs=1)
    assert np.abs(times[:, None] - play.click_s).min(axis=1).max() < 0.003
    assert np.median(gain) == pytest.approx(1.0, abs=0.1)
    # The count-in is gone, and what is left are the notes.
    before = slice(round((start - 4 * beat_s - 0.1) * play.rate_hz), round((start - 0.3) * play.rate_hz))
    assert np.mean(cleared[before] ** 2) < 0.3 * np.mean(samples[before] ** 2)
    found = find_onsets(cleared, play.rate_hz)
    assert np.count_nonzero(found.time_s < start - 0.1) == 0
    assert mir_eval.f_measure(play.onset_s, found.time_s, window=0.025)[0] > 0.97


def test_no_count_in_no_click() -> None:
    play, plan = take(ACROSS, 8, 32, notes=160, block_notes=160, count_in=0, lead_s=5.0)
    samples = play.sound.astype(np.float32)
    start = plan.offset_s + play.blocks_s[0][0]
    assert learn_click(samples, play.rate_hz, find_onsets(samples, play.rate_hz), (start, 0.5)) is None
    onsets = find_onsets(samples, play.rate_hz)
    assert nearest_onset(onsets.time_s, play.onset_s, 0.025).min() >= -1


def test_a_loud_click_shows_without_a_count_in() -> None:
    level = {}
    for click in (0.0, 4.0):
        play, plan = take(ACROSS, 8, 33, RecordingChain(), notes=160, block_notes=160, click_level=click, count_in=0)
        start, stop = (plan.offset_s + t for t in play.blocks_s[0])
        level[click] = hidden_click_db(play.sound.astype(np.float32), play.rate_hz, [(start, stop, 0.5)])
    assert level[0.0] < -5.0 < level[4.0]
    assert hidden_click_db(np.zeros(100, np.float32), 16_000.0, []) is None
