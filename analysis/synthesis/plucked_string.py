r"""Sound of plucked strings: the Karplus-Strong loop with Jaffe and Smith's extensions, one filter a note.

A note of fundamental :math:`f_0` is an excitation of one period that runs round a loop of delay :math:`N`, losses
:math:`G`, stiffness and tuning allpasses :math:`A`:

.. math:: Y(z) = \frac{X(z)}{1 - z^{-N} G(z) A(z)}, \qquad G(z) = g \, [(1 - s) + s z^{-1}]                   (1)

- The whole loop's phase delay at :math:`f_0` is one period, so that the note sounds at its pitch (ISO 16: A4 = 440 Hz,
  equal temperament); ``N`` is whole, a first-order allpass makes up the rest.
- Stiff strings: a few first-order allpasses delay low partials more than high ones, which makes high partials sharp.
- The plectrum meets the string at a part ``b`` of its length: a comb, ``x[n] - x[n - b N]``. Softer strokes are duller:
  a one-pole low-pass on the excitation.
- A string is one string: before the plectrum lets go it touches the string for some milliseconds, which ends the note
  before. Other strings ring on until the left hand lets go.

References
----------
Karplus, K., Strong, A., 1983. Digital synthesis of plucked-string and drum timbres. Computer Music Journal 7(2), 43-55.
Jaffe, D. A., Smith, J. O., 1983. Extensions of the Karplus-Strong plucked-string algorithm. Computer Music Journal
7(2), 56-69.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class PluckedNotes:
    """Notes in order of time.

    Attributes
    ----------
    time_s : float64 (n,)
        Moment at which the plectrum lets go.
    midi : float64 (n,)
        Pitch; parts of a semitone are allowed.
    string : int64 (n,)
        Any number that tells strings apart.
    strength : float64 (n,)
        1 is a usual stroke.
    ring_s : float64 (n,)
        How long the note may ring if its string is not plucked again before.
    """

    time_s: FloatArray
    midi: FloatArray
    string: IntArray
    strength: FloatArray
    ring_s: FloatArray


@dataclass(frozen=True)
class StringModel:
    """Strings and plectrum.

    ``decay_s`` is the time in which a note of 220 Hz falls by 60 dB; lower ones ring longer, higher ones shorter.
    ``dullness`` is ``s`` of equation (1), ``stiffness`` the coefficient of each of ``stages`` allpasses, 0 for a string
    without stiffness. ``place`` is the plectrum's place as a part of the string, ``touch_s`` how long before the note
    the plectrum touches the string, ``scrape`` how loud it is meanwhile. ``muted`` strings are damped by a hand: they
    thud and have no pitch to speak of.

    Attributes
    ----------
    decay_s : float
    dullness : float
    stiffness : float
    stages : int
    place : float
    touch_s : float
    pick_noise : float
        How loud the plectrum's own noise is.
    scrape : float
    muted : bool
    """

    decay_s: float = 2.5
    dullness: float = 0.25
    stiffness: float = 0.35
    stages: int = 3
    place: float = 0.17
    touch_s: float = 0.004
    pick_noise: float = 0.25
    scrape: float = 0.08
    muted: bool = False


def pitch_hz(midi: float) -> float:
    """Frequency of a MIDI pitch.

    Examples
    --------
    >>> pitch_hz(69), round(pitch_hz(60), 2)
    (440.0, 261.63)
    """
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def loop_filter(frequency_hz: float, rate_hz: float, model: StringModel) -> tuple[FloatArray, FloatArray]:
    """Numerator and denominator of equation (1) for one note."""
    w = 2 * np.pi * frequency_hz / rate_hz
    loss = np.array([1 - model.dullness, model.dullness])
    top, bottom = np.array([1.0]), np.array([1.0])
    # Thin strings are less stiff for their length: the allpasses do less, the higher the note.
    stiffness = model.stiffness * min(1.0, 100.0 / frequency_hz)
    for _ in range(model.stages if stiffness else 0):
        top = np.convolve(top, [-stiffness, 1.0])
        bottom = np.convolve(bottom, [1.0, -stiffness])
    spent = _phase_delay(loss, np.array([1.0]), w) + _phase_delay(top, bottom, w)
    wanted = rate_hz / frequency_hz - spent
    whole = int(np.floor(wanted - 0.3))
    part = wanted - whole
    a = np.sin((1 - part) * w / 2) / np.sin((1 + part) * w / 2)
    top, bottom = np.convolve(top, [a, 1.0]), np.convolve(bottom, [1.0, a])
    fall_s = 0.12 if model.muted else model.decay_s * (220.0 / frequency_hz) ** 0.5
    round_gain = 10 ** (-3 / (fall_s * frequency_hz)) / abs(np.polyval(loss[::-1], np.exp(-1j * w)))
    around = min(round_gain, 0.9999) * np.convolve(loss, top)
    denominator = np.zeros(whole + around.size)
    denominator[: bottom.size] += bottom
    denominator[whole:] -= around
    return bottom, denominator


def _phase_delay(top: FloatArray, bottom: FloatArray, w: float) -> float:
    z = np.exp(-1j * w)
    return float(-np.angle(np.polyval(top[::-1], z) / np.polyval(bottom[::-1], z)) / w)


def pluck(
    frequency_hz: float, strength: float, shape: tuple[float, float], model: StringModel, rng: np.random.Generator
) -> FloatArray:
    """One note, ``shape`` being its length in seconds and the sampling rate; starts where the plectrum lets go."""
    length_s, rate_hz = shape
    count = max(8, round(length_s * rate_hz))
    period = rate_hz / frequency_hz
    size = max(4, round(period))
    burst = rng.uniform(-1, 1, size)
    keep = float(np.clip(0.55 - 0.3 * np.log2(max(strength, 0.1)), 0.05, 0.9))
    burst = signal.lfilter([1 - keep], [1, -keep], burst)
    burst *= 1.0 / max(float(np.sqrt(np.mean(burst**2))), 1e-9)
    excitation = np.zeros(count)
    excitation[: min(size, count)] = burst[:count]
    shift = max(1, round(model.place * period))
    excitation[shift:] -= 0.9 * excitation[: count - shift].copy()
    top, bottom = loop_filter(frequency_hz, rate_hz, model)
    sounding = signal.lfilter(top, bottom, excitation)
    click = model.pick_noise * rng.normal(size=count) * np.exp(-np.arange(count) / (0.0015 * rate_hz))
    return np.asarray(strength * (sounding + click))


def pluck_strings(
    notes: PluckedNotes, duration_s: float, rate_hz: float, model: StringModel, rng: np.random.Generator
) -> FloatArray:
    """Sound of all notes at the strings, before any room, (duration_s rate_hz,).

    Parameters
    ----------
    notes : PluckedNotes
        Times in s, pitches as MIDI numbers, strengths.
    duration_s, rate_hz : float
        Of the sound.
    model : StringModel
        The string's and the touch's properties.
    rng : Generator

    Returns
    -------
    float64 (n,)
        1 is as loud as a usual stroke's excitation.
    """
    sound = np.zeros(round(duration_s * rate_hz))
    until = _note_ends(notes, model.touch_s)
    fade = max(2, round(0.003 * rate_hz))
    for start_s, end_s, midi, strength in zip(notes.time_s, until, notes.midi, notes.strength, strict=True):
        first = round(start_s * rate_hz)
        if first >= sound.size:
            continue
        tone = pluck(pitch_hz(midi), strength, (min(end_s - start_s, 1.5) + 0.003, rate_hz), model, rng)
        tone[-fade:] *= np.linspace(1, 0, min(fade, tone.size))
        stop = min(first + tone.size, sound.size)
        sound[first:stop] += tone[: stop - first]
        touch = min(round(model.touch_s * rate_hz), first)
        sound[first - touch : first] += strength * model.scrape * rng.normal(size=touch)
    return sound


def _note_ends(notes: PluckedNotes, touch_s: float) -> FloatArray:
    """When each note ends: when its string is touched again, or its ringing is over."""
    until = notes.time_s + notes.ring_s
    for string in np.unique(notes.string):
        own = np.flatnonzero(notes.string == string)
        until[own[:-1]] = np.minimum(until[own[:-1]], notes.time_s[own[1:]] - touch_s)
    return np.maximum(until, notes.time_s + 0.01)
