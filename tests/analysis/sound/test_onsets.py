"""Onsets against the published definition of their score (mir_eval: Raffel et al., ISMIR 2014)."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.sound.onsets import OnsetSettings, find_onsets, nearest_onset, noise_floor
from analysis.synthesis.sound_recording import RecordingChain
from tests.analysis.sound.takes import ACROSS, take
from tests.optional import need_module


@pytest.mark.parametrize(("notes_per_s", "drive"), [(4, 0.0), (8, 0.0), (12, 0.0), (8, 3.0)])
def test_onsets_at_20_db(notes_per_s: float, drive: float) -> None:
    mir_eval = need_module("mir_eval.onset")
    play, _ = take(ACROSS, notes_per_s, 11, RecordingChain(snr_db=20.0, drive=drive), notes=160, block_notes=80)
    found = find_onsets(play.sound.astype(np.float32), play.rate_hz)
    score, precision, recall = mir_eval.f_measure(play.onset_s, found.time_s, window=0.025)
    assert score > 0.96
    assert min(precision, recall) > 0.93
    match = nearest_onset(found.time_s, play.onset_s, 0.025)
    error_ms = 1e3 * np.abs(found.time_s[match] - play.onset_s)[match >= 0]
    assert np.median(error_ms) < 2.0
    assert np.quantile(error_ms, 0.9) < 4.0


def test_our_matching_is_that_of_the_published_score() -> None:
    mir_eval = need_module("mir_eval.onset")
    rng = np.random.default_rng(5)
    for _ in range(20):
        # Notes are further apart than the tolerance: greedy pairs are then as many as the best pairs.
        true = np.cumsum(rng.uniform(0.08, 0.3, 60))
        kept = true[rng.random(60) > 0.1]
        found = np.sort(np.concatenate([kept + rng.normal(0, 0.008, kept.size), rng.uniform(0, 10, 4)]))
        match = nearest_onset(found, true, 0.025)
        _, precision, recall = mir_eval.f_measure(true, found, window=0.025)
        assert np.count_nonzero(match >= 0) == round(recall * true.size) == round(precision * found.size)


def test_nothing_is_found_in_noise_and_silence() -> None:
    rng = np.random.default_rng(6)
    noise = (0.01 * rng.normal(size=20 * 16_000)).astype(np.float32)
    assert find_onsets(noise, 16_000.0).time_s.size < 5
    assert find_onsets(np.zeros(16_000, np.float32), 16_000.0).time_s.size == 0
    assert find_onsets(np.zeros(10, np.float32), 16_000.0).time_s.size == 0


def test_the_floor_leaves_digital_silence_out() -> None:
    power = np.concatenate([np.zeros((50, 2)), np.full((50, 2), 3.0)])
    assert noise_floor(power, 0.1).tolist() == [3.0, 3.0]


def test_louder_recordings_have_the_same_onsets() -> None:
    play, _ = take(ACROSS, 8, 12, notes=80, block_notes=80)
    quiet = find_onsets((0.05 * play.sound).astype(np.float32), play.rate_hz, OnsetSettings())
    loud = find_onsets(play.sound.astype(np.float32), play.rate_hz)
    assert quiet.time_s == pytest.approx(loud.time_s, abs=1e-3)
