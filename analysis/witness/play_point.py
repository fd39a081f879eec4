"""Where on the instrument the plectrum plays, from the times in which hand and instrument rock and the tip stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import BoolArray, Event, FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.orientation import integrate_rotation
from analysis.motion.rotation import matrices
from analysis.signal.working_grid import Signals
from analysis.witness.mutual_heading import Estimate, RockedWindow, point_of_play, slope
from analysis.witness.seen_from_instrument import SharedWorld

PART_S = 10.0


def parts_of(motion: Motion, known: BoolArray, events: Sequence[Event], kinds: tuple[str, ...]) -> list[slice]:
    """Ten seconds at most of each time of these kinds.

    Parameters
    ----------
    motion : Motion
    known : bool (n,)
        Where the instrument is known.
    events : sequence of Event
    kinds : tuple of str

    Returns
    -------
    list of slice
        Working samples.
    """
    parts = []
    for event in (e for e in events if e.kind in kinds):
        for start in np.arange(event.start_s, event.end_s - 2.0, PART_S):
            part = motion.grid.slice_of(float(start), min(float(start) + PART_S, event.end_s))
            if (motion.grid.valid[part] & known[part]).mean() > 0.95:
                parts.append(part)
    return parts


@dataclass(frozen=True)
class SeenRocking:
    """The instrument's signals, the world that both sensors share, and what is left to turn between their headings."""

    instrument: Signals
    world: SharedWorld
    heading: Estimate | None


def find_point(
    motion: Motion,
    seen: SeenRocking,
    lever_m: FloatArray,
    events: Sequence[Event],
    place_m: float,
) -> tuple[Estimate, Estimate]:
    """Where the plectrum plays, and what is left to turn between both worlds, from accelerations while both rock.

    Only where the tip stays on its spot: one that goes to and fro while the instrument gives way in step would pass for
    another place. Attitudes are integrated anew there, since a filter takes some of the rocking for gravity.

    Parameters
    ----------
    motion : Motion
        Of the hand.
    seen : SeenRocking
    lever_m : float64 (3,)
    events : sequence of Event
    place_m : float
        How far the point may be from the sensor, an axis.

    Returns
    -------
    (Estimate, Estimate)
        As :func:`analysis.witness.mutual_heading.point_of_play` gives them.
    """
    placed, world, heading = seen.instrument, seen.world, seen.heading
    rate_hz, w = motion.grid.rate_hz, motion.gyro_radps
    arm = np.cross(slope(w, rate_hz), lever_m) + np.cross(w, np.cross(w, lever_m))
    windows = []
    for part in parts_of(motion, placed.grid.valid, events, ("rock", "pivot")):
        hand = _integrated(w[part], matrices(motion.quat_wxyz[part]), rate_hz)
        instrument = _integrated(placed.gyro_radps[part], world.rotation[part], rate_hz)
        tip = np.einsum("nij,nj->ni", hand, (motion.accel_mps2 + arm)[part])
        sensor = np.einsum("nij,nj->ni", instrument, placed.accel_mps2[part])
        windows.append(RockedWindow(tip, sensor, instrument))
    heading_sd = float(np.sqrt(heading.covariance[0, 0])) if heading is not None else np.pi
    return point_of_play(windows, rate_hz, place_m, heading_sd)


def _integrated(gyro_radps: FloatArray, rotation: FloatArray, rate_hz: float) -> FloatArray:
    """Attitude (n, 3, 3) by the gyroscope alone, nearest to a filter's in the mean."""
    alone = matrices(integrate_rotation(gyro_radps, rate_hz))
    left, _, right = np.linalg.svd((rotation @ np.swapaxes(alone, 1, 2)).mean(axis=0))
    return np.asarray(left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right @ alone)
