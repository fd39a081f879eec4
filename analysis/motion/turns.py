"""Turns of the tip's path, and unbroken runs of strokes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from analysis.model.records import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class StrokeSettings:
    """How strokes are told from other motion.

    A stroke needs a span of ``min_span_mm`` and ``min_span_share`` of its neighbours'; where the larger ones around
    are small, ``small_span_share`` of those will do, down to the same share of ``min_span_mm``: 0.7 mm, which tremor
    does not reach. A run needs ``min_run``
    strokes whose durations stay within ``period_ratio`` of their median. Fewer count inside a marked block, if each
    has a pick attack and spans ``min_span_mm``. A pick attack exceeds ``attack_ratio`` times
    the still level and ``attack_of_typical`` of the strong attacks around it.

    Attributes
    ----------
    min_span_mm : float
    min_span_share : float
    small_span_share : float
    min_run : int
    period_ratio : float
    longest_ratio : float
        Times the usual time; a stroke that lasts longer holds a rest.
    min_cycle_hz, max_cycle_hz : float
        Of down and up together.
    attack_ratio : float
    attack_share : float
        Share of the strokes around one that must have an attack.
    attack_strokes : int
        Strokes over which that share is taken.
    attack_of_typical : float
    telling_share : float
        Share of the quick strokes near an attack that must have one too before the want of one tells anything.
    soft_share : float
        Share below which a series counts as played without attacks.
    max_span_share : float
        Times the neighbours' span; more is no stroke.
    """

    min_span_mm: float = 2.0
    min_span_share: float = 0.2
    small_span_share: float = 0.35
    min_run: int = 4
    period_ratio: float = 2.5
    longest_ratio: float = 1.45
    min_cycle_hz: float = 0.4
    max_cycle_hz: float = 10.0
    attack_ratio: float = 4.0
    attack_share: float = 0.6
    attack_strokes: int = 5
    attack_of_typical: float = 0.15
    telling_share: float = 0.65
    soft_share: float = 0.25
    max_span_share: float = 4.0


def find_turns(position: FloatArray, min_prominence: float) -> FloatArray:
    """Alternating extrema of a path, to a fraction of a sample.

    Parameters
    ----------
    position : float64 (n,)
    min_prominence : float
        Same unit as ``position``.

    Returns
    -------
    float64 (k,)
        Sample numbers, ascending; maxima and minima alternate.

    Examples
    --------
    >>> t = np.arange(400) / 100
    >>> find_turns(np.sin(2 * np.pi * t), 0.5).tolist()
    [25.0, 75.0, 125.0, 175.0, 225.0, 275.0, 325.0, 375.0]
    """
    high, _ = signal.find_peaks(position, prominence=min_prominence)
    low, _ = signal.find_peaks(-position, prominence=min_prominence)
    index = np.concatenate([high, low])
    sign = np.concatenate([np.ones(high.size), -np.ones(low.size)])
    order = np.argsort(index, kind="stable")
    index, sign = index[order], sign[order]
    if index.size == 0:
        return np.empty(0)
    # Of consecutive extrema of one kind keep the most extreme.
    group = np.concatenate([[0], np.cumsum(np.diff(sign) != 0)])
    rank = np.lexsort((-sign * position[index], group))
    first = np.unique(group[rank], return_index=True)[1]
    return refine_extrema(position, index[rank][first])


def refine_extrema(position: FloatArray, index: IntArray) -> FloatArray:
    """Vertex of the parabola through each extremum and its two neighbours.

    Parameters
    ----------
    position : float64 (n,)
    index : int64 (k,)
        Sample numbers of extrema.

    Returns
    -------
    float64 (k,)
        Sample numbers, to a fraction.
    """
    inner = np.clip(index, 1, position.size - 2)
    a, b, c = position[inner - 1], position[inner], position[inner + 1]
    curve = a - 2 * b + c
    shift = np.divide(0.5 * (a - c), curve, out=np.zeros(index.size), where=np.abs(curve) > 0)
    return np.asarray(inner + np.clip(shift, -0.5, 0.5))


def sample_at(values: FloatArray, at: FloatArray) -> FloatArray:
    """Four-point cubic (Lagrange) interpolation along axis 0.

    Parameters
    ----------
    values : float64 (n, k)
    at : float64, any shape
        Sample numbers; held inside the array.

    Returns
    -------
    float64, shape of ``at`` plus (k,)

    Examples
    --------
    >>> cube = (np.arange(8.0) ** 3)[:, None]
    >>> float(sample_at(cube, np.array(3.5))[0])
    42.875
    """
    base = np.clip(np.floor(at).astype(np.int64), 1, len(values) - 3)
    x = (at - base)[..., None]
    before, here, after, beyond = (values[base + step] for step in (-1, 0, 1, 2))
    return np.asarray(
        -x * (x - 1) * (x - 2) / 6 * before
        + (x + 1) * (x - 1) * (x - 2) / 2 * here
        - (x + 1) * x * (x - 2) / 2 * after
        + (x + 1) * x * (x - 1) / 6 * beyond
    )


def cycle_frequencies(
    position: FloatArray, rate_hz: float, settings: StrokeSettings, window_s: float = 2.5
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Dominant frequency of the velocity in windows of half overlap.

    Velocity rather than position: the fundamental of picking stands out of the slow wander of the hand.

    Parameters
    ----------
    position : float64 (n,)
        Displacement across the strings, metres.
    rate_hz : float
    settings : StrokeSettings
    window_s : float

    Returns
    -------
    centre : int64 (w,)
        Sample number of each window's middle.
    frequency_hz : float64 (w,)
    speed_mps : float64 (w,)
        RMS velocity in the searched band.
    """
    factor = max(1, int(rate_hz // 50))
    velocity = np.gradient(position)[: position.size // factor * factor].reshape(-1, factor).mean(axis=1) * rate_hz
    slow_rate = rate_hz / factor
    length = min(max(8, round(window_s * slow_rate)), velocity.size)
    hop = max(1, length // 2)
    frames = np.lib.stride_tricks.sliding_window_view(velocity, length)[::hop]
    taper = np.hanning(length)
    size = 4 * length
    power = np.abs(np.fft.rfft(frames * taper, size, axis=1)) ** 2
    frequency = np.fft.rfftfreq(size, 1 / slow_rate)
    band = (frequency >= settings.min_cycle_hz) & (frequency <= settings.max_cycle_hz)
    inside = power[:, band]
    best = frequency[band][np.argmax(inside, axis=1)]
    speed = np.sqrt(2 * inside.sum(axis=1) / (size * (taper**2).sum()))
    centre = (np.arange(len(frames)) * hop + length / 2) * factor
    return centre.astype(np.int64), best, speed


def find_runs(
    starts: FloatArray, ends: FloatArray, spans: FloatArray, settings: StrokeSettings, sound: BoolArray | None = None
) -> IntArray:
    """Number the unbroken runs of strokes that resemble each other; -1 for strokes that belong to none.

    Parameters
    ----------
    starts, ends : float64 (n,)
        Strokes in time order, any unit of time.
    spans : float64 (n,)
    settings : StrokeSettings
    sound : bool (n,), optional
        False for strokes that belong to none whatever their neighbours.

    Returns
    -------
    int64 (n,)

    Examples
    --------
    >>> edges = np.array([0, 1, 2, 3, 4, 9, 10.0])
    >>> find_runs(edges[:-1], edges[1:], np.full(6, 10.0), StrokeSettings()).tolist()
    [0, 0, 0, 0, -1, 1]
    """
    n = starts.size
    if n == 0:
        return np.empty(0, dtype=np.int64)
    duration = ends - starts
    local_duration = running_median(duration)
    local_span = running_median(spans)
    ratio = duration / local_duration
    good = (ratio < settings.period_ratio) & (ratio > 1 / settings.period_ratio)
    good &= (spans >= settings.min_span_share * local_span) & (spans <= settings.max_span_share * local_span)
    if sound is not None:
        good &= sound
    joined = np.concatenate([[False], np.abs(starts[1:] - ends[:-1]) < 1e-9 * max(1.0, float(np.abs(ends).max()))])
    begins = good & ~(joined & np.concatenate([[False], good[:-1]]))
    return np.where(good, np.cumsum(begins) - 1, -1)


def running_median(values: FloatArray, half: int = 4) -> FloatArray:
    """Median of each value and its ``half`` neighbours on both sides.

    Parameters
    ----------
    values : float64 (n,)
    half : int

    Returns
    -------
    float64 (n,)
        In the values' unit.

    Examples
    --------
    >>> running_median(np.array([1.0, 1.0, 9.0, 1.0, 1.0, 1.0]), 1).tolist()
    [1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    """
    return running_rank(values, 0.5, half)


def running_rank(values: FloatArray, share: float, half: int = 4) -> FloatArray:
    """The value that stands at ``share`` of the way from the least to the greatest of each and its neighbours.

    Parameters
    ----------
    values : float64 (n,)
    share : float
        0 for the least, 0.5 for the median, 1 for the greatest.
    half : int
        Neighbours on either side.

    Returns
    -------
    float64 (n,)
        In the values' unit.
    """
    if values.size == 0:
        return values
    padded = np.pad(values, half, mode="reflect" if values.size > half else "edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    rank = round(share * 2 * half)
    return np.asarray(np.partition(windows, rank, axis=1)[:, rank])
