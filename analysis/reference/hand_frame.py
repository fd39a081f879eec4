"""A frame without gestures: the hand's own mean plane. Tilt in it shows changes, not where the strings lie."""

from __future__ import annotations

import numpy as np

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray, Session
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import matrices
from analysis.motion.tip_path import Band
from analysis.reference.frame import DOWN, Frame, frame_axes

BAND = Band(0.8, 4, 20.0)
EXCERPT_S = 60.0


def hand_frame(motion: Motion, session: Session, lever_m: FloatArray) -> Frame:
    """Axes from the main direction of play: Y along it, the rest from the lever or the second direction.

    Parameters
    ----------
    motion : Motion
    session : Session
    lever_m : float64 (3,)
        Zero where it is unknown; the path is then the sensor's.

    Returns
    -------
    Frame
        Without gestures: :attr:`Frame.from_gestures` is False.

    Raises
    ------
    NotEnoughDataError
        The log holds less than a second of its marked play.
    """
    end_s = motion.grid.end_s
    plays = [event for event in session.events if event.kind == "play"]
    first = motion.grid.index_at(plays[0].start_s) if plays else 0
    last = motion.grid.index_at(plays[0].end_s) if plays else motion.grid.size
    last = min(last, first + int(EXCERPT_S * motion.grid.rate_hz))
    if last - first < motion.grid.rate_hz:
        start_s = plays[0].start_s if plays else motion.grid.start_s
        raise NotEnoughDataError(
            expected="at least a second of play",
            found=f"none or less: the log ends at {end_s:.1f} s, its first block is marked at {start_s:.1f} s",
            next_step="correct the events, or record play",
        )
    path = motion.displacement(first, last, lever_m, BAND)
    centred = path - path.mean(axis=0)
    directions = np.linalg.eigh(centred.T @ centred)[1]
    y = directions[:, -1]
    if session.instrument.held == "upright" and y @ DOWN < 0:
        y = -y
    z = directions[:, -2]
    z = z if z @ _outward(motion, first, last, lever_m) > 0 else -z
    return Frame("", frame_axes(np.cross(y, z), y), lever_m, 0, (), ())


def _outward(motion: Motion, first: int, last: int, lever_m: FloatArray) -> FloatArray:
    """A direction (world) by which Z gets its sign: from the tip to the sensor, or the sensor's own fixed diagonal."""
    step = max(1, int(motion.grid.rate_hz // 25))
    away = -lever_m if lever_m.any() else np.array([1.0, 2.0, 4.0])
    return np.asarray(matrices(motion.quat_wxyz[first:last:step]).mean(axis=0) @ away)
