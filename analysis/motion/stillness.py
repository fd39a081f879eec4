"""What the stills tell: gyroscope bias, gravity, the accelerometer's noise, the floor of the attack envelope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import signal

from analysis.model.records import OFF_HAND, Event, FloatArray
from analysis.signal.working_grid import Signals

BIAS_WINDOW_S = 2.0
NOISE_BAND_HZ = (2.0, 20.0)


def still_gyro_bias(signals: Signals, events: Sequence[Event]) -> Signals:
    """Remove the gyroscope's bias, the mean of the stillest two seconds.

    The sensor lying off the hand is preferred, then a still on the hand, then whatever is stillest.

    Parameters
    ----------
    signals : Signals
    events : sequence of Event

    Returns
    -------
    Signals
    """
    return replace(signals, gyro_radps=signals.gyro_radps - bias_of(signals, events))


def bias_of(signals: Signals, events: Sequence[Event]) -> FloatArray:
    """The gyroscope's bias, rad/s: what :func:`still_gyro_bias` takes off.

    Parameters
    ----------
    signals : Signals
    events : sequence of Event

    Returns
    -------
    float64 (3,)
    """
    part = stillest_window(signals, events)
    return signals.gyro_radps[part].mean(axis=0) if part.stop > part.start else np.zeros(3)


def stillest_window(signals: Signals, events: Sequence[Event]) -> slice:
    """The two seconds that the bias comes from: those whose rate varies least, off the hand if there are such.

    Parameters
    ----------
    signals : Signals
        rad/s.
    events : sequence of Event

    Returns
    -------
    slice
        Sample numbers.
    """
    stills = [event for event in events if event.kind == "still"]
    for wanted in ([e for e in stills if e.label == OFF_HAND], stills, []):
        spans = [signals.grid.slice_of(e.start_s, e.end_s) for e in wanted]
        spans = [span for span in spans if span.stop - span.start >= 0.5 * signals.grid.rate_hz]
        if spans or not wanted:
            break
    best, found = np.inf, slice(0, 0)
    hop = max(1, int(0.1 * signals.grid.rate_hz))
    for span in spans or [slice(0, signals.grid.size)]:
        size = span.stop - span.start
        width = min(size, int(BIAS_WINDOW_S * signals.grid.rate_hz))
        gyro = signals.gyro_radps[span]
        total = np.concatenate([np.zeros((1, 3)), np.cumsum(gyro, axis=0)])
        square = np.concatenate([[0.0], np.cumsum((gyro**2).sum(axis=1))])
        start = np.arange(0, size - width + 1, hop)
        mean = (total[start + width] - total[start]) / width
        variance = (square[start + width] - square[start]) / width - (mean**2).sum(axis=1)
        at = int(variance.argmin())
        if variance[at] < best:
            first = span.start + int(start[at])
            best, found = float(variance[at]), slice(first, first + width)
    return found


def mean_still_accel(signals: Signals, event: Event) -> FloatArray:
    """Mean accelerometer reading (3,) over the middle of a still, m/s2.

    Parameters
    ----------
    signals : Signals
        m/s2.
    event : Event
        The still; its middle half is used.

    Returns
    -------
    float64 (3,)
        m/s2.
    """
    quarter = 0.25 * (event.end_s - event.start_s)
    middle = signals.grid.slice_of(event.start_s + quarter, event.end_s - quarter)
    return np.asarray(signals.accel_mps2[middle.start : max(middle.stop, middle.start + 1)].mean(axis=0))


def accel_noise_mps2_rthz(signals: Signals, events: Sequence[Event]) -> float | None:
    """One-sided noise density of the accelerometer, from the stills off the hand; None without one of a second.

    The median from 2 to 20 Hz of the mean over all axes, in the quietest still: a table may hum, a person walk by.

    Parameters
    ----------
    signals : Signals
        m/s2.
    events : sequence of Event

    Returns
    -------
    float or None
        m/s2 per root hertz.
    """
    found = []
    for event in events:
        span = signals.grid.slice_of(event.start_s, event.end_s)
        if event.kind != "still" or event.label != OFF_HAND or span.stop - span.start < signals.grid.rate_hz:
            continue
        each = round(signals.grid.rate_hz)
        frequency, power = signal.welch(signals.accel_mps2[span], signals.grid.rate_hz, nperseg=each, axis=0)
        inside = (frequency >= NOISE_BAND_HZ[0]) & (frequency <= NOISE_BAND_HZ[1])
        found.append(float(np.sqrt(np.median(power[inside].mean(axis=1)))))
    return min(found, default=None)


def attack_threshold(signals: Signals, events: Sequence[Event], ratio: float) -> float | None:
    """Level above which the attack envelope counts as a pick attack: ``ratio`` times its median while still.

    None where the rate is too low to see attacks. Without a still, the quietest fifth of the log stands in.

    Parameters
    ----------
    signals : Signals
        With its attack envelope, m/s2.
    events : sequence of Event
    ratio : float
        Times the level while still.

    Returns
    -------
    float or None
        m/s2.
    """
    if signals.attack_mps2 is None:
        return None
    parts = [signals.attack_mps2[signals.grid.slice_of(e.start_s, e.end_s)] for e in events if e.kind == "still"]
    quiet = np.concatenate(parts) if parts else np.empty(0)
    if quiet.size < signals.grid.rate_hz / 2:
        quiet = signals.attack_mps2[signals.attack_mps2 <= np.percentile(signals.attack_mps2, 20)]
    return float(ratio * np.median(quiet))
