"""Strokes along a path: from turn to turn, or from and to where the hand rests, by the path's own speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.motion.turns import StrokeSettings, find_turns, running_median, running_rank, sample_at

REST_SHARE = 0.1
"""Below this part of its greatest speed a stroke has not begun, or is over."""
UNSEEN_SHARE = 0.1
"""Part of a stroke's time that it takes from rest to that speed: of the least jerky one, a tenth."""
PART_SHARE = 0.3
"""Beside a rest, less than this part of the strokes around is a shift of the hand, no stroke."""
LONGEST_PART = 3.0
"""Nor is one what takes longer than so many of them."""
DIP_SHARE = 0.5
"""Where a hand goes on in the stroke's own direction, it slows down at least to this part of its speed before."""
WHOLE_SHARE = 0.75
"""A stroke that moves for more of its time than this has no rest worth cutting off."""


@dataclass(frozen=True)
class Moves:
    """Strokes in time order, as sample numbers.

    Attributes
    ----------
    start, end : float64 (n,)
    sign : float64 (n,)
        +1 where the path rises.
    edge : bool (n,)
        One end at least is no turn: the hand comes from rest there, stops, or goes on slowly.
    """

    start: FloatArray
    end: FloatArray
    sign: FloatArray
    edge: BoolArray


class _Move(NamedTuple):
    """One stroke, as a row of :class:`Moves`."""

    start: float
    end: float
    sign: float
    edge: bool


def strokes_along(position_m: FloatArray, rate_hz: float, settings: StrokeSettings) -> Moves:
    """Strokes of a path across the strings.

    Where the time between two turns is much longer than around it, the hand rested, or went on slowly: then only what
    is quick there is a stroke, and it may be two that go the same way.

    Parameters
    ----------
    position_m : float64 (n,)
        Slow drift removed.
    rate_hz : float
    settings : StrokeSettings

    Returns
    -------
    Moves

    Examples
    --------
    Three strokes of 0.1 s, a rest, and one more:

    >>> t = np.arange(300) / 100
    >>> def smooth(u): return 0.5 - 0.5 * np.cos(np.pi * np.clip(u, 0, 1))
    >>> path = sum(s * smooth((t - b) / 0.1) for s, b in ((1, 1.0), (-1, 1.1), (1, 1.2), (-1, 1.9)))
    >>> found = strokes_along(0.01 * path, 100.0, StrokeSettings())
    >>> np.round(found.start / 100, 1).tolist(), found.sign.tolist(), found.edge.tolist()
    ([1.0, 1.1, 1.2, 1.9], [1.0, -1.0, 1.0, -1.0], [True, False, True, True])
    """
    turns = _drop_wiggles(
        position_m, find_turns(position_m, settings.small_span_share * settings.min_span_mm * 1e-3), settings
    )
    if turns.size < 2:
        return _one_way(position_m, turns, settings)
    place = sample_at(position_m[:, None], turns)[:, 0]
    length = np.diff(turns)
    # Where the hand rests often, half of the times are rests: the shorter ones tell how long a stroke is.
    typical = running_rank(length, 0.25)
    spans = np.abs(np.diff(place))
    least = np.maximum(least_spans_m(spans, settings), PART_SHARE * running_median(spans))
    speed = np.gradient(position_m)
    sign = np.sign(np.diff(place))
    quick = length <= np.minimum(settings.longest_ratio * typical, rate_hz / (2 * settings.min_cycle_hz))
    found: list[_Move] = []
    first = (0.0, float(turns[0]))
    found += _quick_parts(speed, first, -float(sign[0]), float(least[0]), LONGEST_PART * float(typical[0]))
    for k in range(length.size):
        ends = (float(turns[k]), float(turns[k + 1]))
        if quick[k] and 0 < k < length.size - 1 and quick[k - 1] and quick[k + 1]:
            found.append(_Move(*ends, float(sign[k]), False))
            continue
        parts = _quick_parts(speed, ends, float(sign[k]), float(least[k]), LONGEST_PART * float(typical[k]))
        if quick[k] and len(parts) > 1:
            parts = [_Move(*ends, float(sign[k]), False)]
        found += parts
    last = (float(turns[-1]), position_m.size - 1.0)
    found += _quick_parts(speed, last, -float(sign[-1]), float(least[-1]), LONGEST_PART * float(typical[-1]))
    return _moves(found)


