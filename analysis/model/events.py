"""Events of a session: which of two that overlap counts, and the blocks of play that are left.

Where intervals overlap, `hurt` beats a reference gesture, a gesture beats `rest`, `rest` beats `play`: the part of the
weaker event under the stronger one is cut away. A `rating` neither cuts nor is cut. Two events of one kind must not
overlap, nor two different gestures: a hand does one thing at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.model.errors import InputError
from analysis.model.records import Event, EventKind

GESTURE_KINDS: frozenset[EventKind] = frozenset(
    {"still", "across", "along", "pivot", "rock", "side check", "angle check"}
)
"""The reference gestures, and the checks of them that a player can make at home: neither is play."""

_STRENGTH: dict[EventKind, int] = {"play": 0, "rest": 1, **dict.fromkeys(GESTURE_KINDS, 2), "hurt": 3}

Interval = tuple[float, float]


@dataclass(frozen=True)
class PlayBlock:
    """One play event and what is left of it.

    Attributes
    ----------
    index : int
        Number of the block, from 0 in time order.
    event : Event
        As the player entered it, uncut.
    pieces : tuple of (start_s, end_s)
        The parts that no stronger event covers, in time order; empty if nothing is left.
    """

    index: int
    event: Event
    pieces: tuple[Interval, ...]


def check_events(events: Sequence[Event]) -> None:
    """Refuse events that contradict each other.

    Parameters
    ----------
    events : sequence of Event
        In any order.

    Raises
    ------
    InputError
        Two events of one kind, or two gestures, overlap.
    """
    ordered = sorted((e for e in events if e.end_s > e.start_s), key=lambda e: e.start_s)
    open_until: dict[str, Event] = {}
    for event in ordered:
        group = "gesture" if event.kind in GESTURE_KINDS else event.kind
        before = open_until.get(group)
        if before is not None and event.start_s < before.end_s:
            raise InputError(
                expected=f"one {group} at a time",
                found=f"{_name(before)} ({before.start_s:g} to {before.end_s:g} s) and {_name(event)} "
                f"({event.start_s:g} to {event.end_s:g} s) overlapping",
                next_step="shorten one of them",
            )
        open_until[group] = event


def resolve_overlaps(events: Sequence[Event]) -> tuple[Event, ...]:
    """Cut the weaker of overlapping events.

    Parameters
    ----------
    events : sequence of Event
        In any order.

    Returns
    -------
    tuple of Event
        In time order. An event cut in the middle gives two, equal but for their times; one that is wholly covered
        gives none. Events without length (ratings, marks of discomfort) stay as they are.

    Examples
    --------
    >>> cut = resolve_overlaps([Event(0.0, 60.0, "play"), Event(20.0, 30.0, "rest")])
    >>> [(e.kind, e.start_s, e.end_s) for e in cut]
    [('play', 0.0, 20.0), ('rest', 20.0, 30.0), ('play', 30.0, 60.0)]
    """
    pieces = [replace(event, start_s=start, end_s=end) for event in events for start, end in _uncovered(event, events)]
    return tuple(sorted(pieces, key=lambda e: (e.start_s, e.end_s)))


def keep_within(events: Sequence[Event], start_s: float, end_s: float) -> tuple[Event, ...]:
    """Cut gestures and rest to the time that the log covers, and leave out those that lie outside.

    Blocks of play stay whole, so that their numbers do; marks without length stay as they are.

    Parameters
    ----------
    events : sequence of Event
    start_s, end_s : float
        Log time of the first sample and of the end of the last.

    Returns
    -------
    tuple of Event
        In the order given.

    Examples
    --------
    >>> cut = keep_within([Event(0.0, 3.0, "still"), Event(8.0, 12.0, "across"), Event(13.0, 20.0, "pivot")], 1.0, 10.0)
    >>> [(e.kind, e.start_s, e.end_s) for e in cut]
    [('still', 1.0, 3.0), ('across', 8.0, 10.0)]
    """
    kept = []
    for event in events:
        if event.kind == "play" or event.end_s <= event.start_s:
            kept.append(event)
        elif event.end_s > start_s and event.start_s < end_s:
            kept.append(replace(event, start_s=max(event.start_s, start_s), end_s=min(event.end_s, end_s)))
    return tuple(kept)


def play_blocks(events: Sequence[Event]) -> tuple[PlayBlock, ...]:
    """Number the play events in time order and tell what is left of each under the stronger events.

    Examples
    --------
    >>> play_blocks([Event(0.0, 60.0, "play"), Event(20.0, 30.0, "hurt")])[0].pieces
    ((0.0, 20.0), (30.0, 60.0))
    """
    play = sorted((e for e in events if e.kind == "play"), key=lambda e: (e.start_s, e.end_s))
    return tuple(PlayBlock(index, event, _uncovered(event, events)) for index, event in enumerate(play))


def _uncovered(event: Event, events: Sequence[Event]) -> tuple[Interval, ...]:
    """The parts of an event that no stronger event covers."""
    if event.kind not in _STRENGTH or event.end_s <= event.start_s:
        return ((event.start_s, event.end_s),)
    stronger = sorted(
        (e.start_s, e.end_s)
        for e in events
        if _STRENGTH.get(e.kind, -1) > _STRENGTH[event.kind]
        and e.end_s > e.start_s
        and e.end_s > event.start_s
        and e.start_s < event.end_s
    )
    pieces = []
    at = event.start_s
    for start, end in stronger:
        if start > at:
            pieces.append((at, start))
        at = max(at, end)
    if at < event.end_s:
        pieces.append((at, event.end_s))
    return tuple(pieces)


def _name(event: Event) -> str:
    """The event's kind, with its row where it came from a file."""
    return event.kind if event.row is None else f"{event.kind} in row {event.row}"
