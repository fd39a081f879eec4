"""Counts to calibrated SI signals on a uniform working grid.

The tip's path is low-passed at 40 Hz at most, so everything but the pick attacks is computed at a working rate near
133 Hz. Attacks live above 60 Hz; their envelope is taken at the full rate and kept as its maximum per working sample.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import signal

from analysis.model.errors import InputError
from analysis.model.records import FloatArray, FloatArray32, IntArray, Session
from analysis.signal.grid import Grid
from analysis.signal.pieces import PIECE_ROWS, pieces
from analysis.signal.place_samples import place_samples
from analysis.signal.si_units import triads
from analysis.signal.timebase import Timebase

WORK_RATE_HZ = 133.0
ATTACK_HIGHPASS_HZ = 60.0
ATTACK_MIN_RATE_HZ = 150.0
SLOW_BRIDGED_S = 0.06
"""Gaps whose bridge is as good as samples where the hand moves at 2 Hz at most: a tenth of that cycle."""
FIR_HALF = 5
"""Working samples that the low-pass before decimation reaches to either side."""
NOWHERE = np.empty(0, dtype=np.int64)
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
    attack_mps2 : float32 (n,) or None
        Envelope of the acceleration above 60 Hz; None below 150 samples/s, where attacks cannot be seen.
    fine_attack_mps2 : float32 (n factor,) or None
        The same at the full rate, ``factor`` times the working rate.
    factor : int
    clipped_samples : int
        Raw samples with at least one saturated axis.
    clipped_at : int64 (m,)
        Working samples at which the accelerometer stood at the end of its range, ascending.
    """

    grid: Grid
    accel_mps2: FloatArray
    gyro_radps: FloatArray
    attack_mps2: FloatArray32 | None
    fine_attack_mps2: FloatArray32 | None
    factor: int
    clipped_samples: int
    clipped_at: IntArray = field(default_factory=lambda: NOWHERE)


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
    rate_hz = timebase.grid.rate_hz
    factor = max(1, int(rate_hz / WORK_RATE_HZ + 0.05))
    size = timebase.grid.size
    edges = _piece_edges(timebase, factor)
    accel, gyro = np.empty((edges[-1], 3)), np.empty((edges[-1], 3))
    valid = np.empty(edges[-1], dtype=bool)
    attack = _AttackEnvelope(rate_hz, size) if rate_hz >= ATTACK_MIN_RATE_HZ else None
    margin = FIR_HALF * factor if factor > 1 else 0
    # Piece by piece, which stays in the cache: hours at the full rate would take hundreds of megabytes.
    for first, last in pairwise(edges):
        begin, end = first * factor, min(last * factor, size)
        piece = place_samples(session.raw.counts, timebase, max(0, begin - margin), min(size, end + margin))
        for triad in triads(session.profile, session.calibration):
            triad.calibrate_in_place(piece.counts[triad.rows])
        own = slice(begin - piece.first, end - piece.first)
        valid[first:last] = _pooled(piece.valid[own], factor, np.logical_and, True)
        if attack is not None:
            attack.take(piece.counts[:3, own])
        missing = (margin - own.start, margin - (piece.valid.size - own.stop))
        work = _decimated(piece.counts, factor, missing, last - first)
        accel[first:last], gyro[first:last] = work[:3].T, work[3:].T
    _check_gravity(accel, rate_hz / factor)
    fine = None if attack is None else attack.envelope
    return Signals(
        grid=timebase.grid.coarser(factor, valid),
        accel_mps2=accel,
        gyro_radps=gyro,
        attack_mps2=None if fine is None else _pooled(fine, factor, np.maximum, 0.0),
        fine_attack_mps2=fine,
        factor=factor,
        clipped_samples=count_clipped(session),
        clipped_at=_clipped_at(session, timebase, factor),
    )


