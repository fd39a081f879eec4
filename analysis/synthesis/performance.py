"""A session's motion as functions of time: the tip in the instrument's frame, sensor and instrument in the world."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import Event, FloatArray
from analysis.synthesis.rotation import exp_quat, multiply, rotate
from analysis.synthesis.scenario import Hand
from analysis.synthesis.timeline import BASE, LEVER, LIFE, ROLL, BlockPlan
from analysis.synthesis.track import Catches, GridSpline, Pulses, Track


@dataclass(frozen=True)
class Pose:
    """Where everything is at times (n,): metres; quaternions (4, n) or (4, 1).

    ``origin_m`` is the instrument's origin in the world, the tip is in the instrument's frame. ``hand_tip_m`` is in the
    world the point of the hand at which the tip sits while the fingers are at rest.
    """

    tip_m: FloatArray
    sensor_m: FloatArray
    sensor_quat: FloatArray
    instrument_quat: FloatArray
    origin_m: FloatArray
    hand_tip_m: FloatArray


@dataclass(frozen=True)
class Performance:
    """All that moves. ``origin_m`` is the instrument's origin seen from the point about which it sways."""

    duration_s: float
    hand: Hand
    mounting: FloatArray
    instrument: FloatArray
    origin_m: FloatArray
    plectrum_axis: FloatArray
    tip: Track
    turning: Track
    joints: tuple[tuple[FloatArray, Track], ...]
    fingers: Track | None
    slow: Track
    wander: GridSpline
    drift: GridSpline
    tremor: GridSpline
    sway: GridSpline | None
    sway_ride: float
    rocking: Track | None
    pulses: Pulses
    rap_s: FloatArray
    catches: Catches
    events: tuple[Event, ...]
    blocks: tuple[BlockPlan, ...]
    lever_m: dict[str, FloatArray]

    def tip_m(self, t_s: FloatArray) -> FloatArray:
        """Return the tip (3, n) in the instrument's frame; in ``pivot`` the centre of its rounding."""
        life = self.slow(t_s)[LIFE]
        return self._tip(t_s, life, self.wander(t_s), self.tremor(t_s))

    def _tip(self, t_s: FloatArray, life: FloatArray, wander: FloatArray, tremor: FloatArray) -> FloatArray:
        tip: FloatArray = self.tip(t_s) + life[1] * wander[3:6] + life[2] * tremor[3:] + self.catches(t_s)
        return tip

    def pose(self, t_s: FloatArray) -> Pose:
        """Return the pose at times (n,)."""
        slow = self.slow(t_s)
        life, lever = slow[LIFE], slow[LEVER]
        wander, tremor = self.wander(t_s), self.tremor(t_s)
        tip = self._tip(t_s, life, wander, tremor)
        pulses = self.pulses(t_s)
        turning = self.turning(t_s)
        for axis, angle in self.joints:
            turning += axis[:, None] * angle(t_s)
        turning += life[0] * (wander[:3] + self.drift(t_s)) + life[2] * tremor[:3] + pulses[3:]
        hand = multiply(multiply(exp_quat(turning), exp_quat(slow[BASE])), self.mounting[:, None])
        if np.any(slow[ROLL] > 0.0):
            # The track is then the centre of the tip's rounding: the tip lies one radius along the plectrum.
            radius = 1e-3 * self.hand.tip_radius_mm
            tip = tip + slow[ROLL] * radius * rotate(hand, self.plectrum_axis[:, None])
        instrument = hand_world = self.instrument[:, None]
        if self.sway is not None:
            swing = np.zeros((3, t_s.size))
            swing[:2] = life[3] * self.sway(t_s)
            instrument = multiply(exp_quat(swing), instrument)
            hand_world = multiply(exp_quat(self.sway_ride * swing), hand_world)
        if self.rocking is not None:
            rocked = exp_quat(self.rocking(t_s))
            instrument, hand_world = multiply(rocked, instrument), multiply(rocked, hand_world)
        sensor_quat = multiply(hand_world, hand)
        carried = tip if self.fingers is None else tip - self.fingers(t_s)
        hand_tip = rotate(instrument, carried + pulses[:3] + self.origin_m[:, None])
        sensor = hand_tip - rotate(sensor_quat, lever)
        return Pose(tip, sensor, sensor_quat, instrument, rotate(instrument, self.origin_m[:, None]), hand_tip)
