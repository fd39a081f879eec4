"""From a session's motion to its strokes of play with their paths: found, judged, level restored, found again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import NamedTuple, Self

import numpy as np
from scipy.ndimage import convolve1d

from analysis.model.records import BoolArray, Event, FloatArray, IntArray
from analysis.motion.hand_motion import Motion
from analysis.motion.level_settings import LevelSettings
from analysis.motion.turns import StrokeSettings, find_runs, running_rank
from analysis.reference.frame import Frame
from analysis.reference.session_reference import Reference
from analysis.stroke.contact import hear_attacks
from analysis.stroke.gaps import gap_lengths, is_cut_off, is_whole
from analysis.stroke.gate import Candidates, accept_strokes
from analysis.stroke.play import BandSettings, StrokeSet, find_strokes, join, turned_axes
from analysis.stroke.play_intervals import Stretch, find_stretches, number_passages
from analysis.stroke.smoothness import stroke_smoothness
from analysis.stroke.stroke_paths import (
    FrameView,
    LevelPath,
    TracedStrokes,
    join_traced,
    restore_level,
    strokes_on,
    trace_strokes,
)

IDLE_SHARE = 0.3
"""Slower than this part of the quicker strokes around, and without an attack, is a way back, no stroke."""
WAY_BACK_SHARE = 0.45
"""The same of what begins or ends at rest, where the want of an attack tells nothing."""
QUICK_SHARE = 0.6
"""Faster than this part of them is no way back."""
NEAR = np.array([1, 1, 1, 0, 1, 1, 1])
"""Which strokes around one are near it."""


@dataclass(frozen=True)
class TableSettings:
    """Settings of the table: strokes, bands, what is assumed of the level.

    Attributes
    ----------
    strokes : StrokeSettings
    bands : BandSettings
    level : LevelSettings
    """

    strokes: StrokeSettings = field(default_factory=StrokeSettings)
    bands: BandSettings = field(default_factory=BandSettings)
    level: LevelSettings = field(default_factory=LevelSettings)

    def with_noise(self, sensor_mps2_rthz: float | None) -> Self:
        """The settings for a sensor whose noise was measured.

        Parameters
        ----------
        sensor_mps2_rthz : float or None

        Returns
        -------
        TableSettings
        """
        return replace(self, level=self.level.with_noise(sensor_mps2_rthz))


@dataclass(frozen=True)
class PlayContext:
    """What play is measured against: the frames, and the level of a pick attack (None where none can be seen).

    Attributes
    ----------
    reference : Reference
    attack_mps2 : float or None
    """

    reference: Reference
    attack_mps2: float | None


@dataclass(frozen=True)
class PlayStrokes:
    """Strokes of play, arrays of one length.

    Attributes
    ----------
    traced : TracedStrokes
    run : int64 (n,)
        Number of the unbroken run.
    block : int64 (n,)
        -1 outside every block.
    attack_mps2 : float64 (n,)
        Peak of the pick attack, NaN without one.
    bridged : bool (n,)
        A few samples are missing inside and were bridged.
    posture : object (n,)
    sparc, ldlj : float64 (n,)
    """

    traced: TracedStrokes
    run: IntArray
    block: IntArray
    attack_mps2: FloatArray
    bridged: BoolArray
    posture: np.ndarray[tuple[int], np.dtype[np.object_]]
    sparc: FloatArray
    ldlj: FloatArray


def find_play(motion: Motion, events: Sequence[Event], context: PlayContext, settings: TableSettings) -> PlayStrokes:
    """Strokes of play in all stretches of a session.

    Parameters
    ----------
    motion : Motion
    events : sequence of Event
        In time order.
    context : PlayContext
    settings : TableSettings

    Returns
    -------
    PlayStrokes
    """
    reference = context.reference
    stretches = find_stretches(motion, events)
    blocks = [event for event in events if event.kind == "play"]
    judge = _Judge(motion, blocks, context.attack_mps2, settings.strokes)
    rough = [
        find_strokes(motion, s.first, s.last, _frame(motion, reference, s), reference.drift, settings.strokes)
        for s in stretches
    ]
    sure = [judge.surely_play(part) for part in judge.kept(rough)]
    every, posture, sparc, ldlj = _trace(motion, stretches, sure, judge, context, settings)
    look = judge.look_at(every)
    return PlayStrokes(
        every, look.run, look.block, np.where(look.attack, look.strength_mps2, np.nan), judge.bridged(every),
        posture, sparc, ldlj,
    )  # fmt: skip


class _Traced(NamedTuple):
    """Strokes with their paths, their posture, and how smooth they are."""

    strokes: TracedStrokes
    posture: np.ndarray[tuple[int], np.dtype[np.object_]]
    sparc: FloatArray
    ldlj: FloatArray


def _trace(
    motion: Motion,
    stretches: Sequence[Stretch],
    sure: Sequence[StrokeSet],
    judge: _Judge,
    context: PlayContext,
    settings: TableSettings,
) -> _Traced:
    """Paths with the level restored by those strokes that are ``sure``, and the strokes of play on them."""
    paths = _level_paths(motion, stretches, sure, context.reference, settings)
    again = [_inside(strokes_on(path, settings.strokes, settings.bands), stretch) for path, stretch in paths]
    found = []
    for (path, stretch), strokes in zip(paths, judge.kept(again), strict=True):
        part = trace_strokes(motion, path, strokes, _view(motion, context.reference, stretch), settings.bands)
        # Where the hand only just moves across the strings, turns placed by speed may run backwards.
        part = part.select(part.sign * (part.path_m[:, -1, 1] - part.path_m[:, 0, 1]) > 0)
        smooth = stroke_smoothness(path, part, settings.bands.highest_lowpass_hz)
        found.append(_Traced(part, np.full(part.start.size, stretch.posture, dtype=object), *smooth))
    if not found:
        return _Traced(join_traced([]), np.empty(0, dtype=object), np.empty(0), np.empty(0))
    posture, sparc, ldlj = (np.concatenate([each[column] for each in found]) for column in (1, 2, 3))
    return _Traced(join_traced([each.strokes for each in found]), posture, sparc, ldlj)


def _frame(motion: Motion, reference: Reference, stretch: Stretch) -> Frame:
    """Frame of a stretch's posture as at its middle."""
    return reference.frame(stretch.posture, motion.grid.time_at(0.5 * (stretch.first + stretch.last)))


