"""What a change of the mounting leaves in doubt, what it is worth in degrees, and when to ask for new gestures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.model.doubts import Doubt
from analysis.model.number_words import block_number, clock
from analysis.model.records import Event, FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import matrices, yaw_matrix
from analysis.reference.epochs import GESTURES
from analysis.reference.frame import Frame
from analysis.reference.mounting import MountingChange, MountingSettings, Pose, find_changes
from analysis.reference.session_reference import Reference

REACH = 1.6
"""The interval (95 %) reaches a fifth beyond what a change may be worth: the turn is read off a hand that wanders."""


def doubt_mounting(
    motion: Motion,
    reference: Reference,
    blocks: Sequence[Event],
    tilts_deg: Sequence[float | None],
    settings: MountingSettings,
) -> tuple[Doubt, ...]:
    """A doubt on the blocks that a change of the mounting parts from their gestures.

    Parameters
    ----------
    motion : Motion
    reference : Reference
    blocks : sequence of Event
        The play events.
    tilts_deg : sequence of float or None
        Of each block: a jump of both gravity and tilt may be the sensor's.
    settings : MountingSettings

    Returns
    -------
    tuple of Doubt
        Where gestures were repeated after the change, later blocks have those, and no doubt.
    """
    doubts = []
    for change in reference.changes:
        parted = tuple(
            index
            for index, event in enumerate(blocks)
            if event.posture in (change.posture, "")
            and _parts(change, event, reference.frame(event.posture, 0.5 * (event.start_s + event.end_s)))
        )
        if parted:
            frame = reference.frame(change.posture, blocks[parted[0]].start_s)
            worth = worth_deg(change, motion, frame, reference, settings)
            if change.suspected:
                worth = max(worth, _tilt_jump_deg(change, parted, blocks, tilts_deg))
            doubts.append(_doubt(change, parted, worth, motion.grid.start_s))
    return tuple(doubts)


def _parts(change: MountingChange, block: Event, frame: Frame) -> bool:
    """Whether a change came between a block and the gestures of its frame."""
    if not frame.from_gestures:
        return False
    if change.rolled or change.creep:
        return block.end_s > change.before_s and block.start_s < change.after_s
    at = 0.5 * (change.before_s + change.after_s)
    later = block.end_s > at
    return any((gesture.time_s > at) != later for gesture in (*frame.along, *frame.across))


def _tilt_jump_deg(
    change: MountingChange, parted: tuple[int, ...], blocks: Sequence[Event], tilts_deg: Sequence[float | None]
) -> float:
    """By how much the tilt jumped between the blocks before a change and those after it; 0 if none came before."""
    own = [
        (i, tilt) for i, tilt in enumerate(tilts_deg) if tilt is not None and blocks[i].posture in (change.posture, "")
    ]
    later = [tilt for i, tilt in own if i in parted]
    earlier = [tilt for i, tilt in own if i not in parted and blocks[i].end_s <= change.before_s + 1.0]
    return abs(float(np.mean(later) - np.mean(earlier))) if later and earlier else 0.0


def worth_deg(
    change: MountingChange, motion: Motion, frame: Frame, reference: Reference, settings: MountingSettings
) -> float:
    """How far the tilt may be off: by the whole roll about the strings if the instrument leaned, less if a strap moved.

    A strap that slips by a degree moves the lever, which is worth about a quarter of a degree.

    Parameters
    ----------
    change : MountingChange
    motion : Motion
    frame : Frame
    reference : Reference
    settings : MountingSettings

    Returns
    -------
    float
        Degrees.
    """
    if change.rolled:
        return change.turned_deg
    at = motion.grid.index_at(change.after_s)
    angle = float(reference.drift.mean_rad(np.array([change.after_s]))[0])
    strings: FloatArray = yaw_matrix(angle) @ frame.axes[0]
    axis = matrices(motion.quat_wxyz[min(at, motion.grid.valid.size - 1)][None])[0] @ change.axis
    roll = change.turned_deg * abs(float(axis @ strings))
    return max(roll, settings.worth_deg_per_deg * change.turned_deg)


def _doubt(change: MountingChange, blocks: tuple[int, ...], worth: float, start_s: float) -> Doubt:
    since, until = clock(change.before_s - start_s), clock(change.after_s - start_s)
    if change.rolled:
        fault = f"between {since} and {until} the instrument was tilted otherwise"
        evidence = f"gestures repeated since show its strings turned by {change.turned_deg:.0f} deg"
    elif change.creep:
        fault = f"from {since} to {until} sensor or instrument moved slowly"
        evidence = f"gravity turned by {change.turned_deg:.0f} deg in the sensor, which cannot show which of them moved"
    else:
        fault = f"since about {until} the sensor or the instrument sits differently"
        evidence = f"gravity turned by {change.turned_deg:.0f} deg in the sensor, which cannot show which of them moved"
    if change.suspected:
        return _suspicion(change, blocks, worth)
    evidence += f", and tilts may be {worth:.1f} deg off"
    change_words = "tighten the strap and repeat across, along and pivot"
    return Doubt("mounting", "likely", fault, evidence, change_words, blocks, se_deg=worth / REACH)


def _suspicion(change: MountingChange, blocks: tuple[int, ...], worth: float) -> Doubt:
    """What only widens the interval: a hand that settles anew does it too, seldom."""
    first = min(blocks, default=0)
    moved = "player and instrument had leaned" + " or the strap had slipped" * bool(first)
    where = f"from block {block_number(first)} on than before" if first else "in play than at the gestures"
    return Doubt(
        "attitude",
        "sure",
        f"the hand was turned otherwise {where}",
        f"gravity lay {change.turned_deg:.0f} deg elsewhere in the sensor, as if {moved}; a hand that settles "
        f"differently does the same; if it was that, tilts are up to {worth:.1f} deg off",
        f"if you leaned{' or the strap slipped' * bool(first)}, repeat across and pivot",
        blocks,
        se_deg=worth / (REACH if first else 1.96),
    )


def describe_change(change: MountingChange, worth: float, start_s: float) -> str:
    """A change of the mounting, what it may be worth, what to do: one sentence.

    Parameters
    ----------
    change : MountingChange
    worth : float
        Degrees of tilt, as :func:`worth_deg` has it; without a frame, how far gravity turned.
    start_s : float
        Start of the log.

    Returns
    -------
    str
    """
    return _doubt(change, (), worth, start_s).sentence


def new_gestures_wanted(
    poses: Sequence[Pose], events: Sequence[Event], posture: str, settings: MountingSettings
) -> MountingChange | None:
    """The change of the mounting after which a posture's gestures should be made anew, in the next rest, once.

    Parameters
    ----------
    poses : sequence of Pose
        So far, as :func:`analysis.reference.mounting.see_poses` gives them.
    events : sequence of Event
        So far.
    posture : str
    settings : MountingSettings

    Returns
    -------
    MountingChange or None
        None as well once gestures were made after the latest change: asking once is enough.
    """
    changes = [change for change in find_changes(poses, settings) if change.posture == posture]
    if not changes:
        return None
    latest = changes[-1]
    at = latest.before_s if latest.creep else 0.5 * (latest.before_s + latest.after_s)
    made = [event.start_s for event in events if event.kind in GESTURES and event.posture in (posture, "")]
    play = [event.start_s for event in events if event.kind == "play"]
    asked_since = max(play, default=-np.inf) if latest.creep else at
    return None if any(time > asked_since for time in made) else latest
