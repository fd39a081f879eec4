"""The simulated string against the pitch standard and against what its own loop promises."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import analysis.synthesis
from analysis.synthesis.plucked_string import PluckedNotes, StringModel, pitch_hz, pluck, pluck_strings
from analysis.synthesis.sound_recording import RecordingChain, record

RATE_HZ = 16_000.0
# Frequencies of equal temperament on ISO 16:1975 (A4 = 440 Hz), as printed in tables of scientific pitch; the open
# strings of a guitar and the note that the standard fixes.
TABLE = {40: 82.41, 45: 110.00, 50: 146.83, 55: 196.00, 59: 246.94, 64: 329.63, 69: 440.00}


@pytest.mark.parametrize(("midi", "hertz"), TABLE.items())
def test_a_note_sounds_at_its_standard_pitch(midi: int, hertz: float) -> None:
    assert pitch_hz(midi) == pytest.approx(hertz, abs=0.006)
    tone = pluck(pitch_hz(midi), 1.0, (2.0, RATE_HZ), StringModel(pick_noise=0.0), np.random.default_rng(1))
    spectrum = np.abs(np.fft.rfft(tone * np.hanning(tone.size), 1 << 19))
    axis = np.arange(spectrum.size) * RATE_HZ / (1 << 19)
    near = np.flatnonzero(np.abs(axis / hertz - 1) < 0.06)
    peak = axis[near[np.argmax(spectrum[near])]]
    assert abs(1200 * np.log2(peak / hertz)) < 2.0


def test_the_fundamental_falls_by_60_db_in_the_time_asked_for() -> None:
    model = StringModel(decay_s=2.0, pick_noise=0.0, stiffness=0.0, dullness=0.3)
    tone = pluck(220.0, 1.0, (1.5, RATE_HZ), model, np.random.default_rng(3))
    t = np.arange(tone.size) / RATE_HZ
    # The fundamental alone: its complex amplitude over whole periods around 0.3 s and 1.2 s.
    part = [np.abs(np.mean((tone * np.exp(-2j * np.pi * 220.0 * t))[(t > a) & (t < a + 0.1)])) for a in (0.3, 1.2)]
    assert 20 * np.log10(part[0] / part[1]) == pytest.approx(60.0 * 0.9 / 2.0, abs=1.5)


def test_a_string_is_one_string() -> None:
    late = np.array([0.1, 0.4])
    same = PluckedNotes(late, np.array([45.0, 47.0]), np.array([5, 5]), np.ones(2), np.full(2, 1.0))
    other = PluckedNotes(late, np.array([45.0, 47.0]), np.array([5, 4]), np.ones(2), np.full(2, 1.0))
    level = {}
    for name, notes in (("same", same), ("other", other)):
        sound = pluck_strings(notes, 1.0, RATE_HZ, StringModel(), np.random.default_rng(2))
        part = sound[round(0.5 * RATE_HZ) : round(0.9 * RATE_HZ)]
        axis = np.fft.rfftfreq(part.size, 1 / RATE_HZ)
        spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size)))
        level[name] = spectrum[np.argmin(np.abs(axis - 110.0))]
    assert level["other"] > 10 * level["same"]


def test_noise_comes_at_the_level_asked_for() -> None:
    rng = np.random.default_rng(4)
    strings = np.concatenate([np.zeros(40_000), rng.normal(size=80_000), np.zeros(40_000)])
    sound = record(strings, np.zeros(strings.size), RATE_HZ, RecordingChain(snr_db=20.0, room_rt60_s=0.05), rng)
    play, noise = sound[45_000:115_000], sound[:38_000]
    assert 10 * np.log10(np.mean(play**2) / np.mean(noise**2)) == pytest.approx(20.0, abs=0.5)


def test_the_simulated_sound_shares_nothing_with_what_hears_it() -> None:
    folder = Path(analysis.synthesis.__file__).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                assert not (node.module or "").startswith("analysis.sound"), path.name
