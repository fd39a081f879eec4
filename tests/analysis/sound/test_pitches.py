"""Pitches of a known phrase: the standard's frequencies, tuning and capo, and the published note score."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.drills.phrases import read_phrase
from analysis.sound.emission import note_emission, pitch_posterior
from analysis.sound.pitches import (
    PitchSettings,
    frequency_hz,
    phrase_pitches,
    pitch_log_likelihood,
    read_tuning_fit,
    tuning_fit,
)
from analysis.sound.session_sound import phrase_midi
from analysis.sound.spectra import note_spectra
from analysis.synthesis.sound_recording import RecordingChain
from tests.analysis.sound.takes import ACROSS, GUITAR, take
from tests.optional import need_module

LOW = read_phrase("6:3-7 5:3-5 6:7-3 5:5-3", 6)
SETTINGS = PitchSettings()


def test_frequencies_are_those_of_the_standard() -> None:
    # ISO 16:1975 fixes A4 at 440 Hz; the others as printed in tables of equal temperament.
    table = {69: 440.00, 60: 261.63, 40: 82.41, 64: 329.63, 76: 659.26, 28: 41.20}
    assert frequency_hz(np.array(list(table), dtype=float)) == pytest.approx(list(table.values()), abs=0.006)


@pytest.mark.parametrize("phrase", [ACROSS, LOW], ids=["across", "low"])
@pytest.mark.parametrize("notes_per_s", [4, 12])
def test_notes_at_20_db_by_the_published_score(phrase, notes_per_s: int) -> None:  # type: ignore[no-untyped-def]
    transcription = need_module("mir_eval.transcription")
    play, _ = take(phrase, notes_per_s, 21, RecordingChain(snr_db=20.0), notes=160, block_notes=80)
    midi = phrase_midi(phrase, GUITAR)
    pitches, _, _ = phrase_pitches(midi)
    spectra = note_spectra(play.sound.astype(np.float32), play.rate_hz, play.onset_s)
    score = pitch_log_likelihood(spectra, pitches, 0.0, SETTINGS)
    heard = frequency_hz(pitches)[score.argmax(axis=1)]
    spans = np.column_stack([play.onset_s, play.onset_s + 0.05])
    true = frequency_hz(midi)[play.onset_place]
    # A note counts with its onset within 50 ms and its pitch within 50 cents; where it ends does not.
    precision, recall, _, _ = transcription.precision_recall_f1_overlap(spans, true, spans, heard, offset_ratio=None)
    assert min(precision, recall) > 0.95


@pytest.mark.parametrize(("semitones", "cents"), [(0, 0.0), (0, -31.0), (2, 12.0), (-2, 40.0), (5, -20.0)])
def test_capo_and_tuning_are_found(semitones: int, cents: float) -> None:
    play, _ = take(ACROSS, 8, 22, notes=160, block_notes=80, cents=100.0 * semitones + cents)
    pitches, _, share = phrase_pitches(phrase_midi(ACROSS, GUITAR))
    spectra = note_spectra(play.sound.astype(np.float32), play.rate_hz, play.onset_s)
    tuned = read_tuning_fit(tuning_fit(spectra, pitches, share, SETTINGS), SETTINGS)
    assert tuned.total_cents == pytest.approx(100.0 * semitones + cents, abs=8.0)
    assert abs(tuned.cents) <= 50.0
    assert tuned.rival < 0.97


def test_an_emission_is_a_likelihood_ratio() -> None:
    score = np.array([[0.0, -1.0, -30.0], [0.0, 0.0, 0.0]])
    posterior = pitch_posterior(score, 0.02)
    assert posterior.sum(axis=1) == pytest.approx([1.0, 1.0])
    assert posterior.min() >= 0.02 / 3
    with_onset = note_emission(score, np.array([True, True]), np.array([0, 1, 2, 0]))
    without = note_emission(score, np.array([False, False]), np.array([0, 1, 2, 0]))
    assert with_onset.shape == (2, 4)
    assert (with_onset[:, 0] == with_onset[:, 3]).all()
    # A pitch that says nothing leaves only the onset's own word.
    assert with_onset[1] == pytest.approx(np.log(0.96 / 0.3))
    assert without[1] == pytest.approx(np.log(0.04 / 0.7))
    # Without an onset the pitch counts for less.
    assert np.ptp(without[0]) < np.ptp(with_onset[0])
