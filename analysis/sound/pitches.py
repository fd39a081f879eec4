r"""How likely each pitch of the phrase is at every onset, from its partials; tuning and capo on the way.

A pitch of fundamental :math:`f` is a template :math:`t_k`: partials at :math:`n f \sqrt{1 + B n^2}` of falling
strength, each as wide as the window makes it. One string is plucked at a time, others may ring: the spectrum
:math:`s` after an onset is one template and a part of the spectrum :math:`b` before it,

.. math:: r_k = \min_{x \ge 0,\; 0 \le \lambda \le \Lambda} \frac{|s - x\,t_k - \lambda\,b|^2}{|s|^2}          (1)

:math:`\Lambda` being small enough that a note played again is not taken for the old one ringing on. The log likelihood
of pitch ``k`` is

.. math:: \log p_k = -\beta \log(r_k + \epsilon) + \mathrm{const}                                             (2)

with :math:`\beta` set on simulated takes so that the probabilities come true.

Equal temperament on A4 = 440 Hz (ISO 16:1975), moved by what the take itself shows: a capo or another tuning as whole
semitones, and cents.

References
----------
Fletcher, H., 1964. Normal vibration frequencies of a stiff piano string. J. Acoust. Soc. Am. 36, 203-209 (partials).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.sound.records import FloatArray, IntArray, SoundArray
from analysis.sound.spectra import LENGTHS_S, NoteSpectra


@dataclass(frozen=True)
class PitchSettings:
    """Templates and likelihood.

    Attributes
    ----------
    partials, fall, stiffness
        Number of partials, each ``fall`` times the one before, and ``B``.
    carried : float
        Lambda's bound in equation (1).
    slope, floor : float
        Beta and epsilon of equation (2).
    lowest_cents, highest_cents, step_cents
        Where the tuning is looked for: up to a capo in the sixth fret. A scale moved by a fifth has nearly the partials
        of the same scale, so that the search must end below it.
    """

    partials: int = 14
    fall: float = 0.88
    stiffness: float = 5e-5
    carried: float = 0.4
    slope: float = 28.0
    floor: float = 0.001
    lowest_cents: float = -350.0
    highest_cents: float = 650.0
    step_cents: float = 5.0


@dataclass(frozen=True)
class Tuned:
    """How the instrument sounds against what the phrase says.

    ``semitones`` is the capo's fret (or a tuning lower, below 0), ``cents`` the rest; ``rival`` how well the best
    other number of semitones fits, against this one.
    """

    semitones: int
    cents: float
    rival: float

    @property
    def total_cents(self) -> float:
        """Both together."""
        return 100.0 * self.semitones + self.cents


def frequency_hz(midi: FloatArray, cents: float = 0.0) -> FloatArray:
    """Fundamentals of MIDI pitches (ISO 16: A4 is 440 Hz).

    Examples
    --------
    >>> frequency_hz(np.array([69.0, 57.0])).tolist()
    [440.0, 220.0]
    """
    return np.asarray(440.0 * 2.0 ** ((np.asarray(midi, dtype=np.float64) - 69.0 + cents / 100.0) / 12.0))


def templates(fundamental_hz: FloatArray, length_s: float, axis_hz: FloatArray, settings: PitchSettings) -> FloatArray:
    """Template of every pitch (k, bins), each of unit norm."""
    n = np.arange(1, settings.partials + 1)
    partial = fundamental_hz[:, None] * n * np.sqrt(1 + settings.stiffness * n**2)
    weight = np.where(partial < axis_hz[-1], settings.fall ** (n - 1), 0.0)
    # The main lobe of a Hann window is 4 / length wide; its square root is close to half a cosine.
    off = np.abs(axis_hz[None, None, :] - partial[:, :, None]) * length_s / 2.0
    lobe = np.where(off < 1.0, np.cos(0.5 * np.pi * np.minimum(off, 1.0)), 0.0)
    shape = (weight[:, :, None] * lobe).max(axis=1)
    return np.asarray(shape / np.maximum(np.linalg.norm(shape, axis=1, keepdims=True), 1e-12))


def tuning_fit(spectra: NoteSpectra, midi: FloatArray, share: FloatArray, settings: PitchSettings) -> FloatArray:
    """How well a take's mean spectrum fits a phrase moved by every number of cents on the grid, (m,).

    Parameters
    ----------
    spectra : NoteSpectra
    midi, share : float64 (k,)
        The phrase's own pitches and how often each comes in it.
    settings : PitchSettings
    """
    number = int(np.bincount(spectra.length, minlength=len(LENGTHS_S)).argmax())
    mean = spectra.after[spectra.length == number].mean(axis=0, dtype=np.float64)
    mean = mean - _local_mean(mean, spectra.frequency_hz)
    cents = _grid_cents(settings)
    fit = np.empty(cents.size)
    for i, shift in enumerate(cents):
        one = share @ templates(frequency_hz(midi, float(shift)), LENGTHS_S[number], spectra.frequency_hz, settings)
        one = one - _local_mean(one, spectra.frequency_hz)
        fit[i] = one @ mean / max(float(np.linalg.norm(one) * np.linalg.norm(mean)), 1e-12)
    return fit


def _grid_cents(settings: PitchSettings) -> FloatArray:
    return np.arange(settings.lowest_cents, settings.highest_cents + 0.5, settings.step_cents)


def read_tuning_fit(fit: FloatArray, settings: PitchSettings) -> Tuned:
    """Take capo and cents from the best fit, which may be the mean of several blocks' fits."""
    cents = _grid_cents(settings)
    best = int(np.argmax(fit))
    fine = _vertex(fit, best) * settings.step_cents + cents[0]
    far = np.abs(cents - cents[best]) > 60.0
    rival = float(fit[far].max() / fit[best]) if fit[best] > 0 else 1.0
    semitones = round(fine / 100.0)
    return Tuned(semitones, float(fine - 100.0 * semitones), rival)


