"""Gestures that were left out, and gestures that contradict each other: what may no longer be claimed.

One `across` cannot be checked: a person who lifts the tip on the way, or drags it over two strings only, looks like one
who does it well. Two show it when they differ. Without `pivot` the lever is a ruler's, or another posture's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.stats import chi2

from analysis.model.doubts import Doubt
from analysis.model.records import Event, FloatArray, GestureQuality
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.rotation import yaw_matrix
from analysis.reference.epochs import posture_of
from analysis.reference.frame import Frame
from analysis.reference.gesture_directions import Direction, GestureSettings

LEAST_ACROSS = 2
FALSE_ALARM = 0.002
"""Chance that gestures done as usual are said to contradict each other."""


def doubt_gestures(
    frames: Mapping[str, Frame],
    qualities: Sequence[GestureQuality],
    drift: HeadingDrift,
    blocks: Sequence[Event],
    settings: GestureSettings,
) -> tuple[Doubt, ...]:
    """What the gestures of each posture leave in doubt.

    Parameters
    ----------
    frames : mapping of str to Frame
        By posture.
    qualities : sequence of GestureQuality
        Of all gestures that were marked.
    drift : HeadingDrift
    blocks : sequence of Event
        The play events, postures as in ``frames``.
    settings : GestureSettings

    Returns
    -------
    tuple of Doubt
    """
    doubts = []
    for posture, frame in frames.items():
        played = tuple(index for index, event in enumerate(blocks) if event.posture == posture)
        if not frame.from_gestures or not played:
            continue
        doubts += _turned_over(posture, frame, played)
        doubts += _lent(posture, frame, qualities, played)
        doubts += _too_few(posture, frame, qualities, played)
        doubts += _contradiction(posture, frame, drift, played, settings)
    return tuple(doubts)


def _turned_over(posture: str, frame: Frame, played: tuple[int, ...]) -> list[Doubt]:
    """A doubt where down- and upstrokes may have changed places."""
    if frame.down_told:
        return []
    fault = f"which stroke is the downstroke cannot be told{_where(posture)}"
    evidence = "the instrument lies flat, and the across gestures did not all begin the same way, or before their marks"
    change = "record across twice more, each time beginning with a downstroke once it is marked"
    return [Doubt("gestures", "open", fault, evidence, change, played)]


def _lent(posture: str, frame: Frame, qualities: Sequence[GestureQuality], played: tuple[int, ...]) -> list[Doubt]:
    """A doubt where the posture's own gestures contradict each other, and another's stand in for them."""
    label = posture_of(posture)
    made = any(quality.kind == "across" and quality.usable and quality.posture == label for quality in qualities)
    if not made or label in {posture_of(gesture.posture) for gesture in frame.across}:
        return []
    lender = posture_of(frame.across[0].posture)
    fault = f"the gestures of posture {label!r} could not be used"
    evidence = f"its tilt is against the strings as posture {lender!r} showed them"
    return [Doubt("gestures", "likely", fault, evidence, "repeat across and along in this posture", played)]


def _too_few(posture: str, frame: Frame, qualities: Sequence[GestureQuality], played: tuple[int, ...]) -> list[Doubt]:
    """Doubts for want of a second `across`, and of a `pivot` in this posture."""
    where = _where(posture)
    doubts = []
    if len(frame.across) < LEAST_ACROSS:
        fault = f"there is only one usable across{where}"
        evidence = "nothing to check it against, should the tip have been lifted"
        doubts.append(Doubt("gestures", "likely", fault, evidence, "record across once more", played))
    pivots = {quality.posture for quality in qualities if quality.kind == "pivot" and quality.usable}
    if not pivots & {posture_of(posture), ""}:
        fault = f"no usable pivot was recorded{where}"
        evidence = "where the tip is, only a ruler or another posture says"
        change = "record pivot for nine seconds, with the tip pressed on one spot"
        doubts.append(Doubt("gestures", "likely", fault, evidence, change, played))
    return doubts


def _contradiction(
    posture: str, frame: Frame, drift: HeadingDrift, played: tuple[int, ...], settings: GestureSettings
) -> list[Doubt]:
    """A doubt where the slopes of repeated `across` differ by more than a person's usual unsteadiness."""
    if len(frame.across) < LEAST_ACROSS:
        return []
    slopes, variances = across_slopes_deg(frame.across, frame.axes, drift, settings)
    weight = 1 / variances
    mean = float(weight @ slopes / weight.sum())
    statistic = float(weight @ (slopes - mean) ** 2)
    if chi2.sf(statistic, slopes.size - 1) > FALSE_ALARM:
        return []
    apart = float(np.ptp(slopes))
    where = _where(posture)
    # Whichever of them is right, the mean lies about half their distance from it.
    return [
        Doubt(
            "gestures",
            "likely",
            f"the {slopes.size} across gestures{where} contradict each other",
            f"their slopes differ by {apart:.1f} deg, where {np.sqrt(2) * settings.across_slope_deg:.1f} deg is usual",
            "record across twice more, the tip on the strings all the way",
            played,
            se_deg=0.5 * apart,
        )
    ]


def _where(label: str) -> str:
    posture = posture_of(label)
    return f" in posture {posture!r}" if posture else ""


def across_slopes_deg(
    across: Sequence[Direction], axes: FloatArray, drift: HeadingDrift, settings: GestureSettings
) -> tuple[FloatArray, FloatArray]:
    """Slope of each `across` out of the string plane (deg), and its variance from repeat to repeat (deg^2)."""
    angles = drift.mean_rad(np.array([gesture.time_s for gesture in across]))
    slopes, variances = [], []
    for gesture, angle in zip(across, angles, strict=True):
        turn = yaw_matrix(-float(angle))
        chord = axes @ turn @ gesture.chord_m
        z = axes[2] @ turn
        slopes.append(np.degrees(np.arctan(chord[2] / chord[1])))
        own = np.degrees(np.sqrt(z @ gesture.chord_cov @ z) / np.linalg.norm(gesture.chord_m))
        variances.append(own**2 + settings.across_slope_deg**2)
    return np.array(slopes), np.array(variances)