def _one_way(position_m: FloatArray, turns: FloatArray, settings: StrokeSettings) -> Moves:
    """Strokes of a path with one turn or none."""
    borders = [0.0, *turns.tolist(), position_m.size - 1.0]
    place = sample_at(position_m[:, None], np.array(borders))[:, 0] if position_m.size > 3 else np.zeros(len(borders))
    speed = np.gradient(position_m) if position_m.size > 3 else np.zeros(position_m.size)
    found = []
    for k in range(len(borders) - 1):
        way = float(np.sign(place[k + 1] - place[k]))
        found += _quick_parts(speed, (borders[k], borders[k + 1]), way, settings.min_span_mm * 1e-3, np.inf)
    return _moves(found)


def _moves(found: list[_Move]) -> Moves:
    start, end, sign, edge = np.array(found, dtype=np.float64).reshape(-1, 4).T.copy()
    return Moves(start, end, sign, edge > 0)


def _drop_wiggles(position_m: FloatArray, turns: FloatArray, settings: StrokeSettings) -> FloatArray:
    """Turns without those to either side of a move much smaller than its neighbours."""
    while turns.size > 2:
        spans = np.abs(np.diff(sample_at(position_m[:, None], turns)[:, 0]))
        small = spans < np.maximum(settings.min_span_share * running_median(spans), least_spans_m(spans, settings))
        before, after = np.concatenate([[np.inf], spans[:-1]]), np.concatenate([spans[1:], [np.inf]])
        at = np.flatnonzero(small & (spans <= before) & (spans < after))
        if at.size == 0:
            break
        keep = np.ones(turns.size, dtype=bool)
        # At an end only the outer turn goes: what is left still alternates.
        keep[at[at > 0]] = False
        keep[(at + 1)[at + 1 < turns.size - 1]] = False
        keep[0] &= not (at == 0).any()
        keep[-1] &= not (at == turns.size - 2).any()
        if (at == 0).any():
            keep[1] = True
        if (at == turns.size - 2).any():
            keep[-2] = True
        turns = turns[keep]
    return turns


def least_spans_m(spans_m: FloatArray, settings: StrokeSettings) -> FloatArray:
    """The least span (n,) that a stroke has beside others of spans (n,): less where all around are small."""
    usual, least = settings.small_span_share * running_rank(spans_m, 0.75, 8), 1e-3 * settings.min_span_mm
    return np.clip(usual, settings.small_span_share * least, least)


def _quick_parts(speed: FloatArray, ends: tuple[float, float], sign: float, least_m: float, most: float) -> list[_Move]:
    """Parts between two turns in which the path moves at more than a tenth of its greatest speed there.

    Parameters
    ----------
    speed : float64 (n,)
        Metres a sample.
    ends : (float, float)
        Sample numbers.
    sign : float
    least_m : float
        A part that covers less is none.
    most : float
        Nor is one that lasts longer, in samples.

    Returns
    -------
    list of _Move
    """
    first, last = int(np.ceil(ends[0])), int(np.floor(ends[1])) + 1
    way = sign * speed[first:last]
    if way.size < 2 or way.max() <= 0:
        return []
    found = []
    for a, b in _parted(way, _stretches(way > REST_SHARE * way.max()).tolist()):
        if way[a:b].sum() < least_m:
            continue
        # Of each part its own greatest speed counts: a slow one beside a quick one ends later.
        unseen = UNSEEN_SHARE * (b - a)
        start, end = max(ends[0], first + a - unseen), min(ends[1], first + b - 1 + unseen)
        if end - start <= most:
            found.append((start, end))
    if len(found) == 1 and found[0][1] - found[0][0] >= WHOLE_SHARE * (ends[1] - ends[0]):
        return [_Move(*ends, sign, False)]
    slack = 0.15
    out = []
    for start, end in found:
        near = slack * (end - start)
        at_start, at_end = start - ends[0] <= near, ends[1] - end <= near
        whole = at_start and at_end
        out.append(_Move(ends[0] if at_start else start, ends[1] if at_end else end, sign, not whole))
    return out


def _parted(way: FloatArray, stretches: list[list[int]]) -> list[list[int]]:
    """Stretches cut where the speed falls below half of its peaks to either side: a stroke has one peak."""
    out = []
    while stretches:
        a, b = stretches.pop(0)
        part = way[a:b]
        before, after = np.maximum.accumulate(part), np.maximum.accumulate(part[::-1])[::-1]
        low = part < DIP_SHARE * np.minimum(before, after)
        if low.any():
            at = a + int(np.where(low, part, np.inf).argmin())
            stretches[:0] = [[a, at], [at, b]]
        else:
            out.append([a, b])
    return out


def _stretches(mask: BoolArray) -> IntArray:
    """Half-open stretches (k, 2) in which a mask holds."""
    return np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))).reshape(-1, 2)
