"""What shows how the heading drifts: the yaw of the hand in play and gestures, and the azimuth of ``along``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import Event, FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings, fit_drift
from analysis.motion.orientation import heading_between
from analysis.motion.rotation import matrices
from analysis.reference.gesture_directions import Direction

MIN_VALID_SHARE = 0.8
"""Part of a window that must have samples to show the hand's mean yaw: short gaps move it little."""
TURNED_SD, TURNED_RAD = 2.0, np.radians(4.0)
"""From which turn on, in its standard errors and at least, the strings are not where they were."""


@dataclass(frozen=True)
class HandYaws:
    """Mean rotations of the hand over windows, in time order.

    Attributes
    ----------
    times_s : float64 (n,)
    rotations : float64 (n, 3, 3)
        Means of sensor-to-world matrices.
    postures : tuple of str, n long
    gesture : tuple of bool, n long
        The window is a gesture, not play.
    """

    times_s: FloatArray
    rotations: FloatArray
    postures: tuple[str, ...]
    gesture: tuple[bool, ...]


def see_yaws(motion: Motion, events: Sequence[Event], settings: HeadingSettings) -> HandYaws:
    """Mean rotations over windows of every block, and over every gesture.

    Parameters
    ----------
    motion : Motion
    events : sequence of Event
    settings : HeadingSettings
        Its ``window_s`` grows where there would be more than ``most_windows``.

    Returns
    -------
    HandYaws
    """
    plays = [event for event in events if event.kind == "play"]
    total = sum(event.end_s - event.start_s for event in plays)
    window_s = max(settings.window_s, total / settings.most_windows)
    spans = [
        (event, start, min(start + window_s, event.end_s - 0.5)) for event in plays for start in _grid(event, window_s)
    ]
    poses = [event for event in events if event.kind in ("across", "along", "pivot")]
    spans += [(event, event.start_s + 0.5, event.end_s - 0.5) for event in poses]
    times, rotations, postures, gesture = [], [], [], []
    for event, start, end in sorted(spans, key=lambda span: span[1]):
        first, last = motion.grid.index_at(start), motion.grid.index_at(end)
        if last - first > motion.grid.rate_hz and motion.grid.valid[first:last].mean() > MIN_VALID_SHARE:
            step = max(1, int(motion.grid.rate_hz // 25))
            times.append(motion.grid.time_at(0.5 * (first + last)))
            rotations.append(matrices(motion.quat_wxyz[first:last:step]).mean(axis=0))
            postures.append(event.posture)
            gesture.append(event.kind != "play")
    return HandYaws(np.array(times), np.array(rotations).reshape(-1, 3, 3), tuple(postures), tuple(gesture))


def fit_heading(
    hand: HandYaws, directions: Sequence[Direction], start_s: float, settings: HeadingSettings
) -> HeadingDrift:
    """Heading drift from the hand's yaw in play and gestures, and the azimuth of ``along``.

    Parameters
    ----------
    hand : HandYaws
    directions : sequence of Direction
        The usable ``along`` among them are used.
    start_s : float
        Time of no drift where nothing was seen.
    settings : HeadingSettings

    Returns
    -------
    HeadingDrift
    """
    along = [d for d in directions if d.kind == "along" and d.usable]
    names = sorted(set(hand.postures))
    yaw = (
        np.unwrap([heading_between(hand.rotations[0], r) for r in hand.rotations]) if hand.times_s.size else np.empty(0)
    )
    reference_s = along[0].time_s if along else (float(hand.times_s[0]) if hand.times_s.size else start_s)
    group = np.array([names.index(posture) for posture in hand.postures], dtype=np.int64)
    seen = (hand.times_s, yaw, group, np.array(hand.gesture, dtype=np.bool_))
    if not along:
        return fit_drift(*seen, reference_s, settings)
    along_s = np.array([d.time_s for d in along])
    shown = fit_drift(*seen, reference_s, settings)
    azimuth = _along_azimuths(along, shown.mean_rad(along_s))
    strings = (along_s, azimuth, _turned_strings(along, azimuth, shown), np.zeros(len(along), dtype=np.bool_))
    times_s, yaw_rad, groups, gestures = (np.concatenate(pair) for pair in zip(seen, strings, strict=True))
    return fit_drift(times_s, yaw_rad, groups, gestures, reference_s, settings)


def _turned_strings(along: Sequence[Direction], azimuth_rad: FloatArray, shown: HeadingDrift) -> IntArray:
    """A group (negative) of every ``along``: a posture's own where the player turned before its gestures were made.

    ``shown`` is the drift that the hand alone shows. The strings of the first posture, and of all that did not turn
    against it, are one group: they keep their azimuth.
    """
    noise = np.radians(shown.settings.along_noise_deg) ** 2 * np.eye(len(along))
    left = azimuth_rad - shown.mean_rad(np.array([d.time_s for d in along]))
    covariance = shown.covariance_rad2(np.array([d.time_s for d in along])) + noise
    names = list(dict.fromkeys(d.posture for d in along))
    member = np.array([[d.posture == name for d in along] for name in names], dtype=np.float64)
    member /= member.sum(axis=1, keepdims=True)
    groups = np.full(len(along), -1, dtype=np.int64)
    for number, own in enumerate(member[1:], start=1):
        against = own - member[0]
        turned, sd = abs(float(against @ left)), float(np.sqrt(against @ covariance @ against))
        if turned > max(TURNED_SD * sd, TURNED_RAD):
            groups[own > 0] = -1 - number
    return groups


def _grid(event: Event, window_s: float) -> FloatArray:
    """Starts of the windows of one block, half a second inside its marks; at least one a block."""
    starts = np.arange(event.start_s + 0.5, event.end_s - 0.5 - 0.5 * window_s, window_s)
    return starts if starts.size else np.array([event.start_s + 0.5])


def _along_azimuths(along: Sequence[Direction], drift_rad: FloatArray) -> FloatArray:
    """Azimuth of each ``along`` against the first.

    A line has it only modulo half a turn: the one nearest to the drift that the hand's yaw shows is taken.
    """
    raw = np.array([np.arctan2(d.chord_m[1], d.chord_m[0]) for d in along])
    turned = raw - raw[0]
    return np.asarray(turned + np.pi * np.rint((drift_rad - drift_rad[0] - turned) / np.pi))
