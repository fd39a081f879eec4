"""What a step shows: plain records that a page or a terminal draws. Times are those of the happenings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Self

from analysis.drills.practice_form import BeatSound, SectionBeats, sound_beats
from analysis.model.records import EventKind

Step = Literal["connect", "setup", "gestures", "ready", "count_in", "play", "rest", "hurt", "finishing", "done"]
GesturePhase = Literal["prepare", "lead", "running", "judging", "poor"]
Wanted = Literal["down", "up"]
LETTERS: dict[BeatSound, str] = {"accent": "A", "plain": "p", "rest": "r", "announce first": "F", "announce": "f"}
"""How a click's beats are told to a page."""


@dataclass(frozen=True)
class Key:
    """A command that has a meaning now, and the words on its button. The first of a step's keys is the pedal's.

    Attributes
    ----------
    command : str
    label : str
    """

    command: str
    label: str


@dataclass(frozen=True)
class GestureLive:
    """How a gesture is going; also its last word, with ``done`` True.

    Attributes
    ----------
    kind : EventKind
    cycles : float or None
        To and fro; ``cycles_wanted`` is enough. ``across``, ``along`` and the checks only.
    straightness : float or None
        1 is a straight line.
    extent_mm : float or None
        From turn to turn.
    cycles_per_s : float or None
        ``speed_words`` says whether that is slow, right or quick.
    coverage : tuple of float
        ``pivot``: how much of the wanted rocking each of three axes has, 0 to 1, the best first; ``rock``: of two.
    stillness : float or None
        ``still``: 1 is perfectly still, from 0.5 on it is still enough.
    good : bool or None
        None while it cannot be said.
    sentence : str
        What to do better, or that it was good.
    moved : bool
        ``pivot``: the sensor sits elsewhere than the remembered lever arm has it.
    """

    kind: str
    good: bool | None
    sentence: str
    cycles: float | None = None
    cycles_wanted: float | None = None
    straightness: float | None = None
    extent_mm: float | None = None
    cycles_per_s: float | None = None
    speed_words: str = ""
    coverage: tuple[float, ...] = ()
    stillness: float | None = None
    done: bool = False
    moved: bool = False


@dataclass(frozen=True)
class Gesture:
    """The reference gesture of now.

    ``phase``: ``prepare`` waits for ``next``; ``lead`` counts down to ``starts_server_s``; ``running`` until
    ``ends_server_s``; ``judging`` for a moment; ``poor`` was not good enough: ``next`` repeats it, ``skip`` goes on.
    ``off_hand``: the sensor lies on the table. ``last`` is the verdict on the gesture before, or on this one if poor.

    Attributes
    ----------
    kind : EventKind
    number, count : int
        From 1, and of how many.
    off_hand : bool
    posture : str
    prompt : str
    seconds : float
        Its length.
    phase : GesturePhase
    starts_server_s : float or None
    ends_server_s : float or None
    last : GestureLive or None
    label : str
        Where the sensor lies, off the hand; the edge of an angle check; else empty.
    """

    kind: EventKind
    number: int
    count: int
    off_hand: bool
    posture: str
    prompt: str
    seconds: float
    phase: GesturePhase
    starts_server_s: float | None
    ends_server_s: float | None
    last: GestureLive | None
    label: str = ""


@dataclass(frozen=True)
class Tab:
    """A drill's picked notes: a pickup, then a cycle to be repeated. String 1 is the top line; an open fret is null.

    ``starts`` are the notes' times in units (``notes_per_beat`` of the block in a beat) from the beginning of the
    pickup, which lasts ``lead_units`` and comes ``before_units`` after the block's first beat; the cycle lasts
    ``cycle_units``.
    ``loops`` is false where the phrase is played once.
    """

    strings: tuple[int, ...]
    frets: tuple[int | None, ...]
    strokes: tuple[Wanted, ...]
    loops: bool
    starts: tuple[float, ...]
    cycle_units: float
    lead: int = 0
    lead_units: float = 0.0
    before_units: float = 0.0


