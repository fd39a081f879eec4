r"""Where notes begin: rise of a log spectrum for the search, variance of the signal itself for the moment.

Search: magnitudes of short frames are gathered into bands, and every band's rise over two frames is added up,

.. math:: r_t = \frac1B \sum_b \max(0,\; L_{t,b} - L_{t-2,b}), \qquad
          L_{t,b} = \tfrac12 \log\left(1 + \frac{P_{t,b}}{c\,N_b}\right)                                       (1)

with :math:`P` the band's power and :math:`N_b` its noise floor, a low quantile over the take: what lies in the noise
does not count. Peaks of :math:`r` that stand out from the median around them are onsets.

Moment: near every peak the high-passed signal is cut in two where two constant variances explain it best,

.. math:: \mathrm{AIC}(k) = k \log \sigma^2_{1..k} + (n - k) \log \sigma^2_{k+1..n}                            (2)

References
----------
Bello et al., 2005. A tutorial on onset detection in music signals. IEEE Trans. Speech Audio Process. 13(5), 1035-1047.
Maeda, N., 1985. A method for reading and checking phase times in auto-processing system of seismic wave data. Zisin
38(3), 365-379.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft, ndimage, signal

from analysis.sound.records import BoolArray, FloatArray, IntArray, Onsets, SoundArray

CHUNK_FRAMES = 4096


@dataclass(frozen=True)
class OnsetSettings:
    """How onsets are told from the rest.

    Attributes
    ----------
    frame_s, hop_s : float
        Length of a frame and step from frame to frame.
    bands, lowest_hz, highest_hz
        Bands, evenly spaced in the log of the frequency.
    floor_quantile, floor_factor : float
        Noise floor: this quantile of each band's power, times ``c`` of equation (1).
    least_rise, rise_share : float
        An onset rises by this more than the median around it, and by this share of the take's usual onset.
    apart_s : float
        Least time between two onsets.
    around_s : float
        Half length of the window of that median.
    before_s, after_s : float
        Window around a peak in which its moment is looked for.
    highpass_hz : float
    """

    frame_s: float = 0.016
    hop_s: float = 0.004
    bands: int = 28
    lowest_hz: float = 90.0
    highest_hz: float = 7000.0
    floor_quantile: float = 0.1
    floor_factor: float = 6.0
    least_rise: float = 0.1
    rise_share: float = 0.25
    apart_s: float = 0.04
    around_s: float = 0.25
    before_s: float = 0.022
    after_s: float = 0.012
    highpass_hz: float = 900.0


def find_onsets(samples: SoundArray, rate_hz: float, settings: OnsetSettings | None = None) -> Onsets:
    """Find where notes begin.

    Parameters
    ----------
    samples : float32 (n,)
    rate_hz : float
    settings : OnsetSettings, optional

    Returns
    -------
    Onsets
    """
    settings = settings or OnsetSettings()
    power, hop = band_powers(samples, rate_hz, settings)
    if len(power) < 8:
        return Onsets(np.empty(0), np.empty(0))
    rise = spectrum_rise(power, settings)
    peaks = _pick_peaks(rise, settings)
    middle = peaks * hop + round(settings.frame_s * rate_hz) // 2
    moment = _place_moments(samples, rate_hz, middle, settings)
    order = np.argsort(moment, kind="stable")
    time_s, strength = moment[order] / rate_hz, rise[peaks][order]
    keep = np.concatenate([[True], np.diff(time_s) > 0.5 * settings.apart_s]) if time_s.size else np.empty(0, bool)
    return Onsets(time_s[keep], strength[keep])


def band_powers(samples: SoundArray, rate_hz: float, settings: OnsetSettings) -> tuple[FloatArray, int]:
    """Power of every band in every frame, (frames, bands), float32, and the step in samples."""
    size, hop = round(settings.frame_s * rate_hz), max(1, round(settings.hop_s * rate_hz))
    if samples.size < size:
        return np.empty((0, settings.bands), np.float32), hop
    points = fft.next_fast_len(size, real=True)
    gather = _band_matrix(points, rate_hz, settings)
    window = np.hanning(size).astype(np.float32)
    frames = sliding_window_view(samples, size)[::hop]
    parts = [
        np.abs(fft.rfft(frames[first : first + CHUNK_FRAMES] * window, points, axis=1)) ** 2 @ gather
        for first in range(0, len(frames), CHUNK_FRAMES)
    ]
    return np.concatenate(parts), hop


def _band_matrix(points: int, rate_hz: float, settings: OnsetSettings) -> SoundArray:
    """Weights (bins, bands) that gather bins into bands; no band is narrower than two bins."""
    frequency = np.arange(points // 2 + 1) * rate_hz / points
    top = min(settings.highest_hz, 0.45 * rate_hz)
    edges = np.geomspace(settings.lowest_hz, top, settings.bands + 2)
    width = 1.2 * rate_hz / points
    left = np.minimum(edges[:-2], edges[1:-1] - width)
    right = np.maximum(edges[2:], edges[1:-1] + width)
    rising = (frequency[:, None] - left) / (edges[1:-1] - left)
    falling = (right - frequency[:, None]) / (right - edges[1:-1])
    return np.clip(np.minimum(rising, falling), 0.0, 1.0).astype(np.float32)


def noise_floor(power: FloatArray, quantile: float) -> FloatArray:
    """Noise power of each band: a low quantile over the take, of frames that are not digital silence."""
    alive = power[power.sum(axis=1) > 0.0]
    step = max(1, len(alive) // 50_000)
    return np.quantile(alive[::step], quantile, axis=0) if len(alive) else np.full(power.shape[1], 1e-12)


def spectrum_rise(power: FloatArray, settings: OnsetSettings) -> FloatArray:
    """Equation (1), one value a frame."""
    floor = np.maximum(settings.floor_factor * noise_floor(power, settings.floor_quantile), 1e-14)
    loud = 0.5 * np.log1p(power / floor)
    rise = np.zeros(len(power))
    rise[2:] = np.maximum(loud[2:] - loud[:-2], 0.0).mean(axis=1)
    return np.asarray(ndimage.gaussian_filter1d(rise, 0.8))


def _pick_peaks(rise: FloatArray, settings: OnsetSettings) -> IntArray:
    """Frames at which the rise peaks and stands out."""
    half = max(1, round(settings.around_s / settings.hop_s))
    usual = ndimage.percentile_filter(rise, 50, size=2 * half + 1)
    out = rise - usual
    peaks, _ = signal.find_peaks(
        out, height=settings.least_rise, distance=max(1, round(settings.apart_s / settings.hop_s))
    )
    if peaks.size == 0:
        return np.asarray(peaks, dtype=np.int64)
    # The usual onset is that of the stronger half: echoes and noise must not lower the bar for themselves.
    usual_onset = float(np.quantile(out[peaks], 0.75))
    return np.asarray(peaks[out[peaks] >= settings.rise_share * usual_onset], dtype=np.int64)


def _place_moments(samples: SoundArray, rate_hz: float, middle: IntArray, settings: OnsetSettings) -> FloatArray:
    """Moments in samples, equation (2) around every peak."""
    before, after = round(settings.before_s * rate_hz), round(settings.after_s * rate_hz)
    cutoff = min(settings.highpass_hz, 0.2 * rate_hz)
    sos = signal.butter(2, cutoff, "highpass", fs=rate_hz, output="sos")
    found = np.empty(middle.size)
    for rows in _slices(middle.size, 2048):
        first = np.clip(middle[rows] - before, 0, max(0, samples.size - before - after))
        lead = 64
        at = np.clip(first[:, None] - lead + np.arange(lead + before + after), 0, samples.size - 1)
        fast = signal.sosfilt(sos, samples[at].astype(np.float64), axis=1)[:, lead:]
        found[rows] = first + _split_variance(fast, max(4, round(0.002 * rate_hz)))
    return found


def _split_variance(signals: FloatArray, least: int) -> FloatArray:
    """Place (n,) at which each row (n, m) is best cut into two constant variances, equation (2)."""
    count = signals.shape[1]
    total = np.cumsum(signals**2, axis=1)
    k = np.arange(least, count - least)
    head = total[:, k - 1] / k
    tail = (total[:, -1:] - total[:, k - 1]) / (count - k)
    score = k * np.log(head + 1e-16) + (count - k) * np.log(tail + 1e-16)
    # Only a cut into a louder part is an onset.
    score = np.where(tail > head, score, np.inf)
    best = np.argmin(score, axis=1)
    found = np.isfinite(score[np.arange(len(score)), best])
    return np.asarray(np.where(found, k[best], count // 2), dtype=np.float64)


def _slices(count: int, size: int) -> Iterator[slice]:
    for first in range(0, count, size):
        yield slice(first, min(first + size, count))


def nearest_onset(onset_s: FloatArray, moment_s: FloatArray, within_s: float) -> IntArray:
    """Match moments with onsets one to one, nearest pairs first; -1 where none lies within the tolerance.

    Examples
    --------
    >>> nearest_onset(np.array([1.0, 2.0]), np.array([1.01, 1.02, 5.0]), 0.05).tolist()
    [0, -1, -1]
    """
    match = np.full(moment_s.size, -1, np.int64)
    if onset_s.size == 0 or moment_s.size == 0:
        return match
    after = np.clip(np.searchsorted(onset_s, moment_s), 0, onset_s.size - 1)
    before = np.maximum(after - 1, 0)
    candidates = np.concatenate([before, after])
    rows = np.tile(np.arange(moment_s.size), 2)
    off = np.abs(onset_s[candidates] - moment_s[rows])
    taken: BoolArray = np.zeros(onset_s.size, dtype=np.bool_)
    for k in np.argsort(off, kind="stable"):
        if off[k] > within_s:
            break
        if match[rows[k]] < 0 and not taken[candidates[k]]:
            match[rows[k]] = candidates[k]
            taken[candidates[k]] = True
    return match
