"""What happens to a guided session, and what it orders. Both are plain records; times are seconds on one clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from analysis.model.records import Event, EventKind
from logger.guide.asked_gestures import AskedGesture
from logger.guide.shown import GestureLive
from logger.guide.stretch import FreePlay

# --- what happens


@dataclass(frozen=True)
class Pressed:
    """The player gave a command; ``value`` is the answer of ``rate``, or the place of ``posture``.

    ``seen`` is the number of the step that the player saw: with an older one the command was meant for something that
    is over, and is dropped. None always counts.

    Attributes
    ----------
    at_s : float
        The guide's time.
    command : str
    value : int
    seen : int or None
    """

    at_s: float
    command: str
    value: int = 0
    seen: int | None = None


@dataclass(frozen=True)
class TimePassed:
    """It is now so late; sent at :func:`logger.guide.guide_state.due_s`, and harmless at any other time.

    Attributes
    ----------
    at_s : float
        The guide's time.
    """

    at_s: float


@dataclass(frozen=True)
class SensorFound:
    """The sensor is there and is being recorded.

    Attributes
    ----------
    at_s : float
        The guide's time.
    """

    at_s: float


@dataclass(frozen=True)
class SensorMissing:
    """The sensor was not found, or its recording could not be begun (``on_disk``).

    Attributes
    ----------
    at_s : float
        The guide's time.
    sentence : str
        What is wrong and what to do.
    on_disk : bool
    """

    at_s: float
    sentence: str
    on_disk: bool = False


@dataclass(frozen=True)
class SensorChecked:
    """The first samples were looked at; ``problem`` is empty where they are right.

    Attributes
    ----------
    at_s : float
        The guide's time.
    problem : str
    """

    at_s: float
    problem: str = ""


@dataclass(frozen=True)
class Chosen:
    """The player chose something: what the gestures and free blocks are from now on; ``refused`` says why not.

    Attributes
    ----------
    at_s : float
        The guide's time.
    gestures : tuple of AskedGesture
    free : FreePlay
    dead_band_deg : float
    refused : str
    strings : int
        Strings or courses of the instrument.
    """

    at_s: float
    gestures: tuple[AskedGesture, ...]
    free: FreePlay
    dead_band_deg: float
    refused: str = ""
    strings: int = 6


@dataclass(frozen=True)
class GestureJudged:
    """The gesture just done was judged.

    Attributes
    ----------
    at_s : float
        The guide's time.
    quality : GestureLive
    """

    at_s: float
    quality: GestureLive


@dataclass(frozen=True)
class GesturesSolved:
    """All gestures were solved together.

    ``usable`` are those (kind, posture) of which one was usable; ``reasons`` say of a kind why none was. ``framed``:
    they give an instrument frame; ``notice`` says what speaks against the sensor. ``lenders`` are postures without
    gestures of their own, each with the one whose serve it.

    Attributes
    ----------
    at_s : float
        The guide's time.
    usable : frozenset[(str, str])
    reasons : tuple[tuple[str, str], ...]
    framed : bool
    notice : str
    lenders : tuple[tuple[str, str], ...]
    """

    at_s: float
    usable: frozenset[tuple[str, str]]
    reasons: tuple[tuple[str, str], ...]
    framed: bool
    notice: str = ""
    lenders: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class LoadAssessed:
    """The markers of tension were assessed after a block.

    Attributes
    ----------
    at_s : float
        The guide's time.
    level : str or None
        None where it was not judged.
    sentence : str
    """

    at_s: float
    level: str | None
    sentence: str


@dataclass(frozen=True)
class MountingMoved:
    """Sensor or instrument sit differently since a posture's gestures: new ones should be made, in a rest.

    Attributes
    ----------
    at_s : float
        The guide's time.
    posture : str
    sentence : str
        What shows it, and what it is worth in degrees.
    """

    at_s: float
    posture: str
    sentence: str


@dataclass(frozen=True)
class Reported:
    """The report is written, or the sentence says why not.

    Attributes
    ----------
    at_s : float
        The guide's time.
    sentence : str
    plan : bool
        Whether a plan for the next evening is offered.
    """

    at_s: float
    sentence: str
    plan: bool = False


Happening: TypeAlias = (
    Pressed
    | TimePassed
    | SensorFound
    | SensorMissing
    | SensorChecked
    | Chosen
    | GestureJudged
    | GesturesSolved
    | LoadAssessed
    | MountingMoved
    | Reported
)

# --- what is ordered


@dataclass(frozen=True)
class LookForSensor:
    """Find the sensor and begin to record it; :class:`SensorFound` or :class:`SensorMissing` comes back."""


@dataclass(frozen=True)
class CheckSensor:
    """Look at some samples; :class:`SensorChecked` comes back."""


@dataclass(frozen=True)
class SettleSetup:
    """Player and instrument are settled: write them into the recording's head."""


