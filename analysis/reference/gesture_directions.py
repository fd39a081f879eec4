"""Directions from the reference gestures ``across`` and ``along``.

A gesture is a run of strokes of the tip to and fro; its direction is the mean of the signed turn-to-turn chords,
which is linear in every small error, so its uncertainty follows from theirs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import Event, FloatArray, GestureQuality
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import rotate
from analysis.motion.tip_path import Band, main_direction
from analysis.motion.turns import StrokeSettings, cycle_frequencies, find_runs, find_turns, sample_at

EARLY_S = 1.0
"""How long before its mark the first move of a gesture may come."""
UNDER_WAY = 1.5
"""Steps from the beginning of the look within which a move may have had another before it, unseen."""


@dataclass(frozen=True)
class GestureSettings:
    """What a usable gesture needs, and the part of a human's sloppiness that one gesture cannot show.

    ``across_slope_deg`` is the assumed SD of the slope of one ``across`` out of the string plane. Of its variance,
    ``across_constant_share`` is the player's own way of doing it, the same in every repetition, which no repetition
    averages out; nobody has measured how much that is, so it is a half. ``along_slope_deg`` is the SD of ``along``
    against the strings. All grow with the sloppiness that does show: slip in ``pivot`` against the usual,
    unsteadiness of ``along`` against ``along_noise_mm``. Slip of more than ``max_slip_ratio`` times the usual is no
    slip: the tip was not held on its spot, and the lever would be anything.

    Attributes
    ----------
    trim_s : float
        Cut off at both ends of a gesture.
    min_cycles : float
        Times back and forth.
    min_extent_mm : float
        From end to end.
    max_spread : float
        Scatter of the moves about their mean, as a part of their length.
    min_angle_deg : float
        Between ``across`` and ``along``.
    across_slope_deg : float
    across_constant_share : float
    along_slope_deg : float
    along_noise_mm : float
        Usual unsteadiness of ``along``.
    min_pivot_deg : float
        Rocking about the second largest axis.
    max_slip_ratio : float
    """

    trim_s: float = 0.3
    min_cycles: float = 2.0
    min_extent_mm: float = 12.0
    max_spread: float = 0.35
    min_angle_deg: float = 35.0
    across_slope_deg: float = 0.8
    across_constant_share: float = 0.5
    along_slope_deg: float = 0.15
    along_noise_mm: float = 0.35
    min_pivot_deg: float = 3.0
    max_slip_ratio: float = 2.5


@dataclass(frozen=True)
class Direction:
    """A gesture's direction in the world at its own time.

    Attributes
    ----------
    kind, posture : str
    time_s : float
        Middle of the cycles used.
    chord_m : float64 (3,)
        Mean signed chord.
    chord_cov : float64 (3, 3)
        Of the mean, from the scatter of single chords.
    columns : float64 (28, 3)
        Change of the chord for a unit of each sensor error and lever component.
    first_sign : float
        +1 where the first move of the gesture goes the way of ``chord_m``, -1 against it, 0 where it was not seen.
    unsteady_mm : float
        RMS deviation of the chords from their mean, off its direction.
    quality : GestureQuality
    arm_m : float64 (3,)
        Lever from sensor to tip in the world, mean over the gesture.
    grip : int
        Which lever of the lever fit it was measured with.
    """

    kind: str
    posture: str
    time_s: float
    chord_m: FloatArray
    chord_cov: FloatArray
    columns: FloatArray
    first_sign: float
    unsteady_mm: float
    quality: GestureQuality
    arm_m: FloatArray
    grip: int = 0

    @property
    def usable(self) -> bool:
        """Whether the gesture is good enough to be used."""
        return self.quality.usable


def sloppiness(directions: Sequence[Direction], slip_ratio: float, settings: GestureSettings) -> float:
    """How much less steady than usual the gestures were, at least 1.

    Parameters
    ----------
    directions : sequence of Direction
    slip_ratio : float
        Slip in ``pivot`` over the usual.
    settings : GestureSettings

    Returns
    -------
    float
        RMS of the ratios seen: what a gesture does not show of a hand is taken to be as unsteady as what it shows.
    """
    seen = [slip_ratio] + [
        d.unsteady_mm / settings.along_noise_mm for d in directions if d.kind == "along" and d.usable
    ]
    return max(1.0, float(np.sqrt(np.mean(np.square(seen)))))


def measure_direction(motion: Motion, event: Event, lever_m: FloatArray, settings: GestureSettings) -> Direction:
    """Mean chord of an ``across`` or ``along`` gesture.

    Parameters
    ----------
    motion : Motion
    event : Event
    lever_m : float64 (3,)
    settings : GestureSettings

    Returns
    -------
    Direction
        ``usable`` is False, with a remark, where the gesture is too short, too small or too crooked.
    """
    inner = motion.grid.slice_of(event.start_s + settings.trim_s, event.end_s - settings.trim_s)
    first, last = inner.start, inner.stop
    if last - first < motion.grid.rate_hz:
        return _unusable(event, "shorter than a second and a half; repeat it with ten cycles")
    rough = motion.displacement(first, last, lever_m, Band(0.5, 4, 20.0))
    axis = main_direction(rough)
    _, frequency, speed = cycle_frequencies(rough @ axis, motion.grid.rate_hz, StrokeSettings(), 2.0)
    cycle_hz = float(np.average(frequency, weights=speed**2 + 1e-12))
    band = Band(0.5 * cycle_hz, 4, max(6 * cycle_hz, 8.0))
    path = motion.displacement(first, last, lever_m, band)
    axis = main_direction(path)
    turns = _steady_turns(path @ axis)
    if turns.size < 2 * settings.min_cycles + 1:
        return _unusable(
            event, f"only {max(0, turns.size - 1) / 2:g} even cycles found; repeat it, ten cycles to and fro"
        )
    chords = np.diff(sample_at(path, turns), axis=0)
    sign = np.where(np.arange(len(chords)) % 2 == 0, 1.0, -1.0)[:, None]
    signed = chords * sign
    mean = signed.mean(axis=0)
    # Neighbouring chords share a turn; two chords count as one independent cycle.
    cov = np.cov(signed.T) / max(1.0, len(signed) / 2)
    columns = motion.displacement_columns(first, last, lever_m, band)
    at_turns = sample_at(columns.reshape(len(columns), -1), turns).reshape(turns.size, 3, -1)
    moved = (np.diff(at_turns, axis=0) * sign[:, :, None]).mean(axis=0).T
    extent = float(np.linalg.norm(mean))
    across = signed - np.outer(signed @ mean / extent**2, mean)
    unsteady = 1e3 * float(np.sqrt((across**2).sum() / (2 * max(1, len(across) - 1))))
    spread = float(np.sqrt((across**2).sum() / (signed**2).sum()))
    remark = _remark(extent, spread, settings)
    quality = GestureQuality(
        kind=event.kind,
        start_s=event.start_s,
        end_s=event.end_s,
        posture=event.posture,
        cycles=len(chords) / 2,
        extent_mm=1e3 * extent,
        straightness=1 - spread,
        usable=not remark,
        remark=remark,
    )
    first_sign = _first_move(motion, event, lever_m, band, mean / extent)
    middle = motion.grid.time_at(first + float(turns.mean()))
    arm_m = rotate(motion.quat_wxyz[first:last], lever_m).mean(axis=0)
    return Direction(event.kind, event.posture, middle, mean, cov, moved, first_sign, unsteady, quality, arm_m)


def _first_move(motion: Motion, event: Event, lever_m: FloatArray, band: Band, axis: FloatArray) -> float:
    """Sign of the first move along ``axis``: of the first peak of speed before two even steps; 0 if it is not seen.

    Speed rather than position: before a tip sets out, the band's ringing puts a turn where it stood. A hand that comes
    to the strings keeps no rhythm; one that pauses halfway had found it before.
    """
    first, last = motion.grid.index_at(event.start_s - EARLY_S), motion.grid.index_at(event.end_s)
    speed = np.gradient(motion.displacement(first, last, lever_m, band) @ axis)
    peaks = find_turns(speed, 0.3 * float(np.percentile(speed, 95) - np.percentile(speed, 5)))
    if peaks.size < 3:
        return 0.0
    step = np.diff(peaks)
    even = np.abs(np.log(step / np.median(step))) < np.log(1.6)
    begun = np.flatnonzero(even[:-1] & even[1:])
    # Moves that were under way when the look began may have begun with another one.
    if not begun.size or peaks[begun[0]] < UNDER_WAY * np.median(step):
        return 0.0
    return 1.0 if float(sample_at(speed[:, None], peaks[begun[:1]])[0, 0]) > 0 else -1.0


def _steady_turns(position: FloatArray) -> FloatArray:
    """Turns of the longest run whose strokes resemble each other in time and length."""
    turns = find_turns(position, 0.35 * (np.percentile(position, 95) - np.percentile(position, 5)))
    if turns.size < 3:
        return turns
    place = sample_at(position[:, None], turns)[:, 0]
    settings = StrokeSettings(min_run=3, min_span_share=0.5, period_ratio=1.8)
    run = find_runs(turns[:-1], turns[1:], np.abs(np.diff(place)), settings)
    if (run < 0).all():
        return turns[:0]
    longest = np.flatnonzero(run == np.bincount(run[run >= 0]).argmax())
    return turns[longest[0] : longest[-1] + 2]


def _remark(extent_m: float, spread: float, settings: GestureSettings) -> str:
    if 1e3 * extent_m < settings.min_extent_mm:
        return f"the tip moved only {1e3 * extent_m:.0f} mm; repeat it with a larger motion"
    if spread > settings.max_spread:
        return "the path was too crooked for a direction; repeat it, straight to and fro"
    return ""


def _unusable(event: Event, remark: str) -> Direction:
    quality = GestureQuality(event.kind, event.start_s, event.end_s, event.posture, 0.0, 0.0, 0.0, False, remark)
    zero, cov, columns = np.zeros(3), np.zeros((3, 3)), np.zeros((28, 3))
    return Direction(event.kind, event.posture, event.start_s, zero, cov, columns, 1.0, 0.0, quality, zero)
