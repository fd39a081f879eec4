"""The tip's path in every stroke of play, from its run alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.tip_path import filter_contained, main_direction
from analysis.motion.turns import sample_at
from analysis.reference.frame import Frame
from analysis.stroke.play import BandSettings, StrokeSet

PATH_POINTS = 17
END_TOLERANCE = 0.15

AxesAt = Callable[[Frame, FloatArray], FloatArray]
"""Instrument axes (n, 3, 3) of a frame in the drifted world at log times (n,)."""


@dataclass(frozen=True)
class TracedStrokes(StrokeSet):
    """Strokes with their paths.

    Attributes
    ----------
    path_m : float64 (n, PATH_POINTS, 3)
        Tip path in instrument axes, evenly sampled in time from turn to turn, gain divided out. Its shape is that of
        the turn band, which is flat over the harmonics; its chord has the direction of the tilt band, which keeps slow
        motion out, and the length of the turn band.
    """

    path_m: FloatArray


def settle_ends(strokes: StrokeSet) -> StrokeSet:
    """Give the first and last stroke of every series the rhythm's length where the path's turn is out of rhythm.

    Where a hand comes to the strings or leaves them, the turn found is that of the coming or leaving.
    """
    start, end, edge = strokes.start.copy(), strokes.end.copy(), strokes.edge.copy()
    for members in strokes.series():
        if members.size < 3:
            continue
        length = (strokes.end - strokes.start)[members]
        for place, inner in ((0, length[1:9]), (-1, length[-9:-1])):
            rhythm = float(np.median(inner))
            if abs(length[place] / rhythm - 1) > END_TOLERANCE:
                at = members[place]
                edge[at] = True
                if place == 0:
                    start[at] = max(0.0, end[at] - rhythm)
                else:
                    end[at] = start[at] + rhythm
    return replace(strokes, start=start, end=end, edge=edge)


def trace_paths(
    motion: Motion, strokes: StrokeSet, frames: Sequence[Frame], axes_at: AxesAt, bands: BandSettings
) -> TracedStrokes:
    """Path of every stroke, each series filtered from its own samples alone.

    Parameters
    ----------
    motion : Motion
    strokes : StrokeSet
        Strokes of play.
    frames : sequence of Frame
        Frame of each stroke.
    axes_at : callable
    bands : BandSettings

    Returns
    -------
    TracedStrokes
        Directions and spans stay those of the turn band.
    """
    path = np.zeros((strokes.start.size, PATH_POINTS, 3))
    for members in strokes.series():
        frame = frames[members[0]]
        for cycle in np.unique(strokes.cycle_hz[members]):
            some = members[strokes.cycle_hz[members] == cycle]
            path[some] = _series_paths(motion, strokes, members, some, frame.lever_m, bands)
        axes = axes_at(frame, motion.grid.time_at(0.5 * (strokes.start + strokes.end)[members]))
        path[members] = np.einsum("nij,nkj->nki", axes, path[members])
    same = {name: getattr(strokes, name) for name in StrokeSet.__dataclass_fields__}
    return TracedStrokes(**same, path_m=path)


def _series_paths(
    motion: Motion, strokes: StrokeSet, series: IntArray, some: IntArray, lever_m: FloatArray, bands: BandSettings
) -> FloatArray:
    """World paths of some strokes of one cycle frequency, filtered over their whole series."""
    cycle = float(strokes.cycle_hz[some[0]])
    low = int(strokes.start[series[0]])
    high = min(motion.grid.size, int(np.ceil(strokes.end[series[-1]])) + 1)
    pair = (bands.turn_band(cycle), bands.tilt_band(cycle))
    gains = [float(band.gain(np.array([cycle]))[0]) for band in pair]
    raw = motion.series_path(low, high, lever_m)
    turn_path, tilt_path = filter_contained(raw, motion.grid.rate_hz, pair, cycle)
    # Reflection about the ends suits what runs along the strokes; an arch, highest at every turn, would go on rising.
    along = turn_path @ main_direction(turn_path)
    shape = arch_shape(along, strokes.start[series] - low, strokes.end[series] - low)
    inside = filter_contained(shape[:, None], motion.grid.rate_hz, pair, cycle)
    arch_m = _arch(turn_path, along, inside[0])
    turn_path, tilt_path = turn_path - inside[0] * arch_m, tilt_path - inside[1] * arch_m
    start, end = strokes.start[some] - low, strokes.end[some] - low
    at = start[:, None] + (end - start)[:, None] * np.linspace(0.0, 1.0, PATH_POINTS)
    path = sample_at(turn_path, at) / gains[0] + sample_at(shape[:, None], at) * arch_m
    chord = _difference(tilt_path, start, end)
    main = main_direction(turn_path)
    held = filter_contained((raw @ main)[:, None], motion.grid.rate_hz, pair[:1], cycle, hold=True)[0] / gains[0]
    length = np.abs(_difference(held, start, end)) / np.maximum(np.abs(chord @ main), 1e-9)[:, None]
    return swap_chord(path, chord * length)


def _difference(path: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """What a path gains from each start to its end, fractional sample numbers."""
    return np.asarray(sample_at(path, end) - sample_at(path, start))


def arch_shape(along: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Shape of an arched stroke over a series: the square of the position along each stroke, from -1 to 1.

    Parameters
    ----------
    along : float64 (n,)
        Position along the strokes over the series, in the turn band.
    start, end : float64 (k,)
        Turns of its contiguous strokes, sample numbers.

    Returns
    -------
    float64 (n,)
        1 at every turn, 0 midway.
    """
    first, last = (sample_at(along[:, None], turn)[:, 0] for turn in (start, end))
    stroke = np.clip(np.searchsorted(start, np.arange(along.size), side="right") - 1, 0, start.size - 1)
    span = np.where(last == first, np.inf, last - first)
    return np.asarray(np.clip((2 * (along - first[stroke]) / span[stroke] - 1) ** 2, 0.0, 1.0))


def _arch(path_m: FloatArray, along: FloatArray, shape: FloatArray) -> FloatArray:
    """How much (1, 3) of a filtered shape is in a path, what runs along the strokes apart."""
    both = np.column_stack([along, shape])
    # A series of one stroke beside a gap may have no arch at all: the pseudo-inverse then takes none.
    return np.asarray((np.linalg.pinv(both.T @ both, hermitian=True) @ both.T @ path_m)[1:])


def swap_chord(path_m: FloatArray, chord_m: FloatArray) -> FloatArray:
    """Shear paths so that they run along given chords; the bend away from the chord stays.

    Parameters
    ----------
    path_m : float64 (n, k, 3)
    chord_m : float64 (n, 3)

    Returns
    -------
    float64 (n, k, 3)
        Each path's midpoint between its turns at the origin.
    """
    old = path_m[:, -1] - path_m[:, 0]
    share = np.einsum("nki,ni->nk", path_m - path_m[:, :1], old) / np.einsum("ni,ni->n", old, old)[:, None]
    bend = path_m - path_m[:, :1] - share[:, :, None] * old[:, None]
    sheared: FloatArray = bend + (share[:, :, None] - 0.5) * chord_m[:, None]
    return sheared
