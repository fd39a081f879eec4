"""The tip's path in every stroke of play: twice integrated, the drift taken out, turns found again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from analysis.model.records import FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.level import smooth_drift
from analysis.motion.level_settings import LevelSettings
from analysis.motion.level_states import Turns
from analysis.motion.rotation import multiply
from analysis.motion.turns import StrokeSettings, refine_extrema, sample_at
from analysis.reference.frame import Frame
from analysis.stroke.gaps import BORNE_S
from analysis.stroke.play import BandSettings, StrokeSet, strokes_of

PATH_POINTS = 17
CHAIN_S = 5.0
"""A longer rest parts two chains of strokes: its drift says nothing of the other's."""
MARGIN_S = 1.0
QUICK_PERCENTILE = 20.0
PLACE_SHARE = 0.2
"""Part of the shorter stroke beside it by which a turn may move when it is placed in the wide band."""
PLACES = 10

AxesAt = Callable[[Frame, FloatArray], FloatArray]


@dataclass(frozen=True)
class FrameView:
    """A posture's frame, and how its axes turn with time.

    Attributes
    ----------
    frame : Frame
    axes_at : callable
        Axes (n, 3, 3) of a frame at times (n,).
    """

    frame: Frame
    axes_at: AxesAt

    def axes(self, time_s: FloatArray) -> FloatArray:
        """The frame's axes (n, 3, 3) at these times (n,)."""
        return self.axes_at(self.frame, time_s)


"""Instrument axes (n, 3, 3) of a frame in the drifted world at log times (n,)."""


@dataclass(frozen=True)
class TracedStrokes(StrokeSet):
    """Strokes with their paths.

    Attributes
    ----------
    path_m : float64 (n, PATH_POINTS, 3)
        Tip path in instrument axes, evenly sampled in time from turn to turn, its midpoint between them at the origin.
    chord_se_m : float64 (n, 3)
        Standard error of the chord from what drifts, instrument axes.
    """

    path_m: FloatArray
    chord_se_m: FloatArray


@dataclass(frozen=True)
class LevelPath:
    """Path of the tip over a chain of strokes, about the level of the hand.

    Attributes
    ----------
    first : int
        Working sample number of its first sample.
    path_m : float64 (n, 3)
        Instrument axes as at its middle; the level is in it, the drift of double integration is not.
    axes : float64 (3, 3)
        These axes, in the drifted world.
    middle_s : float64 (m,)
        Middles of the strokes that gave the drift, from the path's first sample.
    chord_se_mps : float64 (m, 3)
        Standard error of what the drift adds to each, in proportion to its time.
    cycle_hz : float
        Cycle frequency of its quick strokes.
    rate_hz : float
    """

    first: int
    path_m: FloatArray
    axes: FloatArray
    middle_s: FloatArray
    chord_se_mps: FloatArray
    cycle_hz: float
    rate_hz: float

    def lowpassed(self, lowpass_hz: float) -> FloatArray:
        """The path (n, 3) below a frequency, zero phase: ``1 / (1 + (f / f_l)^8)``."""
        if lowpass_hz >= 0.45 * self.rate_hz:
            return self.path_m
        sections = signal.butter(4, lowpass_hz, fs=self.rate_hz, output="sos")
        pad = min(len(self.path_m) - 1, int(2 * self.rate_hz / lowpass_hz))
        return np.asarray(signal.sosfiltfilt(sections, self.path_m, axis=0, padlen=pad))


def restore_level(motion: Motion, strokes: StrokeSet, view: FrameView, settings: LevelSettings) -> list[LevelPath]:
    """The tip's path over every chain of strokes, the level of the hand in it.

    Parameters
    ----------
    motion : Motion
    strokes : StrokeSet
        Strokes of play in one posture, in time order.
    view : FrameView
    settings : LevelSettings

    Returns
    -------
    list of LevelPath
        One a chain; chains do not overlap.
    """
    gaps = np.array([(gap.start, gap.stop) for gap in motion.grid.gaps(BORNE_S)], dtype=np.int64).reshape(-1, 2)
    chains = _chains(motion, strokes, gaps)
    found: list[LevelPath] = []
    for place, members in enumerate(chains):
        chain = strokes.select(members)
        low, high = _without_gaps(motion, gaps, int(chain.start[0]), int(np.ceil(chain.end[-1])) + 1)
        if found:
            low = max(low, found[-1].first + len(found[-1].path_m))
        if place + 1 < len(chains):
            high = min(high, int(0.5 * (chain.end[-1] + strokes.start[chains[place + 1][0]])) + 1)
        if high - low > 3:
            found.append(_level_path(motion, chain, (low, high), view, settings))
    return found


