r"""Uncertainty of a block's mean tilt that all its strokes share.

Tilt is a function of three directions - ``along``, ``across``, the block's mean chord - and of the heading at their
times. Each direction is linear in the sensor and lever errors, so the variance of the mean tilt is

.. math:: \sigma^2 = J_\theta \Sigma_\theta J_\theta^T + J_\psi \Sigma_\psi J_\psi^T
          + \sum_k J_k \Sigma_k J_k^T + \sigma_c^2 |J_c|^2                                                (6)

with ``Sigma_theta`` from the pivot problem, ``Sigma_psi`` from the heading process, ``Sigma_k`` the scatter of each
gesture's chords plus the slope that a human gives a whole repetition, and ``sigma_c`` the slope that a human gives to
all repetitions of ``across`` alike, which turns them together. Derivatives are central differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.rotation import yaw_matrix
from analysis.motion.turns import sample_at
from analysis.reference.frame import Frame
from analysis.reference.gesture_directions import Direction, GestureSettings, sloppiness
from analysis.reference.lever import LeverFit
from analysis.signal.sensor_errors import LEVERS, SENSOR, lever_of
from analysis.stroke.play import BandSettings
from analysis.stroke.stroke_paths import TracedStrokes

STEP = 1e-4


@dataclass(frozen=True)
class BlockChord:
    """A block's mean downstroke chord and its dependence on small errors.

    Attributes
    ----------
    time_s : float
    chord_m : float64 (3,)
        World at the reference heading.
    columns : float64 (28, 3)
        Same axes: change for a unit of each sensor error and lever component.
    """

    time_s: float
    chord_m: FloatArray
    columns: FloatArray


def block_chord(
    motion: Motion, strokes: TracedStrokes, frame: Frame, drift: HeadingDrift, bands: BandSettings, most: int = 16
) -> BlockChord:
    """Mean chord of a block, and its sensitivity from an excerpt of ``most`` strokes in its middle.

    Parameters
    ----------
    motion : Motion
    strokes : TracedStrokes
        Of the block, at least one.
    frame : Frame
        Instrument axes and lever (m) of the block's posture.
    drift : HeadingDrift
        Of the heading, rad.
    bands : BandSettings
    most : int
        Strokes in the excerpt.

    Returns
    -------
    BlockChord
        Chord (3,) in metres in the world of the gestures, and how it changes with each unknown.
    """
    chords = (strokes.path_m[:, -1] - strokes.path_m[:, 0]) * strokes.sign[:, None]
    from_middle = max(0, (strokes.start.size - most) // 2)
    part = strokes.select(np.arange(from_middle, min(from_middle + most, strokes.start.size)))
    cycle = float(np.median(part.cycle_hz))
    first, last = int(part.start[0]) - 4, min(int(part.end[-1]) + 5, motion.grid.size)
    first = max(0, first)
    columns = motion.displacement_columns(first, last, frame.lever_m, bands.tilt_band(cycle))
    flat = columns.reshape(len(columns), -1)
    moved = (sample_at(flat, part.end - first) - sample_at(flat, part.start - first)) * part.sign[:, None]
    gain = bands.tilt_band(cycle).gain(np.array([cycle]))[0]
    time_s = motion.grid.time_at(0.5 * float(part.start[0] + part.end[-1]))
    turn = yaw_matrix(-float(drift.mean_rad(np.array([time_s]))[0]))
    return BlockChord(time_s, frame.axes.T @ chords.mean(axis=0), moved.mean(axis=0).reshape(3, -1).T @ turn.T / gain)


def offset_parts_deg(
    block: BlockChord, frame: Frame, fit: LeverFit, drift: HeadingDrift, settings: GestureSettings
) -> dict[str, float]:
    """Standard errors (deg) that the frame, the lever and the sensor lend to every stroke of a block, by their cause.

    Parameters
    ----------
    block : BlockChord
    frame : Frame
    fit : LeverFit
    drift : HeadingDrift
    settings : GestureSettings

    Returns
    -------
    dict of str to float
        ``pivot`` (sensor and lever), ``heading``, ``along``, ``across``; independent, their squares add up.
    """
    gestures = [*frame.along, *frame.across]
    times = np.array([*(g.time_s for g in gestures), block.time_s])
    angles = drift.mean_rad(times)
    chords = np.stack([*(yaw_matrix(-a) @ g.chord_m for a, g in zip(angles, gestures, strict=False)), block.chord_m])
    columns = [*(g.columns @ yaw_matrix(-a).T for a, g in zip(angles, gestures, strict=False)), block.columns]
    split = len(frame.along)
    sd = fit.covariance.sd
    # Sensor errors move all directions together, a lever those that were measured with it.
    moves = np.zeros((sd.size, len(chords), 3))
    for row, (column, grip) in enumerate(zip(columns, [*(g.grip for g in gestures), frame.grip], strict=True)):
        moves[SENSOR, row] = column[SENSOR]
        moves[lever_of(grip), row] = column[LEVERS]
    slope = _slopes(chords, sd[:, None, None] * moves, split) / sd
    variance = {"pivot": fit.covariance.variance(slope)}
    # Heading at each time turns one direction about the vertical.
    up = np.array([0.0, 0.0, 1.0])
    turns = np.zeros((len(times), len(times), 3))
    turns[np.arange(len(times)), np.arange(len(times))] = -np.cross(up, chords)
    slope = _slopes(chords, STEP * turns, split) / STEP
    variance["heading"] = float(slope @ drift.covariance_rad2(times) @ slope)
    ratio = sloppiness(gestures, fit.slip_ratio, settings)
    human = replace(
        settings, across_slope_deg=ratio * settings.across_slope_deg, along_slope_deg=ratio * settings.along_slope_deg
    )
    own = [_gesture_variance(chords, i, g, angles[i], split, human) for i, g in enumerate(gestures)]
    constant = _constant_lift_variance(chords, split, human)
    variance |= {"along": sum(own[:split]), "across": sum(own[split:]) + constant}
    if frame.board_weight:  # what the soundboard told of the roll, across did not
        board = frame.board_weight * np.radians(frame.board_sd_deg)
        variance["across"] = (1.0 - frame.board_weight) ** 2 * variance["across"] + board**2
    return {cause: float(np.degrees(np.sqrt(part))) for cause, part in variance.items()}


def _gesture_variance(
    chords: FloatArray, index: int, gesture: Direction, angle: float, split: int, settings: GestureSettings
) -> float:
    """Scatter of one gesture's chords, and the slope of the whole repetition."""
    turn = yaw_matrix(-angle)
    varies_deg = settings.across_slope_deg * float(np.sqrt(1.0 - settings.across_constant_share))
    slope_deg = settings.along_slope_deg if index < split else varies_deg
    human = np.radians(slope_deg) * float(np.linalg.norm(gesture.chord_m))
    cov = turn @ gesture.chord_cov @ turn.T + human**2 * np.eye(3)
    moves = np.zeros((3, len(chords), 3))
    moves[:, index] = STEP * np.eye(3)
    slope = _slopes(chords, moves, split) / STEP
    return float(slope @ cov @ slope)


