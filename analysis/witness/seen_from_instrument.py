r"""The hand's signals as they would be if the instrument stood still: what a witness on it is for.

In the hand's drifting world the instrument's sensor stands at ``R_i``, turns at ``u`` and is moved by ``a_i``; the
point at which the plectrum plays lies at ``rho = R_i r`` from it. With ``D = R_0 R_i^T``, which turns the instrument
back to where it was in the gestures, the hand, at ``p`` from that point, would feel

.. math::

   \omega' &= \omega_h - R_h^T u                                                                            (4) \\
   f' &= f_h - R_h^T \left( g - D^T g + a_i + \dot u \times \rho + u \times (u \times \rho)
         + 2 u \times \dot p + \dot u \times p - u \times (u \times p) \right)                               (5)

with ``p = -R_h l``, the lever seen from the tip. All stages after this one then work as on an instrument that nobody
moves: leaning, swaying, turning and walking are gone from the signals as far as the witness knows them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import FACE_DOWN, OFF_HAND, SOUNDBOARD, Event, FloatArray
from analysis.motion.rotation import matrices, rotate
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.signal.working_grid import Signals
from analysis.witness.instrument_motion import InstrumentMotion
from analysis.witness.mutual_heading import slope

NOT_WORN = (OFF_HAND, SOUNDBOARD, FACE_DOWN)
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class SharedWorld:
    """The instrument in the hand's world.

    Attributes
    ----------
    rotation : float64 (n, 3, 3)
        Instrument sensor's axes to the hand's world; held where nothing is known.
    rate_radps, accel_mps2 : float64 (n, 3)
        Hand's world; nil where nothing is known.
    back : float64 (n, 3, 3)
        ``D``.
    point_m : float64 (3,)
        ``r``.
    reference : float64 (3, 3)
        ``R_0``, its mean attitude in the gestures.
    """

    rotation: FloatArray
    rate_radps: FloatArray
    accel_mps2: FloatArray
    back: FloatArray
    point_m: FloatArray
    reference: FloatArray


def share_world(
    instrument: InstrumentMotion,
    heading_rad: FloatArray,
    events: Sequence[Event],
    signals: Signals,
    point_m: FloatArray,
    reference: FloatArray | None = None,
) -> SharedWorld:
    """Turn the instrument's world into the hand's.

    Parameters
    ----------
    instrument : InstrumentMotion
    heading_rad : float64 (n,)
        From the instrument's world to the hand's.
    events : sequence of Event
    signals : Signals
        Of the hand, for its grid.
    point_m : float64 (3,)
    reference : float64 (3, 3), optional
        The instrument's attitude in the gestures, where they lie outside of these samples.

    Returns
    -------
    SharedWorld
        ``D`` is the identity in the mean over the gestures.
    """
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    turn = np.zeros((c.size, 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = c
    turn[:, 1, 0], turn[:, 0, 1], turn[:, 2, 2] = s, -s, 1.0
    known = instrument.valid.copy()
    worn_from = max((e.end_s for e in events if e.kind == "still" and e.label in NOT_WORN), default=None)
    if worn_from is not None:
        known[: signals.grid.index_at(worn_from)] = False
    rotation = turn @ matrices(instrument.quat_wxyz)
    rotation = rotation[_held(known)]
    rate, accel = (
        np.einsum("nij,nj->ni", turn, v) * known[:, None] for v in (instrument.rate_radps, instrument.accel_mps2)
    )
    if reference is None:
        reference = _reference(rotation, events, signals, known)
    return SharedWorld(rotation, rate, accel, reference @ np.swapaxes(rotation, 1, 2), point_m, reference)


def _held(known: np.ndarray) -> np.ndarray:
    """For each sample the latest known one; before the first, the first."""
    if not known.any():
        return np.zeros(known.size, dtype=np.int64)
    latest = np.maximum.accumulate(np.where(known, np.arange(known.size), -1))
    return np.asarray(np.where(latest < 0, int(np.argmax(known)), latest))


def _reference(rotation: FloatArray, events: Sequence[Event], signals: Signals, known: np.ndarray) -> FloatArray:
    """Mean attitude of the instrument in the gestures."""
    wanted = np.zeros(len(rotation), dtype=bool)
    for event in events:
        if event.kind in ("across", "along"):
            wanted[signals.grid.slice_of(event.start_s, event.end_s)] = True
    wanted &= known
    mean = rotation[wanted if wanted.any() else slice(0, 1)].mean(axis=0)
    left, _, right = np.linalg.svd(mean)
    return np.asarray(left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right)


def moved_with(world: SharedWorld, rate_hz: float) -> FloatArray:
    """Acceleration (n, 3) of the point of play, hand's world."""
    return world.accel_mps2 + turned_with(world, np.einsum("nij,j->ni", world.rotation, world.point_m), rate_hz)


def turned_with(world: SharedWorld, arm_m: FloatArray, rate_hz: float) -> FloatArray:
    """Acceleration (n, 3) of the end of an arm (n, 3) that turns with the instrument, against its beginning."""
    u = world.rate_radps
    return np.asarray(np.cross(slope(u, rate_hz), arm_m) + np.cross(u, np.cross(u, arm_m)))


def see_from(world: SharedWorld, hand: Signals, quat_wxyz: FloatArray, lever_m: FloatArray) -> Signals:
    """The hand's signals on an instrument that stands still, equations (4) and (5).

    Parameters
    ----------
    world : SharedWorld
    hand : Signals
        Less the gyroscope's bias.
    quat_wxyz : float64 (n, 4)
        Of the hand.
    lever_m : float64 (3,)
        Roughly.

    Returns
    -------
    Signals
        Attacks as they were.
    """
    rate_hz, u = hand.grid.rate_hz, world.rate_radps
    back = quat_wxyz * [1.0, -1.0, -1.0, -1.0]
    p = -rotate(quat_wxyz, lever_m)
    p_rate = -rotate(quat_wxyz, np.cross(hand.gyro_radps, lever_m))
    gravity = GRAVITY_MPS2 * (UP - world.back[:, 2, :])
    felt = gravity + moved_with(world, rate_hz) + 2 * np.cross(u, p_rate)
    felt += np.cross(slope(u, rate_hz), p) - np.cross(u, np.cross(u, p))
    return replace(
        hand,
        accel_mps2=hand.accel_mps2 - rotate(back, felt),
        gyro_radps=hand.gyro_radps - rotate(back, u),
    )
