"""Practice tracks as WAV: count-in, click, and a cue for the switch, one file per tempo.

Every click starts on the sample nearest to its time, counted from the first click; times are exact fractions of a
minute, so that nothing adds up over a long track.
"""

from __future__ import annotations

import io
import struct
import wave
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from analysis.drills.practice_form import BeatSound, Practice
from analysis.model.records import FloatArray
from logger.files.own_result import made_by

WAV_RATE_HZ = 22050
CLICK_S, CUE_S = 0.03, 0.25
CUE_HZ = 660.0
KNOCK_S = 0.05


class Knock(NamedTuple):
    """A click: its size, its tone, and how often it knocks."""

    size: float
    tone_hz: float
    knocks: int = 1


KNOCKS: dict[BeatSound, Knock] = {
    "accent": Knock(0.9, 1600.0),
    "plain": Knock(0.6, 1000.0),
    "rest": Knock(0.3, 1000.0),
    "announce": Knock(0.9, 520.0, 2),
    "announce first": Knock(1.0, 780.0, 2),
}
"""Own choice, from the ear; the live page has the same. The cue is lower than a click and longer than any."""


def click_samples(practice: Practice, place: int) -> list[int]:
    """Return the first sample of every click of one rung."""
    start, stop = practice.at_tempo(place)
    return [_sample(practice, place, beat - start) for beat, _ in practice.clicks if start <= beat < stop]


def _sample(practice: Practice, place: int, beats: int) -> int:
    return round(Fraction(60 * WAV_RATE_HZ) * beats / Fraction(practice.tempo_changes[place][1]))


def render_track(practice: Practice, place: int) -> bytes:
    """Return the track of one rung of the ladder as WAV: mono, 16 bit."""
    start, stop = practice.at_tempo(place)
    sound = np.zeros(_sample(practice, place, stop - start) + round(CUE_S * WAV_RATE_HZ))
    shapes = {name: _knocks(knock) for name, knock in KNOCKS.items()}
    cue = _ping(0.4, CUE_HZ, CUE_S)
    for beat in practice.cues:
        if start <= beat < stop:
            at = _sample(practice, place, beat - start)
            sound[at : at + len(cue)] += cue
    for beat, name in practice.clicks:
        if start <= beat < stop:
            at = _sample(practice, place, beat - start)
            shape = shapes[name]
            sound[at : at + len(shape)] += shape
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(WAV_RATE_HZ)
        file.writeframes((np.clip(sound, -1, 1) * 32767).astype("<i2").tobytes())
    return _signed(buffer.getvalue())


def _signed(sound: bytes) -> bytes:
    """Put into a WAV file, before its samples, which software made it: RIFF's list of remarks (LIST, INFO, ISFT)."""
    words = f"Made by {made_by()}".encode() + b"\0"
    words += b"\0" * (len(words) % 2)
    remark = b"INFOISFT" + struct.pack("<I", len(words)) + words
    remark = b"LIST" + struct.pack("<I", len(remark)) + remark
    at = sound.index(b"data", 12)
    return b"RIFF" + struct.pack("<I", len(sound) - 8 + len(remark)) + sound[8:at] + remark + sound[at:]


def _knocks(knock: Knock) -> FloatArray:
    """Return a click of one knock or more."""
    step, one = round(KNOCK_S * WAV_RATE_HZ), _ping(knock.size, knock.tone_hz, CLICK_S)
    sound = np.zeros((knock.knocks - 1) * step + len(one))
    for k in range(knock.knocks):
        sound[k * step : k * step + len(one)] += one
    return sound


def _ping(size: float, tone_hz: float, length_s: float) -> FloatArray:
    """Return a decaying tone that starts at its full size."""
    time_s = np.arange(round(length_s * WAV_RATE_HZ)) / WAV_RATE_HZ
    decay = np.exp(-time_s / (length_s / 5)) * (1 - time_s / length_s)
    return np.asarray(size * decay * np.cos(2 * np.pi * tone_hz * time_s))
