"""Counts to calibrated SI signals on a uniform working grid.

The tip's path is low-passed at 40 Hz at most, so everything but the pick attacks is computed at a working rate near
200 Hz. Attacks live above 60 Hz; their envelope is taken at the full rate and kept as its maximum per working sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from analysis.model import BoolArray, Calibration, FloatArray, IntArray, Session
from analysis.timebase import Timebase

WORK_RATE_HZ = 200.0
ATTACK_HIGHPASS_HZ = 60.0
ATTACK_MIN_RATE_HZ = 150.0


@dataclass(frozen=True)
class Signals:
    """Uniform, calibrated signals of one session.

    Attributes
    ----------
    start_s, rate_hz : float
        Log time of sample 0 and the working rate.
    accel_mps2, gyro_radps : float64 (n, 3)
        Sensor axes. Inside gaps they hold a straight line, only so that filters can run; ``valid`` is False there.
    valid : bool (n,)
    attack_mps2 : float64 (n,) or None
        Envelope of the acceleration above 60 Hz; None below 150 samples/s, where attacks cannot be seen.
    clipped_samples : int
        Raw samples with at least one saturated axis.
    """

    start_s: float
    rate_hz: float
    accel_mps2: FloatArray
    gyro_radps: FloatArray
    valid: BoolArray
    attack_mps2: FloatArray | None
    clipped_samples: int

    def index(self, time_s: float) -> int:
        """Nearest sample to a log time, limited to the log."""
        return int(np.clip(round((time_s - self.start_s) * self.rate_hz), 0, self.valid.size))

    def time_s(self, index: FloatArray | IntArray) -> FloatArray:
        """Log time (s) of (fractional) sample numbers."""
        return self.start_s + np.asarray(index, dtype=np.float64) / self.rate_hz


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
    """
    profile = session.profile
    counts = session.raw.counts[timebase.kept]
    si = np.empty(counts.shape)
    si[:, :3] = counts[:, :3] * profile.accel_mps2_per_count
    si[:, 3:] = counts[:, 3:] * profile.gyro_radps_per_count
    _calibrate(si, session.calibration)
    full, valid = _place(si, timebase)
    factor = max(1, int(timebase.rate_hz / WORK_RATE_HZ + 0.05))
    attack = _attack_envelope(full[:, :3], timebase.rate_hz, factor)
    work = _decimate(full, factor)
    if factor > 1:
        padded = np.ones(-(-valid.size // factor) * factor, dtype=bool)
        padded[: valid.size] = valid
        valid = np.asarray(padded.reshape(-1, factor).all(axis=1), dtype=np.bool_)
    return Signals(
        start_s=timebase.start_s,
        rate_hz=timebase.rate_hz / factor,
        accel_mps2=np.ascontiguousarray(work[:, :3]),
        gyro_radps=np.ascontiguousarray(work[:, 3:]),
        valid=valid,
        attack_mps2=attack,
        clipped_samples=count_clipped(session),
    )


def count_clipped(session: Session) -> int:
    """Count the raw samples with at least one axis at the end of its range (0 where the range is unknown)."""
    counts, profile = session.raw.counts, session.profile
    clipped = np.zeros(len(counts), dtype=bool)
    for columns, limit in ((slice(0, 3), profile.accel_clip_counts), (slice(3, 6), profile.gyro_clip_counts)):
        if limit is not None:
            clipped |= (np.abs(counts[:, columns]) >= limit).any(axis=1)
    return int(clipped.sum())


def _calibrate(si: FloatArray, calibration: Calibration) -> None:
    """Apply ``matrix @ (si - bias)`` in place; skipped where it would change nothing."""
    for columns, bias, matrix in (
        (slice(0, 3), calibration.accel_bias_mps2, calibration.accel_matrix),
        (slice(3, 6), calibration.gyro_bias_radps, calibration.gyro_matrix),
    ):
        if np.any(bias):
            si[:, columns] -= np.asarray(bias)
        if not np.array_equal(matrix, np.eye(3)):
            si[:, columns] = si[:, columns] @ np.asarray(matrix).T


def _place(si: FloatArray, timebase: Timebase) -> tuple[FloatArray, BoolArray]:
    """Samples on their slots. A single lost sample is filled by a cubic and stays valid; longer gaps do not."""
    if timebase.lost_samples == 0:
        return si, np.ones(timebase.slots, dtype=bool)
    full = np.empty((timebase.slots, si.shape[1]))
    valid = np.zeros(timebase.slots, dtype=bool)
    full[timebase.slot] = si
    valid[timebase.slot] = True
    missing = np.flatnonzero(~valid)
    grid = np.arange(timebase.slots)
    for column in range(si.shape[1]):
        full[missing, column] = np.interp(missing, timebase.slot, si[:, column])
    inner = missing[(missing >= 2) & (missing < timebase.slots - 2)]
    single = inner[valid[inner - 2] & valid[inner - 1] & valid[inner + 1] & valid[inner + 2]]
    # Four-point cubic through the neighbours at -2, -1, 1, 2.
    full[single] = (4 * (full[single - 1] + full[single + 1]) - full[single - 2] - full[single + 2]) / 6
    valid[grid[single]] = True
    return full, valid


def _decimate(full: FloatArray, factor: int) -> FloatArray:
    """Zero-phase FIR decimation: flat to 45 Hz, nothing above folds back below 55 Hz."""
    if factor == 1:
        return full
    half = 5 * factor
    taps = signal.firwin(2 * half + 1, 0.9 / factor, window=("kaiser", 5.0))
    head = np.repeat(full[:1], half, axis=0)
    tail = np.repeat(full[-1:], half, axis=0)
    out = signal.upfirdn(taps, np.concatenate([head, full, tail]), up=1, down=factor, axis=0)
    first = (2 * half) // factor
    return np.asarray(out[first : first + -(-len(full) // factor)])


def _attack_envelope(accel: FloatArray, rate_hz: float, factor: int) -> FloatArray | None:
    """Magnitude of the acceleration above 60 Hz, its maximum per working sample."""
    if rate_hz < ATTACK_MIN_RATE_HZ:
        return None
    sos = signal.butter(2, ATTACK_HIGHPASS_HZ, "highpass", fs=rate_hz, output="sos")
    high = signal.sosfilt(sos, accel - accel[:1], axis=0)
    envelope: FloatArray = np.sqrt(np.einsum("ij,ij->i", high, high))
    if factor == 1:
        return envelope
    padded = np.zeros(-(-envelope.size // factor) * factor)
    padded[: envelope.size] = envelope
    return np.asarray(padded.reshape(-1, factor).max(axis=1))
