"""A session worked out by hand: every motion is a translation along a line or a turn about a fixed axis.

Independent of the forward model in :mod:`analysis.synthesis`: positions, accelerations and turning rates are closed
forms of one motion law ``E(t) sin(2 pi f t)``, ``E`` a ramp up and down; the sensor has no errors but rounding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.model.records import OFF_HAND, Event, EventKind, FloatArray, RawSamples, SensorProfile, Session
from analysis.motion.tip_path import GRAVITY_MPS2

STEP = 1e-6
RAMP_S = 0.5
PAUSE_S = 1.0
UPRIGHT = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
"""Rows X, Y, Z of an instrument whose strings run level and whose soundboard stands upright, in the world."""


@dataclass(frozen=True)
class Move:
    """One motion ``amount(t)``: metres along a line, or radians about an axis through a fixed point.

    Attributes
    ----------
    kind : str
        Of the event that marks it; empty for none.
    direction : float64 (3,)
        Unit vector, instrument axes.
    amplitudes : sequence of (float, float)
        Amplitude (m or rad) and frequency (Hz) of each sinusoid; empty for a hand at rest.
    seconds : float
    about_m : float64 (3,) or None
        Place of the fixed point from the tip at rest, instrument axes; None for a translation.
    """

    kind: EventKind | None
    direction: FloatArray
    amplitudes: tuple[tuple[float, float], ...]
    seconds: float
    about_m: FloatArray | None = None
    label: str = ""
    ramp_s: float = RAMP_S


@dataclass(frozen=True)
class Rig:
    """How instrument and sensor stand; vectors in metres."""

    axes_world: FloatArray = field(default_factory=lambda: UPRIGHT)
    mounting: Rotation = field(default_factory=Rotation.identity)  # sensor axes to instrument axes at rest
    lever_m: FloatArray = field(default_factory=lambda: np.array([-0.04, 0.03, -0.06]))  # instrument axes
    rate_hz: float = 400.0

    @property
    def lever_sensor_mm(self) -> FloatArray:
        return 1e3 * self.mounting.inv().apply(self.lever_m)


def motion_law(t: FloatArray, move: Move) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Amount, its rate and its acceleration."""
    ramp = np.zeros((3, t.size))
    for start, sign in ((0.0, 1.0), (move.seconds - move.ramp_s, -1.0)):
        u = np.clip((t - start) / move.ramp_s, 0.0, 1.0)
        ramp += sign * np.stack(
            [
                u**3 * (10 - 15 * u + 6 * u**2),
                30 * u**2 * (1 - u) ** 2 / move.ramp_s,
                60 * u * (1 - u) * (1 - 2 * u) / move.ramp_s**2,
            ]
        )
    amount = np.zeros((3, t.size))
    for size, frequency in move.amplitudes:
        w = 2 * np.pi * frequency
        s, c = size * np.sin(w * t), size * w * np.cos(w * t)
        amount += [ramp[0] * s, ramp[1] * s + ramp[0] * c, ramp[2] * s + 2 * ramp[1] * c - ramp[0] * w**2 * s]
    return amount[0], amount[1], amount[2]


def tip_path_m(t: FloatArray, move: Move) -> FloatArray:
    """True path of the tip (n, 3), instrument axes."""
    amount, _, _ = motion_law(t, move)
    if move.about_m is None:
        return amount[:, None] * move.direction
    arm = -move.about_m  # from the fixed point to the tip
    return move.about_m + Rotation.from_rotvec(amount[:, None] * move.direction).apply(arm)


def sensor_signals(t: FloatArray, move: Move, rig: Rig) -> tuple[FloatArray, FloatArray]:
    """Specific force and turning rate (n, 3), sensor axes."""
    amount, rate, acceleration = motion_law(t, move)
    up = rig.axes_world @ np.array([0.0, 0.0, GRAVITY_MPS2])
    if move.about_m is None:
        force = up + acceleration[:, None] * move.direction
        return rig.mounting.inv().apply(force), np.zeros((t.size, 3))
    turn = Rotation.from_rotvec(amount[:, None] * move.direction)
    arm = turn.apply(-rig.lever_m - move.about_m)  # from the fixed point to the sensor
    tangent = np.cross(move.direction, arm)
    force = up + acceleration[:, None] * tangent + rate[:, None] ** 2 * np.cross(move.direction, tangent)
    gyro = rate[:, None] * move.direction  # an axis is the same before and after a turn about it
    return rig.mounting.inv().apply(turn.inv().apply(force)), rig.mounting.inv().apply(gyro)


def gestures(rig: Rig, across_deg: float = 0.0) -> list[Move]:
    """Flawless reference gestures; ``across`` may run askew by an angle."""
    x, y, z = np.eye(3)
    askew = np.radians(across_deg)
    rock = ((np.radians(10), 0.6), (np.radians(6), 1.7))
    here = np.zeros(3)
    tremble = ((8e-8, 80.0),)  # 0.02 m/s2: what a pick attack has to exceed four times
    return [
        Move("still", x, tremble, 3.0, label=OFF_HAND),
        Move("still", x, tremble, 3.0),
        Move("across", np.cos(askew) * y + np.sin(askew) * x, ((0.03, 2.0),), 5.0),
        Move("along", x, ((0.02, 2.0),), 5.0),
        *(Move("pivot", axis, rock, 3.5, about_m=here) for axis in (x, y, z)),
    ]


def session_of(moves: Sequence[Move], rig: Rig) -> tuple[Session, list[float]]:
    """A session of moves with pauses between them, and the log time at which each starts.

    Turns about one axis after another make one ``pivot``, without a pause.
    """
    start_s: list[float] = []
    events: list[Event] = []
    at = PAUSE_S
    for move, before in zip(moves, [None, *moves], strict=False):
        goes_on = move.kind == "pivot" and before is not None and before.kind == "pivot"
        at -= PAUSE_S if goes_on else 0.0
        start_s.append(at)
        if goes_on:
            events[-1] = replace(events[-1], end_s=at + move.seconds)
        elif move.kind is not None:
            events.append(Event(at, at + move.seconds, move.kind, move.label, posture="" if move.label else "A"))
        at += move.seconds + PAUSE_S
    t = np.arange(round((at + 1.0) * rig.rate_hz)) / rig.rate_hz
    rest = Move(None, np.array([1.0, 0.0, 0.0]), (), 1.0)
    signals = np.concatenate(sensor_signals(np.zeros(t.size), rest, rig), axis=1)
    for start, move in zip(start_s, moves, strict=True):
        inside = (t >= start) & (t < start + move.seconds)
        signals[inside] = np.concatenate(sensor_signals(t[inside] - start, move, rig), axis=1)
    counts = np.rint(signals / STEP).astype(np.int32)
    raw = RawSamples(np.rint(t * 1e6).astype(np.int64), np.arange(t.size), np.full(t.size, np.nan), counts)
    profile = SensorProfile("by hand", rig.rate_hz, STEP, STEP, tick_hz=1e6)
    return Session(raw, profile, events=tuple(events)), start_s