@dataclass(frozen=True)
class Click:
    """A click to schedule. Beat ``k`` falls on ``start_server_s + 60 k / tempo_bpm``, k from 0 to ``beats`` - 1.

    ``sounds`` has a letter for each beat, as :func:`analysis.drills.practice_form.sound_beats` says it for practice
    tracks as well: ``A`` accent, ``p`` plain, ``r`` rest, ``F`` and ``f`` first and further ones that announce another
    phrase or posture. The first ``count_in_beats`` are the count-in. ``beats`` is null where the block is open: the
    last bar of ``sounds`` goes on until another state has another ``number`` or none. The cue to switch sounds on
    ``cue_beat``.

    Attributes
    ----------
    number : int
        Tells one click from the next.
    start_server_s : float
    tempo_bpm : float
    count_in_beats : int
    beats_per_bar : int
    beats : int or None
    sounds : str
    pickup_beats : int
        Of the play, before its first bar line.
    cue_beat : int or None
    """

    number: int
    start_server_s: float
    tempo_bpm: float
    count_in_beats: int
    beats_per_bar: int
    beats: int | None
    sounds: str
    pickup_beats: int = 0
    cue_beat: int | None = None

    @classmethod
    def of(cls, number: int, start_server_s: float, tempo_bpm: float, beats: SectionBeats, beats_per_bar: int) -> Self:
        """The click of a stretch of play.

        Parameters
        ----------
        number : int
        start_server_s, tempo_bpm : float
        beats : SectionBeats
        beats_per_bar : int

        Returns
        -------
        Click
        """
        sounds = "".join(LETTERS[sound] for sound in sound_beats(beats, beats_per_bar))
        total = None if beats.play is None else beats.total
        count_in, pickup = beats.count_in, beats.pickup
        return cls(number, start_server_s, tempo_bpm, count_in, beats_per_bar, total, sounds, pickup, beats.cue)


@dataclass(frozen=True)
class Block:
    """A block of play, to come (``starts_server_s`` null), running or just played.

    ``target_deg`` is the target of tilt, (least, most), null where no stroke is wanted. ``ends_server_s`` is null
    where the player ends it.

    Attributes
    ----------
    number : int
        Of the block in the session.
    posture : str
    tempo_bpm : float or None
    notes_per_beat : float or None
    drill : str
    wanted : Wanted or None
    target_deg : (float, float) or None
    note : str
        A sentence for the player, or empty.
    seconds : float or None
        Its length; null where the player ends it.
    starts_server_s : float or None
    ends_server_s : float or None
    tab : Tab or None
    """

    number: int
    posture: str
    tempo_bpm: float | None
    notes_per_beat: float | None
    drill: str
    wanted: Wanted | None
    target_deg: tuple[float, float] | None
    note: str
    seconds: float | None
    starts_server_s: float | None
    ends_server_s: float | None
    tab: Tab | None = None


@dataclass(frozen=True)
class Coming:
    """The block that comes next by itself.

    ``announce_server_s``: from when on its posture is announced, null if the posture stays; ``click`` is its click, to
    be scheduled ahead.

    Attributes
    ----------
    block : Block
    announce_server_s : float or None
    click : Click or None
    """

    block: Block
    announce_server_s: float | None
    click: Click | None


@dataclass(frozen=True)
class PlanPlace:
    """Where in the plan the session stands; ``position`` counts from 0, ``left_s`` includes the rests.

    Attributes
    ----------
    name : str
    position : int
    count : int
        Blocks of the plan.
    left_s : float
    next_words : str
        What comes next.
    """

    name: str
    position: int
    count: int
    left_s: float
    next_words: str


@dataclass(frozen=True)
class Rating:
    """A question to answer with 0 to 10: by one key, or counted up by one pedal and accepted by the other.

    ``counted`` is how far the pedal has counted; null: not at all, and accepting means no answer.

    Attributes
    ----------
    scale : {"tension", "discomfort"}
    question : str
    low, high : str
        Words for the ends of the scale.
    counted : int or None
    """

    scale: Literal["tension", "discomfort"]
    question: str
    low: str
    high: str
    counted: int | None = None


@dataclass(frozen=True)
class Rest:
    """A rest. ``kind`` ``open``: until ``next``; ``switch``: so short that the hands stay where they play.

    ``held``: paused, ``left_s`` stands still.

    Attributes
    ----------
    kind : {"rest", "break", "open", "switch"}
    seconds : float
        Its length.
    ends_server_s : float or None
    held : bool
    left_s : float or None
        Null where it is not paused.
    """

    kind: Literal["rest", "break", "open", "switch"]
    seconds: float
    ends_server_s: float | None
    held: bool
    left_s: float | None


@dataclass(frozen=True)
class View:
    """What there is to show of a state of the guide; see :func:`logger.guide.view.view`.

    ``title`` is one short line to be read from two metres, ``hint`` a sentence below it, ``notice`` a sentence that
    stays until it is settled, ``hurt`` what to read after something hurt.
    """

    step: Step
    title: str
    hint: str
    notice: str
    keys: tuple[Key, ...]
    gesture: Gesture | None = None
    plan: PlanPlace | None = None
    block: Block | None = None
    click: Click | None = None
    rating: Rating | None = None
    rest: Rest | None = None
    hurt: tuple[str, ...] = ()
    break_due: str = ""
    coming: Coming | None = None
