"""The instrument frame of one posture, from the directions of its gestures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.model.errors import GestureError
from analysis.model.records import FloatArray
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.rotation import yaw_matrix
from analysis.reference.gesture_directions import Direction

DOWN = np.array([0.0, 0.0, -1.0])
SWAPPED_DEG = 20.0
MIN_HEIGHT_M = 3e-3
"""By how much ``along`` must be steeper than ``across`` on an upright instrument to be taken for it."""


@dataclass(frozen=True)
class HeldLever:
    """The lever of one posture.

    Attributes
    ----------
    lever_m : float64 (3,)
        Sensor axes.
    grip : int
        Which lever of the lever fit.
    arm_m : float64 (3,)
        Mean lever in the world during the gestures, at the reference heading.
    """

    lever_m: FloatArray
    grip: int
    arm_m: FloatArray


@dataclass(frozen=True)
class Frame:
    """Instrument axes at the reference heading.

    Attributes
    ----------
    posture : str
    axes : float64 (3, 3)
        Rows X, Y, Z in the world at the reference heading.
    lever_m : float64 (3,)
    grip : int
        Which lever of the lever fit.
    along, across : tuple of Direction
        The gestures it was made of; empty where the frame is the hand's own.
    down_told : bool
        False where nothing told for certain which way a downstroke goes: the first moves of ``across`` contradict.
    board_weight, board_sd_deg : float
        Part of its roll about the strings that stills on the soundboard told, and their standard error.
    """

    posture: str
    axes: FloatArray
    lever_m: FloatArray
    grip: int
    along: tuple[Direction, ...]
    across: tuple[Direction, ...]
    down_told: bool = True
    board_weight: float = 0.0
    board_sd_deg: float = 0.0

    @property
    def from_gestures(self) -> bool:
        """False where tilt is only against the hand's own mean plane."""
        return bool(self.along)


def frame_axes(along: FloatArray, across: FloatArray) -> FloatArray:
    """Right-handed axes from two directions: X along, Z normal to both, Y = Z x X.

    Parameters
    ----------
    along, across : float64 (3,)

    Returns
    -------
    float64 (3, 3)
        Rows X, Y, Z.

    Examples
    --------
    >>> frame_axes(np.array([2.0, 0, 0]), np.array([1.0, 1.0, 0])).tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    x = along / np.linalg.norm(along)
    z = np.cross(x, across)
    z = z / np.linalg.norm(z)
    return np.stack([x, np.cross(z, x), z])


def mean_directions(
    along: Sequence[Direction], across: Sequence[Direction], drift_rad: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean unit directions of the gestures, each turned back to the reference heading.

    Parameters
    ----------
    along, across : sequences of Direction
    drift_rad : float64 (len(along) + len(across),)
        Heading drift at each gesture, ``along`` first.

    Returns
    -------
    along, across : float64 (3,)
    """
    turned = [yaw_matrix(-d) @ g.chord_m for d, g in zip(drift_rad, [*along, *across], strict=True)]
    return _mean_axis(turned[: len(along)]), _mean_axis(turned[len(along) :])


def build_frame(
    posture: str,
    along: Sequence[Direction],
    across: Sequence[Direction],
    drift: HeadingDrift,
    lever: HeldLever,
    held: Literal["upright", "flat"],
    min_angle_deg: float,
) -> Frame:
    """Axes of one posture from its usable gestures.

    Parameters
    ----------
    posture : str
    along, across : sequences of Direction
    drift : HeadingDrift
    lever : HeldLever
    held : str
        ``upright``: Y points down in the world. ``flat``: the first move of ``across`` is a downstroke.
    min_angle_deg : float
        Smallest angle between ``across`` and ``along``.

    Returns
    -------
    Frame

    Raises
    ------
    GestureError
        If ``across`` and ``along`` are nearly parallel, or seem to be marked the wrong way round, or if the tip lies as
        high above the soundboard as the sensor.
    """
    times = np.array([g.time_s for g in (*along, *across)])
    x, y = mean_directions(along, across, drift.mean_rad(times))
    _check_directions(x, y, held, min_angle_deg)
    told = True
    if held == "upright":
        # An oblique drag runs along the strings as well, and on a raised neck that part of it may climb.
        y = y if frame_axes(x, y)[1] @ DOWN > 0 else -y
    else:
        angles = drift.mean_rad(times[len(along) :])
        first = [g.first_sign * yaw_matrix(-a) @ g.chord_m for a, g in zip(angles, across, strict=True)]
        votes = np.sign(np.stack(first) @ y)
        told = bool(abs(votes.sum()) == np.count_nonzero(votes) > 0)
        y = y if votes.sum() + 0.5 * votes[0] > 0 else -y
    axes = frame_axes(x, y)
    _check_arm(float(abs(axes[2] @ lever.arm_m)))
    if axes[2] @ lever.arm_m > 0:  # the tip lies nearer the soundboard than the sensor does
        axes = frame_axes(-x, y)
    return Frame(posture, axes, lever.lever_m, lever.grip, tuple(along), tuple(across), down_told=told)


def _check_directions(
    along: FloatArray, across: FloatArray, held: Literal["upright", "flat"], min_angle_deg: float
) -> None:
    """Refuse gestures that span no plane, and strings that would stand steeper than the way across them."""
    angle = float(np.degrees(np.arccos(np.clip(abs(along @ across), 0.0, 1.0))))
    if angle < min_angle_deg:
        raise GestureError(
            expected="across and along to be nearly at right angles",
            found=f"{angle:.0f} deg between them",
            next_step="repeat both: across over all strings, along on one string",
        )
    square = frame_axes(along, across)[1]
    steep = np.degrees(np.arcsin(np.clip(np.abs(np.stack([along, square]) @ DOWN), 0.0, 1.0)))
    if held == "upright" and steep[0] > steep[1] + SWAPPED_DEG:
        raise GestureError(
            expected="along to run more level than across",
            found=f"along at {steep[0]:.0f} deg and the way across at {steep[1]:.0f} deg from level",
            next_step="the two seem to be marked the wrong way round (or the instrument lies flat): correct the "
            "marks or the setting",
        )


def _check_arm(height_m: float) -> None:
    """Refuse a lever that does not tell which side of the strings the player is on: tilt's sign hangs on it."""
    if height_m < MIN_HEIGHT_M:
        raise GestureError(
            expected="the sensor to stand farther out from the strings than the plectrum's tip",
            found=f"both at one height to within {1000.0 * MIN_HEIGHT_M:.0f} mm",
            next_step="wear the sensor on the back of the hand, record pivot again, or measure the lever arm with "
            "a ruler",
        )


def _mean_axis(vectors: Sequence[FloatArray]) -> FloatArray:
    """Mean of directions whose signs are arbitrary; the sign of the first is kept."""
    units = [v / np.linalg.norm(v) for v in vectors]
    total = np.sum([u if u @ units[0] > 0 else -u for u in units], axis=0)
    return np.asarray(total / np.linalg.norm(total))
