"""What goes wrong around a hand that plays as planned: straps slip, players lean, chairs turn, people walk.

A :class:`Disturbance` changes where sensor and instrument are, never the tip's path against the strings: the truth of
the strokes stays. Angles in degrees, lengths in millimetres, seconds of true time from the start of the recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from analysis.model.records import FloatArray
from analysis.synthesis.performance import Performance, Pose
from analysis.synthesis.rotation import conjugate, exp_quat, multiply, rotate
from analysis.synthesis.scenario import Vector

_STRINGS = np.array([[1.0], [0.0], [0.0]])
_UP = np.array([[0.0], [0.0], [1.0]])


@dataclass(frozen=True)
class Disturbance:
    """What happens beside the playing; by default nothing.

    Attributes
    ----------
    at_s, over_s : float
        When slip, lean and chair begin, and how long they take.
    slip_deg : (float, float, float)
        Rotation vector of the sensor against the hand, sensor axes.
    slip_mm : (float, float, float)
        Its shift, sensor axes.
    creep_deg : (float, float, float)
        Slow rotation of the sensor against the hand, from ``at_s`` to the end of the session.
    lean_deg : float
        The instrument's roll about its strings.
    hand_follows : bool
        Whether the whole hand rolls with it, or only the tip's path.
    chair_deg : float
        Player and instrument turn about the vertical.
    walk_mm, walk_deg, walk_hz : float
        Walking: the body bounces at ``walk_hz``, sways sideways and rolls at half of it, about the strings too.
    tap_mm, tap_hz : float
        A tapping foot moves player and instrument.
    reaction_deg : float
        The instrument's roll about its strings in step with the strokes, where it is played: a gesture on muted
        strings, slow and light, does not push it.
    """

    at_s: float = 0.0
    over_s: float = 0.8
    slip_deg: Vector = (0.0, 0.0, 0.0)
    slip_mm: Vector = (0.0, 0.0, 0.0)
    creep_deg: Vector = (0.0, 0.0, 0.0)
    lean_deg: float = 0.0
    hand_follows: bool = True
    chair_deg: float = 0.0
    walk_mm: float = 0.0
    walk_deg: float = 0.0
    walk_hz: float = 1.8
    tap_mm: float = 0.0
    tap_hz: float = 2.0
    reaction_deg: float = 0.0


@dataclass(frozen=True)
class DisturbedPerformance(Performance):
    """A performance in a disturbed world."""

    disturbance: Disturbance = Disturbance()

    def pose(self, t_s: FloatArray) -> Pose:
        """Return the pose at times (n,)."""
        what, plain = self.disturbance, super().pose(t_s)
        begun = _smooth((t_s - what.at_s) / what.over_s)
        strings = rotate(self.instrument[:, None], _STRINGS)
        lean = np.radians(what.lean_deg) * begun
        lean = lean + np.radians(what.reaction_deg) * self._playing(t_s) * plain.tip_m[1] / 7.5e-3
        roll = exp_quat(lean * strings)
        body = exp_quat(np.radians(what.chair_deg) * begun * _UP)
        walking = _smooth((t_s - what.at_s) / 1.0)
        phase = 2 * np.pi * what.walk_hz * t_s
        sway = np.radians(what.walk_deg) * walking * np.sin(0.5 * phase + 0.3)
        body = multiply(body, exp_quat(sway * strings))
        lever = rotate(conjugate(plain.sensor_quat), rotate(plain.instrument_quat, plain.tip_m) - plain.sensor_m)
        quat, tip = plain.sensor_quat, rotate(plain.instrument_quat, plain.tip_m)
        tip = rotate(multiply(body, roll), tip)
        quat = multiply(multiply(body, roll) if what.hand_follows else body, quat)
        sensor = tip - rotate(quat, lever)
        bounced = _bounce(what, t_s, walking, strings)
        sensor = sensor + bounced
        crept = np.clip((t_s - what.at_s) / max(self.duration_s - what.at_s, 1.0), 0.0, 1.0)
        slip = np.radians(np.outer(what.slip_deg, begun) + np.outer(what.creep_deg, crept))
        sensor = sensor + rotate(quat, 1e-3 * np.outer(what.slip_mm, begun))
        quat = multiply(quat, exp_quat(slip))
        instrument = multiply(multiply(body, roll), plain.instrument_quat)
        origin = rotate(multiply(body, roll) if what.hand_follows else body, plain.origin_m)
        return Pose(plain.tip_m, sensor, quat, instrument, origin + bounced)

    def _playing(self, t_s: FloatArray) -> FloatArray:
        """Return 1 in the blocks, 0 elsewhere, with ramps of half a second."""
        inside = np.zeros(t_s.size)
        for plan in self.blocks:
            begun, ended = (_smooth((t_s - turn + 0.25) / 0.5) for turn in plan.turns_s[[0, -1]])
            inside += begun - ended
        return inside


def disturb(performance: Performance, disturbance: Disturbance) -> DisturbedPerformance:
    """Return the same performance in a disturbed world."""
    same = {field.name: getattr(performance, field.name) for field in fields(Performance)}
    return DisturbedPerformance(**same, disturbance=disturbance)


def lean_before_play(lean_deg: float) -> Callable[[Performance], Disturbance]:
    """An instrument that leans a second and a half before the first block, as ``simulate`` takes it.

    Parameters
    ----------
    lean_deg : float
        Its roll about the strings; the hand follows.

    Returns
    -------
    callable
    """
    return lambda performance: Disturbance(at_s=float(performance.blocks[0].turns_s[0]) - 1.5, lean_deg=lean_deg)


def _smooth(share: FloatArray) -> FloatArray:
    u = np.clip(share, 0.0, 1.0)
    risen: FloatArray = u**3 * (10 - 15 * u + 6 * u**2)
    return risen


def _bounce(what: Disturbance, t_s: FloatArray, walking: FloatArray, strings: FloatArray) -> FloatArray:
    """Translation of player and instrument (3, n), metres."""
    phase = 2 * np.pi * what.walk_hz * t_s
    step = 1e-3 * what.walk_mm * walking
    moved = step * (np.sin(phase) + 0.3 * np.sin(2 * phase)) * _UP + 0.7 * step * np.sin(0.5 * phase) * strings
    beat = np.mod(t_s * what.tap_hz, 1.0)
    pulse = np.exp(-(((beat - 0.3) / 0.12) ** 2))
    bounced: FloatArray = moved + 1e-3 * what.tap_mm * pulse * _UP
    return bounced
