r"""Where sound and motion lie in time: by three raps on the body, by onsets against strokes, or by both.

Every stroke gives a note, so the strokes' moments, shifted by the right offset, fall on onsets. For every relative
drift of the two clocks on a grid the two trains of pulses are correlated over all offsets,

.. math:: c(\tau) = \frac{1}{n} \sum_{i,j} K(t_j - (1 + d)\, s_i - \tau)                                     (1)

with a narrow bell :math:`K`; the highest value gives offset and drift, the highest one elsewhere is its rival. Even
play repeats itself: one note further on the trains match nearly as well, and only the player's own unevenness and the
rests tell. Raps, where both heard them, choose among the offsets. A robust line through the matched pairs ends it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from scipy import fft

from analysis.sound.onsets import nearest_onset
from analysis.sound.records import FloatArray, Onsets, SoundClock

Raps = tuple[float, float]
"""First and last of three raps."""


@dataclass(frozen=True)
class ClockSettings:
    """Search and match.

    Attributes
    ----------
    step_s, bell_s : float
        Step of the offsets, and SD of the bell.
    most_drift : float
        Largest drift of one clock against the other.
    within_s : float
        A stroke and an onset nearer than this belong together.
    apart_s : float
        Offsets nearer than this are the same.
    rap_s : float
        By how much the time from first to last rap may differ in sound and motion.
    """

    step_s: float = 0.004
    bell_s: float = 0.004
    most_drift: float = 3e-4
    within_s: float = 0.025
    apart_s: float = 0.03
    rap_s: float = 0.02


@dataclass(frozen=True)
class _Peak:
    offset_s: float
    drift: float
    score: float


def find_clock(
    onset_s: FloatArray,
    stroke_s: FloatArray,
    felt_s: tuple[float, float],
    sound_duration_s: float,
    raps: tuple[tuple[Raps, ...], tuple[Raps, ...]] = ((), ()),
    settings: ClockSettings | None = None,
) -> SoundClock | None:
    """Find how sound time follows from log time.

    Parameters
    ----------
    onset_s : float64 (k,)
        Onsets, sound time.
    stroke_s : float64 (n,)
        Contacts of the strokes, log time.
    felt_s : (float, float)
        Start and end of the log.
    sound_duration_s : float
    raps : (tuple of Raps, tuple of Raps), optional
        Three raps heard (sound time) and felt (log time).
    settings : ClockSettings, optional

    Returns
    -------
    SoundClock or None
        None where there are not five of each.
    """
    settings = settings or ClockSettings()
    if onset_s.size < 5 or stroke_s.size < 5:
        return None
    best, rival = _search(onset_s, stroke_s, settings)
    by = "onsets"
    chosen = _by_raps(onset_s, stroke_s, raps, settings)
    if chosen is not None and chosen.score >= 0.5 * best.score:
        best, by, rival = chosen, "raps", _Peak(0.0, 0.0, 0.0)
    offset, drift = _fit_line(onset_s, stroke_s, best, settings)
    clock = SoundClock(offset, drift, by, 0.0, max(0.0, rival.score / max(best.score, 1e-9)), 0.0)
    sound_s = clock.to_sound(stroke_s)
    start, stop = clock.to_sound(np.array(felt_s))
    common = max(0.0, min(float(stop), sound_duration_s) - max(float(start), 0.0))
    inside = (sound_s >= 0.0) & (sound_s < sound_duration_s)
    match = nearest_onset(onset_s, sound_s[inside], settings.within_s)
    share = float(np.mean(match >= 0)) if match.size else 0.0
    return replace(clock, matched_share=share, common_s=common)


def _search(onset_s: FloatArray, stroke_s: FloatArray, settings: ClockSettings) -> tuple[_Peak, _Peak]:
    """Best offset and drift by equation (1), and the best other offset."""
    step = settings.step_s
    middle = 0.5 * (stroke_s[0] + stroke_s[-1])
    half = max(0.5 * float(np.ptp(stroke_s)), 1.0)
    # Half a step of drift moves the outermost strokes by one width of the bell.
    fine = 2 * settings.bell_s / half
    count = int(np.ceil(settings.most_drift / fine))
    span = np.ptp(onset_s) + np.ptp(stroke_s) * (1 + settings.most_drift) + 1.0
    points = fft.next_fast_len(int(span / step) + 2, real=True)
    heard = fft.rfft(_train(onset_s - onset_s[0], points, step))
    bell = _bell_spectrum(points, step, settings.bell_s)
    top: list[_Peak] = []
    for k in range(-count, count + 1):
        drift = k * fine
        seen = (1 + drift) * (stroke_s - stroke_s[0])
        curve = fft.irfft(heard * np.conj(fft.rfft(_train(seen, points, step))) * bell, points) / stroke_s.size
        curve -= curve.mean()
        # The offset at mid-session, where it does not depend on the drift.
        for place in _two_best(curve, round(settings.apart_s / step)):
            lag = (place if place < points - int((np.ptp(seen) + 0.5) / step) else place - points) * step
            at_middle = lag + onset_s[0] + (1 + drift) * (middle - stroke_s[0])
            top.append(_Peak(at_middle - (1 + drift) * middle, drift, float(curve[place])))
    top.sort(key=lambda peak: -peak.score)
    best = top[0]
    at = best.offset_s + best.drift * middle
    others = [p for p in top if abs(p.offset_s + p.drift * middle - at) > settings.apart_s]
    return best, others[0] if others else _Peak(0.0, 0.0, 0.0)


def _two_best(curve: FloatArray, apart: int) -> tuple[int, int]:
    """Highest value and the highest one elsewhere, round the ends."""
    best = int(np.argmax(curve))
    masked = curve.copy()
    masked[np.arange(best - apart, best + apart + 1) % curve.size] = -np.inf
    return best, int(np.argmax(masked))


def _train(time_s: FloatArray, points: int, step_s: float) -> FloatArray:
    """Pulses of unit height, each shared between its two neighbouring points."""
    at = time_s / step_s
    low = np.floor(at).astype(np.int64)
    part = at - low
    train = np.bincount(low % points, 1.0 - part, minlength=points)
    return np.asarray(train + np.bincount((low + 1) % points, part, minlength=points))


def _bell_spectrum(points: int, step_s: float, bell_s: float) -> FloatArray:
    """Spectrum of a bell whose peak is 1."""
    frequency = np.arange(points // 2 + 1) / (points * step_s)
    height = bell_s * np.sqrt(2 * np.pi) / step_s
    return np.asarray(height * np.exp(-0.5 * (2 * np.pi * frequency * bell_s) ** 2))


def _by_raps(
    onset_s: FloatArray, stroke_s: FloatArray, raps: tuple[tuple[Raps, ...], tuple[Raps, ...]], settings: ClockSettings
) -> _Peak | None:
    """The best offset that puts three raps heard on three raps felt."""
    found = []
    for heard, felt in product(*raps):
        if abs((heard[1] - heard[0]) - (felt[1] - felt[0])) > settings.rap_s:
            continue
        rough = float(np.mean(np.subtract(heard, felt)))
        # Raps are felt to some milliseconds; the strokes near them say more.
        offsets = rough + np.arange(-0.02, 0.0201, 0.5 * settings.step_s)
        scores = [_score(onset_s, stroke_s, float(o), settings) for o in offsets]
        best = int(np.argmax(scores))
        found.append(_Peak(float(offsets[best]), 0.0, scores[best]))
    return max(found, key=lambda peak: peak.score, default=None)


def _score(onset_s: FloatArray, stroke_s: FloatArray, offset_s: float, settings: ClockSettings) -> float:
    """Equation (1) with the nearest onset of each stroke, over the two minutes nearest to the sound's start."""
    moved = stroke_s + offset_s
    moved = moved[(moved > 0.0) & (moved < moved[moved > 0.0].min() + 120.0)] if (moved > 0.0).any() else moved[:0]
    if moved.size == 0:
        return 0.0
    after = np.clip(np.searchsorted(onset_s, moved), 1, onset_s.size - 1)
    off = np.minimum(np.abs(onset_s[after] - moved), np.abs(moved - onset_s[after - 1]))
    return float(np.mean(np.exp(-0.5 * (off / settings.bell_s) ** 2)))