def _constant_lift_variance(chords: FloatArray, split: int, settings: GestureSettings) -> float:
    """Variance from the slope that a player gives to every ``across`` alike: repeating does not narrow it."""
    across = chords[split:-1]
    sign = np.where(across @ across[0] < 0, -1.0, 1.0)
    moves = np.zeros((3, len(chords), 3))
    moves[:, split:-1] = STEP * np.eye(3)[:, None, :] * (sign * np.linalg.norm(across, axis=1))[None, :, None]
    slope = _slopes(chords, moves, split) / STEP
    sd = np.radians(settings.across_slope_deg) * np.sqrt(settings.across_constant_share)
    return float(sd**2 * (slope @ slope))


def _slopes(chords: FloatArray, moves: FloatArray, split: int) -> FloatArray:
    """Central differences of the tilt (rad) for moves of the chords.

    Parameters
    ----------
    chords : float64 (g + 1, 3)
        ``split`` along, then across, last the block.
    moves : float64 (k, g + 1, 3)
    split : int

    Returns
    -------
    float64 (k,)
    """
    return np.asarray(0.5 * (_tilts(chords + moves, split) - _tilts(chords - moves, split)))


def _tilts(chords: FloatArray, split: int) -> FloatArray:
    units = chords / np.linalg.norm(chords, axis=2, keepdims=True)
    x, y = _mean_axis(units[:, :split]), _mean_axis(units[:, split:-1])
    z = np.cross(x, y)
    z /= np.linalg.norm(z, axis=1, keepdims=True)
    y = np.cross(z, x)
    play = chords[:, -1]
    # The sign of x and y is free here: only differences of the angle between path and plane matter.
    return np.asarray(np.arctan(np.einsum("ki,ki->k", z, play) / np.einsum("ki,ki->k", y, play)))


def _mean_axis(units: FloatArray) -> FloatArray:
    sign = np.where(np.einsum("kgi,ki->kg", units, units[:, 0]) < 0, -1.0, 1.0)
    total = (units * sign[:, :, None]).sum(axis=1)
    return np.asarray(total / np.linalg.norm(total, axis=1, keepdims=True))