def _local_mean(values: FloatArray, axis_hz: FloatArray) -> FloatArray:
    """Mean over 150 Hz on either side."""
    half = max(1, round(150.0 / (axis_hz[1] - axis_hz[0])))
    total = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, values.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _vertex(values: FloatArray, at: int) -> float:
    """Vertex of the parabola through a peak and its neighbours, in steps."""
    if not 0 < at < values.size - 1:
        return float(at)
    a, b, c = values[at - 1 : at + 2]
    bend = a - 2 * b + c
    return at + (0.5 * (a - c) / bend if bend < 0 else 0.0)


def pitch_log_likelihood(spectra: NoteSpectra, midi: FloatArray, cents: float, settings: PitchSettings) -> FloatArray:
    """Log likelihood of every pitch at every onset, (k, pitches), equation (2), the best pitch of a row at 0."""
    left = np.empty((len(spectra.after), midi.size))
    for number in np.unique(spectra.length):
        rows = np.flatnonzero(spectra.length == number)
        shapes = templates(frequency_hz(midi, cents), LENGTHS_S[number], spectra.frequency_hz, settings)
        left[rows] = _left_over(spectra.after[rows], spectra.before[rows], shapes, settings.carried)
    score = -settings.slope * np.log(left + settings.floor)
    return np.asarray(score - score.max(axis=1, keepdims=True))


def _left_over(after: SoundArray, before: SoundArray, shapes: FloatArray, most_carried: float) -> FloatArray:
    """Share of each spectrum's power that each pitch, with what rang before, leaves unexplained: equation (1)."""
    narrow = shapes.T.astype(np.float32)
    own, rang = after @ narrow, before @ narrow
    power, old, common = (
        np.einsum("ij,ij->i", a, b, dtype=np.float64)[:, None]
        for a, b in ((after, after), (before, before), (after, before))
    )
    carried = np.clip((common - rang * own) / np.maximum(old - rang**2, 1e-9), 0.0, most_carried)
    weight = np.maximum(own - carried * rang, 0.0)
    left = power - 2 * weight * own - 2 * carried * common + weight**2 + carried**2 * old + 2 * weight * carried * rang
    return np.asarray(np.clip(left / np.maximum(power, 1e-9), 0.0, 1.0))


def phrase_pitches(midi: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
    """Distinct pitches of a phrase, which of them each note is, and each one's share of the notes."""
    pitches, note, count = np.unique(midi, return_inverse=True, return_counts=True)
    return pitches, note.astype(np.int64), count / count.sum()
