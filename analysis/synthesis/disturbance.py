"""What goes wrong around a hand that plays as planned: straps slip or give, players lean, chairs turn, people walk.

A :class:`Disturbance` changes where sensor and instrument are, never the tip's path against the strings: the truth of
the strokes stays. Angles in degrees, lengths in millimetres, seconds of true time from the start of the recording.

On a strap that gives, the sensor's case is a body of its own on springs and dampers: six degrees of freedom, small
angles. Its centre lies beside the point that the strap holds, so that a push turns it and a turn pushes it; gravity
makes it sag, differently in every attitude of the hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from scipy.signal import lfilter

from analysis.model.records import FloatArray
from analysis.synthesis.grades import SoftMount, Vector
from analysis.synthesis.performance import Performance, Pose
from analysis.synthesis.rotation import (
    STENCIL_MARGIN,
    angular_velocity,
    conjugate,
    exp_quat,
    first_derivative,
    matrix,
    multiply,
    rotate,
    second_derivative,
)
from analysis.synthesis.sensor import Carried

_STRINGS = np.array([[1.0], [0.0], [0.0]])
_FACE = np.array([[0.0], [0.0], [1.0]])
_UP = np.array([[0.0], [0.0], [1.0]])
_SETTLE_S = 2.0
"""Motion before the first sample wanted, after which nothing is left of how the case began."""
_EDGE = 2 * STENCIL_MARGIN
"""Samples that two derivatives, one after the other, lose at either end."""
_RAP_S = 0.004


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
    neck_up_deg : float
        The neck is raised beside it, as by a player who stands up.
    hand_follows : bool
        Whether the whole hand moves with it, or only the tip's path.
    chair_deg : float
        Player and instrument turn about the vertical.
    walk_mm, walk_deg, walk_hz : float
        Walking: the body bounces at ``walk_hz``, sways sideways and rolls at half of it, about the strings too.
    tap_mm, tap_hz, tap_from_s : float
        A tapping foot moves player and instrument, and table, from a time on.
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
    neck_up_deg: float = 0.0
    hand_follows: bool = True
    chair_deg: float = 0.0
    walk_mm: float = 0.0
    walk_deg: float = 0.0
    walk_hz: float = 1.8
    tap_mm: float = 0.0
    tap_hz: float = 2.0
    tap_from_s: float = -10.0
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
        raised = np.radians(what.neck_up_deg) * begun * rotate(self.instrument[:, None], _FACE)
        roll = multiply(exp_quat(raised), exp_quat(lean * strings))
        body = exp_quat(np.radians(what.chair_deg) * begun * _UP)
        walking = _smooth((t_s - what.at_s) / 1.0)
        phase = 2 * np.pi * what.walk_hz * t_s
        sway = np.radians(what.walk_deg) * walking * np.sin(0.5 * phase + 0.3)
        body = multiply(body, exp_quat(sway * strings))
        lever = rotate(conjugate(plain.sensor_quat), rotate(plain.instrument_quat, plain.tip_m) - plain.sensor_m)
        quat, tip = plain.sensor_quat, rotate(plain.instrument_quat, plain.tip_m)
        tip = rotate(multiply(body, roll), tip)
        quat = multiply(multiply(body, roll) if what.hand_follows else body, quat)
        bounced = _bounce(what, t_s, walking, strings)
        sensor = tip - rotate(quat, lever) + bounced
        # The sensor slips on the hand; the hand stays where it is.
        reach = rotate(conjugate(plain.sensor_quat), plain.hand_tip_m - plain.sensor_m)
        hand_tip = sensor + rotate(quat, reach)
        crept = np.clip((t_s - what.at_s) / max(self.duration_s - what.at_s, 1.0), 0.0, 1.0)
        slip = np.radians(np.outer(what.slip_deg, begun) + np.outer(what.creep_deg, crept))
        sensor = sensor + rotate(quat, 1e-3 * np.outer(what.slip_mm, begun))
        quat = multiply(quat, exp_quat(slip))
        instrument = multiply(multiply(body, roll), plain.instrument_quat)
        origin = rotate(multiply(body, roll) if what.hand_follows else body, plain.origin_m)
        return Pose(plain.tip_m, sensor, quat, instrument, origin + bounced, hand_tip)

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
    bounced: FloatArray = moved + 1e-3 * what.tap_mm * _smooth(t_s - what.tap_from_s) * pulse * _UP
    return bounced


def hang(carried: Carried, mount: SoftMount, gravity_mps2: float, rap_s: FloatArray) -> Carried:
    """Return how a case on a soft strap is carried by a hand that would carry it rigidly as ``carried`` says.

    Parameters
    ----------
    carried : Carried
    mount : SoftMount
    gravity_mps2 : float
    rap_s : float64 (k,)
        When a finger raps on the case, in its axes ever differently.

    Returns
    -------
    Carried
        For times on an even grid.
    """
    mass, system, into = _equations(mount)
    poles, shapes = np.linalg.eig(system)
    drive = np.linalg.solve(shapes, into)
    axes = matrix(np.array(mount.axes_wxyz))

    def hung(t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        step = float((t_s[-1] - t_s[0]) / (t_s.size - 1))
        lead = int(_SETTLE_S / step)
        grid = t_s[0] + step * np.arange(-lead - _EDGE, t_s.size + _EDGE)
        place, quat = carried(grid)
        force = second_derivative(place, step)
        force[2] += gravity_mps2
        force = rotate(conjugate(quat[:, STENCIL_MARGIN:-STENCIL_MARGIN]), force)[:, STENCIL_MARGIN:-STENCIL_MARGIN]
        spin = first_derivative(angular_velocity(quat, step), step)
        load = np.linalg.solve(mass, _push_of_raps(grid[_EDGE:-_EDGE], rap_s))
        load -= np.concatenate((axes.T @ force, axes.T @ spin))
        moved = (shapes @ _respond(poles, drive @ load, step)).real[:, lead:]
        shift, turn = axes @ moved[:3], axes @ moved[3:6]
        place, quat = place[:, _EDGE + lead : -_EDGE], quat[:, _EDGE + lead : -_EDGE]
        return place + rotate(quat, shift), multiply(quat, exp_quat(turn))

    return hung


def _equations(mount: SoftMount) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mass per mass of the case (6, 6), and ``x' = system x + into load`` of the state, shifts before speeds."""
    centre, gyration = 1e-3 * np.array(mount.centre_mm), 1e-3 * mount.gyration_mm
    cross = np.array([[0.0, -centre[2], centre[1]], [centre[2], 0.0, -centre[0]], [-centre[1], centre[0], 0.0]])
    inertia = gyration**2 * np.eye(3) - cross @ cross
    mass = np.block([[np.eye(3), -cross], [cross, inertia]])
    omega = 2 * np.pi * np.array((*mount.shift_hz, *mount.turn_hz))
    own = np.concatenate((np.ones(3), np.diag(inertia)))
    stiffness = np.diag(own * omega**2)
    damping = np.diag(own * 2 * np.array((*mount.shift_damping, *mount.turn_damping)) * omega)
    inverse = np.linalg.inv(mass)
    system = np.block([[np.zeros((6, 6)), np.eye(6)], [-inverse @ stiffness, -inverse @ damping]])
    return mass, system, np.concatenate((np.zeros((6, 6)), np.eye(6)))


