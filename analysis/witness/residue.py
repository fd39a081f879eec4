r"""What the witness changed in a block's tilt, and what it leaves open.

With ``c`` the mean downstroke chord as seen from the instrument and ``B`` the displacement of the point of play in
the strokes' band, the hand alone would have seen ``c + B``, rolled with the instrument: its tilt less that of ``c`` is
the gain.
What is left comes from the turn between the two worlds, the place of the point of play, the clock, what is faster than
the clock lets through, and the instrument's own roll,

.. math:: \sigma^2 = J_\delta^2 \sigma_\delta^2 + J_r \Sigma_r J_r^T + J_\tau^2 \sigma_\tau^2 + \epsilon_{fast}^2
          + \sigma_{roll}^2                                                                           (6)

``J`` by the chords that a small change of each would make.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import FloatArray
from analysis.model.session_parts import WitnessedBlock, WitnessSummary
from analysis.motion.hand_motion import Motion
from analysis.motion.tip_path import Band, band_displacements
from analysis.motion.turns import sample_at
from analysis.witness.seen_from_instrument import SharedWorld, moved_with
from analysis.witness.witness import Witness

UP = np.array([0.0, 0.0, 1.0])
MARGIN_CYCLES = 2.0
MOST_STROKES = 32
KNOWN_SHARE = 0.95


@dataclass(frozen=True)
class SeenStrokes:
    """Strokes of one block: turns (working samples), +1 for a downstroke, and their band.

    Attributes
    ----------
    start, end, sign : float64 (n,)
    band : Band
    axes : float64 (3, 3)
        Instrument axes in the world of the gestures as it is at the block.
    chord_m : float64 (3,)
        Mean downstroke, instrument axes.
    """

    start: FloatArray
    end: FloatArray
    sign: FloatArray
    band: Band
    axes: FloatArray
    chord_m: FloatArray


def witness_block(witness: Witness, motion: Motion, strokes: SeenStrokes, index: int) -> WitnessedBlock:
    """What the witness tells of one block.

    Parameters
    ----------
    witness : Witness
    motion : Motion
        As seen from the instrument.
    strokes : SeenStrokes
    index : int
        Of the block.

    Returns
    -------
    WitnessedBlock
        With ``known`` false where the instrument was not seen for a part of it.
    """
    first, last = int(strokes.start[0]), min(int(np.ceil(strokes.end[-1])) + 1, motion.grid.size)
    if witness.known[first:last].mean() < KNOWN_SHARE:
        return WitnessedBlock(index, False)
    back = witness.world.back[first:last]
    roll = roll_deg(back, strokes.axes)
    moved = _chord_changes(witness, motion, strokes)
    chord = strokes.axes.T @ strokes.chord_m
    unseen = _tilt_deg(strokes.axes @ (chord + moved.point)) + float(roll.mean())
    without = unseen - _tilt_deg(strokes.chord_m)
    slopes = _slopes_deg(strokes, np.concatenate([moved.by_point, [moved.by_turn, moved.by_clock, moved.fast]]))
    turned = back.mean(axis=0)
    by_axis = np.cross(UP, chord) - turned @ np.cross(UP, turned.T @ chord)
    turn = float(slopes[3]) + float(_slopes_deg(strokes, by_axis[None])[0])
    heading_sd = _heading_sd(witness, motion, 0.5 * (first + last))
    settings = witness.settings
    roll_sd = settings.phone_roll_deg if witness.phone else settings.board_roll_deg
    doubt_s = witness.clock.clock.residual_s or 0.0
    variance = float(slopes[:3] @ witness.point.covariance @ slopes[:3])
    variance += (turn * heading_sd) ** 2 + (float(slopes[4]) * doubt_s) ** 2 + float(slopes[5]) ** 2 + roll_sd**2
    in_step = float(np.linalg.norm(moved.in_step_rad))
    return WitnessedBlock(
        index, True, float(roll.mean()), float(roll.std()), float(np.degrees(in_step)), without,
        float(np.sqrt(variance)), abs(float(slopes[5])),
    )  # fmt: skip


def summarise_witness(witness: Witness, seen: Sequence[WitnessedBlock]) -> WitnessSummary:
    """What is said of the sensor on the instrument.

    Parameters
    ----------
    witness : Witness
    seen : sequence of WitnessedBlock

    Returns
    -------
    WitnessSummary
    """
    heading, residual_s = witness.heading, witness.clock.clock.residual_s or 0.0
    return WitnessSummary(
        kind="phone" if witness.phone else "board",
        rate_hz=witness.rate_hz,
        rocked=witness.rocked is not None,
        heading_se_deg=None if heading is None else float(np.degrees(np.sqrt(heading.covariance[0, 0]))),
        place_se_mm=float(1e3 * np.sqrt(np.linalg.eigvalsh(witness.point.covariance)[-1])),
        clock_doubt_ms=1e3 * residual_s,
        blocks=tuple(seen),
    )


@dataclass(frozen=True)
class _ChordChanges:
    """Mean changes of the downstroke chord, world of the gestures, metres.

    ``point``: by the motion of the point of play; for a unit of: ``by_point`` (3, 3) the point's place, ``by_turn`` the
    turn between both worlds, ``by_clock`` a second; ``fast``: by what the clock does not let through; ``in_step_rad``:
    the instrument's own turn from one end of a stroke to the other.
    """

    point: FloatArray
    by_point: FloatArray
    by_turn: FloatArray
    by_clock: FloatArray
    fast: FloatArray
    in_step_rad: FloatArray


def _chord_changes(witness: Witness, motion: Motion, strokes: SeenStrokes) -> _ChordChanges:
    rate_hz, n = motion.grid.rate_hz, strokes.start.size
    some = slice(max(0, (n - MOST_STROKES) // 2), max(0, (n - MOST_STROKES) // 2) + MOST_STROKES)
    start, end, sign = strokes.start[some], strokes.end[some], strokes.sign[some]
    margin = int(MARGIN_CYCLES / strokes.band.highpass_hz * rate_hz)
    first = max(0, int(start[0]) - margin)
    last = min(motion.grid.size, int(np.ceil(end[-1])) + 1 + margin)
    slow, whole = _cut(witness.world, first, last), _cut(witness.whole, first, last)
    accel = np.einsum("nij,nj->ni", slow.back, moved_with(slow, rate_hz))
    fast = np.einsum("nij,nj->ni", whole.back, moved_with(whole, rate_hz)) - accel
    aside = np.einsum("nij,nj->ni", slow.back, np.cross(UP, moved_with(slow, rate_hz)))
    arms = np.einsum("nij,njk->nik", slow.back.mean(axis=0)[None], whole.rotation - whole.rotation.mean(axis=0))
    m = last - first
    nothing = np.zeros((m, 9))
    paths = band_displacements(
        np.concatenate([accel, fast, aside, nothing, np.zeros((m, 3))], axis=1),
        np.concatenate([nothing, arms.reshape(m, 9), np.zeros((m, 3))], axis=1),
        rate_hz,
        (strokes.band,),
    )[0]
    early = band_displacements(np.gradient(accel, 1 / rate_hz, axis=0), np.zeros((m, 3)), rate_hz, (strokes.band,))[0]
    paths[:, 18:] = early
    turn = band_displacements(np.zeros((m, 3)), _angles(whole.rate_radps, rate_hz), rate_hz, (strokes.band,))[0]
    paths = np.concatenate([paths, turn], axis=1)
    moved = ((sample_at(paths, end - first) - sample_at(paths, start - first)) * sign[:, None]).mean(axis=0)
    return _ChordChanges(
        moved[:3], moved[9:18].reshape(3, 3).T, moved[6:9], moved[18:21], moved[3:6], moved[21:24]
    )  # fmt: skip


def _angles(rate_radps: FloatArray, rate_hz: float) -> FloatArray:
    return np.cumsum(rate_radps - rate_radps.mean(axis=0), axis=0) / rate_hz


def _cut(world: SharedWorld, first: int, last: int) -> SharedWorld:
    part = slice(first, last)
    return replace(
        world,
        rotation=world.rotation[part],
        rate_radps=world.rate_radps[part],
        accel_mps2=world.accel_mps2[part],
        back=world.back[part],
    )


def levelled(back: FloatArray) -> FloatArray:
    """Turns (n, 3, 3) without their part about the vertical, most of which is the headings' drift.

    Parameters
    ----------
    back : float64 (n, 3, 3)

    Returns
    -------
    float64 (n, 3, 3)
    """
    yaw = np.arctan2(back[:, 1, 0] - back[:, 0, 1], back[:, 0, 0] + back[:, 1, 1])
    c, s, turn = np.cos(yaw), np.sin(yaw), np.zeros_like(back)
    turn[:, 0, 0] = turn[:, 1, 1] = c
    turn[:, 0, 1], turn[:, 1, 0], turn[:, 2, 2] = s, -s, 1.0
    return np.asarray(turn @ back)


def roll_deg(back: FloatArray, axes: FloatArray) -> FloatArray:
    """The instrument's roll about its strings since the gestures, at each sample: by how it lies to gravity.

    Parameters
    ----------
    back : float64 (n, 3, 3)
    axes : float64 (3, 3)
        Of the instrument, in the world of the gestures.

    Returns
    -------
    float64 (n,)
    """
    up, then = back[:, :, 2] @ axes.T, axes[:, 2]
    turned = np.arctan2(then[2], then[1]) - np.arctan2(up[:, 2], up[:, 1])
    return np.asarray(np.degrees(np.remainder(turned + np.pi, 2 * np.pi) - np.pi))


def _tilt_deg(chord: FloatArray) -> float:
    return float(np.degrees(np.arctan2(chord[2], chord[1])))


def _slopes_deg(strokes: SeenStrokes, changes: FloatArray) -> FloatArray:
    """Change of the tilt (deg) for small changes of the chord (k, 3), world of the gestures."""
    y, z = strokes.chord_m[1:]
    moved = changes @ strokes.axes.T
    return np.asarray(np.degrees((y * moved[:, 2] - z * moved[:, 1]) / (y * y + z * z)))


def _heading_sd(witness: Witness, motion: Motion, at: float) -> float:
    """Standard error (rad) of the turn between both worlds at a working sample."""
    if witness.heading is None:
        return float(np.pi / np.sqrt(3.0))
    drift = float(witness.drift.covariance_rad2(np.array([motion.grid.time_at(at)]))[0, 0])
    variance = float(witness.heading.covariance[0, 0]) + max(0.0, drift)
    return float(np.sqrt(min(variance, np.pi**2 / 3.0)))
