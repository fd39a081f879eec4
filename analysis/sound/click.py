"""A metronome's click in the recording: learned where it sounds alone, before the first note, and subtracted.

Where the click comes from one loudspeaker through one room it is the same waveform every time. Three or more clicks of
the count-in, shifted onto each other, give that waveform; at every beat of the block its moment and gain are fitted on
the part above 800 Hz, where a note's ringing is weak, and the whole of it is taken away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from analysis.sound.records import FloatArray, Onsets, SoundArray


@dataclass(frozen=True)
class ClickSettings:
    """How a click is told and fitted.

    Attributes
    ----------
    least : int
        Clicks that a count-in needs.
    most_beats : int
        Beats before the block that are searched.
    beat_tolerance : float
        By how much their intervals may differ from a beat, as a part of it.
    likeness : float
        Least correlation of every click with their mean.
    lead_s, length_s : float
        The waveform starts this much before the onset and is this long.
    search_s : float
        How far from its beat a click is looked for.
    least_gain, most_gain : float
        Outside this a fit is no click.
    highpass_hz : float
    """

    least: int = 3
    most_beats: int = 8
    beat_tolerance: float = 0.04
    likeness: float = 0.7
    lead_s: float = 0.004
    length_s: float = 0.08
    search_s: float = 0.012
    least_gain: float = 0.35
    most_gain: float = 1.8
    highpass_hz: float = 800.0


@dataclass(frozen=True)
class Click:
    """A click's waveform (m,), from ``lead_s`` before its onset, and when the count-in's clicks came."""

    waveform: FloatArray
    time_s: FloatArray


def learn_click(
    samples: SoundArray,
    rate_hz: float,
    onsets: Onsets,
    beat: tuple[float, float],
    settings: ClickSettings | None = None,
) -> Click | None:
    """Learn the click from the count-in before a block.

    Parameters
    ----------
    samples : float32 (n,)
    rate_hz : float
    onsets : Onsets
    beat : (float, float)
        Start of the block (sound time) and seconds per beat.
    settings : ClickSettings, optional

    Returns
    -------
    Click or None
        None where no three alike onsets one beat apart come before the block.
    """
    settings = settings or ClickSettings()
    start_s, beat_s = beat
    inside = (onsets.time_s > start_s - (settings.most_beats + 0.5) * beat_s) & (onsets.time_s < start_s - 0.4 * beat_s)
    train = _longest_train(onsets.time_s[inside], beat_s, settings.beat_tolerance * beat_s)
    if len(train) < settings.least:
        return None
    waveforms = [_excerpt(samples, rate_hz, when, settings) for when in train]
    mean = waveforms[-1]
    for _ in range(2):
        moved = [_shift(w, -_lag(w, mean)) for w in waveforms]
        mean = np.median(moved, axis=0)
    alike = [_correlation(w, mean) for w in moved]
    if float(np.median(alike)) < settings.likeness:
        return None
    fade = np.minimum(1.0, np.arange(mean.size)[::-1] / (0.2 * mean.size))
    return Click(mean * fade, np.asarray(train))


def subtract_click(
    samples: SoundArray,
    rate_hz: float,
    click: Click,
    span: tuple[float, float, float],
    settings: ClickSettings | None = None,
) -> tuple[SoundArray, FloatArray, FloatArray]:
    """Take the click away in one block.

    Parameters
    ----------
    samples : float32 (n,)
    rate_hz : float
    click : Click
    span : (float, float, float)
        From where, to where (sound time), and seconds per beat.
    settings : ClickSettings, optional

    Returns
    -------
    samples : float32 (n,)
        A copy without the clicks.
    time_s, gain : float64 (c,)
        Where clicks were taken away, and how loud each was against the count-in's.
    """
    settings = settings or ClickSettings()
    out = samples.copy()
    _, stop_s, beat_s = span
    sos = signal.butter(2, settings.highpass_hz, "highpass", fs=rate_hz, output="sos")
    fast = signal.sosfiltfilt(sos, click.waveform)
    times, gains = [], []
    for when in click.time_s:
        _take_away(out, _Fit(float(when), 1.0), click, rate_hz, settings)
        times.append(float(when))
        gains.append(1.0)
    due = float(click.time_s[-1]) + beat_s
    pace = beat_s
    while due < min(stop_s, samples.size / rate_hz - settings.length_s):
        fit = _fit_click(samples, rate_hz, due, _Shape(click.waveform.size, fast, sos), settings)
        if fit is not None:
            _take_away(out, fit, click, rate_hz, settings)
            times.append(fit.time_s)
            gains.append(fit.gain)
            # Sensor and recorder tick differently: follow the clicks that were found, slowly.
            pace += 0.05 * np.clip(fit.time_s - due, -0.002, 0.002)
            due += 0.5 * (fit.time_s - due)
        due += pace
    return out, np.asarray(times), np.asarray(gains)


@dataclass(frozen=True)
class _Fit:
    """A click that was found: when it sounds, and how loud against the count-in's."""

    time_s: float
    gain: float


