"""Events whose clock runs early or late against the log, moved to where the signals show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.events import GESTURE_KINDS
from analysis.model.records import Event

LEAST_SHIFT_S = 0.5
LEAST_MATCHED = 3
BETTER = 1.15
COMMON_SHARE = 0.5
MOVING = GESTURE_KINDS - {"still"} | {"play"}


@dataclass(frozen=True)
class Alignment:
    """``shift_s`` is to be added to the events; ``matched`` of ``marked`` then lie where the signals show them."""

    shift_s: float
    matched: int
    marked: int


def align_events(events: Sequence[Event], found: Sequence[Event]) -> Alignment | None:
    """How far marked events lie beside what the signals show.

    Parameters
    ----------
    events : sequence of Event
        As marked.
    found : sequence of Event
        As :func:`analysis.reference.find_gestures.find_events` gives them.

    Returns
    -------
    Alignment or None
        None where they fit as they stand, or where no common shift makes them fit.

    Examples
    --------
    >>> found = [Event(10, 15, "across"), Event(17, 22, "along"), Event(25, 34, "pivot"), Event(40, 60, "play")]
    >>> late = [Event(e.start_s + 4, e.end_s + 4, e.kind) for e in found]
    >>> align_events(late, found)
    Alignment(shift_s=-4.0, matched=4, marked=4)
    >>> align_events(found, found) is None
    True
    """
    marked = [e for e in events if e.kind in MOVING and e.end_s > e.start_s]
    shown = [e for e in found if e.kind in MOVING]
    if not marked or not shown:
        return None
    middle = [0.5 * (s.start_s + s.end_s - m.start_s - m.end_s) for m in marked for s in shown if m.kind == s.kind]
    starts = [s.start_s - m.start_s for m in marked for s in shown if m.kind == s.kind]
    if not middle:
        return None
    best = max([*middle, *starts], key=lambda shift: _common_s(marked, shown, shift))
    matched = [pair for m in marked if (pair := _match(m, shown, best)) is not None]
    if len(matched) < min(LEAST_MATCHED, len(marked)) or len(matched) < 2:
        return None
    shift = float(np.median(matched))
    # Play is long: it says little about seconds, where there are gestures.
    judges = [m for m in marked if m.kind != "play"] or marked
    as_they_are = _common_s(judges, shown, 0.0)
    if abs(shift) < LEAST_SHIFT_S or _common_s(judges, shown, shift) < BETTER * as_they_are:
        return None
    return Alignment(shift, len(matched), len(marked))


def shifted(events: Sequence[Event], shift_s: float) -> tuple[Event, ...]:
    """All events moved in time.

    Parameters
    ----------
    events : sequence of Event
    shift_s : float
        Later where positive.

    Returns
    -------
    tuple of Event
        In the order given.
    """
    return tuple(replace(e, start_s=e.start_s + shift_s, end_s=e.end_s + shift_s) for e in events)


def _common_s(marked: Sequence[Event], shown: Sequence[Event], shift_s: float) -> float:
    """Time that events share with what the signals show of their kind."""
    return sum(
        max(0.0, min(m.end_s + shift_s, s.end_s) - max(m.start_s + shift_s, s.start_s))
        for m in marked
        for s in shown
        if m.kind == s.kind
    )


def _match(event: Event, shown: Sequence[Event], shift_s: float) -> float | None:
    """The shift that puts an event's middle on that of its kind which it mostly shares its time with."""
    for other in shown:
        common = _common_s([event], [other], shift_s)
        if common > COMMON_SHARE * min(event.end_s - event.start_s, other.end_s - other.start_s):
            return 0.5 * (other.start_s + other.end_s - event.start_s - event.end_s)
    return None