def _view(motion: Motion, reference: Reference, stretch: Stretch) -> FrameView:
    return FrameView(_frame(motion, reference, stretch), partial(turned_axes, drift=reference.drift))


def _level_paths(
    motion: Motion,
    stretches: Sequence[Stretch],
    kept: Sequence[StrokeSet],
    reference: Reference,
    settings: TableSettings,
) -> list[tuple[LevelPath, Stretch]]:
    return [
        (path, stretch)
        for stretch, strokes in zip(stretches, kept, strict=True)
        for path in restore_level(motion, strokes, _view(motion, reference, stretch), settings.level)
    ]


def _inside(strokes: StrokeSet, stretch: Stretch) -> StrokeSet:
    middle = 0.5 * (strokes.start + strokes.end)
    return strokes.select((middle >= stretch.first) & (middle < stretch.last))


@dataclass(frozen=True)
class _Look:
    """Of each stroke its run (-1: cut off by a gap), its block, whether there is an attack, how strong, what it tells.

    ``telling`` where the want of an attack would tell something, ``quick`` where the stroke is no way back.
    """

    run: IntArray
    block: IntArray
    attack: BoolArray
    strength_mps2: FloatArray
    telling: BoolArray
    quick: BoolArray


class _Judge:
    """Tells play from other motion; holds what that takes."""

    def __init__(
        self, motion: Motion, blocks: Sequence[Event], threshold_mps2: float | None, settings: StrokeSettings
    ) -> None:
        self._motion, self._blocks, self._settings = motion, blocks, settings
        self._threshold = threshold_mps2
        self._gaps = gap_lengths(motion.grid.valid)

    def kept(self, parts: Sequence[StrokeSet]) -> list[StrokeSet]:
        """Of each part the strokes that are play."""
        strokes = join(parts)
        look = self.look_at(strokes)
        # In a gap an attack may be lost: inside the marked blocks its absence says nothing there.
        seen = None if self._threshold is None else look.attack | (self.bridged(strokes) & (look.block >= 0))
        small = strokes.span_m < 1e-3 * self._settings.min_span_mm
        rate_hz = self._motion.grid.rate_hz
        passage = number_passages(strokes.start / rate_hz, strokes.end / rate_hz)
        found = Candidates(look.run, look.block, seen, look.telling, look.quick, small, passage)
        keep = accept_strokes(found, bool(self._blocks), self._settings)
        borders = np.cumsum([part.start.size for part in parts])[:-1]
        return [part.select(mine) for part, mine in zip(parts, np.split(keep, borders), strict=True)] if parts else []

    def surely_play(self, strokes: StrokeSet) -> StrokeSet:
        """Strokes that may tell the level: not those of a hand that may be coming or leaving, far from it.

        Left out is what lies outside the marked blocks where others lie inside, and of a series what comes before its
        first and after its last attack (without attacks the first and the last).
        """
        inside = block_of(self._motion.grid.time_at(0.5 * (strokes.start + strokes.end)), self._blocks) >= 0
        if inside.any():
            strokes = strokes.select(inside)
        attack, _ = hear_attacks(self._motion, strokes, self._threshold, self._settings.attack_of_typical)
        keep = np.ones(strokes.start.size, dtype=bool)
        for members in strokes.series():
            if members.size <= self._settings.min_run + 2:
                continue
            struck = members[attack[members]]
            if struck.size < self._settings.soft_share * members.size:
                keep[members[[0, -1]]] = False
            else:
                keep[members[members < struck[0]]] = keep[members[members > struck[-1]]] = False
        return strokes.select(keep)

    def look_at(self, strokes: StrokeSet) -> _Look:
        """Run, block, whether there is an attack, and its strength, of each stroke."""
        attack, strength = hear_attacks(self._motion, strokes, self._threshold, self._settings.attack_of_typical)
        block = block_of(self._motion.grid.time_at(0.5 * (strokes.start + strokes.end)), self._blocks)
        rate_hz = self._motion.grid.rate_hz
        # A hand that comes, goes or drifts back makes no attack; where many strokes make none, that tells nothing.
        speed = strokes.span_m / (strokes.end - strokes.start)
        share = speed / running_rank(speed, 0.75)
        quick = share > QUICK_SHARE
        telling = self._attacks_tell(block, attack, quick)
        idle = np.where(telling, strokes.edge | (share < IDLE_SHARE), strokes.edge & (share < WAY_BACK_SHARE))
        sound = attack | ~idle
        sound &= is_whole(self._gaps, strokes.start, strokes.end, rate_hz)
        run = find_runs(strokes.start, strokes.end, strokes.span_m, self._settings, sound)
        run[is_cut_off(self._gaps, strokes.start, strokes.end, run, self._settings.min_run)] = -1
        return _Look(run, block, attack, strength, telling, quick)

    def _attacks_tell(self, block: IntArray, attack: BoolArray, quick: BoolArray) -> BoolArray:
        """Strokes outside the blocks, and those of blocks in which most quick strokes near an attack have one too.

        Near an attack: where half of a block is played and the player tunes in the other, attacks do tell.
        """
        near = convolve1d(attack.astype(np.int64), NEAR, mode="constant") > 0
        asked = quick & near
        share = np.bincount(block + 1, attack & asked) / np.maximum(np.bincount(block + 1, asked), 1)
        return np.asarray((block < 0) | (share[block + 1] >= self._settings.telling_share))

    def bridged(self, strokes: StrokeSet) -> BoolArray:
        """Strokes in which a few samples are missing."""
        missing = np.concatenate([[0], np.cumsum(self._gaps > 0)])
        first, last = (np.clip(turn.astype(np.int64), 0, self._gaps.size) for turn in (strokes.start, strokes.end))
        return np.asarray(missing[last] > missing[first])


def block_of(time_s: FloatArray, blocks: Sequence[Event]) -> IntArray:
    """Index of the block that holds each time, -1 for none."""
    block = np.full(time_s.size, -1, dtype=np.int64)
    for number, event in enumerate(blocks):
        block[(time_s >= event.start_s) & (time_s < event.end_s)] = number
    return block
