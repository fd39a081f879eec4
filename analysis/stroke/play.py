"""Find the strokes of a session: where there is play, how fast it cycles, where the path turns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.tip_path import Band
from analysis.motion.turns import (
    StrokeSettings,
    cycle_frequencies,
    find_turns,
    sample_at,
    split_by_tempo,
    strokes_between,
)
from analysis.reference.frame import Frame

FINDING_BAND = Band(0.35, 4, 20.0)
MIN_SPEED_MPS = 0.006
LONGEST_PIECE_S = 300.0
REACH_S = 1.5


@dataclass(frozen=True)
class BandSettings:
    """Bands as multiples of the cycle frequency: one for the turns, one for the tilt."""

    turn_highpass: float = 0.5
    turn_order: int = 4
    tilt_highpass: float = 0.85
    tilt_highpass_most_hz: float = 1.0
    tilt_order: int = 4
    lowpass: float = 3.5
    lowest_lowpass_hz: float = 6.0
    highest_lowpass_hz: float = 40.0

    def turn_band(self, cycle_hz: float) -> Band:
        """Band in which turns are found."""
        return Band(self.turn_highpass * cycle_hz, self.turn_order, self._lowpass(cycle_hz))

    def tilt_band(self, cycle_hz: float) -> Band:
        """Band in which tilt is measured."""
        highpass = min(self.tilt_highpass * cycle_hz, self.tilt_highpass_most_hz)
        return Band(highpass, self.tilt_order, self._lowpass(cycle_hz))

    def _lowpass(self, cycle_hz: float) -> float:
        return float(np.clip(self.lowpass * cycle_hz, self.lowest_lowpass_hz, self.highest_lowpass_hz))


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
        Travel across the strings in the turn band.
    cycle_hz : float64 (n,)
        Cycle frequency of the piece it was measured in.
    edge : bool (n,)
        First or last of its series, with one turn placed by the series' rhythm because the path shows none.
    """

    start: FloatArray
    end: FloatArray
    sign: FloatArray
    span_m: FloatArray
    cycle_hz: FloatArray
    edge: BoolArray

    def select(self, keep: IntArray | BoolArray) -> Self:
        """Strokes by index or mask."""
        return type(self)(*(getattr(self, name)[keep] for name in type(self).__dataclass_fields__))

    def series(self) -> list[IntArray]:
        """Indices of each contiguous series of strokes."""
        if self.start.size == 0:
            return []
        breaks = np.flatnonzero(np.abs(self.start[1:] - self.end[:-1]) > 1e-6) + 1
        return np.split(np.arange(self.start.size), breaks)


@dataclass(frozen=True)
class Piece:
    """Play of nearly one tempo: working samples ``first:last``, inside a stretch that ends at ``bounds``."""

    first: int
    last: int
    cycle_hz: float
    bounds: tuple[int, int]


def find_pieces(
    motion: Motion, first: int, last: int, frame: Frame, drift: HeadingDrift, settings: StrokeSettings
) -> list[Piece]:
    """Stretches of rhythmic motion across the strings within samples ``first:last``."""
    middle_s = motion.grid.time_at(0.5 * (first + last))
    axes = turned_axes(frame, np.array([middle_s]), drift)[0]
    position = motion.displacement(first, last, frame.lever_m, FINDING_BAND) @ axes[1]
    centre, frequency, speed = cycle_frequencies(position, motion.grid.rate_hz, settings)
    if centre.size == 0:
        return []
    hop = int(centre[1] - centre[0]) if centre.size > 1 else 2 * int(centre[0])
    groups = split_by_tempo(frequency, speed > MIN_SPEED_MPS, max(2, int(LONGEST_PIECE_S * motion.grid.rate_hz / hop)))
    pieces = []
    for start, end in groups:
        begin = 0 if start == 0 else int(centre[start]) - hop // 2
        finish = last - first if end == centre.size else int(centre[end - 1]) + hop // 2
        cycle = float(np.average(frequency[start:end], weights=speed[start:end] ** 2))
        pieces.append(Piece(first + begin, first + min(finish, last - first), cycle, (first, last)))
    return pieces


