"""Random players, instruments' attitudes and whole scenarios."""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray, Instrument, Player
from analysis.synthesis.grades import Vector
from analysis.synthesis.rotation import matrix, quat_from_matrix, random_quat
from analysis.synthesis.scenario import Attitude, Hand, Joint, PlayBlock, Scenario


def _vector(values: FloatArray) -> Vector:
    return (float(values[0]), float(values[1]), float(values[2]))


def _unit(values: FloatArray) -> FloatArray:
    unit: FloatArray = values / np.linalg.norm(values)
    return unit


def draw_joints(rng: np.random.Generator, left_handed: bool) -> tuple[Joint, ...]:
    """Return forearm rotation, wrist deviation, wrist flexion and elbow with random shares and axes.

    The forearm comes from the bridge's side and from above. For a left hand everything is mirrored along the
    strings: an axis of rotation then keeps its X and changes the signs of Y and Z.
    """
    mirror = np.array([1.0, -1.0, -1.0]) if left_handed else np.ones(3)
    total = rng.uniform(0.2, 1.0)
    forearm, deviation, elbow = total * rng.dirichlet((1.2, 1.2, 0.8))
    flexion = rng.uniform(-0.15, 0.25)
    nominal = (
        (np.array([0.8, -0.5, 0.2]), (60.0, 110.0), forearm),
        (np.array([0.0, 0.0, -1.0]), (80.0, 140.0), deviation),
        (np.array([0.4, 1.0, 0.0]), (80.0, 140.0), flexion),
        (np.array([0.1, -0.1, -1.0]), (200.0, 250.0), elbow),
    )
    return tuple(
        Joint(
            axis=_vector(mirror * _unit(axis + 0.15 * rng.normal(size=3))),
            radius_mm=rng.uniform(*radius),
            share=float(share),
            lag_ms=float(rng.normal(0.0, 2.5)),
            harmonic=float(rng.normal(0.0, 0.05)),
        )
        for axis, radius, share in nominal
    )


def draw_hand(rng: np.random.Generator, handed: str = "right") -> Hand:
    """Return a random hand with a sensor strapped on it in any attitude."""
    left = handed == "left"
    mirror = np.array([-1.0, 1.0, 1.0]) if left else np.ones(3)
    ahead = _unit(np.array([-0.75, 0.35, -0.5]) + 0.15 * rng.normal(size=3))
    ahead[2] = -max(abs(ahead[2]), 0.2)
    lever = rng.uniform(60.0, 110.0) * _unit(ahead)
    points = _unit(np.array([-0.1, 0.15, -1.0]) + 0.2 * rng.normal(size=3))
    quat = random_quat(rng)
    return Hand(
        lever_mm=_vector(mirror * lever),
        mounting_wxyz=(float(quat[0]), float(quat[1]), float(quat[2]), float(quat[3])),
        joints=draw_joints(rng, left),
        tip_radius_mm=rng.uniform(0.5, 1.0),
        plectrum_axis=_vector(mirror * points),
        obliqueness_deg=rng.uniform(-20.0, 20.0),
        smoothness=rng.uniform(0.55, 1.0),
        uneven=float(np.clip(rng.normal(0.0, 0.04), -0.1, 0.1)),
        loop_mm=float(rng.normal(0.0, 0.25)),
        tremor_deg=rng.uniform(0.02, 0.05),
        tremor_mm=rng.uniform(0.015, 0.04),
        wander_deg=rng.uniform(0.8, 2.2),
        posture_drift_deg=rng.uniform(1.0, 3.0),
        settle_deg=rng.uniform(1.5, 4.0),
    )


def draw_attitude(rng: np.random.Generator) -> Attitude:
    """Return a random way of holding the instrument, upright or flat."""
    return Attitude(
        heading_deg=rng.uniform(0.0, 360.0),
        neck_up_deg=float(np.clip(rng.normal(12.0, 8.0), -8.0, 25.0)),
        face_up_deg=float(np.clip(rng.normal(8.0, 8.0), -10.0, 25.0)),
    )


def instrument_quat(attitude: Attitude, instrument: Instrument, player: Player) -> FloatArray:
    """Return the rotation (4,) from instrument axes to the world, Z up.

    Upright: seen by the player, Z points forward and Y down, so X points to the right for either hand; the neck is
    raised on the nut's side, which for a left-handed player is the right. Flat: Z points up, Y forward.
    """
    heading, neck, face = np.radians([attitude.heading_deg, attitude.neck_up_deg, attitude.face_up_deg])
    if player.handed == "left":
        neck = -neck
    if instrument.held == "upright":
        plain = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
    else:
        plain = np.eye(3)
    # Raising the neck turns about Z so that X dips; turning the face up is about X.
    dip = neck if instrument.held == "upright" else 0.0
    c, s = np.cos(dip), np.sin(dip)
    roll = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    c, s = np.cos(face), np.sin(face)
    pitch = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])
    c, s = np.cos(heading), np.sin(heading)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return quat_from_matrix(turn @ pitch @ plain @ roll)


def hand_matrix(hand: Hand) -> FloatArray:
    """Return the rotation matrix from sensor axes to instrument axes at the reference attitude."""
    return matrix(np.array(hand.mounting_wxyz))


def string_heights_mm(seed: int) -> tuple[float, float]:
    """Return the true heights of the outer strings above the soundboard, of the first that a downstroke meets first."""
    rng = np.random.default_rng([seed, 0x5717])
    return float(rng.uniform(8.0, 12.0)), float(rng.uniform(8.0, 12.0))


def random_scenario(
    seed: int,
    strokes_per_s: float = 8.0,
    duration_s: float = 40.0,
    rate_hz: float = 400.0,
    span_mm: float | None = 15.0,
    blocks: int = 1,
) -> Scenario:
    """Return a random player and task for benchmarks; the same seed is the same player at every speed.

    Parameters
    ----------
    seed : int
    strokes_per_s, duration_s : float
        Of every block.
    rate_hz : float
    span_mm : float or None
        None draws 10-20 mm.
    blocks : int
        Blocks in one posture, each with a tilt of its own, uniform within +-28 degrees.

    Returns
    -------
    Scenario
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0x5CE7A]))
    tilts = rng.uniform(-28.0, 28.0, 64)
    drawn_span = rng.uniform(10.0, 20.0)
    player = Player(handed="left" if rng.random() < 0.1 else "right")
    hand, attitude = draw_hand(rng, player.handed), draw_attitude(rng)
    gravity = rng.uniform(9.79, 9.825)
    plans = tuple(
        PlayBlock(
            strokes_per_s=strokes_per_s,
            tilt_deg=float(tilts[i % tilts.size]),
            span_mm=drawn_span if span_mm is None else span_mm,
            duration_s=duration_s,
            tilt_scatter_deg=rng.uniform(0.5, 1.5),
        )
        for i in range(blocks)
    )
    return Scenario(rate_hz=rate_hz, player=player, blocks=plans, hand=hand, attitude=attitude, gravity_mps2=gravity)
