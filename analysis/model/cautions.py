"""The cautions that are shown wherever results are shown."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.model.records import Event

NOT_MEDICAL = "This is a practice aid, not a medical device; whether to play on is for you and a clinician to judge."
STOP = "Pain, numbness or tingling means stop, and see a clinician before you go on."
BREAKS = "Warm up, take regular breaks, and raise tempo and playing time in small steps."
FINGERS = (
    "Motion of the fingers against the hand is not seen: a plectrum that moves in the grip changes the path unseen."
)
PATH = "Tilt is of the tip's path, not of the plectrum itself."
HAND_ONLY = (
    "Without reference gestures, tilt is only against the hand's own mean plane: it shows changes, not the side."
)
HURT = "Discomfort was reported in this session: stop for today, and see a clinician if it returns or stays."

DISCOMFORT = ("discomfort", "pain", "hurt", "ache", "numb", "tingl", "sore")
"""Words in a rating's label that make it a report of discomfort."""


def session_cautions(events: Sequence[Event], from_gestures: bool) -> tuple[str, ...]:
    """Cautions of one session, the most urgent first.

    Parameters
    ----------
    events : sequence of Event
    from_gestures : bool
        Whether there is an instrument frame.

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
    return (*urgent, STOP, BREAKS, *hand, PATH, FINGERS, NOT_MEDICAL)


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
