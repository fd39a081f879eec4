r"""Whether sensor and instrument still sit as they did when the gestures were made.

Of all that a sensor on the hand feels, the mean direction of gravity in its own axes is the one thing that stays while
a hand plays in one way. It turns when the strap slips, and when player and instrument lean together; it cannot say
which. It turns honestly too: the hand finds its place anew for every gesture and block, and other strings turn the
forearm.
So a change is asked for against the scatter that this hand shows in this session: with ``x_i`` the direction in each
gesture and block, in time order, in the plane that touches the sphere at their mean,

.. math:: x_i = \mu + \beta c_i + \Delta [t_i > t] + e_i , \qquad
          F = \frac{|\hat\Delta|^2 / (2 v)}{s^2}                                                          (8)

``c_i`` is the string on which a block is played, where a drill tells it, ``v s^2`` the variance of ``\Delta`` on one
axis, ``s^2`` that of the residuals. ``F`` has 2 and ``2 (n - k)`` degrees of freedom. A slow creep is the same with
``t_i`` in place of the step. Each part beside a change is searched again.

References
----------
Hotelling, The generalization of Student's ratio, Annals of Mathematical Statistics 2, 1931, 360-378, for spherical
scatter; Scott and Knott, Biometrics 30, 1974, 507-512, for splitting again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from analysis.model.records import NOT_WORN, Event, FloatArray
from analysis.signal.working_grid import Signals

POSES = ("still", "across", "along", "pivot", "play")
EDGE_S = 0.5
DRIFT, DRIFT_FROM_S, DRIFT_TAU_S = 0.6, 90.0, 120.0
"""A hand's attitude drifts: what poses of one minute do not show of it, as a part of their own variance."""


@dataclass(frozen=True)
class MountingSettings:
    """When a change of gravity's direction counts.

    ``jump_deg`` is the least that is worth a word: half of a slip of 8 deg. ``false_alarm`` is the chance, a session,
    that a hand which settles anew for each gesture and block is taken for a change, if these were independent; a hand
    that drifts over minutes makes it some ten times as large. ``unrest_deg`` keeps a session whose few poses happen to
    agree from being sure of too little. ``suspect`` is the chance of so large a roll about the strings between gestures
    and play, ``suspect_jump`` that of so large a jump between two blocks, from which on it is no change yet, but widens
    the interval by what it would be worth. ``string_deg`` is how far one
    string further turns the forearm: 12 deg over six strings were seen. A creep lasts at least ``creep_s``: a hand's
    own attitude wanders over minutes. ``worth_deg_per_deg`` is what a degree of slip is worth in tilt at least.

    Attributes
    ----------
    jump_deg, false_alarm, unrest_deg, string_deg, creep_s, worth_deg_per_deg, suspect, suspect_jump : float
    """

    jump_deg: float = 4.0
    false_alarm: float = 0.0005
    unrest_deg: float = 1.5
    string_deg: float = 2.4
    creep_s: float = 300.0
    worth_deg_per_deg: float = 0.25
    suspect: float = 0.03
    suspect_jump: float = 0.01


@dataclass(frozen=True)
class Pose:
    """How gravity lies in the sensor over one gesture or block.

    Attributes
    ----------
    time_s, start_s, end_s : float
        Its middle and what of it was used.
    posture : str
    block : int or None
        None for a gesture.
    down : float64 (3,)
        Unit vector, sensor axes.
    """

    time_s: float
    start_s: float
    end_s: float
    posture: str
    block: int | None
    down: FloatArray


@dataclass(frozen=True)
class MountingChange:
    """Sensor or instrument sit differently.

    Attributes
    ----------
    posture : str
    before_s, after_s : float
        End of the last pose before, start of the first one after it; a creep lasts from one to the other.
    turned_deg : float
        By how much gravity turned in the sensor.
    axis : float64 (3,)
        About which the sensor seems to have turned, sensor axes.
    creep : bool
        A slow turn from the one time to the other.
    rolled : bool
        Seen by gestures that were repeated, not by gravity: the instrument's roll about its strings.
    suspected : bool
        Larger than this hand's own scatter mostly is, too small to be told from it.
    """

    posture: str
    before_s: float
    after_s: float
    turned_deg: float
    axis: FloatArray
    creep: bool = False
    rolled: bool = False
    suspected: bool = False