def _level_path(
    motion: Motion,
    chain: StrokeSet,
    span: tuple[int, int],
    view: FrameView,
    settings: LevelSettings,
) -> LevelPath:
    low, high = span
    axes = view.axes(motion.grid.time_at(np.array([0.5 * (low + high)])))[0]
    path = motion.series_path(low, high, view.frame.lever_m) @ axes.T
    start, end = np.maximum(chain.start - low, 0.0), np.minimum(chain.end - low, high - low - 1.0)
    turns, of_stroke = _turns_of(chain, start, end, motion.quat_wxyz[low:high])
    reading = sample_at(path, turns.time_s)
    turns = replace(turns, time_s=turns.time_s / motion.grid.rate_hz)
    if np.searchsorted(motion.clipped_at, high) > np.searchsorted(motion.clipped_at, low):
        settings = settings.for_clipped_attacks()
    drift = smooth_drift(turns, reading, settings)
    path -= drift.at(np.arange(high - low) / motion.grid.rate_hz)
    quick = float(np.percentile(chain.end - chain.start, QUICK_PERCENTILE))
    rate_hz = motion.grid.rate_hz
    chord_se_mps = drift.chord_se_m[of_stroke] * rate_hz / (end - start)[:, None]
    return LevelPath(low, path, axes, 0.5 * (start + end) / rate_hz, chord_se_mps, 0.5 * rate_hz / quick, rate_hz)


def _turns_of(strokes: StrokeSet, start: FloatArray, end: FloatArray, quat_wxyz: FloatArray) -> tuple[Turns, IntArray]:
    """Turns of strokes, by sample numbers of a path, one where two strokes meet; and the turn each stroke starts at."""
    apart = np.concatenate([[True], strokes.start[1:] - strokes.end[:-1] > 1e-6])
    at_start = np.cumsum(apart) + np.arange(apart.size) - 1
    count = np.zeros(int(at_start[-1]) + 2)
    side, edge, place = np.zeros((3, count.size))
    turned = np.zeros((count.size, 3))
    middle_rad = _turned_rad(quat_wxyz, start, end)
    for turn, way in ((at_start, -strokes.sign), (at_start + 1, strokes.sign)):
        place[turn] = start if turn is at_start else end
        side[turn] += way
        edge[turn] += strokes.edge
        turned[turn] += middle_rad
        count[turn] += 1
    edge = edge * (count == 1)
    return Turns(place, side / count, edge > 0, turned / count[:, None]), at_start