@dataclass(frozen=True)
class _Shape:
    """What a click is searched by: its length in samples, its part above the high-pass, that filter's sections."""

    size: int
    fast: FloatArray
    sos: FloatArray


def _take_away(out: SoundArray, fit: _Fit, click: Click, rate_hz: float, settings: ClickSettings) -> None:
    at = (fit.time_s - settings.lead_s) * rate_hz
    first = int(np.floor(at))
    shape = _shift(click.waveform, at - first) * fit.gain
    stop = min(first + shape.size, out.size)
    if first >= 0:
        out[first:stop] -= shape[: stop - first].astype(np.float32)


def _fit_click(
    samples: SoundArray,
    rate_hz: float,
    due_s: float,
    shape: _Shape,
    settings: ClickSettings,
) -> _Fit | None:
    """The click near where it is due, None where nothing like it is there."""
    reach = round(settings.search_s * rate_hz)
    first = round((due_s - settings.lead_s) * rate_hz) - reach
    if first < 0 or first + shape.size + 2 * reach > samples.size:
        return None
    part = signal.sosfiltfilt(shape.sos, samples[first : first + shape.size + 2 * reach].astype(np.float64))
    match = signal.correlate(part, shape.fast, mode="valid")
    best = int(np.argmax(match))
    power = float(shape.fast @ shape.fast)
    gain = float(match[best]) / power
    if not settings.least_gain <= gain <= settings.most_gain:
        return None
    shift = 0.0
    if 0 < best < match.size - 1:
        a, b, c = match[best - 1 : best + 2]
        shift = float(0.5 * (a - c) / (a - 2 * b + c)) if a - 2 * b + c < 0 else 0.0
    return _Fit((first + best + shift) / rate_hz + settings.lead_s, gain)


def _longest_train(time_s: FloatArray, beat_s: float, tolerance_s: float) -> list[float]:
    """The last and longest series of moments one beat apart."""
    best: list[float] = []
    for last in time_s[::-1]:
        train = [float(last)]
        while True:
            near = np.abs(time_s - (train[0] - beat_s))
            if near.size == 0 or near.min() > tolerance_s:
                break
            train.insert(0, float(time_s[int(np.argmin(near))]))
        if len(train) > len(best):
            best = train
    return best


def _excerpt(samples: SoundArray, rate_hz: float, when_s: float, settings: ClickSettings) -> FloatArray:
    first = max(0, round((when_s - settings.lead_s) * rate_hz))
    size = round(settings.length_s * rate_hz)
    part = samples[first : first + size].astype(np.float64)
    return np.pad(part, (0, size - part.size))


def _lag(one: FloatArray, other: FloatArray) -> float:
    """By how many samples ``one`` comes later than ``other``, to a part of a sample."""
    match = signal.correlate(one, other, mode="full")
    best = int(np.argmax(match))
    shift = 0.0
    if 0 < best < match.size - 1:
        a, b, c = match[best - 1 : best + 2]
        shift = float(0.5 * (a - c) / (a - 2 * b + c)) if a - 2 * b + c < 0 else 0.0
    return best - (other.size - 1) + shift


def _shift(values: FloatArray, by: float) -> FloatArray:
    """Move a waveform by samples, to later for a positive number."""
    size = values.size
    spectrum = np.fft.rfft(values, 2 * size)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(2 * size) * by)
    return np.asarray(np.fft.irfft(spectrum * turn, 2 * size)[:size])


def _correlation(one: FloatArray, other: FloatArray) -> float:
    return float(one @ other / max(float(np.linalg.norm(one) * np.linalg.norm(other)), 1e-12))


def hidden_click_db(samples: SoundArray, rate_hz: float, spans: Sequence[tuple[float, float, float]]) -> float | None:
    """How loud a click is against the notes where no count-in shows it alone, from what repeats beat by beat.

    A player's notes come some milliseconds early or late, and their products from beat to beat cancel; a click's do
    not. Only neighbouring beats are multiplied, above 800 Hz, so that clocks need not agree to better than a
    ten-thousandth; None where no block has twelve beats.
    """
    found = []
    sos = signal.butter(2, 800.0, "highpass", fs=rate_hz, output="sos")
    for begin_s, stop_s, beat_s in spans:
        group = round(12 * beat_s * rate_hz)
        for first in range(round(begin_s * rate_hz), round(stop_s * rate_hz) - group, group):
            if first < 0 or first + group > samples.size:
                continue
            fast = signal.sosfilt(sos, samples[first : first + group].astype(np.float64))
            place = np.round(np.arange(12) * beat_s * rate_hz).astype(np.int64)
            size = int(beat_s * rate_hz) - 1
            beats = fast[place[:, None] + np.arange(size)]
            # What repeats: the mean of products of neighbouring beats.
            repeated = (beats[1:] * beats[:-1]).mean(axis=0)
            window = round(0.02 * rate_hz)
            energy = np.convolve(repeated, np.ones(window), mode="valid").max()
            note = np.convolve((beats**2).mean(axis=0), np.ones(window), mode="valid").mean()
            found.append(max(float(energy), 1e-12) / max(float(note), 1e-12))
    return float(10 * np.log10(np.median(found))) if found else None
