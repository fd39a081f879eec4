"""Doubts about how the sensor is fastened: what a strap that gives does to the tilt, taken out or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from analysis.consistency.strap_ringing import samples_between
from analysis.model.doubts import Certainty, Doubt
from analysis.model.records import OFF_HAND, Session
from analysis.motion.strap import Strap
from analysis.signal.timebase import Timebase

KIND = "strap"
RINGING_HZ, BEYOND_HZ = (20.0, 45.0), (70.0, 150.0)
RINGING_RATIO, RINGING_SHARE = 40.0, 1e-3
"""Simulated soft straps: mostly above 100, and 0.002 and more. Firmly seated sensors pass either, never both."""
SOFT_HZ = 20.0
"""A strap that rings unseen is taken to be as soft as this."""
TILT_DEG = 46.0
"""Tilt by a strap as soft in one axis as the cycle, firm in the other: 45 deg and a little more; RMS in simulation."""
LEFT_SHARE = 0.15
"""Of that, what is left when it was taken out."""
OPEN_DEG, LIKELY_DEG = 6.0, 1.5
LOOK_S = 20.0
ADVICE = "tighten the strap, on firm skin, with the case flat on it"
ASK = "; or rap five times on the sensor's top and five times on its side before the gestures, the hand at rest"


def doubt_strap(
    strap: Strap | None, ringing: Sequence[float | None], rates_hz: Sequence[float | None]
) -> tuple[Doubt, ...]:
    """What a strap that gives leaves open in every block.

    Parameters
    ----------
    strap : Strap or None
        As it was taken out.
    ringing : sequence of float or None
        As :func:`ringing_ratios` gives it.
    rates_hz : sequence of float or None
        Strokes a second of every marked block.

    Returns
    -------
    tuple of Doubt
        One for each block that feels it.
    """
    doubts = []
    for index, (ratio, rate_hz) in enumerate(zip(ringing, rates_hz, strict=False)):
        if rate_hz is None or (strap is None and (ratio is None or ratio < RINGING_RATIO)):
            continue
        doubts.append(_doubt(index, 0.5 * rate_hz, strap, ratio or 0.0))
    return tuple(doubts)


def _doubt(index: int, cycle_hz: float, strap: Strap | None, ratio: float) -> Doubt:
    if strap is None:
        se_deg = TILT_DEG * min(1.0, (cycle_hz / SOFT_HZ) ** 2)
        evidence = (
            f"in block {index + 1} it rings below {RINGING_HZ[1]:.0f} Hz {ratio:.0f} times as strongly as above "
            f"{BEYOND_HZ[0]:.0f} Hz, which may turn the tilt by {se_deg:.1f} deg"
        )
        return Doubt(KIND, _cap(se_deg), "the sensor's strap gives", evidence, ADVICE + ASK, (index,), se_deg=se_deg)
    se_deg = left_by_strap_deg(strap, cycle_hz)
    evidence = (
        f"after {strap.raps} raps it rang at {strap.natural_hz[0]:.0f} Hz and above; that was taken out, and some "
        f"{se_deg:.1f} deg may be left in block {index + 1}"
    )
    return Doubt(KIND, _cap(se_deg), "the sensor's strap gives", evidence, ADVICE, (index,), se_deg=se_deg)


def left_by_strap_deg(strap: Strap, cycle_hz: float) -> float:
    """Standard error of a block's tilt that a strap leaves after it was taken out.

    Parameters
    ----------
    strap : Strap
    cycle_hz : float
        Of the strokes, down and up.

    Returns
    -------
    float
        Degrees.
    """
    return TILT_DEG * LEFT_SHARE * min(1.0, (cycle_hz / float(strap.natural_hz[0])) ** 2)


def ringing_ratios(session: Session, timebase: Timebase, strap: Strap | None) -> tuple[float | None, ...]:
    """How much every marked block rings, as :func:`ringing_ratio`; 0 where a strap was taken out.

    Parameters
    ----------
    session : Session
        With its raw samples.
    timebase : Timebase
    strap : Strap or None

    Returns
    -------
    tuple of float or None
        Empty where no block is marked.
    """
    plays = [event for event in session.events if event.kind == "play"]
    if strap is not None:
        return (0.0,) * len(plays)
    still = next((event for event in session.events if event.kind == "still" and event.label == OFF_HAND), None)
    if still is None or timebase.grid.rate_hz < 2 * BEYOND_HZ[0] + 20.0:
        return (None,) * len(plays)
    lying = _spectrum(session, timebase, still.start_s, still.end_s)
    looks = [_spectrum(session, timebase, e.start_s, min(e.end_s, e.start_s + LOOK_S)) for e in plays]
    return tuple(ringing_ratio(played, lying) for played in looks)


def ringing_ratio(played: Spectrum | None, lying: Spectrum | None) -> float | None:
    """How much stronger the acceleration is where straps ring than above.

    Parameters
    ----------
    played, lying : Spectrum or None
        Of a block of play, and of the sensor off the hand.

    Returns
    -------
    float or None
        Ratio of densities, 0 where hardly any of the turning is there: strokes that stop abruptly or lack attacks
        shake a firm sensor too, but do not turn it. None where nothing compares.
    """
    if played is None or lying is None:
        return None
    if played.turning_share < RINGING_SHARE:
        return 0.0
    return max(played.ringing - lying.ringing, 0.0) / max(played.beyond - lying.beyond, 0.05 * lying.beyond)


@dataclass(frozen=True)
class Spectrum:
    """Densities of the acceleration where straps ring and beyond; share of the turning's power where they ring."""

    ringing: float
    beyond: float
    turning_share: float


def _spectrum(session: Session, timebase: Timebase, start_s: float, end_s: float) -> Spectrum | None:
    """Medians over each band, so that the strokes' harmonics do not count."""
    rate_hz = timebase.grid.rate_hz
    part = timebase.grid.slice_of(start_s, end_s)
    read = samples_between(session, timebase, part.start, part.stop)
    if len(read) < rate_hz:
        return None
    frequency, density = signal.welch(read, rate_hz, nperseg=round(0.64 * rate_hz), axis=0)
    moved, turned = density[:, :3].sum(axis=1), density[:, 3:].sum(axis=1)
    ringing, beyond = ((frequency >= low) & (frequency < high) for low, high in (RINGING_HZ, BEYOND_HZ))
    whole = float(turned.sum() * frequency[1])
    share = float(np.median(turned[ringing])) * (RINGING_HZ[1] - RINGING_HZ[0]) / max(whole, 1e-18)
    return Spectrum(float(np.median(moved[ringing])), float(np.median(moved[beyond])), share)


def _cap(se_deg: float) -> Certainty:
    return "open" if se_deg > OPEN_DEG else "likely" if se_deg > LIKELY_DEG else "sure"