def _piece_edges(timebase: Timebase, factor: int) -> list[int]:
    """Working samples at which pieces of some thousand rows begin, and the end: a gap lies in one piece whole."""
    starts = -(-timebase.slot[::PIECE_ROWS] // factor)
    return sorted({*starts.tolist(), -(-timebase.grid.size // factor)})


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
    profile = session.profile
    limits = [(slice(0, 3), profile.accel_clip_counts), (slice(3, 6), profile.gyro_clip_counts)]
    known = [(axes, limit) for axes, limit in limits if limit is not None]
    least = min((limit for _, limit in known), default=None)
    total = 0
    for part in pieces(len(session.raw.counts)) if known else ():
        counts = session.raw.counts[part]
        if least is not None and -least < counts.min() and counts.max() < least:
            continue
        ends = [((counts[:, axes] >= limit) | (counts[:, axes] <= -limit)).any(axis=1) for axes, limit in known]
        total += int(np.count_nonzero(np.logical_or.reduce(ends)))
    return total


def _clipped_at(session: Session, timebase: Timebase, factor: int) -> IntArray:
    """Working samples at which an axis of the accelerometer is at the end of its range (none where that is unknown)."""
    limit = session.profile.accel_clip_counts
    found = [NOWHERE]
    for part in pieces(timebase.kept.size) if limit is not None else ():
        counts = session.raw.counts[timebase.kept[part], :3]
        if limit is not None and max(counts.max(), -int(counts.min())) >= limit:
            found.append(timebase.slot[part][((counts >= limit) | (counts <= -limit)).any(axis=1)] // factor)
    return np.unique(np.concatenate(found))


def _check_gravity(accel: FloatArray, rate_hz: float) -> None:
    """Refuse an accelerometer whose mean over a second is far from gravity most of the time."""
    second = max(1, round(rate_hz))
    count = len(accel) // second
    if count == 0:
        return
    means = accel[: count * second].reshape(count, second, 3).mean(axis=1)
    usual = float(np.median(np.linalg.norm(means, axis=1)))
    if not GRAVITY_LIMITS_MPS2[0] < usual < GRAVITY_LIMITS_MPS2[1]:
        raise InputError(
            expected="an accelerometer that reads gravity, about 9.8 m/s2",
            found=f"{usual:.3g} m/s2 most of the time",
            next_step="correct the scale (range, unit) in the sensor's profile, or the sensor is broken",
        )


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


def _decimated(values: FloatArray, factor: int, missing: tuple[int, int], count: int) -> FloatArray:
    """Zero-phase FIR decimation: flat to 40 Hz, nothing above folds back below that.

    ``values`` (channels, m) reach over the filter's half length on both sides, less what is ``missing`` there: the
    ends of a log, which go on as they are.
    """
    if factor == 1:
        return values
    if any(missing):
        values = np.pad(values, ((0, 0), missing), mode="edge")
    first = 2 * FIR_HALF
    return np.asarray(signal.upfirdn(_taps(factor), values, up=1, down=factor)[:, first : first + count])


class _AttackEnvelope:
    """Magnitude of the acceleration above 60 Hz, piece after piece."""

    def __init__(self, rate_hz: float, size: int) -> None:
        self.envelope = np.empty(size, dtype=np.float32)
        self._sos = _attack_filter(round(rate_hz, 1))
        self._state = np.zeros((len(self._sos), 3, 2))
        self._level: FloatArray | None = None
        self._done = 0

    def take(self, accel: FloatArray) -> None:
        """The next samples (3, n), calibrated."""
        if self._level is None:
            self._level = accel[:, :1].copy()
        high, self._state = signal.sosfilt(self._sos, accel - self._level, zi=self._state)
        high *= high
        end = self._done + accel.shape[1]
        self.envelope[self._done : end] = np.sqrt(high[0] + high[1] + high[2])
        self._done = end


@lru_cache(maxsize=8)
def _taps(factor: int) -> FloatArray:
    """Low-pass before every ``factor``-th sample is taken; windows of live play ask for it again and again."""
    return np.asarray(signal.firwin(2 * FIR_HALF * factor + 1, 0.9 / factor, window=("kaiser", 5.0)))


@lru_cache(maxsize=8)
def _attack_filter(rate_hz: float) -> FloatArray:
    """High-pass of the pick attack, second-order sections."""
    return np.asarray(signal.butter(2, ATTACK_HIGHPASS_HZ, "highpass", fs=rate_hz, output="sos"))
