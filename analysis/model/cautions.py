"""The cautions, in one wording, for every place that shows a result, asks for play, or asks for a sensor on skin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analysis.model.records import Event

NOT_MEDICAL = "This is a practice aid, not a medical device; whether to play on is for you and a clinician to judge."
STOP = "Pain, numbness or tingling means stop, and see a clinician before you go on."
BREAKS = "Warm up, take regular breaks, and raise tempo and playing time in small steps."
SKIN = "The sensor must not press, rub or get warm; take it off at once if it does, or if the skin reddens or itches."
CELL = (
    "Never wear a bare, swollen or damaged lithium cell, and never charge it while you wear it; keep to its maker's "
    "words and your local rules."
)
PLAYING = (STOP, BREAKS, NOT_MEDICAL)
"""Wherever play is asked for."""
WEARING = (STOP, SKIN, CELL, NOT_MEDICAL)
"""Wherever a sensor on skin, or a board with a cell, is asked for."""
SIMULATED = "This session is simulated: nobody played it."
FINGERS = (
    "Motion of the fingers against the hand is not seen: a plectrum that moves in the grip changes the path unseen."
)
PATH = "Tilt is of the tip's path, not of the plectrum itself."
HAND_ONLY = (
    "Without reference gestures, tilt is only against the hand's own mean plane: it shows changes, not the side."
)
HURT = "Discomfort was reported in this session: stop for today, and see a clinician before you go on."

DISCOMFORT = ("discomfort", "pain", "hurt", "ache", "numb", "tingl", "sore")
"""Words in a rating's label that make it a report of discomfort."""


def is_simulated(metadata: Mapping[str, str]) -> bool:
    """Whether a session's metadata says that a simulator made it; every export must say so too.

    Parameters
    ----------
    metadata : mapping of str to str
        Of the session.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_simulated({"synthetic": "true"}), is_simulated({})
    (True, False)
    """
    return metadata.get("synthetic") == "true"


def session_cautions(events: Sequence[Event], from_gestures: bool, simulated: bool = False) -> tuple[str, ...]:
    """Cautions of one session, the most urgent first.

    Parameters
    ----------
    events : sequence of Event
    from_gestures : bool
        Whether there is an instrument frame.
    simulated : bool
        Whether a simulator made the session.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> session_cautions((), True)[0] == STOP
    True
    """
    urgent = (HURT,) if discomfort(events) else ()
    hand = () if from_gestures else (HAND_ONLY,)
    mark = (SIMULATED,) if simulated else ()
    return (*urgent, STOP, BREAKS, *hand, PATH, FINGERS, NOT_MEDICAL, *mark)


def discomfort(events: Sequence[Event]) -> list[str]:
    """Reports of discomfort, in words: marks of it, and ratings of it above zero.

    Parameters
    ----------
    events : sequence of Event
        Of a session, in order.

    Returns
    -------
    list of str
        Empty where none was reported.
    """
    said = ["you reported discomfort"] if any(event.kind == "hurt" for event in events) else []
    rated = [e for e in events if e.kind == "rating" and is_discomfort(e.label) and (e.rating or 0) > 0]
    return said + [f"you rated {event.label} {event.rating:g} of 10" for event in rated[-1:]]


def is_discomfort(label: str) -> bool:
    """Whether a rating of that label is a report of discomfort, not of effort or tension.

    Parameters
    ----------
    label : str
        A rating's label, in any case.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_discomfort("Discomfort, wrist"), is_discomfort("tension")
    (True, False)
    """
    return any(word in label.lower() for word in DISCOMFORT)
