"""Three raps on the instrument's body, found in the acceleration of the hand: they start and end a block.

For playing away from any screen. What makes three raps, and not play or a knock: three short, even impulses, nothing
else for most of a second before and after, in which the hand hardly moves, and the same movement of the hand at each of
them. Strokes alternate, so that the hand's movement turns round from one to the next; raps repeat it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import signal

from analysis.model.records import Event, FloatArray, Session
from analysis.signal.grid import Grid
from analysis.signal.timebase import Timebase, fit_timebase

POOL_HZ = 200.0
IMPULSE_HIGHPASS_HZ = 60.0
SWING_HZ = (1.0, 15.0)
LEAST_RATE_HZ = 150.0


@dataclass(frozen=True)
class RapSettings:
    """What counts as three raps.

    Attributes
    ----------
    least_mps2 : float
        Least strength of each impulse: acceleration above 60 Hz (0.2 of the rate below 300 samples/s).
    interval_s : (float, float)
        Time from one rap to the next.
    interval_ratio, strength_ratio : float
        How much the longer interval, the stronger rap may exceed the other(s).
    quiet_s : float
        Time before the first and after the last rap in which nothing stronger than ``quiet_share`` of the weakest
        rap may happen.
    quiet_share, between_share : float
        The second holds between the raps.
    sounding_s : float
        How long one rap sounds.
    likeness : float
        Least correlation of the hand's movement at neighbouring raps.
    calm_share : float
        How much the hand may move before and after, against its movement while it raps; within ``calm_s`` of the
        first and last rap.
    """

    least_mps2: float = 7.0
    interval_s: tuple[float, float] = (0.18, 0.6)
    interval_ratio: float = 1.35
    strength_ratio: float = 3.0
    quiet_s: float = 0.8
    quiet_share: float = 0.35
    between_share: float = 0.6
    sounding_s: float = 0.08
    likeness: float = 0.3
    calm_share: float = 0.6
    calm_s: tuple[float, float] = (0.35, 0.8)


@dataclass(frozen=True)
class Raps:
    """Three raps: times of the first and of the last, on the clock of the signal.

    Attributes
    ----------
    first_s, last_s : float
    """

    first_s: float
    last_s: float


def find_raps(accel_mps2: FloatArray, grid: Grid, settings: RapSettings | None = None) -> tuple[Raps, ...]:
    """Find every three raps in calibrated acceleration.

    Parameters
    ----------
    accel_mps2 : float64 (n, 3)
        Sensor axes, gravity included.
    grid : Grid
        Of these samples. Below 150 samples/s nothing is found: a rap is too short to be seen.
    settings : RapSettings, optional

    Returns
    -------
    tuple of Raps
        In order of time; they never share a rap.
    """
    settings = settings or RapSettings()
    if grid.rate_hz < LEAST_RATE_HZ or grid.duration_s < 1.0:
        return ()
    strength, cells = impulse_strength(accel_mps2, grid)
    pool_hz = cells.rate_hz
    peaks, _ = signal.find_peaks(
        strength, height=settings.least_mps2, distance=max(1, round(0.6 * settings.interval_s[0] * pool_hz))
    )
    found: list[Raps] = []
    free_from = -1
    for three in zip(peaks, peaks[1:], peaks[2:], strict=False):
        at = np.array(three)
        if at[0] <= free_from or not _even(strength, at, pool_hz, settings):
            continue
        if _alone(strength, at, pool_hz, settings) and _alike(accel_mps2, at / pool_hz, grid.rate_hz, settings):
            found.append(Raps(cells.time_at(float(at[0])), cells.time_at(float(at[2]))))
            free_from = int(at[2])
    return tuple(found)


def impulse_strength(accel_mps2: FloatArray, grid: Grid) -> tuple[FloatArray, Grid]:
    """Magnitude of the acceleration's fast part, its maximum over cells of about 5 ms, and the cells' grid."""
    cutoff = min(IMPULSE_HIGHPASS_HZ, 0.2 * grid.rate_hz)
    sos = signal.butter(2, cutoff, "highpass", fs=grid.rate_hz, output="sos")
    fast = np.linalg.norm(signal.sosfilt(sos, accel_mps2 - accel_mps2[:1], axis=0), axis=1)
    cell = max(1, round(grid.rate_hz / POOL_HZ))
    padded = np.zeros(-(-fast.size // cell) * cell)
    padded[: fast.size] = fast
    strength = padded.reshape(-1, cell).max(axis=1)
    return strength, grid.coarser(cell, np.ones(strength.size, dtype=bool))


def _even(strength: FloatArray, at: np.ndarray, pool_hz: float, settings: RapSettings) -> bool:
    interval = np.diff(at) / pool_hz
    low, high = settings.interval_s
    if interval.min() < low or interval.max() > high:
        return False
    peak = strength[at]
    return bool(
        interval.max() <= settings.interval_ratio * interval.min()
        and peak.max() <= settings.strength_ratio * peak.min()
    )


def _alone(strength: FloatArray, at: np.ndarray, pool_hz: float, settings: RapSettings) -> bool:
    """Nothing else before, after and between."""
    quiet, sounding = round(settings.quiet_s * pool_hz), round(settings.sounding_s * pool_hz)
    lead = max(1, round(0.02 * pool_hz))
    weakest = float(strength[at].min())
    before = strength[max(0, at[0] - quiet) : max(0, at[0] - lead)]
    after = strength[at[2] + sounding : at[2] + quiet]
    if before.size < quiet // 2 or after.size < quiet // 2:
        return False
    if max(before.max(), after.max()) > settings.quiet_share * weakest:
        return False
    between = [strength[a + sounding : b - lead] for a, b in pairwise(at.tolist())]
    return all(part.size == 0 or float(part.max()) <= settings.between_share * weakest for part in between)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def _alike(accel_mps2: FloatArray, at_s: FloatArray, rate_hz: float, settings: RapSettings) -> bool:
    """Whether the hand moves alike at all three raps, by its slow acceleration, and hardly before and after."""
    interval = float(np.diff(at_s).min())
    half = max(2, int(0.45 * interval * rate_hz))
    margin = int(0.8 * rate_hz)
    centre = np.round(at_s * rate_hz).astype(np.int64)
    first, last = max(0, int(centre[0]) - margin), min(len(accel_mps2), int(centre[2]) + margin)
    high = min(SWING_HZ[1], 0.4 * rate_hz)
    sos = signal.butter(2, (SWING_HZ[0], high), "bandpass", fs=rate_hz, output="sos")
    slow = signal.sosfiltfilt(sos, accel_mps2[first:last], axis=0)
    parts = []
    for c in centre - first:
        part = slow[max(0, c - half) : c + half]
        if len(part) < 2 * half:
            return False
        parts.append(part.ravel() / max(float(np.linalg.norm(part)), 1e-9))
    alike = all(float(a @ b) >= settings.likeness for a, b in pairwise(parts))
    near, far = (int(edge * rate_hz) for edge in settings.calm_s)
    rapping = slow[max(0, centre[0] - first - half) : centre[2] - first + half]
    before = slow[max(0, centre[0] - first - far) : max(0, centre[0] - first - near)]
    after = slow[centre[2] - first + near : centre[2] - first + far]
    return alike and max(_rms(before), _rms(after)) <= settings.calm_share * _rms(rapping)


def blocks_from_raps(raps: Sequence[Raps], end_s: float, margin_s: float = 0.3) -> tuple[Event, ...]:
    """Blocks of play between every odd and even three raps; one left open ends with the log.

    Parameters
    ----------
    raps : sequence of Raps
    end_s : float
        End of the log.
    margin_s : float
        Left out after the raps that start a block, and before those that end it.

    Returns
    -------
    tuple of Event

    Examples
    --------
    >>> blocks = blocks_from_raps([Raps(10.0, 10.7), Raps(40.0, 40.7)], 60.0)
    >>> [(block.start_s, block.end_s) for block in blocks]
    [(11.0, 39.7)]
    """
    blocks = []
    for number in range(0, len(raps), 2):
        start = raps[number].last_s + margin_s
        end = raps[number + 1].first_s - margin_s if number + 1 < len(raps) else end_s
        if end > start:
            blocks.append(Event(start, end, "play", label="raps"))
    return tuple(blocks)


def mark_blocks_by_raps(session: Session, settings: RapSettings | None = None) -> Session:
    """The session with blocks where three raps start and end them.

    A session that has blocks already, by a screen or an events file, stays as it is. Raps inside a reference gesture
    do not count.

    Parameters
    ----------
    session : Session
    settings : RapSettings, optional

    Returns
    -------
    Session
    """
    if any(event.kind == "play" for event in session.events):
        return session
    timebase = fit_timebase(session.raw, session.profile)
    free = _free_raps(session, timebase, settings)
    blocks = blocks_from_raps(free, timebase.grid.end_s)
    if not blocks:
        return session
    events = sorted((*session.events, *blocks), key=lambda event: event.start_s)
    return replace(session, events=tuple(events))


def find_session_raps(session: Session, settings: RapSettings | None = None) -> tuple[Raps, ...]:
    """Every three raps of a session outside its reference gestures, log time.

    Parameters
    ----------
    session : Session
        With its raw samples.
    settings : RapSettings, optional

    Returns
    -------
    tuple of Raps
        In order; empty where there are none.

    Raises
    ------
    TimebaseError
        The log's times cannot be used.
    """
    return _free_raps(session, fit_timebase(session.raw, session.profile), settings)


def _free_raps(session: Session, timebase: Timebase, settings: RapSettings | None) -> tuple[Raps, ...]:
    raps = find_raps(calibrated_accel(session, timebase), timebase.grid, settings)
    busy = [event for event in session.events if event.kind in ("still", "across", "along", "pivot")]
    return tuple(three for three in raps if not any(e.start_s < three.last_s and three.first_s < e.end_s for e in busy))


def calibrated_accel(session: Session, timebase: Timebase) -> FloatArray:
    """Calibrated acceleration at the full rate; a straight line where samples are missing.

    Parameters
    ----------
    session : Session
        With its raw samples.
    timebase : Timebase
        Of these samples.

    Returns
    -------
    float64 (slots, 3)
        m/s^2, sensor axes.
    """
    calibration = session.calibration
    si = session.raw.counts[timebase.kept, :3] * session.profile.accel_mps2_per_count
    si = (si - np.asarray(calibration.accel_bias_mps2)) @ np.asarray(calibration.accel_matrix).T
    slots = np.arange(timebase.grid.size)
    return np.stack([np.interp(slots, timebase.slot, si[:, column]) for column in range(3)], axis=1)