def _respond(poles: FloatArray, drive: FloatArray, step_s: float) -> FloatArray:
    """Responses (12, n) of ``x' = pole x + drive`` to drives (12, n) that run straight from sample to sample."""
    state = np.empty(drive.shape, dtype=complex)
    for k, pole in enumerate(poles):
        grown = np.exp(pole * step_s)
        late = (grown - 1 - pole * step_s) / (pole**2 * step_s)
        early = (grown - 1) / pole - late
        # Settled under the first load, as a case that has hung for long.
        begun = -drive[k, 0] / pole
        start = np.array([grown * begun + early * drive[k, 0]])
        state[k, 0] = begun
        state[k, 1:], _ = lfilter([late, early], [1.0, -grown], drive[k, 1:], zi=start)
    return state


def _push_of_raps(t_s: FloatArray, rap_s: FloatArray) -> FloatArray:
    """Force and moment (6, n), per mass of the case, of a finger that raps on it: ever another place and direction."""
    push = np.zeros((6, t_s.size))
    for number, at_s in enumerate(rap_s):
        rng = np.random.default_rng([number, int(1e3 * at_s)])
        way = rng.normal(size=3)
        way *= rng.uniform(40.0, 120.0) / np.linalg.norm(way)
        around = np.cross(rng.uniform(-8e-3, 8e-3, 3), way)
        strength = np.sin(np.pi * np.clip((t_s - at_s) / _RAP_S, 0.0, 1.0))
        push += np.outer(np.concatenate((way, around)), strength)
    return push