def see_poses(signals: Signals, events: Sequence[Event]) -> tuple[Pose, ...]:
    """Mean direction of gravity in sensor axes over every gesture and block, in time order.

    Pieces of one block share the pose that the hand took for it: they would count as more than they are.

    Parameters
    ----------
    signals : Signals
    events : sequence of Event

    Returns
    -------
    tuple of Pose
        Of what can be used.
    """
    poses, number = [], -1
    for event in events:
        number += event.kind == "play"
        if event.kind not in POSES or event.label in NOT_WORN:
            continue
        start_s, end_s = event.start_s + EDGE_S, event.end_s - EDGE_S
        first, last = signals.grid.index_at(start_s), signals.grid.index_at(end_s)
        sound = signals.grid.valid[first:last]
        if sound.sum() < signals.grid.rate_hz:
            continue
        # The hand comes back to where it was, so what is left of its acceleration is gravity.
        mean = signals.accel_mps2[first:last][sound].mean(axis=0)
        block = number if event.kind == "play" else None
        down = -mean / np.linalg.norm(mean)
        poses.append(Pose(0.5 * (start_s + end_s), start_s, end_s, event.posture, block, down))
    return tuple(sorted(poses, key=lambda pose: pose.time_s))


def find_changes(
    poses: Sequence[Pose], settings: MountingSettings, strings: Mapping[int, float] | None = None
) -> tuple[MountingChange, ...]:
    """Changes of the mounting in each posture, jumps and creep.

    Parameters
    ----------
    poses : sequence of Pose
    settings : MountingSettings
    strings : mapping of int to float, optional
        By block: the mean string that it is played on, counted from the middle of all strings.

    Returns
    -------
    tuple of MountingChange
        In time order.
    """
    changes: list[MountingChange] = []
    for posture in sorted({pose.posture for pose in poses}):
        own = [pose for pose in poses if pose.posture in (posture, "")]
        changes += _split(posture, own, settings, strings or {})
    return tuple(sorted(changes, key=lambda change: change.after_s))


def suspect_turns(
    poses: Sequence[Pose],
    found: Sequence[MountingChange],
    settings: MountingSettings,
    along: Mapping[str, FloatArray],
    strings: Mapping[int, float] | None = None,
) -> tuple[MountingChange, ...]:
    """What may have happened before or between the blocks of each posture in which no change was found.

    An instrument that leans with the hand rolls about its strings from the gestures to the play; a strap that slips
    turns any way between two blocks. So does a hand that settles anew.

    Parameters
    ----------
    poses : sequence of Pose
    found : sequence of MountingChange
        Whose postures are left out.
    settings : MountingSettings
    along : mapping of str to float64 (3,)
        By posture: the strings' direction in sensor axes, where `along` told it.
    strings : mapping of int to float, optional
        As for :func:`find_changes`.

    Returns
    -------
    tuple of MountingChange
        One a posture at most, the least likely by chance.
    """
    turns = []
    for posture in sorted({pose.posture for pose in poses} - {change.posture for change in found}):
        own = [pose for pose in poses if pose.posture in (posture, "")]
        played = np.array([pose.block is not None for pose in own])
        first = int(np.argmax(played)) if played.any() else 0
        if first < 2 or not played[first:].all():
            continue
        x, mean = _tangent(own)
        course = np.array([0.0 if pose.block is None else (strings or {}).get(pose.block, 0.0) for pose in own])
        time_s = np.array([pose.time_s for pose in own])
        shifts = {
            at: _shift(x, course, _since(len(own), at), settings, drift_part(time_s, at))
            for at in range(first, len(own))
        }
        # Each chance against the one from which on it counts.
        chances = {at: shift.chance / settings.suspect_jump for at, shift in shifts.items() if settings.suspect_jump}
        chances |= {at: np.inf for at, shift in shifts.items() if shift.turned_deg < settings.jump_deg or at == first}
        if posture in along and settings.suspect:
            chances[first] = shifts[first].chance_along(_leans(along[posture], mean)) / settings.suspect
        at = min(chances, key=lambda border: chances[border], default=first)
        if chances.get(at, np.inf) < 1.0:
            edges = (own[at - 1].end_s, own[at].start_s)
            axis = _axis(shifts[at].size_deg, mean)
            turns.append(MountingChange(posture, *edges, shifts[at].turned_deg, axis, suspected=True))
    return tuple(turns)


def drift_part(time_s: FloatArray, at: int) -> float:
    """Variance, as a part of a pose's own, that a hand's drift over minutes adds between both sides of a border.

    Parameters
    ----------
    time_s : float64 (n,)
        Of poses in time order.
    at : int
        The first of them beyond the border.

    Returns
    -------
    float
    """
    apart_s = float(time_s[at:].mean() - time_s[:at].mean())
    return DRIFT * (1 - float(np.exp(-max(0.0, apart_s - DRIFT_FROM_S) / DRIFT_TAU_S)))


def _since(size: int, at: int) -> FloatArray:
    return (np.arange(size) >= at).astype(np.float64)


def _leans(strings: FloatArray, basis: FloatArray) -> FloatArray:
    """Direction (2,) in which gravity moves over the tangent plane when the instrument rolls about its strings."""
    moved = basis[1:] @ np.cross(strings, basis[0])
    return np.asarray(moved / np.linalg.norm(moved))


