"""From the strings to a recorder: click, room, noise, distortion, gain control, full scale.

The room is Moorer's: white noise that dies away exponentially, behind the direct sound. A phone's gain control follows
the level with a fast attack and a slow release, and so lifts the noise of every pause.

References
----------
Moorer, J. A., 1979. About this reverberation business. Computer Music Journal 3(2), 13-28.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class RecordingChain:
    """What lies between strings and file.

    Attributes
    ----------
    snr_db : float
        Level of the play above the noise, RMS against RMS, over the whole band.
    room_rt60_s, room_db : float
        Reverberation time; level of the room against the direct sound.
    hum_hz, hum_share : float
        Mains hum, as a share of the noise's power.
    drive : float
        Distortion, ``tanh(drive x) / drive`` about the play's RMS; 0 for none.
    gain_control_db : float
        Most by which a recorder's own gain moves; 0 for none.
    peak : float
        Largest value written, against full scale; above 1 the file is clipped.
    """

    snr_db: float = 20.0
    room_rt60_s: float = 0.3
    room_db: float = -10.0
    hum_hz: float = 50.0
    hum_share: float = 0.2
    drive: float = 0.0
    gain_control_db: float = 0.0
    peak: float = 0.7


def click_track(time_s: FloatArray, duration_s: float, rate_hz: float, level: float = 1.0) -> FloatArray:
    """A click at every given time: a burst of 1.6 kHz, 12 ms long, as a small loudspeaker gives it."""
    t = np.arange(round(0.03 * rate_hz)) / rate_hz
    shape = np.sin(2 * np.pi * 1600.0 * t) * np.exp(-t / 0.006) * np.minimum(1.0, t / 0.0004)
    return _place(level * shape, time_s, round(duration_s * rate_hz), rate_hz)


KNOCK_MODES = ((110.0, 1.0, 0.03), (240.0, 0.7, 0.02), (420.0, 0.5, 0.012), (1900.0, 0.4, 0.002))
"""Frequency (Hz), strength and decay (s) of what a knuckle sets off in a body; from memory, not measured."""


def knock_track(time_s: FloatArray, duration_s: float, rate_hz: float, level: float = 1.0) -> FloatArray:
    """Raps of the knuckle on an instrument's body, which die within a tenth of a second."""
    t = np.arange(round(0.15 * rate_hz)) / rate_hz
    shape = np.zeros(t.size)
    for frequency_hz, strength, decay_s in KNOCK_MODES:
        shape += strength * np.sin(2 * np.pi * frequency_hz * t) * np.exp(-t / decay_s)
    return _place(level * shape, time_s, round(duration_s * rate_hz), rate_hz)


def _place(shape: FloatArray, time_s: FloatArray, count: int, rate_hz: float) -> FloatArray:
    """The same waveform at every given time."""
    track = np.zeros(count)
    for when in time_s:
        first = round(float(when) * rate_hz)
        if 0 <= first < count:
            stop = min(first + shape.size, count)
            track[first:stop] += shape[: stop - first]
    return track


def room_response(rate_hz: float, chain: RecordingChain, rng: np.random.Generator) -> FloatArray:
    """Impulse response of direct sound and room."""
    count = max(1, round(chain.room_rt60_s * rate_hz))
    tail = rng.normal(size=count) * 10 ** (-3 * np.arange(count) / count)
    tail[: round(0.002 * rate_hz)] = 0.0
    tail *= 10 ** (chain.room_db / 20) / max(float(np.sqrt(np.sum(tail**2))), 1e-12)
    tail[0] = 1.0
    return tail


def record(
    strings: FloatArray, clicks: FloatArray, rate_hz: float, chain: RecordingChain, rng: np.random.Generator
) -> FloatArray:
    """Sound as the recorder writes it, (n,), from what strings and clicks give, (n,) each.

    ``clicks`` comes on the scale of ``strings``: 1 is as loud as a usual stroke's excitation.

    Parameters
    ----------
    strings, clicks : float64 (n,)
    rate_hz : float
    chain : RecordingChain
        Room, noise, hum, overdrive and gain of the recorder.
    rng : Generator

    Returns
    -------
    float64 (n,)
        -1 to 1.
    """
    at_microphone = signal.fftconvolve(strings, room_response(rate_hz, chain, rng))[: strings.size]
    at_microphone += signal.fftconvolve(clicks, room_response(rate_hz, chain, rng))[: strings.size]
    playing = strings != 0.0
    level = float(np.sqrt(np.mean(at_microphone[playing] ** 2))) if playing.any() else 1.0
    if chain.drive:
        at_microphone = level * np.tanh(chain.drive * at_microphone / level) / chain.drive
        level = float(np.sqrt(np.mean(at_microphone[playing] ** 2))) if playing.any() else 1.0
    t = np.arange(strings.size) / rate_hz
    noise = np.sqrt(1 - chain.hum_share) * _room_noise(strings.size, rng)
    noise += np.sqrt(2 * chain.hum_share) * np.sin(2 * np.pi * chain.hum_hz * t + rng.uniform(0, 6.28))
    sound = at_microphone + level * 10 ** (-chain.snr_db / 20) * noise
    if chain.gain_control_db:
        sound = _control_gain(sound, rate_hz, chain.gain_control_db)
    top = float(np.quantile(np.abs(sound), 0.9999)) if sound.size else 1.0
    return np.asarray(np.clip(sound * chain.peak / max(top, 1e-12), -1.0, 1.0), dtype=np.float64)


def _room_noise(count: int, rng: np.random.Generator) -> FloatArray:
    """Noise of unit RMS: half white, half with more power below, as in a room."""
    white = rng.normal(size=count)
    low = signal.lfilter([0.05], [1, -0.95], rng.normal(size=count))
    low /= max(float(np.std(low)), 1e-12)
    return np.asarray(np.sqrt(0.5) * (white + low), dtype=np.float64)


def _control_gain(sound: FloatArray, rate_hz: float, most_db: float) -> FloatArray:
    """Follow the level in steps of 10 ms: down within 50 ms, up within 1.5 s, by at most ``most_db``."""
    step = max(1, round(0.01 * rate_hz))
    frames = -(-sound.size // step)
    padded = np.zeros(frames * step)
    padded[: sound.size] = sound
    level_db = 10 * np.log10(np.mean(padded.reshape(frames, step) ** 2, axis=1) + 1e-12)
    target = np.clip(level_db.max() - level_db, 0.0, most_db)
    gain = np.empty(frames)
    now = most_db
    for k in range(frames):
        now += (target[k] - now) * (0.2 if target[k] < now else 0.0067)
        gain[k] = now
    smooth = np.interp(np.arange(padded.size), np.arange(frames) * step, gain)
    return np.asarray(padded * 10 ** (smooth / 20))[: sound.size]
