r"""How the sensor's case hangs on the hand, from how it rings after raps on it.

After a short rap the case swings freely, while the hand hardly moves. In (S1) of :mod:`analysis.motion.strap` the
forces then read, integrated twice, are the swing itself but for what a polynomial holds: the hand's own slow motion,
and where and how fast the case was at first. So ``D`` and ``E`` follow from one linear regression over all raps,

.. math:: P \iint y = -D \, P y - E \, P \int y                                                                   (S2)

``P`` taking out polynomials; a Gaussian prior keeps directions stiff in which nothing rings (ridge regression, Hoerl
and Kennard 1970). A rap counts where the case swings far more after it than hand and case moved before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from analysis.model.records import BoolArray, Event, FloatArray, FloatArray32, IntArray, Session
from analysis.motion.hand_motion import running_integral
from analysis.motion.strap import ARM_M, Strap
from analysis.signal.pieces import pieces
from analysis.signal.si_units import counts_to_si
from analysis.signal.timebase import Timebase
from analysis.signal.working_grid import Signals

ROOM = 50
"""Which of a crowd of peaks counts is settled within so many times the least distance of two."""
BUSY = ("across", "along", "pivot", "rock", "side check", "angle check", "play")


@dataclass(frozen=True)
class StrapSettings:
    """What counts as a rap, and how it is read.

    Attributes
    ----------
    least_mps2 : float
        Least strength of a rap, acceleration above 60 Hz.
    least_raps : int
        Fewer tell nothing.
    sounding_s : float
        How long the rap itself lasts.
    swing_s : (float, float)
        Shortest and longest free swing that is read.
    quiet_s : float
        Without an impulse for so long, the case no longer swings.
    look_back_s : float
        How long before a rap such a stretch is looked for.
    excess : float
        By which the swing exceeds what moved before.
    degree : int
        Of the polynomial that is taken out.
    prior_hz : float
        The case is taken to be no softer than this, before anything is seen.
    stiff_hz : float
        A case whose lowest frequency lies above is fixed for every purpose.
    explained : float
        Least share of the swing that (S2) explains.
    """

    least_mps2: float = 4.0
    least_raps: int = 5
    sounding_s: float = 0.018
    swing_s: tuple[float, float] = (0.06, 0.12)
    quiet_s: float = 0.2
    look_back_s: float = 3.0
    excess: float = 4.0
    degree: int = 4
    prior_hz: float = 12.0
    stiff_hz: float = 45.0
    explained: float = 0.8


@dataclass(frozen=True)
class _Swing:
    """Swing, its speed and what is read (n, 6) after one rap, polynomials taken out, over what moves anyway."""

    swing: FloatArray
    speed: FloatArray
    read: FloatArray


def find_strap(session: Session, timebase: Timebase, signals: Signals, settings: StrapSettings) -> Strap | None:
    """How the case hangs; None where nothing shows that it gives.

    Parameters
    ----------
    session : Session
        With its raw samples.
    timebase : Timebase
    signals : Signals
        For the envelope of impulses.
    settings : StrapSettings

    Returns
    -------
    Strap or None
    """
    swings = _swings(session, timebase, signals, settings)
    if len(swings) < settings.least_raps:
        return None
    known = np.concatenate([np.concatenate([s.read, s.speed], axis=1) for s in swings])
    swung = np.concatenate([s.swing for s in swings])
    softest = 1 / (2 * np.pi * settings.prior_hz) ** 2
    prior = np.repeat([softest**-2, (0.6 * np.sqrt(softest)) ** -2], 6)
    found = -np.linalg.solve(known.T @ known + np.diag(prior), known.T @ swung)
    left = swung + known @ found
    strap = Strap(found[:6].T, found[6:].T, len(swings))
    explained = 1 - (left**2).sum() / (swung**2).sum()
    return strap if explained >= settings.explained and strap.natural_hz[0] < settings.stiff_hz else None


def _swings(session: Session, timebase: Timebase, signals: Signals, settings: StrapSettings) -> list[_Swing]:
    """Free swings after raps, outside gestures and play."""
    envelope, rate_hz = signals.fine_attack_mps2, timebase.grid.rate_hz
    if envelope is None:
        return []
    peaks = impulses(envelope, 0.1 * settings.least_mps2, max(1, round(0.02 * rate_hz)))
    idle = _outside(timebase.grid.time_at(peaks), session.events)
    swings = []
    for number in np.flatnonzero(idle & (envelope[peaks] >= settings.least_mps2)):
        at = int(peaks[number])
        later = peaks[number + 1 :]
        later = later[envelope[later] > 0.25 * envelope[at]]
        end = int(later[0]) if later.size else timebase.grid.size
        swing = _read_swing(session, timebase, at, end, peaks[:number], settings)
        if swing is not None:
            swings.append(swing)
    return swings


def impulses(envelope: FloatArray32, least_mps2: float, apart: int) -> IntArray:
    """Peaks of an envelope, each ``apart`` samples and more from any higher one.

    Parameters
    ----------
    envelope : float32 (n,)
    least_mps2 : float
    apart : int

    Returns
    -------
    int64 (m,)
        Samples, in order.
    """
    found = []
    reach = ROOM * apart
    for part in pieces(envelope.size):  # hours at the full rate would be copied to 64 bits as a whole
        first = max(0, part.start - reach)
        peaks, _ = signal.find_peaks(envelope[first : part.stop + reach], height=least_mps2, distance=apart)
        peaks += first
        found.append(peaks[(peaks >= part.start) & (peaks < part.stop)])
    return np.concatenate(found)


def _read_swing(
    session: Session, timebase: Timebase, at: int, end: int, before: IntArray, settings: StrapSettings
) -> _Swing | None:
    """The swing after an impulse at slot ``at``, up to the next at ``end``; None where it does not stand out."""
    rate_hz = timebase.grid.rate_hz
    guard = round(settings.sounding_s * rate_hz)
    size = min(round(settings.swing_s[1] * rate_hz), end - at - 2 * guard)
    if size < settings.swing_s[0] * rate_hz:
        return None
    # The latest stretch in which nothing swung: between impulses far enough apart.
    earliest = at - round(settings.look_back_s * rate_hz)
    edges = np.array([earliest, *before[before > earliest], at])
    room = np.diff(edges) > guard + size + settings.quiet_s * rate_hz
    if not room.any():
        return None
    calm_end = int(edges[1:][room][-1]) - guard
    before_it = samples_between(session, timebase, calm_end - size, calm_end)
    after_it = samples_between(session, timebase, at + guard, at + guard + size)
    if len(before_it) != size or len(after_it) != size:
        return None
    moved, swung = (_freed(read, rate_hz, settings.degree) for read in (before_it, after_it))
    usual = float(np.sqrt((moved[0] ** 2).mean()))
    if np.sqrt((swung[0] ** 2).mean()) < settings.excess * usual:
        return None
    return _Swing(*(part / usual for part in swung))


def samples_between(session: Session, timebase: Timebase, first: int, last: int) -> FloatArray:
    """Samples as they came, at the full rate.

    Parameters
    ----------
    session : Session
    timebase : Timebase
    first, last : int
        Slots, half-open.

    Returns
    -------
    float64 (n, 6)
        Force (m/s2) and turning (rad/s) times :data:`analysis.motion.strap.ARM_M`; fewer where samples are missing.
    """
    low, high = np.searchsorted(timebase.slot, (first, last))
    si = counts_to_si(session.raw.counts[timebase.kept[low:high]], session.profile, session.calibration).T
    return np.concatenate([si[:, :3], ARM_M * si[:, 3:]], axis=1)


def _freed(read: FloatArray, rate_hz: float, degree: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Readings integrated twice, once, and not at all (n, 6), polynomials taken out: swing, speed, force."""
    half = max(1, round(0.005 * rate_hz))
    weights = np.hanning(2 * half + 1)
    read = ndimage.convolve1d(read, weights / weights.sum(), axis=0, mode="nearest")
    force = np.concatenate([read[:, :3], np.gradient(read[:, 3:], 1 / rate_hz, axis=0)], axis=1)
    rates = read[:, 3:] - read[:, 3:].mean(axis=0)
    speed = np.concatenate([running_integral(read[:, :3] - read[:, :3].mean(axis=0), rate_hz), rates], axis=1)
    swing = running_integral(speed - speed.mean(axis=0), rate_hz)
    slow = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1, 1, len(read)), degree))[0]
    swing, speed, force = (part - slow @ (slow.T @ part) for part in (swing, speed, force))
    return swing, speed, force


def _outside(time_s: FloatArray, events: tuple[Event, ...]) -> BoolArray:
    """Which times lie outside gestures and play."""
    outside = np.ones(time_s.size, dtype=bool)
    for event in events:
        if event.kind in BUSY:
            outside &= (time_s < event.start_s - 0.3) | (time_s > event.end_s + 0.3)
    return outside
