"""The phases of a guided session: what is going on, and what must be known to leave it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from logger.guide.asked_gestures import WantedGesture
from logger.guide.shown import Click, GestureLive, Rest
from logger.guide.stretch import Stretch


@dataclass(frozen=True)
class Connecting:
    """The sensor is looked for, and then (``checking``) looked at."""

    checking: bool = False


@dataclass(frozen=True)
class Unconnected:
    """No sensor, or (``checked``) one that does not read as it should."""

    sentence: str
    on_disk: bool = False
    checked: bool = False


@dataclass(frozen=True)
class SettingUp:
    """Player and instrument are chosen; ``refused``: why the last choice was none."""

    refused: str = ""


@dataclass(frozen=True)
class Preparing:
    """The gesture that is next is shown."""


@dataclass(frozen=True)
class Gesturing:
    """A gesture, or (``leading``) the moments before it.

    Attributes
    ----------
    starts_s, ends_s : float
        The guide's time.
    leading : bool
    """

    starts_s: float
    ends_s: float
    leading: bool = False


@dataclass(frozen=True)
class Judging:
    """The gesture is over and being judged."""

    starts_s: float
    ended_s: float


@dataclass(frozen=True)
class Poor:
    """The gesture was not good enough."""

    ended_s: float
    quality: GestureLive


@dataclass(frozen=True)
class Solving:
    """All gestures are being solved together."""


@dataclass(frozen=True)
class Unsolved:
    """Some gestures are to be repeated."""

    again: tuple[WantedGesture, ...]
    reason: str
    notice: str


@dataclass(frozen=True)
class Moved:
    """Sensor or instrument sit differently: a posture's gestures are offered anew."""

    posture: str
    sentence: str


@dataclass(frozen=True)
class Ready:
    """What comes next is shown; ``refused``: why the last choice was none."""

    refused: str = ""


@dataclass(frozen=True)
class CountingIn:
    """A block begins at ``starts_s``."""

    stretch: Stretch
    starts_s: float
    ends_s: float | None
    click: Click | None


@dataclass(frozen=True)
class Playing:
    """A block runs.

    Attributes
    ----------
    stretch : Stretch
    starts_s, ends_s : float, float or None
        The guide's time; None where the player ends it.
    click : Click or None
    """

    stretch: Stretch
    starts_s: float
    ends_s: float | None
    click: Click | None


@dataclass(frozen=True)
class Resting:
    """A rest after a block; questions may be asked in it. ``click``: it goes on through a rest in time with it."""

    rest: Rest
    click: Click | None = None


@dataclass(frozen=True)
class OnBreak:
    """A break of the plan."""

    rest: Rest
    begun_s: float
    words: str


@dataclass(frozen=True)
class Paused:
    """A block was paused by the player who calls the steps."""


@dataclass(frozen=True)
class Hurting:
    """Something hurts: the session can only end, and keeps what was recorded."""


@dataclass(frozen=True)
class Finishing:
    """The report is worked out."""


@dataclass(frozen=True)
class Done:
    """The report is there, or the sentence says why not.

    Attributes
    ----------
    sentence : str
    plan : bool
        A plan for the next evening is offered, and not saved yet.
    """

    sentence: str
    plan: bool = False


@dataclass(frozen=True)
class Closed:
    """The player has closed the program."""


Phase: TypeAlias = (
    Connecting
    | Unconnected
    | SettingUp
    | Preparing
    | Gesturing
    | Judging
    | Poor
    | Solving
    | Unsolved
    | Moved
    | Ready
    | CountingIn
    | Playing
    | Resting
    | OnBreak
    | Paused
    | Hurting
    | Finishing
    | Done
    | Closed
)
