"""The state of the session as every page shows it, sent whole; the contract is in :mod:`logger.live.protocol`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from logger.guide.shown import Block, Click, Coming, Gesture, Key, PlanPlace, Rating, Rest, Step, Wanted
from logger.sound.page_microphone import MicrophoneState

SensorStatus = Literal["connecting", "ok", "lost", "failed", "ended", "none"]


@dataclass(frozen=True)
class Sensor:
    """The sensor and its link. ``sentence`` says what is wrong and what to do; empty where all is well.

    ``taken_out_deg``: of the instrument's sensor, the instrument's roll about its strings since the gestures, which is
    taken out of the tilt; null while nothing is.
    """

    status: SensorStatus
    name: str
    part: str
    rate_hz: float | None
    sentence: str
    battery_pct: float | None = None
    taken_out_deg: float | None = None


@dataclass(frozen=True)
class Option:
    """One choice: what to send as ``value``, and what to show."""

    value: str
    label: str


@dataclass(frozen=True)
class Setup:
    """What can be chosen, and what is chosen. ``courses_mm`` are the strings' places across, for the end view.

    ``dead_band_deg``: smaller tilts clear no string. ``wanted``, ``tempo_bpm``, ``notes_per_beat``, ``posture`` are of
    free blocks; where ``planned`` is true a plan says them, and they cannot be chosen. Numbers are chosen as text;
    empty text means none. ``truer``: stills on the soundboard are wanted; null where they are not offered.
    ``heights_mm``: of the outer strings above it, two numbers as text.
    """

    players: tuple[Option, ...]
    player: str
    handed: Literal["right", "left"]
    instruments: tuple[Option, ...]
    instrument: str
    instrument_words: str
    courses_mm: tuple[float, ...]
    spacing_mm: float
    plectrum_depth_mm: float
    dead_band_deg: float
    postures: tuple[Option, ...]
    posture: str
    wanted: Wanted | None
    tempo_bpm: float | None
    notes_per_beat: float | None
    planned: bool
    truer: Literal["yes", "no"] | None = None
    heights_mm: str = ""


@dataclass(frozen=True)
class Verdict:
    """What a block came to. ``sentence`` says it all; the numbers are for the picture beside it.

    ``held_share``: part of the strokes on target. ``more`` are further sentences: what to do next, the weakest
    string change of a drill, tension. ``changes`` is the drill's table, empty without a drill.
    """

    number: int
    sentence: str
    more: tuple[str, ...]
    strokes: int
    strokes_per_s: float | None
    tilt_mean_deg: float | None
    tilt_ci95_deg: tuple[float, float] | None
    tilt_side: Literal["down", "up", "none"]
    held_share: float | None
    against_hand: bool
    changes: tuple[ChangeRow, ...] = ()


@dataclass(frozen=True)
class ChangeRow:
    """String changes of a drill block between two strings (1 is the top line of a tab) after one stroke.

    ``weakest``: of all rows, this one clears least often.
    """

    from_string: int
    to_string: int
    after: Wanted
    cleared: int
    touched: int
    not_known: int
    weakest: bool = False


@dataclass(frozen=True)
class Totals:
    """The session so far; ``since_break_s`` is play since the last break."""

    blocks: int
    strokes: int
    played_s: float
    since_break_s: float


@dataclass(frozen=True)
class PlanOffer:
    """The next evening's plan: what it holds, a reason for each choice, and, once it was asked for, where it is."""

    sentence: str
    reasons: tuple[str, ...]
    saved: str = ""


@dataclass(frozen=True)
class Report:
    """The end: ``url`` is a path of this server to open, null where there is no report; ``sentence`` says why."""

    url: str | None
    file: str
    sentence: str
    cautions: tuple[str, ...]
    plan: PlanOffer | None = None


@dataclass(frozen=True)
class State:
    """Everything that a page needs to show the session as it stands.

    ``step_number`` rises with every change of step, of a gesture's phase, of a rating's question: with all that gives
    the keys another meaning. ``title`` is one short line to be read from two metres, ``hint`` a sentence below it,
    ``notice`` a sentence that stays until it is settled (the sensor is lost, a break is due, estimates are against
    the hand only). ``instrument`` is the second sensor, on the instrument; ``phone``: a phone may become it, and
    ``/phone.svg`` shows a camera where.
    """

    protocol: int
    step: Step
    step_number: int
    server_s: float
    title: str
    hint: str
    notice: str
    keys: tuple[Key, ...]
    sensor: Sensor
    setup: Setup
    totals: Totals
    file: str = ""
    gesture: Gesture | None = None
    plan: PlanPlace | None = None
    block: Block | None = None
    click: Click | None = None
    verdict: Verdict | None = None
    rating: Rating | None = None
    rest: Rest | None = None
    hurt: tuple[str, ...] = ()
    break_due: str = ""
    coming: Coming | None = None
    microphone: MicrophoneState | None = None
    report: Report | None = None
    instrument: Sensor | None = None
    phone: bool = False
