"""What the page and the server of ``strokeplane live`` say to each other: the contract between the two.

The parts of the state are in :mod:`logger.live.state`, the commands of a page in :mod:`logger.live.commands`.

One WebSocket at ``/live``, JSON text messages, each an object with a ``type``. The server conducts: it alone decides
which step comes and when a block begins and ends; a page shows the last :class:`State` and sends what the player
wants. Any number of pages may be open, all see the same; a page that was away gets everything with the next state.

Server to page
--------------
============  =======================  ==================================================================
type          class                    when
============  =======================  ==================================================================
``state``     :class:`State`           on connecting, and whenever anything in it changed; complete
``pulse``     :class:`Pulse`           twice a second: time recorded, losses, how long the sensor is silent
``gesture``   :class:`GestureLive`     three times a second while a gesture runs: how it is going
``trace``     :class:`Trace`           up to 40 times a second: the tip's way in the end view, for the picture
``strokes``   :class:`Strokes`         as strokes are judged, and judged anew; see there
``notes``     :class:`Notes`           as a drill's notes and string changes are judged
``clock``     :class:`ClockAnswer`     answers the page's ``clock``
``refused``   :class:`Refused`         a command that has no meaning now; a sentence to show for a while
============  =======================  ==================================================================

Page to server
--------------
``{"type": "next", "seen": 12}`` and so on; ``seen`` is the ``step_number`` of the state that the player saw when
pressing, so that one press in two pages, or one pressed too late, counts once: with an older number the command is
dropped without a word. ``seen`` may be left out (null) only for ``hurt``, ``clock`` and ``finish``.

============  ========================  ===============================================================
type          more fields               meaning
============  ========================  ===============================================================
``next``                                the one pedal: go on, start, end the free block, accept
``again``                               repeat the gesture, or the block just played
``skip``                                leave out this gesture (or rating), go on without it
``rate``      ``value``: 0 to 10        answer to ``state.rating``
``pause``                               stop the block, or hold the rest; ``next`` goes on
``hurt``                                something hurts: always possible
``choose``    ``field``, ``value``      during ``setup``, and between free blocks; fields as in Setup
``finish``                              end the session and write the report
``clock``     ``client_ms``             any number; comes back with the server's time
============  ========================  ===============================================================

Files
-----
``GET /`` gives ``static/index.html``, ``GET /static/NAME`` the files beside it (a fixed table made at the start),
``GET /report`` the report once there is one, and ``GET /phone.svg`` the picture that leads a phone to its own page.
``/microphone`` is a second WebSocket, for a page's microphone, as :mod:`logger.sound.page_microphone` says it.
``POST /token`` takes the token from the address's fragment and gives a cookie, without which there is none of these
three nor ``/live``. Nothing else exists, nothing changes by a GET. The policy sent with the page allows scripts,
styles, images, sounds and the WebSocket from this server alone, and nothing inline: no ``style`` attribute, no
``onclick``, no ``<script>`` without ``src``. The page hands the token in once and
takes it out of the address.

Times
-----
``*_server_s`` are seconds on the server's own steady clock. A page finds the offset to its clock with ``clock``
messages: of several, the one with the shortest way to and fro counts, the server's time belongs to its middle. In a
simulation the server's clock may be quicker than the page's, by ``pace``, and wait: then the newest one counts.
Angles are degrees, positive where the downstroke ends clear; lengths millimetres. In the end view, ``[y, z]``: y
across the strings towards the end of a downstroke, z out of the soundboard. What is not known is null.

Steps
-----
``connect`` (the sensor is looked for and checked) -> ``setup`` (player, instrument) -> ``gestures`` -> ``ready``
(what comes next is shown) -> ``count_in`` -> ``play`` -> ``rest`` (verdict, ratings, time left) -> ``ready`` or the
next ``count_in`` ... -> ``finishing`` (analysis runs) -> ``done`` (report). ``hurt`` can come at any time.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal, TypeAlias, cast

from logger.guide.shown import GestureLive, Wanted
from logger.live.state import State

PROTOCOL_VERSION = 1
DECIMALS = 3


@dataclass(frozen=True)
class Pulse:
    """Small news twice a second."""

    server_s: float
    recorded_s: float
    samples: int
    lost_samples: int
    silent_s: float


@dataclass(frozen=True)
class Trace:
    """The tip's way in the end view since the last trace, oldest first: for the picture, not for reading numbers.

    ``sampled_server_s`` is when the newest point was sampled. The way is about its own slow mean.
    """

    sampled_server_s: float
    points_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Stroke:
    """One stroke. ``id`` rises; a stroke that comes again with the same id replaces what was said of it.

    ``provisional``: judged at the edge of what is known, it will come again. ``in_target`` is null where no stroke is
    wanted. ``path_mm`` runs from turn to turn, its middle at the origin, nine points.
    """

    id: int
    direction: Wanted
    start_server_s: float
    end_server_s: float
    tilt_deg: float
    span_mm: float
    lift_mm: float
    clears: bool
    in_target: bool | None
    provisional: bool
    path_mm: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Strokes:
    """Strokes judged since the last message, and the block so far.

    ``first`` True: a block begins, forget the strokes before. ``withdrawn`` are ids of provisional strokes that turned
    out to be none. ``tilt_now_deg`` is the mean of the last strokes, ``held_share`` the part of all in the wanted
    target, ``outside`` how many of the last strokes in a row were outside it. ``borrowed_from`` is the posture whose
    gestures measure this one's tilt, null where it has its own.
    """

    block: int
    first: bool
    strokes: tuple[Stroke, ...]
    withdrawn: tuple[int, ...]
    count: int
    tilt_now_deg: float | None
    tilt_mean_deg: float | None
    strokes_per_s: float | None
    held_share: float | None
    outside: int
    against_hand: bool
    borrowed_from: str | None = None


@dataclass(frozen=True)
class ChangeTold:
    """A string change after the note at a 0-based place of the drill's cycle, ``end_server_s`` its stroke's end.

    ``verdict`` is ``cleared``, ``touched`` or ``not known``. ``final`` false: judged by that stroke alone, and at the
    edge of what is known; it may come out otherwise.
    """

    place: int
    verdict: Literal["cleared", "touched", "not known"]
    final: bool
    end_server_s: float


@dataclass(frozen=True)
class Notes:
    """The running block's drill: its last string changes, notes without a stroke, strokes without a note."""

    block: int
    changes: tuple[ChangeTold, ...]
    missing: int
    added: int


@dataclass(frozen=True)
class ClockAnswer:
    """The server's time when it had the page's ``clock``, and how many of its seconds pass in one of the page's."""

    client_ms: float
    server_s: float
    pace: float


@dataclass(frozen=True)
class Refused:
    """Why a command was not followed."""

    sentence: str


ServerMessage: TypeAlias = State | Pulse | GestureLive | Trace | Strokes | Notes | ClockAnswer | Refused

TYPE_NAMES: dict[type, str] = {
    State: "state",
    Pulse: "pulse",
    GestureLive: "gesture",
    Trace: "trace",
    Strokes: "strokes",
    Notes: "notes",
    ClockAnswer: "clock",
    Refused: "refused",
}


def encode(message: ServerMessage) -> str:
    """JSON of a message to a page; numbers to three decimals, what is no number becomes null.

    Examples
    --------
    >>> encode(ClockAnswer(1.5, 2.00049, 1.0))
    '{"type":"clock","client_ms":1.5,"server_s":2.0,"pace":1.0}'
    """
    record = {"type": TYPE_NAMES[type(message)], **cast("dict[str, Any]", _plain(message))}
    return json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, DECIMALS) if math.isfinite(value) else None
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    return value
