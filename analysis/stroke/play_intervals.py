"""Where in a session play may be: time that is no gesture, rest or pain, cut at gaps, each with its posture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from analysis.model.events import GESTURE_KINDS, check_events, resolve_overlaps
from analysis.model.records import Event, FloatArray, IntArray
from analysis.motion.hand_motion import Motion

NOT_PLAY = (*GESTURE_KINDS, "rest", "hurt")
EVENT_EDGE_S = 2.0
LONG_GAP_S = 0.25
"""A longer gap is too long to filter across."""
PASSAGE_SILENCE_S = 2.0
"""A longer silence parts two passages of play."""


@dataclass(frozen=True)
class Stretch:
    """Time in which play is looked for: working samples ``first:last`` with one posture's frame."""

    first: int
    last: int
    posture: str


def number_passages(start_s: FloatArray, end_s: FloatArray) -> IntArray:
    """Number of the passage of each stroke: a stretch of play without a long silence.

    Parameters
    ----------
    start_s, end_s : float64 (n,)
        Of strokes in order.

    Returns
    -------
    int64 (n,)
        From 0.
    """
    apart = np.zeros(start_s.size, dtype=np.int64)
    apart[1:] = start_s[1:] - end_s[:-1] > PASSAGE_SILENCE_S
    return np.asarray(np.cumsum(apart))


def order_events(events: Sequence[Event]) -> tuple[Event, ...]:
    """Events in time order; a gesture or rest keeps only what no stronger event covers, blocks stay whole.

    Parameters
    ----------
    events : sequence of Event
        In any order.

    Returns
    -------
    tuple of Event
        By start, then by end.

    Raises
    ------
    InputError
        Two events of one kind, or two gestures, overlap.
    """
    check_events(events)
    kept = [event for event in events if event.kind == "play"]
    kept += [event for event in resolve_overlaps(events) if event.kind != "play"]
    return tuple(sorted(kept, key=lambda event: (event.start_s, event.end_s)))


def find_stretches(motion: Motion, events: Sequence[Event]) -> list[Stretch]:
    """Time that is not gesture, rest or hurt, cut at gaps; a block reaches up to two seconds past its marks."""
    label = np.full(motion.grid.size, -1, dtype=np.int64)
    plays = [event for event in events if event.kind == "play"]
    for number, event in enumerate(plays):
        first, last = motion.grid.index_at(event.start_s), motion.grid.index_at(event.end_s)
        edge = int(EVENT_EDGE_S * motion.grid.rate_hz)
        before = slice(max(0, first - edge), first)
        label[before] = np.where(label[before] < 0, number, label[before])
        label[first : min(label.size, last + edge)] = number
    for event in events:
        if event.kind in NOT_PLAY:
            label[motion.grid.slice_of(event.start_s, event.end_s)] = -2
    for gap in motion.grid.gaps(LONG_GAP_S):
        label[gap] = -2
    edges = np.flatnonzero(np.diff(label)) + 1
    bounds = np.concatenate([[0], edges, [label.size]])
    found = []
    for first, last in pairwise(bounds):
        number = int(label[first])
        if number > -2 and last - first >= motion.grid.rate_hz:
            found.append(
                Stretch(int(first), int(last), plays[number].posture if number >= 0 else _near(plays, motion, first))
            )
    return found


def _near(plays: Sequence[Event], motion: Motion, first: int) -> str:
    """Posture of the block nearest to a sample."""
    if not plays:
        return ""
    time = motion.grid.time_at(first)
    return min(plays, key=lambda event: min(abs(event.start_s - time), abs(event.end_s - time))).posture