def _fit_line(onset_s: FloatArray, stroke_s: FloatArray, start: _Peak, settings: ClockSettings) -> tuple[float, float]:
    """Offset and drift by least absolute deviations of the matched pairs (reweighted least squares)."""
    offset, drift = start.offset_s, start.drift
    middle = float(stroke_s.mean())
    for within in (settings.within_s, 0.6 * settings.within_s):
        moved = offset + (1 + drift) * stroke_s
        match = nearest_onset(onset_s, moved, within)
        rows = np.flatnonzero(match >= 0)
        if rows.size < 5:
            break
        x = stroke_s[rows] - middle
        y = onset_s[match[rows]] - moved[rows]
        # A slope needs time: without it the drift stays.
        columns = np.column_stack([np.ones(x.size), x]) if np.ptp(x) > 20.0 else np.ones((x.size, 1))
        weight = np.ones(x.size)
        for _ in range(8):
            solved = np.linalg.lstsq(columns * weight[:, None], y * weight, rcond=None)[0]
            weight = 1.0 / np.sqrt(np.maximum(np.abs(y - columns @ solved), 5e-4))
        slope = float(solved[1]) if columns.shape[1] == 2 else 0.0
        drift += slope
        offset += float(solved[0]) - slope * middle
    return offset, drift


def find_raps_heard(onsets: Onsets, quiet_s: float = 0.6) -> tuple[Raps, ...]:
    """Three even onsets with nothing else around them: the first and the last of each.

    Examples
    --------
    >>> find_raps_heard(Onsets(np.array([1.0, 1.3, 1.6, 4.0, 4.1, 4.2]), np.ones(6)))
    ((1.0, 1.6),)
    """
    t = np.concatenate([[-np.inf], onsets.time_s, [np.inf]])
    found = []
    for k in range(1, t.size - 3):
        interval = np.diff(t[k : k + 3])
        even = interval.min() > 0.15 and interval.max() < 0.65 and interval.max() <= 1.4 * interval.min()
        if even and t[k] - t[k - 1] > quiet_s and t[k + 3] - t[k + 2] > quiet_s:
            found.append((float(t[k]), float(t[k + 2])))
    return tuple(found)
