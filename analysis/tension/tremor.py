r"""Tremor of the hand where it rests: acceleration from 8 to 12 Hz, in still moments only.

Physiological tremor of the hand lies between 8 and 12 Hz. While the hand plays, its strokes and their harmonics fill
that band; so it is only looked at where the hand rests, with the sensor on it: in the reference gesture `still`, and
in rests in which the hand happens to stand still. What counts as still is decided by what moves *below* the band and by
knocks, never by the band itself: a hand that trembles more is not left out for it.

The figure given is the root of the acceleration's power in the band, summed over three axes (Welch's method, Hann
windows of one second, half overlapping). It is compared with the player's own first minutes and with nothing else.

References
----------
Welch, IEEE Trans. Audio Electroacoust. 15, 1967, 70-73.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import signal

from analysis.model.records import NOT_WORN, OFF_HAND, Event, FloatArray, StillMoment
from analysis.motion.hand_motion import Motion

TREMOR_BAND_HZ = (8.0, 12.0)
WINDOW_S = 1.0


@dataclass(frozen=True)
class StillSettings:
    """What counts as a still moment.

    ``margin_s`` is kept from every stroke. Below 4 Hz, the hand may turn by ``most_radps`` and accelerate by
    ``most_mps2`` (RMS over one second). ``knock_ratio`` times the usual envelope above 60 Hz is a knock.
    ``above_noise``: the band must hold that many times the power of the sensor lying off the hand, or it lies there
    again. Moments are cut at ``longest_s``.
    """

    margin_s: float = 0.4
    shortest_s: float = 1.5
    longest_s: float = 10.0
    most_radps: float = 0.06
    most_mps2: float = 0.15
    below_hz: float = 4.0
    knock_ratio: float = 6.0
    above_noise: float = 2.0


def find_still_moments(
    motion: Motion, events: Sequence[Event], strokes: pd.DataFrame, settings: StillSettings | None = None
) -> tuple[StillMoment, ...]:
    """Moments in which the hand rests, with the tremor of each.

    Parameters
    ----------
    motion : Motion
    events : sequence of Event
        In time order.
    strokes : DataFrame
        Columns ``start_s`` and ``end_s``, in time order.
    settings : StillSettings, optional

    Returns
    -------
    tuple of StillMoment
        In time order; empty where the rate is too low to see the band.
    """
    settings = settings or StillSettings()
    if motion.grid.rate_hz < 2.5 * TREMOR_BAND_HZ[1]:
        return ()
    off_hand = [event for event in events if event.kind == "still" and event.label == OFF_HAND]
    noise = [tremor_mps2(motion.accel_mps2[span], motion.grid.rate_hz) for span in _spans(motion, off_hand)]
    least = np.sqrt(settings.above_noise) * max(noise, default=0.0)
    found = []
    for first, last in _quiet_spans(motion, events, strokes, settings):
        for a, b in _still_parts(motion, first, last, settings):
            tremor = tremor_mps2(motion.accel_mps2[a:b], motion.grid.rate_hz)
            if tremor > least:
                start_s, end_s = motion.grid.time_at(np.array([a, b], dtype=np.float64)).tolist()
                found.append(StillMoment(start_s, end_s, tremor))
    return tuple(found)


def tremor_mps2(accel_mps2: FloatArray, rate_hz: float) -> float:
    """Root of the power of an acceleration from 8 to 12 Hz, over all axes.

    Parameters
    ----------
    accel_mps2 : float64 (n, 3)
        At least one second.
    rate_hz : float

    Returns
    -------
    float
        m/s2 RMS.

    Examples
    --------
    A vibration of 0.2 m/s2 RMS at 10 Hz, and a larger one at 3 Hz that does not count:

    >>> t = np.arange(800) / 100
    >>> inside, outside = (np.sqrt(2) * a * np.sin(2 * np.pi * f * t) for a, f in ((0.2, 10.0), (2.0, 3.0)))
    >>> round(tremor_mps2(np.column_stack([inside, outside, 0 * t]), 100.0), 3)
    0.2
    """
    width = min(len(accel_mps2), round(WINDOW_S * rate_hz))
    frequency, density = signal.welch(accel_mps2, rate_hz, nperseg=int(width), axis=0, detrend="constant")
    # A tone on the band's edge spreads over one bin of a Hann window to either side.
    inside = (frequency >= TREMOR_BAND_HZ[0] - 0.5 / WINDOW_S) & (frequency <= TREMOR_BAND_HZ[1] + 0.5 / WINDOW_S)
    return float(np.sqrt(density[inside].sum() * (frequency[1] - frequency[0])))


def _spans(motion: Motion, events: Sequence[Event]) -> list[slice]:
    spans = [motion.grid.slice_of(event.start_s, event.end_s) for event in events]
    return [span for span in spans if span.stop - span.start >= motion.grid.rate_hz]


def _quiet_spans(
    motion: Motion, events: Sequence[Event], strokes: pd.DataFrame, settings: StillSettings
) -> list[tuple[int, int]]:
    """Samples, as (first, last), between strokes and other gestures, from when the sensor is on the hand."""
    busy = np.zeros(motion.grid.size + 1, dtype=np.int32)

    def add(start_s: FloatArray, end_s: FloatArray) -> None:
        np.add.at(busy, motion.grid.index_at(start_s), 1)
        np.add.at(busy, motion.grid.index_at(end_s), -1)

    start, end = strokes["start_s"].to_numpy(np.float64), strokes["end_s"].to_numpy(np.float64)
    add(start - settings.margin_s, end + settings.margin_s)
    for event in events:
        if event.kind in ("across", "along", "pivot"):
            add(np.array([event.start_s]), np.array([event.end_s]))
        if event.kind == "still" and event.label in NOT_WORN:
            add(np.array([motion.grid.start_s]), np.array([event.end_s + 1.0]))
    free = (np.cumsum(busy[:-1], dtype=busy.dtype) == 0) & motion.grid.valid
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(np.int8), [0]]))).reshape(-1, 2)
    return [(int(a), int(b)) for a, b in edges if b - a >= settings.shortest_s * motion.grid.rate_hz]


def _still_parts(motion: Motion, first: int, last: int, settings: StillSettings) -> list[tuple[int, int]]:
    """Parts of a span in which every second is still."""
    rate = motion.grid.rate_hz
    low = signal.butter(4, settings.below_hz, "lowpass", fs=rate, output="sos")
    width = round(WINDOW_S * rate)
    still = np.ones(last - first, dtype=bool)
    for values, most in ((motion.gyro_radps, settings.most_radps), (motion.accel_mps2, settings.most_mps2)):
        slow = signal.sosfiltfilt(low, values[first:last], axis=0, padlen=min(width, last - first - 1))
        still &= _scatter(slow, width) <= most
    if motion.attack_mps2 is not None:
        envelope = motion.attack_mps2[first:last]
        still &= envelope <= settings.knock_ratio * np.median(envelope)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], still.astype(np.int8), [0]]))).reshape(-1, 2)
    longest = int(settings.longest_s * rate)
    cut = [(a, min(a + longest, int(b))) for start, b in edges for a in range(int(start), int(b), longest)]
    return [(first + a, first + b) for a, b in cut if b - a >= settings.shortest_s * rate]


def _scatter(values: FloatArray, width: int) -> FloatArray:
    """RMS about its own mean, over axes, of the window about each sample; a window at an end is shorter."""
    n = len(values)
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    square = np.concatenate([[0.0], np.cumsum((values**2).sum(axis=1))])
    first = np.clip(np.arange(n) - width // 2, 0, n)
    last = np.clip(np.arange(n) - width // 2 + width, 0, n)
    count = last - first
    mean = (total[last] - total[first]) / count[:, None]
    return np.asarray(np.sqrt(np.maximum((square[last] - square[first]) / count - (mean**2).sum(axis=1), 0.0)))