@dataclass(frozen=True)
class ForgetLever:
    """The sensor sits elsewhere than remembered: what was remembered of its lever arm counts no more."""


@dataclass(frozen=True)
class Begin:
    """Open an event in the recording; what is open ends there and counts. The event's own times say nothing.

    Attributes
    ----------
    event : Event
    at_s : float
        The guide's time.
    """

    event: Event
    at_s: float


@dataclass(frozen=True)
class End:
    """Close the open event, if there is one; as another kind if it was no good.

    Attributes
    ----------
    at_s : float
        The guide's time.
    kind : EventKind or None
        None keeps the event's own.
    """

    at_s: float
    kind: EventKind | None = None


@dataclass(frozen=True)
class Mark:
    """Record an event of a moment.

    Attributes
    ----------
    event : Event
    at_s : float
        The guide's time.
    """

    event: Event
    at_s: float


@dataclass(frozen=True)
class WatchGesture:
    """Tell how the gesture that has begun is going, until its time is up or the next order.

    Attributes
    ----------
    seconds : float
    """

    seconds: float


@dataclass(frozen=True)
class JudgeGesture:
    """Judge the gesture up to its end; :class:`GestureJudged` comes back.

    Attributes
    ----------
    ended_s : float
        The guide's time.
    seconds : float
        Length of the gesture.
    """

    ended_s: float
    seconds: float


@dataclass(frozen=True)
class SolveGestures:
    """Solve all gestures for these postures; :class:`GesturesSolved` comes back.

    Attributes
    ----------
    postures : tuple of str
        Labels.
    """

    postures: tuple[str, ...]


@dataclass(frozen=True)
class FollowBlock:
    """Judge strokes of the block that has just begun.

    Attributes
    ----------
    number : int
        Of the block in the session.
    """

    number: int


@dataclass(frozen=True)
class JudgeBlock:
    """The block has ended: its verdict, with samples of ``settle_s`` more. :class:`LoadAssessed` may come back.

    Attributes
    ----------
    settle_s : float
    """

    settle_s: float


@dataclass(frozen=True)
class WriteReport:
    """Close the recording and analyse it; :class:`Reported` comes back."""


@dataclass(frozen=True)
class KeepPlan:
    """Save the plan for the next evening."""


@dataclass(frozen=True)
class Close:
    """The player closes the program."""


@dataclass(frozen=True)
class Task:
    """What the player does now, from when to when (``until_s`` None: until the next task). A rest is one, too.

    ``place`` is the block's place in the plan; in free play blocks are counted from 0.

    Attributes
    ----------
    kind : EventKind
        Of the event that it makes.
    at_s : float
    until_s : float or None
    posture : str
    off_hand : bool
        The sensor lies on the table.
    place : int
    """

    kind: EventKind
    at_s: float
    until_s: float | None = None
    posture: str = ""
    off_hand: bool = False
    place: int = 0


Order: TypeAlias = (
    LookForSensor
    | CheckSensor
    | SettleSetup
    | ForgetLever
    | Begin
    | End
    | Mark
    | WatchGesture
    | JudgeGesture
    | SolveGestures
    | FollowBlock
    | JudgeBlock
    | WriteReport
    | Close
    | KeepPlan
    | Task
)