def _turned_rad(quat_wxyz: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """By how much the hand is turned (n, 3) midway between two turns, against the middle of the path."""
    middle = quat_wxyz[len(quat_wxyz) // 2] * [1.0, -1.0, -1.0, -1.0]
    turn = [multiply(quat_wxyz[np.rint(at).astype(np.int64)], middle) for at in (start, end)]
    # A hand turns by half a radian at most while it plays: twice the sine of half the angle will do.
    return np.asarray(sum(each[:, 1:] * np.sign(each[:, :1]) for each in turn))


def _chains(motion: Motion, strokes: StrokeSet, gaps: IntArray) -> list[IntArray]:
    """Strokes between which the hand rested for a few seconds at most, and no sample is missing for long."""
    if strokes.start.size == 0:
        return []
    apart = strokes.start[1:] - strokes.end[:-1] > CHAIN_S * motion.grid.rate_hz
    apart |= np.searchsorted(gaps[:, 0], strokes.start[1:]) > np.searchsorted(gaps[:, 0], strokes.start[:-1])
    return np.split(np.arange(strokes.start.size), np.flatnonzero(apart) + 1)


def _without_gaps(motion: Motion, gaps: IntArray, low: int, high: int) -> tuple[int, int]:
    """Samples ``low:high`` with a margin that ends where samples are missing for long: ``gaps`` (k, 2) in order."""
    margin = int(MARGIN_S * motion.grid.rate_hz)
    before = int(np.searchsorted(gaps[:, 1], low, "right"))
    after = int(np.searchsorted(gaps[:, 0], high))
    first = max(0, low - margin, int(gaps[before - 1, 1]) if before else 0)
    last = min(motion.grid.size, high + margin, int(gaps[after, 0]) if after < len(gaps) else motion.grid.size)
    return first, last


def strokes_on(path: LevelPath, settings: StrokeSettings, bands: BandSettings) -> StrokeSet:
    """Strokes of a path whose level is restored: found in a narrow band, their turns placed in a wide one."""
    cycle_hz = path.cycle_hz
    strokes = strokes_of(path.lowpassed(bands.lowpass_hz(cycle_hz))[:, 1], path.first, path.rate_hz, settings)
    return _place_turns(strokes, path.lowpassed(bands.wide_hz(cycle_hz))[:, 1], path.first)


def _place_turns(strokes: StrokeSet, across_m: FloatArray, first: int) -> StrokeSet:
    """The strokes with every turn between two of them moved to the extremum of the path (n,) near by."""
    at = np.flatnonzero(strokes.start[1:] == strokes.end[:-1])
    if at.size == 0:
        return strokes
    length = strokes.end - strokes.start
    step = (PLACE_SHARE / PLACES * np.minimum(length[at], length[at + 1]))[:, None]
    offset = np.arange(-PLACES, PLACES + 1)
    turn = strokes.end[at] - first
    height = sample_at(across_m[:, None], turn[:, None] + step * offset)[..., 0] * strokes.sign[at][:, None]
    # Row after row in one line: a place at the edge of its row is moved inside, where the parabola knows its row only.
    best = np.clip(height.argmax(axis=1), 1, offset.size - 2) + offset.size * np.arange(at.size)
    turn += step[:, 0] * (refine_extrema(height.ravel(), best) - offset.size * np.arange(at.size) - PLACES)
    start, end = strokes.start.copy(), strokes.end.copy()
    end[at] = start[at + 1] = turn + first
    return replace(strokes, start=start, end=end)


def trace_strokes(
    motion: Motion, path: LevelPath, strokes: StrokeSet, view: FrameView, bands: BandSettings
) -> TracedStrokes:
    """Paths of strokes from turn to turn, each in the axes of its own time.

    Parameters
    ----------
    motion : Motion
    path : LevelPath
    strokes : StrokeSet
        Strokes inside ``path``.
    view : FrameView
    bands : BandSettings

    Returns
    -------
    TracedStrokes
    """
    smooth = path.lowpassed(bands.wide_hz(path.cycle_hz))
    start, end = strokes.start - path.first, strokes.end - path.first
    at = start[:, None] + (end - start)[:, None] * np.linspace(0.0, 1.0, PATH_POINTS)
    own = sample_at(smooth, at)
    own -= 0.5 * (own[:, :1] + own[:, -1:])
    axes = view.axes(motion.grid.time_at(0.5 * (strokes.start + strokes.end)))
    turned = np.einsum("nij,nkj->nki", axes @ path.axes.T, own)
    seconds = (end - start) / path.rate_hz
    middle_s = 0.5 * (start + end) / path.rate_hz
    rate = [np.interp(middle_s, path.middle_s, each) for each in path.chord_se_mps.T]
    chord_se = np.stack(rate, axis=1) * seconds[:, None]
    same = {name: getattr(strokes, name) for name in StrokeSet.__dataclass_fields__}
    return TracedStrokes(**same, path_m=turned, chord_se_m=chord_se)


def join_traced(parts: Sequence[TracedStrokes]) -> TracedStrokes:
    """Strokes of several parts, one after the other."""
    if not parts:
        none = np.empty(0)
        empty = np.empty((0, PATH_POINTS, 3))
        return TracedStrokes(none, none, none, none, none, none > 0, empty, np.empty((0, 3)))
    names = TracedStrokes.__dataclass_fields__
    return TracedStrokes(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
