"""Short spectra after and before every onset, whitened, on one axis of frequency for all window lengths.

After an onset the window begins where the plectrum's own noise is over and ends before the next onset. The window
before it is as long and ends before it: what rang already is no news.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft, ndimage

from analysis.sound.records import FloatArray, IntArray, SoundArray

LENGTHS_S = (0.045, 0.06, 0.08, 0.11, 0.15)
POINTS_S = 0.256
TOP_HZ = 5000.0
"""Above it partials of a plucked string are weak and no longer where a simple rule puts them."""


@dataclass(frozen=True)
class SpectrumSettings:
    """Windows and whitening.

    Attributes
    ----------
    skip_s : float
        Left out after the onset.
    clear_s : float
        Left out before an onset.
    octave_share : float
        Width of the smoothing that gives the take's own colour, as a part of the frequency.
    power : float
        Magnitudes are raised to this.
    """

    skip_s: float = 0.003
    clear_s: float = 0.006
    octave_share: float = 0.5
    power: float = 0.5


@dataclass(frozen=True)
class NoteSpectra:
    """Spectra of all onsets.

    Attributes
    ----------
    after, before : float32 (k, bins)
        Whitened and compressed.
    length : int64 (k,)
        Index into :data:`LENGTHS_S`.
    frequency_hz : float64 (bins,)
    rate_hz : float
    """

    after: SoundArray
    before: SoundArray
    length: IntArray
    frequency_hz: FloatArray
    rate_hz: float


def note_spectra(
    samples: SoundArray,
    rate_hz: float,
    onset_s: FloatArray,
    until_s: FloatArray | None = None,
    settings: SpectrumSettings | None = None,
) -> NoteSpectra:
    """Take the spectra of all onsets.

    Parameters
    ----------
    samples : float32 (n,)
    rate_hz : float
    onset_s : float64 (k,)
        Ascending.
    until_s : float64 (k,), optional
        When the next note begins after each; else the next of these onsets.
    settings : SpectrumSettings, optional

    Returns
    -------
    NoteSpectra
    """
    settings = settings or SpectrumSettings()
    points = fft.next_fast_len(round(POINTS_S * rate_hz), real=True)
    frequency = np.arange(points // 2 + 1) * rate_hz / points
    used = frequency <= min(TOP_HZ, 0.45 * rate_hz)
    until_s = np.append(onset_s[1:], np.inf) if until_s is None else until_s
    room_s = until_s - onset_s - settings.skip_s - settings.clear_s
    length = np.clip(np.searchsorted(LENGTHS_S, room_s, side="right") - 1, 0, len(LENGTHS_S) - 1)
    shape = (onset_s.size, int(used.sum()))
    after, before = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for number, length_s in enumerate(LENGTHS_S):
        size = round(length_s * rate_hz)
        for rows in _parts(np.flatnonzero(length == number)):
            first = np.round((onset_s[rows] + settings.skip_s) * rate_hz).astype(np.int64)
            last = np.round((onset_s[rows] - settings.clear_s) * rate_hz).astype(np.int64) - size
            after[rows] = _magnitudes(samples, first, (size, points))[:, used]
            before[rows] = _magnitudes(samples, last, (size, points))[:, used]
    colour = _colour(after, frequency[used], settings.octave_share)
    noise = 0.05 * colour
    for block in (after, before):
        block -= noise
        np.maximum(block, 0.0, out=block)
        block /= colour
        np.power(block, settings.power, out=block)
    return NoteSpectra(after, before, length, frequency[used], rate_hz)


def _parts(rows: IntArray, size: int = 1024) -> Iterator[IntArray]:
    for first in range(0, rows.size, size):
        yield rows[first : first + size]


def _magnitudes(samples: SoundArray, first: IntArray, shape: tuple[int, int]) -> SoundArray:
    size, points = shape
    if samples.size < size:
        return np.zeros((first.size, points // 2 + 1), np.float32)
    frames = sliding_window_view(samples, size)[np.clip(first, 0, samples.size - size)]
    window = (np.hanning(size) / (0.5 * size)).astype(np.float32)
    return np.abs(fft.rfft(frames * window, points, axis=1)).astype(np.float32)


def _colour(spectra: SoundArray, frequency_hz: FloatArray, octave_share: float) -> SoundArray:
    """Mean magnitude of the take, smoothed over a part of the frequency: strings' fall, room, microphone."""
    if len(spectra) == 0:
        return np.ones(frequency_hz.size, np.float32)
    mean = spectra.mean(axis=0, dtype=np.float64)
    # Smoothing in equal steps of the log of the frequency.
    grid = np.geomspace(40.0, frequency_hz[-1], 400)
    even = np.interp(grid, frequency_hz, mean)
    width = np.log(1 + octave_share) / np.log(grid[1] / grid[0])
    smooth = np.interp(frequency_hz, grid, ndimage.gaussian_filter1d(even, width, mode="nearest"))
    return np.asarray(np.maximum(smooth, 1e-3 * smooth.max() + 1e-12), dtype=np.float32)
