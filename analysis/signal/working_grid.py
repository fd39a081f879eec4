"""Counts to calibrated SI signals on a uniform working grid.

The tip's path is low-passed at 40 Hz at most, so everything but the pick attacks is computed at a working rate near
133 Hz. Attacks live above 60 Hz; their envelope is taken at the full rate and kept as its maximum per working sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from analysis.model.errors import InputError
from analysis.model.records import BoolArray, FloatArray, Session
from analysis.signal.grid import Grid
from analysis.signal.si_units import triads
from analysis.signal.timebase import Timebase

WORK_RATE_HZ = 133.0
ATTACK_HIGHPASS_HZ = 60.0
ATTACK_MIN_RATE_HZ = 150.0
BRIDGED_S = 0.1
"""A straight line fills longer gaps. Which strokes bear a bridge, :mod:`analysis.stroke.gaps` tells."""
SLOW_BRIDGED_S = 0.06
"""Gaps whose bridge is as good as samples where the hand moves at 2 Hz at most: a tenth of that cycle."""
TURNED_ROWS = 8192
"""Rows turned to channels at a time: they stay in the cache."""
GRAVITY_LIMITS_MPS2 = (7.5, 12.5)


@dataclass(frozen=True)
class Signals:
    """Uniform, calibrated signals of one session.

    Attributes
    ----------
    grid : Grid
        Working samples, n of them; a single lost one was filled and is valid.
    accel_mps2, gyro_radps : float64 (n, 3)
        Sensor axes. Inside gaps they hold a straight line, only so that filters can run.
    attack_mps2 : float64 (n,) or None
        Envelope of the acceleration above 60 Hz; None below 150 samples/s, where attacks cannot be seen.
    fine_attack_mps2 : float64 (n factor,) or None
        The same at the full rate, ``factor`` times the working rate.
    factor : int
    clipped_samples : int
        Raw samples with at least one saturated axis.
    """

    grid: Grid
    accel_mps2: FloatArray
    gyro_radps: FloatArray
    attack_mps2: FloatArray | None
    fine_attack_mps2: FloatArray | None
    factor: int
    clipped_samples: int


def prepare_signals(session: Session, timebase: Timebase) -> Signals:
    """Convert, calibrate, place on the grid and bring to the working rate.

    Parameters
    ----------
    session : Session
    timebase : Timebase
        Of the same session.

    Returns
    -------
    Signals

    Raises
    ------
    InputError
        If the accelerometer does not read gravity.
    """
    factor = max(1, int(timebase.grid.rate_hz / WORK_RATE_HZ + 0.05))
    accel, gyro = triads(session.profile, session.calibration)
    # One sensor after the other: hours at the full rate take hundreds of megabytes.
    si, valid = _place(session.raw.counts[:, accel.rows], timebase)
    accel.calibrate_in_place(si)
    _check_gravity(si, timebase.grid.rate_hz)
    fine = _attack_envelope(si, timebase.grid.rate_hz)
    accel_work = np.stack([_decimate(channel, factor) for channel in si], axis=1)
    del si
    si, _ = _place(session.raw.counts[:, gyro.rows], timebase)
    gyro.calibrate_in_place(si)
    gyro_work = np.stack([_decimate(channel, factor) for channel in si], axis=1)
    del si
    return Signals(
        grid=timebase.grid.coarser(factor, _pooled(valid, factor, np.logical_and, True)),
        accel_mps2=accel_work,
        gyro_radps=gyro_work,
        attack_mps2=None if fine is None else _pooled(fine, factor, np.maximum, 0.0),
        fine_attack_mps2=fine,
        factor=factor,
        clipped_samples=count_clipped(session),
    )


def read_together(signals: Signals, delay_s: float) -> Signals:
    """The signals with the gyroscope read ``delay_s`` later, by the cubic through four samples.

    Parameters
    ----------
    signals : Signals
    delay_s : float
        By how much the gyroscope runs late against the accelerometer.

    Returns
    -------
    Signals
        On the same grid; unchanged without a delay.
    """
    if not delay_s:
        return signals
    n = len(signals.gyro_radps)
    at = np.clip(np.arange(n) + delay_s * signals.grid.rate_hz, 1.0, n - 3.0)
    base = at.astype(np.int64)
    return replace(signals, gyro_radps=_lagrange(signals.gyro_radps, base, (at - base)[:, None]))


def _lagrange(values: FloatArray, base: np.ndarray, u: FloatArray) -> FloatArray:
    return np.asarray(
        -u * (u - 1) * (u - 2) / 6 * values[base - 1]
        + (u + 1) * (u - 1) * (u - 2) / 2 * values[base]
        - (u + 1) * u * (u - 2) / 2 * values[base + 1]
        + (u + 1) * u * (u - 1) / 6 * values[base + 2]
    )


def count_clipped(session: Session) -> int:
    """Count the raw samples with at least one axis at the end of its range (0 where the range is unknown)."""
    counts, profile = session.raw.counts, session.profile
    clipped = np.zeros(len(counts), dtype=bool)
    for columns, limit in (((0, 1, 2), profile.accel_clip_counts), ((3, 4, 5), profile.gyro_clip_counts)):
        if limit is not None:
            for column in columns:
                clipped |= (counts[:, column] >= limit) | (counts[:, column] <= -limit)
    return int(np.count_nonzero(clipped))


def _check_gravity(accel: FloatArray, rate_hz: float) -> None:
    """Refuse an accelerometer whose mean over a second is far from gravity most of the time."""
    second = max(1, round(rate_hz))
    count = accel.shape[1] // second
    if count == 0:
        return
    means = accel[:, : count * second].reshape(3, count, second).mean(axis=2)
    usual = float(np.median(np.linalg.norm(means, axis=0)))
    if not GRAVITY_LIMITS_MPS2[0] < usual < GRAVITY_LIMITS_MPS2[1]:
        raise InputError(
            expected="an accelerometer that reads gravity, about 9.8 m/s2",
            found=f"{usual:.3g} m/s2 most of the time",
            next_step="correct the scale (range, unit) in the sensor's profile, or the sensor is broken",
        )


def _place(counts: NDArray[np.int32], timebase: Timebase) -> tuple[FloatArray, BoolArray]:
    """Counts on their slots, channels first, so that every filter runs along time.

    A single lost sample is filled by a cubic and stays valid; longer gaps do not, and those above ``BRIDGED_S`` hold a
    straight line.
    """
    slot = timebase.slot
    full = np.empty((counts.shape[1], timebase.grid.size))
    valid = timebase.grid.valid.copy()
    breaks = np.flatnonzero((np.diff(slot) > 1) | (np.diff(timebase.kept) != 1)) + 1
    for first, last in pairwise([0, *breaks.tolist(), slot.size]):  # few and long: quicker than an index per sample
        to, source = int(slot[first]), int(timebase.kept[first])
        for at in range(0, last - first, TURNED_ROWS):
            rows = counts[source + at : source + min(at + TURNED_ROWS, last - first)]
            full[:, to + at : to + at + len(rows)] = rows.T
    if timebase.lost_samples == 0:
        return full, valid
    missing = np.flatnonzero(~valid)
    after = np.searchsorted(slot, missing)
    left, right = slot[after - 1], slot[after]
    share = (missing - left) / (right - left)
    full[:, missing] = full[:, left] * (1.0 - share) + full[:, right] * share
    inner = missing[(missing >= 2) & (missing < timebase.grid.size - 2)]
    single = inner[valid[inner - 2] & valid[inner - 1] & valid[inner + 1] & valid[inner + 2]]
    # Four-point cubic through the neighbours at -2, -1, 1, 2.
    near, far = full[:, single - 1] + full[:, single + 1], full[:, single - 2] + full[:, single + 2]
    full[:, single] = (4 * near - far) / 6
    valid[single] = True
    _bridge(full, valid, int(BRIDGED_S * timebase.grid.rate_hz))
    return full, valid


def _bridge(full: FloatArray, valid: BoolArray, longest: int) -> None:
    """Fill gaps of 2 to ``longest`` samples by the cubic that fits as many samples on either side, at least three."""
    edges = np.flatnonzero(np.diff(np.concatenate([[1], valid.astype(np.int8), [1]]))).reshape(-1, 2)
    there = np.concatenate([[0], np.cumsum(valid)])
    for first, last in edges.tolist():
        size = last - first
        sides = max(3, size)
        if not 2 <= size <= longest or first < 3 or last + 3 > valid.size:
            continue
        if first < sides or last + sides > valid.size or there[last + sides] - there[first - sides] < 2 * sides:
            sides = 3
        if there[last + sides] - there[first - sides] == 2 * sides:
            beside = np.concatenate([full[:, first - sides : first], full[:, last : last + sides]], axis=1)
            full[:, first:last] = beside @ _cubic_weights(size, sides)


@lru_cache(maxsize=64)
def _cubic_weights(size: int, sides: int) -> FloatArray:
    """Weights (2 sides, size) of the samples beside a gap in the least-squares cubic over it."""
    at = (np.arange(-sides, size + sides) - (size - 1) / 2) / (size + sides)
    powers = np.vander(at, 4)
    inside = slice(sides, sides + size)
    beside = np.delete(powers, np.arange(sides, sides + size), axis=0)
    return np.asarray((powers[inside] @ np.linalg.pinv(beside)).T)


def _pooled(values: Any, factor: int, join: np.ufunc, filling: Any) -> Any:
    """Join every ``factor`` neighbours; the last group is filled up with ``filling``."""
    if factor == 1:
        return values
    padded = np.full(-(-values.size // factor) * factor, filling, dtype=values.dtype)
    padded[: values.size] = values
    out = padded[::factor].copy()
    for step in range(1, factor):
        join(out, padded[step::factor], out=out)
    return out


def _decimate(channel: FloatArray, factor: int) -> FloatArray:
    """Zero-phase FIR decimation: flat to 40 Hz, nothing above folds back below that."""
    if factor == 1:
        return channel
    half = 5 * factor
    padded = np.pad(channel, half, mode="edge")
    first = (2 * half) // factor
    return np.asarray(
        signal.upfirdn(_taps(factor), padded, up=1, down=factor)[first : first + -(-channel.size // factor)]
    )


def _attack_envelope(accel: FloatArray, rate_hz: float) -> FloatArray | None:
    """Magnitude of the acceleration above 60 Hz."""
    if rate_hz < ATTACK_MIN_RATE_HZ:
        return None
    sos = _attack_filter(round(rate_hz, 1))
    square = np.zeros(accel.shape[1])
    for channel in accel:
        high = signal.sosfilt(sos, channel - channel[0])
        square += high * high
    return np.asarray(np.sqrt(square))


@lru_cache(maxsize=8)
def _taps(factor: int) -> FloatArray:
    """Low-pass before every ``factor``-th sample is taken; windows of live play ask for it again and again."""
    return np.asarray(signal.firwin(10 * factor + 1, 0.9 / factor, window=("kaiser", 5.0)))


@lru_cache(maxsize=8)
def _attack_filter(rate_hz: float) -> FloatArray:
    """High-pass of the pick attack, second-order sections."""
    return np.asarray(signal.butter(2, ATTACK_HIGHPASS_HZ, "highpass", fs=rate_hz, output="sos"))