def turned_axes(frame: Frame, times_s: FloatArray, drift: HeadingDrift) -> FloatArray:
    """Instrument axes in the drifted world at each time: (n, 3, 3), rows X, Y, Z."""
    angle = drift.mean_rad(times_s)
    turn = np.zeros((times_s.size, 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = np.cos(angle)
    turn[:, 0, 1], turn[:, 1, 0] = np.sin(angle), -np.sin(angle)
    turn[:, 2, 2] = 1.0
    return np.asarray(frame.axes @ turn)


def trace_strokes(
    motion: Motion,
    pieces: Sequence[Piece],
    frame_at: Callable[[FloatArray], FloatArray],
    lever_m: FloatArray,
    settings: StrokeSettings,
    bands: BandSettings,
) -> StrokeSet:
    """Turns and tip paths of a chain of pieces.

    Parameters
    ----------
    motion : Motion
    pieces : sequence of Piece
        In time order, inside one stretch.
    frame_at : callable
        Instrument axes (n, 3, 3) in the drifted world at log times (n,).
    lever_m : float64 (3,)
    settings : StrokeSettings
    bands : BandSettings

    Returns
    -------
    StrokeSet
    """
    parts = []
    claimed = np.zeros(0)
    traced = []
    for piece in pieces:
        part = _trace_piece(motion, piece, frame_at, lever_m, settings, bands)
        traced.append((piece, part, _keeps_time(piece, part, motion.grid.rate_hz, settings)))
    traced.sort(key=lambda each: (not each[2], each[0].first - each[0].last))
    for piece, part, in_time in traced:
        # A longer piece's series runs on past its border; what it has claimed is left out here.
        free = _free_of(claimed, part)
        if free.sum() > 0.5 * free.size and not in_time:
            own = replace(piece, cycle_hz=_cycle_of(part, motion.grid.rate_hz, settings))
            part = _trace_piece(motion, own, frame_at, lever_m, settings, bands)
            free = _free_of(claimed, part)
        part = part.select(free)
        if part.start.size:
            parts.append(part)
            claimed = np.sort(np.concatenate([claimed, _spans(part)]))
    strokes = join(parts)
    return strokes.select(np.argsort(strokes.start, kind="stable"))


def _cycle_of(part: StrokeSet, rate_hz: float, settings: StrokeSettings) -> float:
    """Cycle frequency that strokes have themselves."""
    own_hz = 0.5 * rate_hz / float(np.median(part.end - part.start))
    return float(np.clip(own_hz, settings.min_cycle_hz, settings.max_cycle_hz))


def _keeps_time(piece: Piece, part: StrokeSet, rate_hz: float, settings: StrokeSettings) -> bool:
    """Whether a piece's strokes have the piece's own cycle.

    Where a hand comes to the strings, or leaves them, the spectrum may be that of its coming: strokes of play in the
    same window are then found in a wrong band.
    """
    if not part.start.size:
        return True
    ratio = _cycle_of(part, rate_hz, settings) / piece.cycle_hz
    return 1 / settings.longest_ratio < ratio < settings.longest_ratio


def _free_of(claimed: FloatArray, part: StrokeSet) -> BoolArray:
    """Strokes whose middle lies in no span that is claimed."""
    middle = 0.5 * (part.start + part.end)
    return np.asarray(np.searchsorted(claimed, middle) % 2 == 0)


def _spans(part: StrokeSet) -> FloatArray:
    """Borders of the contiguous series of a part, ascending: start, end, start, end..."""
    return np.array([[part.start[m[0]], part.end[m[-1]]] for m in part.series()]).ravel()


def join(parts: Sequence[StrokeSet]) -> StrokeSet:
    """Strokes of several parts, one after the other."""
    if not parts:
        none = np.empty(0)
        return StrokeSet(none, none, none, none, none, none > 0)
    return StrokeSet(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in StrokeSet.__dataclass_fields__)
    )


def _trace_piece(
    motion: Motion,
    piece: Piece,
    frame_at: Callable[[FloatArray], FloatArray],
    lever_m: FloatArray,
    settings: StrokeSettings,
    bands: BandSettings,
) -> StrokeSet:
    cycle = piece.cycle_hz
    reach = int(REACH_S * motion.grid.rate_hz)
    first, last = max(piece.bounds[0], piece.first - reach), min(piece.bounds[1], piece.last + reach)
    axes = frame_at(np.array([motion.grid.time_at(0.5 * (piece.first + piece.last))]))[0]
    turn_path = motion.displacement(first, last, lever_m, bands.turn_band(cycle))
    across = turn_path @ axes[1]
    turns = find_turns(across, settings.first_prominence_mm * 1e-3)
    if turns.size > 2:
        typical = float(np.median(np.abs(np.diff(sample_at(across[:, None], turns)[:, 0]))))
        turns = find_turns(across, max(settings.min_span_mm * 1e-3, settings.min_span_share * typical))
    if turns.size < 2:
        return join([])
    start, end, edge = strokes_between(turns, settings.longest_ratio)
    mine = _own_series(start + first, end + first, piece, settings) & (start >= 0) & (end <= last - first - 1)
    start, end, edge = start[mine], end[mine], edge[mine]
    travel = sample_at(across[:, None], end)[:, 0] - sample_at(across[:, None], start)[:, 0]
    gain = bands.turn_band(cycle).gain(np.array([cycle]))[0]
    return StrokeSet(
        start + first, end + first, np.sign(travel), np.abs(travel) / gain, np.full(start.size, cycle), edge
    )


def _own_series(start: FloatArray, end: FloatArray, piece: Piece, settings: StrokeSettings) -> BoolArray:
    """Strokes inside the piece, and those outside that go on in its rhythm without a break."""
    middle = 0.5 * (start + end)
    inside = (middle >= piece.first) & (middle < piece.last)
    if not inside.any():
        return inside
    typical = float(np.median((end - start)[inside]))
    regular = np.abs(np.log((end - start) / typical)) < np.log(settings.longest_ratio)
    joined = np.abs(start[1:] - end[:-1]) < 1e-6
    for at in range(int(np.flatnonzero(inside)[-1]) + 1, start.size):
        if not (regular[at] and joined[at - 1]):
            break
        inside[at] = True
    for at in range(int(np.flatnonzero(inside)[0]) - 1, -1, -1):
        if not (regular[at] and joined[at]):
            break
        inside[at] = True
    return inside
