"""The state of a guided session: what never changes in it, the phase it is in, what it has come to."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TypeAlias

from analysis.model.records import Event
from logger.guide.asked_gestures import AskedGesture, WantedGesture
from logger.guide.load import Load
from logger.guide.orders import Order
from logger.guide.phases import CountingIn, Gesturing, Hurting, Moved, OnBreak, Phase, Playing, Resting
from logger.guide.shown import Block, GestureLive, PlanPlace
from logger.guide.stretch import FreePlay, Stretch, free_stretch, planned_stretch
from logger.practice.plan import Plan, PlanBlock


@dataclass(frozen=True)
class Script:
    """What a session follows.

    Attributes
    ----------
    plan : Plan or None
        None: the player begins and ends each block.
    led : bool
        The guide leads: it counts in, waits for verdicts, asks for ratings. False: the player calls every step by a key
        of its own, in any order, as at the terminal.
    sensor : bool
        False: plan, tab and click alone; there are no gestures, and nothing is recorded.
    postures : tuple of str
        From which such a player chooses.
    """

    plan: Plan | None = None
    led: bool = True
    sensor: bool = True
    postures: tuple[str, ...] = ()


@dataclass(frozen=True)
class Slip:
    """A rating of discomfort that stopped the evening and can be taken back for a moment, and where it was given.

    Attributes
    ----------
    event : Event
        The rating, written down as soon as the moment has passed, or anything else ends the session.
    at_s, until_s : float
        When it was given, and how long it can be taken back.
    phase : Phase
        In which the question was asked.
    """

    event: Event
    at_s: float
    until_s: float
    phase: Phase


@dataclass(frozen=True)
class Guide:
    """A guided session as it stands.

    Attributes
    ----------
    script : Script
    phase : Phase
    number : int
        Rises whenever the keys get another meaning.
    asked : tuple of AskedGesture
        The gestures of a posture.
    wanted : tuple of WantedGesture
        All gestures to do; ``gesture`` is the next one's place.
    gesture : int
    last : GestureLive or None
        The verdict on the gesture before.
    done : frozenset of (kind, posture)
        Gestures that were done.
    postures : tuple of str
        Whose gestures were asked for.
    lenders : tuple of (str, str)
        Postures without gestures of their own, each with the one whose serve it.
    free : FreePlay
    dead_band_deg : float
    strings : int
        Strings or courses of the instrument.
    place : int
        In the plan.
    block : Block or None
        To come, running, or played last.
    blocks, played, clicks : int
        Number of the last block, blocks played; the number of the click.
    due_s : float or None
        When the next block begins by itself.
    questions : tuple of str
        Scales still to be rated, the first is asked.
    counted : int or None
        How far a pedal has counted for it.
    load : Load
    notice : str
        What stays to be said.
    moved : Moved or None
        To be asked in the next rest.
    slip : Slip or None
        A rating of discomfort that is not written down yet, because it may be a slip of the finger.
    """

    script: Script
    phase: Phase
    number: int = 1
    asked: tuple[AskedGesture, ...] = ()
    wanted: tuple[WantedGesture, ...] = ()
    gesture: int = 0
    last: GestureLive | None = None
    done: frozenset[tuple[str, str]] = frozenset()
    postures: tuple[str, ...] = ()
    lenders: tuple[tuple[str, str], ...] = ()
    free: FreePlay = field(default_factory=FreePlay)
    dead_band_deg: float = 0.0
    strings: int = 6
    place: int = 0
    block: Block | None = None
    blocks: int = 0
    played: int = 0
    clicks: int = 0
    due_s: float | None = None
    questions: tuple[str, ...] = ()
    counted: int | None = None
    load: Load = field(default_factory=Load)
    notice: str = ""
    moved: Moved | None = None
    slip: Slip | None = None

    @property
    def over(self) -> bool:
        """Whether the plan has no block left."""
        return self.script.plan is not None and self.place >= len(self.script.plan.blocks)

    @property
    def several(self) -> bool:
        """Whether there are gestures of more than one posture."""
        return len({wanted.posture for wanted in self.wanted if wanted.posture}) > 1

    @property
    def planned(self) -> PlanBlock | None:
        """The plan's next block."""
        return None if self.script.plan is None or self.over else self.script.plan.blocks[self.place]

    @property
    def stretch(self) -> Stretch:
        """What is played next."""
        return free_stretch(self.free) if self.planned is None else planned_stretch(self.planned)

    def block_of(self, stretch: Stretch, starts_s: float | None = None, ends_s: float | None = None) -> Block:
        """The next block as it is shown.

        Parameters
        ----------
        stretch : Stretch
        starts_s : float, optional
        ends_s : float, optional

        Returns
        -------
        Block
        """
        return stretch.shown(self.blocks + 1, self.dead_band_deg, self.strings, (starts_s, ends_s))

    @property
    def lender(self) -> str | None:
        """The posture whose gestures measure the next block, where that one has none of its own."""
        return dict(self.lenders).get(self.stretch.posture)


Step: TypeAlias = tuple[Guide, list[Order]]
"""What a transition gives: the new state, and what is to be done."""


def enter(guide: Guide, phase: Phase) -> Guide:
    """Go into a phase: from now on the keys mean something else."""
    return replace(guide, phase=phase, number=guide.number + 1)


def due_s(guide: Guide) -> float | None:
    """When the state changes by itself; None where it waits for somebody.

    Parameters
    ----------
    guide : Guide

    Returns
    -------
    float or None
        Seconds on the clock of the guide's own times.
    """
    phase = guide.phase
    if isinstance(phase, Gesturing):
        return phase.starts_s if phase.leading else phase.ends_s
    if isinstance(phase, CountingIn):
        return phase.starts_s
    if isinstance(phase, Playing):
        return phase.ends_s
    if isinstance(phase, Resting | OnBreak):
        return phase.rest.ends_server_s
    return guide.slip.until_s if isinstance(phase, Hurting) and guide.slip is not None else None


def step_back(guide: Guide) -> Guide:
    """Back to the block of the plan that was played last."""
    if guide.script.plan is None:
        return guide
    blocks = guide.script.plan.blocks[: guide.place]
    places = [at for at, block in enumerate(blocks) if block.kind == "play"]
    return replace(guide, place=places[-1] if places else guide.place)


def plan_place(guide: Guide, resting: bool = False) -> PlanPlace | None:
    """Where the plan stands; in a rest the place has moved on to what comes next already."""
    plan = guide.script.plan
    if plan is None:
        return None
    left = plan.blocks[guide.place :]
    left_s = sum(block.count_in_s + block.play_s + block.rest_after_s for block in left)
    after = left if resting else left[1:]
    words = "the end" if left else ""
    if after:
        words = "Break" if after[0].kind == "rest" else planned_stretch(after[0]).title
    return PlanPlace(plan.name, min(guide.place, len(plan.blocks) - 1), len(plan.blocks), left_s, words)
