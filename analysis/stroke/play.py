"""Find strokes in a stretch of a session: where the tip's path across the strings turns, or rests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.moves import strokes_along
from analysis.motion.tip_path import Band
from analysis.motion.turns import StrokeSettings, running_median, sample_at
from analysis.reference.frame import Frame

FINDING_BAND = Band(0.35, 4, 20.0)
HEADING_STEP_S = 1.0


@dataclass(frozen=True)
class BandSettings:
    """Bands as multiples of the cycle frequency.

    Strokes are told apart below ``lowpass``; ``wide_lowpass`` is how far their paths and turns are followed.

    ``tilt_band`` stands for what the level's smoother lets through of slow errors, where a fixed response is needed.
    """

    tilt_highpass: float = 0.85
    tilt_highpass_most_hz: float = 1.0
    tilt_order: int = 4
    lowpass: float = 3.5
    wide_lowpass: float = 10.0
    lowest_lowpass_hz: float = 6.0
    highest_lowpass_hz: float = 40.0
    highest_wide_hz: float = 20.0

    def tilt_band(self, cycle_hz: float) -> Band:
        """Band in which errors of the sensor and the lever move the tilt."""
        highpass = min(self.tilt_highpass * cycle_hz, self.tilt_highpass_most_hz)
        return Band(highpass, self.tilt_order, self.lowpass_hz(cycle_hz))

    def lowpass_hz(self, cycle_hz: float) -> float:
        """Highest frequency of a path in which strokes are looked for."""
        return float(np.clip(self.lowpass * cycle_hz, self.lowest_lowpass_hz, self.highest_lowpass_hz))

    def wide_hz(self, cycle_hz: float) -> float:
        """Highest frequency of a path that is measured: a hand's motion, less what a strap rings."""
        wide = self.wide_lowpass * max(cycle_hz, self.lowest_lowpass_hz / self.lowpass)
        return max(self.lowpass_hz(cycle_hz), min(wide, self.highest_wide_hz))


@dataclass(frozen=True)
class StrokeSet:
    """Strokes in time order, as arrays.

    Attributes
    ----------
    start, end : float64 (n,)
        Turns, working sample numbers.
    sign : float64 (n,)
        +1 downstroke, -1 upstroke.
    span_m : float64 (n,)
        Travel across the strings.
    cycle_hz : float64 (n,)
        Cycle frequency of the strokes around it: half of one over their median duration.
    edge : bool (n,)
        One end at least is no turn: the hand comes from rest there, or stops.
    """

    start: FloatArray
    end: FloatArray
    sign: FloatArray
    span_m: FloatArray
    cycle_hz: FloatArray
    edge: BoolArray

    def select(self, keep: IntArray | BoolArray | slice) -> Self:
        """Strokes by index, mask or slice."""
        return type(self)(*(getattr(self, name)[keep] for name in type(self).__dataclass_fields__))

    def series(self) -> list[IntArray]:
        """Indices of each contiguous series of strokes."""
        if self.start.size == 0:
            return []
        breaks = np.flatnonzero(np.abs(self.start[1:] - self.end[:-1]) > 1e-6) + 1
        return np.split(np.arange(self.start.size), breaks)


def turned_axes(frame: Frame, times_s: FloatArray, drift: HeadingDrift) -> FloatArray:
    """Instrument axes in the drifted world at each time: (n, 3, 3), rows X, Y, Z.

    Parameters
    ----------
    frame : Frame
        Instrument axes while its gestures were made.
    times_s : float64 (n,)
        Log time.
    drift : HeadingDrift
        Of the heading.

    Returns
    -------
    float64 (n, 3, 3)
    """
    angle = drift.mean_rad(times_s)
    turn = np.zeros((times_s.size, 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = np.cos(angle)
    turn[:, 0, 1], turn[:, 1, 0] = np.sin(angle), -np.sin(angle)
    turn[:, 2, 2] = 1.0
    return np.asarray(frame.axes @ turn)


def find_strokes(
    motion: Motion, first: int, last: int, frame: Frame, drift: HeadingDrift, settings: StrokeSettings
) -> StrokeSet:
    """Strokes across the strings within samples ``first:last``, in a band that leaves most of the level out.

    Whether they are play is not asked; nor where exactly they turn.
    """
    path = motion.displacement(first, last, frame.lever_m, FINDING_BAND)
    step = max(1, int(HEADING_STEP_S * motion.grid.rate_hz))
    knots = np.arange(0, last - first + step, step, dtype=np.float64)
    axis = turned_axes(frame, motion.grid.time_at(first + knots), drift)[:, 1]
    at = np.arange(last - first, dtype=np.float64)
    across = sum(path[:, i] * np.interp(at, knots, axis[:, i]) for i in range(3))
    return strokes_of(np.asarray(across), first, motion.grid.rate_hz, settings)


def strokes_of(across_m: FloatArray, first: int, rate_hz: float, settings: StrokeSettings) -> StrokeSet:
    """Strokes of a position across the strings (n,) that begins at working sample ``first``."""
    moves = strokes_along(across_m, rate_hz, settings)
    if moves.start.size == 0:
        return join([])
    start, end = (sample_at(across_m[:, None], turn)[:, 0] for turn in (moves.start, moves.end))
    cycle_hz = 0.5 * rate_hz / running_median(moves.end - moves.start)
    return StrokeSet(
        moves.start + first, moves.end + first, moves.sign, np.abs(end - start),
        np.clip(cycle_hz, settings.min_cycle_hz, settings.max_cycle_hz), moves.edge,
    )  # fmt: skip


def join(parts: Sequence[StrokeSet]) -> StrokeSet:
    """Strokes of several parts, one after the other."""
    if not parts:
        none = np.empty(0)
        return StrokeSet(none, none, none, none, none, none > 0)
    return StrokeSet(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in StrokeSet.__dataclass_fields__)
    )
