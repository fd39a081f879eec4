"""The witness carried on: a later window of play seen from the instrument, by what the gestures taught.

The batch run has the whole session at once; while somebody plays there are only the last seconds. Attitudes come in
with the heading that they have along the session; all else is the batch run's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import FloatArray
from analysis.motion.orientation import heading_between
from analysis.motion.rotation import matrices
from analysis.signal.working_grid import Signals
from analysis.witness.instrument_motion import InstrumentMotion
from analysis.witness.seen_from_instrument import see_from, share_world
from analysis.witness.witness import Witness


@dataclass(frozen=True)
class Window:
    """What is needed of a window to see it from the instrument.

    Attributes
    ----------
    hand : Signals
        Less the gyroscope's bias.
    hand_quat_wxyz : float64 (n, 4)
        In the world of the witness.
    whole, slow : InstrumentMotion
        At the hand's working samples; all of it, and what its clock lets through. In the instrument's own world.
    angle_rad : float64 (n,)
        From that world to the hand's.
    """

    hand: Signals
    hand_quat_wxyz: FloatArray
    whole: InstrumentMotion
    slow: InstrumentMotion
    angle_rad: FloatArray


def watch_window(witness: Witness, window: Window) -> Witness:
    """The witness of a window.

    Parameters
    ----------
    witness : Witness
        Of the gestures.
    window : Window

    Returns
    -------
    Witness
        Its signals, attitudes and worlds are the window's.
    """
    hand, angle, reference = window.hand, window.angle_rad, witness.world.reference
    point = witness.point.value
    whole = share_world(window.whole, angle, (), hand, point, witness.whole.reference)
    slow = share_world(window.slow, angle, (), hand, point, reference)
    return replace(
        witness,
        signals=see_from(slow, hand, window.hand_quat_wxyz, witness.lever_m),
        hand_quat_wxyz=window.hand_quat_wxyz,
        instrument=window.whole,
        world=slow,
        whole=whole,
        known=window.whole.valid,
    )


def turn_of_heading(witness: Witness, drift_rad: FloatArray, quat_wxyz: FloatArray, rows: slice) -> float:
    """Turn (rad) from a motion as seen from the instrument to what both attitudes say of its heading.

    Parameters
    ----------
    witness : Witness
        Of the same samples.
    drift_rad : float64 (n,)
        How far the headings of both sensors have drifted from each other since the gestures.
    quat_wxyz : float64 (n, 4)
        Of the motion.
    rows : slice
        Samples that count.

    Returns
    -------
    float
    """
    held = witness.world.back[rows] @ matrices(witness.hand_quat_wxyz[rows])
    c, s = np.cos(drift_rad[rows]), np.sin(drift_rad[rows])
    turned = np.empty_like(held)
    turned[:, 0] = c[:, None] * held[:, 0] - s[:, None] * held[:, 1]
    turned[:, 1] = s[:, None] * held[:, 0] + c[:, None] * held[:, 1]
    turned[:, 2] = held[:, 2]
    return heading_between(matrices(quat_wxyz[rows]).mean(axis=0), turned.mean(axis=0))