def _split(
    posture: str, poses: Sequence[Pose], settings: MountingSettings, strings: Mapping[int, float]
) -> list[MountingChange]:
    if len(poses) < 4:
        return []
    x, mean = _tangent(poses)
    borders = range(1, len(poses))
    course = np.array([0.0 if pose.block is None else strings.get(pose.block, 0.0) for pose in poses])
    steps = {at: _shift(x, course, _since(len(poses), at), settings) for at in borders}
    large = {at: step.chance for at, step in steps.items() if step.turned_deg >= settings.jump_deg}
    at = min(large, key=lambda border: large[border], default=0)
    least = large.get(at, 1.0)
    creep, chance = _creep(posture, poses, (x, course, mean), settings)
    if creep is not None and chance < settings.false_alarm and chance < least:
        return [creep]
    if not large or not (least < settings.false_alarm / len(borders) or chance < settings.false_alarm):
        return []
    step = steps[at]
    edges = (poses[at - 1].end_s, poses[at].start_s)
    change = MountingChange(posture, *edges, step.turned_deg, _axis(step.size_deg, mean))
    earlier, later = _split(posture, poses[:at], settings, strings), _split(posture, poses[at:], settings, strings)
    return [*earlier, change, *later]


def _creep(
    posture: str, poses: Sequence[Pose], seen: tuple[FloatArray, FloatArray, FloatArray], settings: MountingSettings
) -> tuple[MountingChange | None, float]:
    """A slow turn over the whole of a posture's poses, and the chance of one so large."""
    x, course, mean = seen
    time = np.array([pose.time_s for pose in poses])
    if len({pose.block for pose in poses if pose.block is not None}) < 2 or np.ptp(time) < settings.creep_s:
        return None, 1.0
    shift = _shift(x, course, (time - time[0]) / (time[-1] - time[0]), settings)
    if shift.turned_deg < settings.jump_deg:
        return None, 1.0
    edges = (poses[0].start_s, poses[-1].end_s)
    change = MountingChange(posture, *edges, shift.turned_deg, _axis(shift.size_deg, mean), creep=True)
    return change, shift.chance


def _tangent(poses: Sequence[Pose]) -> tuple[FloatArray, FloatArray]:
    """Directions as degrees in the plane that touches the sphere at their mean (n, 2), and that plane (3, 3)."""
    down = np.array([pose.down for pose in poses])
    centre = down.mean(axis=0)
    basis = np.linalg.svd(centre[None])[2]
    return np.degrees(down @ basis[1:].T), basis


def _axis(shift_deg: FloatArray, basis: FloatArray) -> FloatArray:
    """Axis about which the sensor turned: gravity moved the other way."""
    moved = shift_deg @ basis[1:]
    axis = np.cross(moved, basis[0] * np.sign(basis[0] @ basis[0]))
    return np.asarray(axis / np.linalg.norm(axis))


@dataclass(frozen=True)
class _Shift:
    """Size (2,) of a regressor; its variance as part of a pose's own (deg^2), known with this freedom."""

    size_deg: FloatArray
    part: float
    scatter2: float
    freedom: float

    @property
    def variance(self) -> float:
        return self.part * self.scatter2

    @property
    def turned_deg(self) -> float:
        return float(np.linalg.norm(self.size_deg))

    @property
    def chance(self) -> float:
        """Chance of so large a shift, whichever way, equation (8)."""
        statistic = float(self.size_deg @ self.size_deg) / (2 * self.variance)
        return float(f_distribution.sf(statistic, 2, self.freedom)) if self.freedom > 0 else 1.0

    def chance_along(self, way: FloatArray) -> float:
        """Chance of so large a shift along a way (2,) that was known before, to and fro."""
        statistic = float(self.size_deg @ way) ** 2 / self.variance
        return float(f_distribution.sf(statistic, 1, self.freedom)) if self.freedom > 0 else 1.0


def _shift(
    x_deg: FloatArray, course: FloatArray, regressor: FloatArray, settings: MountingSettings, drift: float = 0.0
) -> _Shift:
    """One regressor beside the mean and the string, equation (8); ``drift`` adds to the part of its variance."""
    n = len(x_deg)
    design = np.column_stack([np.ones(n), regressor, course])
    string = course.any()
    scatter = settings.unrest_deg
    prior = np.diag([0.0, 0.0, (scatter / settings.string_deg) ** 2 if string else 1.0])
    information = design.T @ design + prior
    inverse = np.linalg.pinv(information, hermitian=True)
    fit = inverse @ design.T @ x_deg
    freedom = n - (3 if string else 2)
    if freedom < 1:
        return _Shift(fit[1], 1.0, 1.0, 0.0)
    # The assumed unrest counts as two poses' worth of evidence.
    residual = float(((x_deg - design @ fit) ** 2).sum())
    scatter2 = (residual + 2 * 2 * scatter**2) / (2 * freedom + 4)
    return _Shift(fit[1], float(inverse[1, 1]) + drift, scatter2, 2.0 * freedom + 4.0)
