"""Truth that a player has at home: a side that anybody can see, an angle that a ruler gives.

Side check, ten seconds: five big strokes whose downstroke plainly leaves the strings. The tool must say ``down``, else
nothing is sure that evening. Angle check: the tip slides to and fro along a straight edge that lies across the strings
with one end raised by a measured height; 20 mm on 100 mm are 11.3 deg. An edge shows the hand, not free picking.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

import numpy as np

from analysis.model.doubts import Doubt
from analysis.model.errors import InputError
from analysis.model.number_words import clock, degrees
from analysis.model.records import Event, TruthCheck
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import yaw_matrix
from analysis.reference.gesture_directions import GestureSettings, measure_direction
from analysis.reference.session_reference import Reference
from analysis.stroke.uncertainty import BlockChord, offset_parts_deg

EDGE = re.compile(r"^\s*([+-]?\d+(?:\.\d+)?)\s*/\s*(\d+(?:\.\d+)?)\s*$")
EDGE_NOTE = "An edge shows the hand, not free picking."


def edge_sides_mm(label: str) -> tuple[float, float]:
    """Height and length of an edge from the label of its check, as ``20/100``.

    Parameters
    ----------
    label : str

    Returns
    -------
    height_mm, length_mm : float
        The height is positive where the end that a downstroke reaches is the raised one, negative for the other.

    Raises
    ------
    InputError
    """
    found = EDGE.match(label)
    if found is None or float(found[2]) == 0.0:
        raise InputError(
            expected="the label of an angle check as height/length in millimetres, as 20/100",
            found=f"{label!r}",
            next_step="correct the label",
        )
    height, length = float(found[1]), float(found[2])
    if abs(height) > length:
        raise InputError(
            expected="an edge raised by at most its length",
            found=f"{label!r}",
            next_step="correct the label",
        )
    return height, length


def edge_angle_deg(label: str) -> float:
    """Angle of an edge from the label of its check: height over length, ``20/100``.

    Parameters
    ----------
    label : str

    Returns
    -------
    float

    Raises
    ------
    InputError

    Examples
    --------
    >>> round(edge_angle_deg("20/100"), 1), round(edge_angle_deg("-20 / 100"), 1)
    (11.3, -11.3)
    """
    return float(np.degrees(np.arctan2(*edge_sides_mm(label))))


def read_checks(
    motion: Motion, reference: Reference, events: Sequence[Event], settings: GestureSettings
) -> tuple[TruthCheck, ...]:
    """What the analysis reads in each check.

    Parameters
    ----------
    motion : Motion
    reference : Reference
    events : sequence of Event
    settings : GestureSettings

    Returns
    -------
    tuple of TruthCheck
        One a check, in the events' order; angles in deg.
    """
    return tuple(
        _read(motion, reference, event, "side check" if event.kind == "side check" else "angle check", settings)
        for event in events
        if event.kind in ("side check", "angle check")
    )


def _read(
    motion: Motion,
    reference: Reference,
    event: Event,
    kind: Literal["side check", "angle check"],
    settings: GestureSettings,
) -> TruthCheck:
    stated, remark = None, ""
    if kind == "angle check":
        try:
            stated = edge_angle_deg(event.label)
        except InputError as error:
            remark = str(error)
    frame = reference.frame(event.posture, event.start_s)
    direction = measure_direction(motion, event, frame.lever_m, settings)
    if not frame.from_gestures or not direction.usable:
        why = direction.quality.remark or "there is no instrument frame to read it in"
        return TruthCheck(kind, event.start_s, event.posture, stated, None, None, None, why)
    turn = yaw_matrix(-float(reference.drift.mean_rad(np.array([direction.time_s]))[0]))
    chord = turn @ direction.chord_m
    in_frame = frame.axes @ chord
    chord = chord if in_frame[1] > 0 else -chord
    y, z = (frame.axes @ chord)[1:]
    read = float(np.degrees(np.arctan2(z, y)))
    normal = np.array([0.0, -z, y]) @ frame.axes / np.hypot(y, z)
    own = np.degrees(np.sqrt(normal @ turn @ direction.chord_cov @ turn.T @ normal) / np.hypot(y, z))
    block = BlockChord(direction.time_s, chord, direction.columns @ turn.T)
    parts = offset_parts_deg(block, frame, reference.lever_fit, reference.drift, settings)
    se = float(np.sqrt(own**2 + sum(part**2 for part in parts.values())))
    passed: bool | None = read > 1.96 * se
    if kind == "angle check":
        passed = None if stated is None else abs(read - stated) <= 1.96 * se
    return TruthCheck(kind, event.start_s, event.posture, stated, read, se, passed, remark)


def latest_checks(checks: Sequence[TruthCheck]) -> tuple[TruthCheck, ...]:
    """Of a check that was made again the latest: a player who is told that one failed makes it anew.

    Parameters
    ----------
    checks : sequence of TruthCheck
        In any order.

    Returns
    -------
    tuple of TruthCheck
        In time order; the side is one for the evening, an angle belongs to its posture.
    """
    found = {
        (check.kind, check.posture if check.kind == "angle check" else ""): check
        for check in sorted(checks, key=lambda check: check.start_s)
    }
    return tuple(sorted(found.values(), key=lambda check: check.start_s))


def side_words(check: TruthCheck) -> str:
    """What a side check came to, in a sentence or two; for one that failed, what to do and what going on costs.

    Parameters
    ----------
    check : TruthCheck

    Returns
    -------
    str
    """
    if check.passed and check.read_deg is not None:
        return f"Your downstroke left the strings, and a tilt of {degrees(check.read_deg)} was read: down."
    found = (
        f"its strokes could not be read: {check.remark}"
        if check.read_deg is None
        else f"a tilt of {degrees(check.read_deg)} was read, which is not plainly down"
    )
    return f"Side check: {found}. Make it once more; without it nothing is called sure tonight."


def angle_words(check: TruthCheck) -> str:
    """What an angle check read, beside the edge; empty for a side check.

    Parameters
    ----------
    check : TruthCheck

    Returns
    -------
    str
    """
    if check.kind != "angle check":
        return ""
    if check.read_deg is None or check.stated_deg is None:
        return f"Angle check: nothing was read, {check.remark}."
    return (
        f"Angle check: the edge stood at {degrees(check.stated_deg)}, {degrees(check.read_deg)} was read "
        f"(±{degrees(1.96 * (check.se_deg or 0.0))}, 95 %). {EDGE_NOTE}"
    )


def doubt_checks(checks: Sequence[TruthCheck], blocks: Sequence[Event], start_s: float) -> tuple[Doubt, ...]:
    """A side that is not found takes every ``Sure`` from the session; an angle that is not, from its posture.

    Parameters
    ----------
    checks : sequence of TruthCheck
    blocks : sequence of Event
    start_s : float
        Start of the log.

    Returns
    -------
    tuple of Doubt
        Empty where every check came out.
    """
    doubts = []
    for check in latest_checks(checks):
        at, read = clock(check.start_s - start_s), check.read_deg
        if check.kind == "side check" and not check.passed:
            evidence = (
                "its strokes could not be read" if read is None else f"a tilt of {degrees(read)} was read instead"
            )
            fault = f"the side check at {at} did not come out as down"
            change = "make the side check again, and if it fails again check how the sensor's axes are declared"
            doubts.append(Doubt("side check", "likely", fault, evidence, change))
        elif check.passed is False and read is not None and check.stated_deg is not None:
            own = tuple(i for i, event in enumerate(blocks) if check.posture in ("", event.posture))
            apart = abs(read - check.stated_deg)
            fault = f"the angle check at {at} read {degrees(read)} where the edge stood at {degrees(check.stated_deg)}"
            evidence = (
                f"they lie {degrees(apart)} apart, and {degrees(1.96 * (check.se_deg or 0.0))} is what is allowed"
            )
            doubts.append(
                Doubt(
                    "angle check",
                    "likely",
                    fault,
                    evidence,
                    "repeat the gestures, then the check",
                    own,
                    se_deg=apart / 1.96,
                )
            )
    return tuple(doubts)
