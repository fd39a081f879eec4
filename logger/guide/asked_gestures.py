"""Which reference gestures are asked for, in which order, for how long."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.model.records import FACE_DOWN, NOT_WORN, OFF_HAND, SOUNDBOARD, EventKind


@dataclass(frozen=True)
class AskedGesture:
    """One reference gesture: what to do in plain words, and for how long.

    Attributes
    ----------
    kind : EventKind
    seconds : float
    prompt : str
        What to do.
    label : str
        Of the event; empty for most.
    lead_s : float
        Time to get ready.
    left_out : str
        What leaving it out costs, where nothing else says so.
    """

    kind: EventKind
    seconds: float
    prompt: str
    label: str = ""
    lead_s: float = 3.0
    left_out: str = ""

    @property
    def off_hand(self) -> bool:
        """Whether the sensor lies on the table, or on the soundboard."""
        return self.label in NOT_WORN

    @property
    def is_check(self) -> bool:
        """Whether it shows a truth that the player knows, once an evening, and no frame."""
        return self.kind in ("side check", "angle check")


@dataclass(frozen=True)
class WantedGesture:
    """One gesture to do in one posture, with its place among all."""

    asked: AskedGesture
    posture: str
    number: int
    count: int

    @property
    def off_hand(self) -> bool:
        """Whether the sensor lies on the table, or on the soundboard."""
        return self.asked.off_hand


def full_gestures(flat: bool = False) -> tuple[AskedGesture, ...]:
    """Return the reference gestures in order; a lap instrument's ``across`` must start with a downstroke.

    Parameters
    ----------
    flat : bool
        Whether the instrument lies on the lap.

    Returns
    -------
    tuple of AskedGesture
    """
    first = ", the first move in the direction of a downstroke" if flat else ""
    return (
        AskedGesture("still", 3.0, "Lay the sensor on the table and leave it alone.", OFF_HAND),
        AskedGesture("still", 3.0, "Strap it on, rest the plectrum on a string and hold still."),
        AskedGesture(
            "across",
            6.0,
            f"Mute the strings. Drag the tip across all of them, back and forth, about twice a second{first}.",
        ),
        AskedGesture("along", 6.0, "Slide the tip along one string, back and forth, about twice a second."),
        AskedGesture("pivot", 9.0, "Keep the tip on one spot. Rock the hand: slow circles, then quick nods and turns."),
    )


def soundboard_stills() -> tuple[AskedGesture, ...]:
    """The stills that tell the soundboard's own direction, before the sensor is strapped on.

    Turned in its plane they tell how parallel the case's faces are; the one face down tells the accelerometer's own
    error from the soundboard's slope. The instrument must not move from the first of them to the last gesture.

    Returns
    -------
    tuple of AskedGesture
    """
    return (
        AskedGesture(
            "still",
            4.0,
            "With the instrument as you play it, press the sensor flat on the soundboard beside the strings with one "
            "finger, and hold still. From now on the instrument stays as it is.",
            SOUNDBOARD,
        ),
        AskedGesture("still", 4.0, "Turn the sensor a quarter, still flat on the soundboard, and hold it.", SOUNDBOARD),
        AskedGesture("still", 4.0, "Turn it by another quarter, still flat, and hold it.", SOUNDBOARD),
        AskedGesture("still", 4.0, "Turn it over, its upper face on the soundboard, and hold it.", FACE_DOWN),
    )


def rock_together() -> AskedGesture:
    """What shows two sensors how they sit to each other: hand and instrument rocked as one.

    Returns
    -------
    AskedGesture
    """
    return AskedGesture(
        "rock",
        5.0,
        "Rest the hand on the instrument, the tip on a string, and rock both as one: nod the neck up and down, then "
        "tip the strings towards you and away, slowly first, then quicker.",
    )


def side_check() -> AskedGesture:
    """What shows that the tool takes no side for the other: strokes whose side anybody can see.

    Returns
    -------
    AskedGesture
    """
    return AskedGesture(
        "side check",
        10.0,
        "Five big strokes, about one a second: each downstroke starts on the strings and plainly leaves them, each "
        "upstroke comes back.",
        left_out="Left out, up could read as down tonight, and nothing would show it.",
    )


def angle_check(edge: str) -> AskedGesture:
    """The tip along a straight edge whose angle the player has measured.

    Parameters
    ----------
    edge : str
        Height of its raised end over its length in mm, as ``20/100``; the event's label.

    Returns
    -------
    AskedGesture
    """
    return AskedGesture(
        "angle check",
        8.0,
        f"Lay the straight edge across the strings, its end raised as measured ({edge} mm). Slide the tip along it, to "
        "and fro, twice in three seconds. It shows the hand, not free picking.",
        edge,
    )


MOVED_STILL = "It moved; lay it on a table, not on your lap, and leave it alone."
"""Said of a still off the hand that was none."""
SHORT_GESTURES_SD_MM = 4.5
"""Up to this standard deviation per axis a remembered lever arm lets the short gestures do."""
SHORT_S: dict[str, float] = {"still": 2.0, "across": 4.0, "along": 4.0, "pivot": 5.0, "rock": 5.0}
SHORT_LEAD_S = 2.0
AGAIN = ("across", "pivot")
"""What each further posture shows anew: how the hand is turned, and how it grips. The strings run where they ran."""


def choose_gestures(
    lever_sd_mm: float | None, flat: bool = False, second: bool = False, truer: bool = False, edge: str = ""
) -> tuple[AskedGesture, ...]:
    """Return the short gestures where the lever arm is known well enough from earlier sessions, else the full ones.

    Parameters
    ----------
    lever_sd_mm : float or None
        Standard error of the lever arm as known; None where it is not.
    flat : bool
        Whether the instrument lies on the lap.
    second : bool
        A second sensor sits on the instrument: both are rocked together.
    truer : bool
        Two minutes for a truer answer: stills on the soundboard.
    edge : str
        An angle check is wanted, along an edge of this height over this length (mm), as ``20/100``.

    Returns
    -------
    tuple of AskedGesture
        In order.
    """
    full = full_gestures(flat)
    if lever_sd_mm is not None and lever_sd_mm <= SHORT_GESTURES_SD_MM:
        full = tuple(shortened(gesture) for gesture in full)
    stills = soundboard_stills() if truer else ()
    checks = (side_check(), *((angle_check(edge),) if edge else ()))
    return (full[0], *stills, *full[1:], *((rock_together(),) if second else ()), *checks)


def shortened(gesture: AskedGesture) -> AskedGesture:
    """The gesture of somebody who has just done it, or whose lever arm is known."""
    return replace(gesture, seconds=min(gesture.seconds, SHORT_S[gesture.kind]), lead_s=SHORT_LEAD_S)


def gestures_for(asked: Sequence[AskedGesture], postures: Sequence[str]) -> tuple[WantedGesture, ...]:
    """All gestures, once a posture: everything in the first, ``across`` and ``pivot``, short, in each further one."""
    wanted = [(gesture, "" if gesture.off_hand else postures[0]) for gesture in asked]
    wanted += [(each.asked, posture) for posture in postures[1:] for each in gestures_of(asked, posture)]
    return tuple(WantedGesture(gesture, posture, at, len(wanted)) for at, (gesture, posture) in enumerate(wanted, 1))


def gestures_anew(asked: Sequence[AskedGesture], posture: str) -> tuple[WantedGesture, ...]:
    """All gestures of a posture once more, the sensor staying on the hand."""
    wanted = [gesture for gesture in asked if not (gesture.off_hand or gesture.is_check)]
    return tuple(WantedGesture(gesture, posture, at, len(wanted)) for at, gesture in enumerate(wanted, 1))


def gestures_of(asked: Sequence[AskedGesture], posture: str) -> tuple[WantedGesture, ...]:
    """The gestures of one more posture."""
    wanted = [shortened(gesture) for gesture in asked if gesture.kind in AGAIN]
    return tuple(WantedGesture(gesture, posture, at, len(wanted)) for at, gesture in enumerate(wanted, 1))
