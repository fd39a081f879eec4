"""Gestures made anew after sensor or instrument moved replace the old ones from there on.

Averaged with the old ones they would leave half of the change in every tilt. Within its posture each such epoch has
gestures, a lever and a frame of its own, under a label that no screen shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from scipy.stats import norm

from analysis.model.records import Event, FloatArray
from analysis.reference.frame import frame_axes
from analysis.reference.gesture_directions import Direction, GestureSettings
from analysis.reference.mounting import MountingChange

Splits: TypeAlias = Mapping[str, tuple[float, ...]]
"""By posture: log times from which its gestures were made anew."""

MARK = "\x1f"
GESTURES = ("across", "along", "pivot")
FALSE_ALARM = 0.002
LEAST_ROLL_DEG = 3.0
BEFORE_S = 0.5
LEVER_DEG = 0.4
"""What lever and sensor add to the roll of one set of gestures."""


def epoch_label(posture: str, time_s: float, splits: Splits) -> str:
    """Label of a posture's epoch at a time; the first has the posture's own.

    Examples
    --------
    >>> splits = {"A": (100.0,)}
    >>> epoch_label("A", 50.0, splits), epoch_label("B", 200.0, splits), epoch_label("A", 200.0, splits) == "A"
    ('A', 'B', False)
    """
    epoch = int(np.searchsorted(splits.get(posture, ()), time_s, side="right"))
    return f"{posture}{MARK}{epoch}" if epoch else posture


def posture_of(label: str) -> str:
    """The posture that an epoch's label stands for."""
    return label.split(MARK)[0]


def label_epochs(events: Sequence[Event], splits: Splits) -> tuple[Event, ...]:
    """The events, postures replaced by their epochs' labels.

    Parameters
    ----------
    events : sequence of Event
    splits : Splits
        Where the mounting changed, by posture; empty where it never did.

    Returns
    -------
    tuple of Event
        In the order given.
    """
    if not splits:
        return tuple(events)
    return tuple(
        replace(event, posture=epoch_label(event.posture, 0.5 * (event.start_s + event.end_s), splits))
        for event in events
    )


def split_epochs(events: Sequence[Event], changes: Sequence[MountingChange]) -> Splits:
    """Where a change lies between two `across` of one posture, the later gestures stand alone from there on."""
    splits: dict[str, tuple[float, ...]] = {}
    for change in sorted(changes, key=lambda change: change.after_s):
        if change.creep:
            continue
        at = change.after_s - BEFORE_S if change.rolled else 0.5 * (change.before_s + change.after_s)
        earlier = splits.get(change.posture, ())
        across = [event.start_s for event in events if event.kind == "across" and event.posture == change.posture]
        since = earlier[-1] if earlier else -np.inf
        if any(since < time < at for time in across) and any(time > at for time in across):
            splits[change.posture] = (*earlier, at)
    return splits


def times_of(changes: Sequence[MountingChange]) -> Splits:
    """When the sensor was found to sit differently, by posture, whether or not gestures were made anew.

    Parameters
    ----------
    changes : sequence of MountingChange
        Creep, rolls of the instrument and suspicions among them are passed over.

    Returns
    -------
    Splits
    """
    times: dict[str, tuple[float, ...]] = {}
    for change in sorted(changes, key=lambda change: change.after_s):
        if not (change.creep or change.rolled or change.suspected):
            at = 0.5 * (change.before_s + change.after_s)
            times[change.posture] = (*times.get(change.posture, ()), at)
    return times


def rolled_sets(
    directions: Sequence[Direction], events: Sequence[Event], settings: GestureSettings
) -> tuple[MountingChange, ...]:
    """Sets of gestures with play between them whose string planes differ in roll by more than their own errors.

    Roll about the strings is the angle of gravity in the end view, so it does not drift with the heading. Where along
    was not repeated, that of the earlier set serves.

    Parameters
    ----------
    directions : sequence of Direction
    events : sequence of Event
    settings : GestureSettings
    """
    played = np.array([event.start_s for event in events if event.kind == "play"])
    changes = []
    for posture in sorted({posture_of(d.posture) for d in directions}):
        own = [d for d in directions if d.usable and posture_of(d.posture) == posture]
        sets: dict[int, list[Direction]] = {}
        for direction in own:
            sets.setdefault(int(np.searchsorted(played, direction.time_s)), []).append(direction)
        rolls = [(_roll_deg(members), members) for _, members in sorted(sets.items())]
        known = [(roll, members) for roll, members in rolls if roll is not None]
        for (old, before), (new, after) in pairwise(known):
            apart = abs((new - old + 90.0) % 180.0 - 90.0)
            se = np.sqrt(_variance_deg2(before, settings) + _variance_deg2(after, settings))
            if apart > LEAST_ROLL_DEG and 2 * norm.sf(apart / se) < FALSE_ALARM:
                # Nothing tells when it happened; the gestures before it stay good for the play right after them.
                first, last = max(d.quality.end_s for d in before), min(d.quality.start_s for d in after)
                changes.append(MountingChange(posture, first, last, float(apart), np.zeros(3), rolled=True))
    return tuple(changes)


def _roll_deg(members: Sequence[Direction]) -> float | None:
    """Roll of the string plane about the strings against gravity, modulo 180 deg."""
    along, across = ([d.chord_m for d in members if d.kind == kind] for kind in ("along", "across"))
    if not along or not across:
        return None
    axes = frame_axes(_mean_line(along), _mean_line(across))
    # Lines have no sign: Z is the side on which the hand is.
    if axes[2] @ np.mean([d.arm_m for d in members], axis=0) > 0:
        axes = frame_axes(-axes[0], axes[1])
    return float(np.degrees(np.arctan2(axes[2, 2], axes[1, 2])))


def _mean_line(chords: Sequence[FloatArray]) -> FloatArray:
    """Mean of lines without a sign."""
    units = np.array([chord / np.linalg.norm(chord) for chord in chords])
    return np.asarray((units * np.where(units @ units[0] < 0, -1.0, 1.0)[:, None]).mean(axis=0))


def _variance_deg2(members: Sequence[Direction], settings: GestureSettings) -> float:
    across = sum(d.kind == "across" for d in members)
    return settings.across_slope_deg**2 / across + settings.along_slope_deg**2 + LEVER_DEG**2
