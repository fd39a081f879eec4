"""A session driven without a page: time that jumps, an answer to every order, and what was recorded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from analysis.model.records import Event
from logger.guide.asked_gestures import full_gestures
from logger.guide.guide_state import Guide, Script, due_s
from logger.guide.machine import begin, step
from logger.guide.orders import (
    Begin,
    CheckSensor,
    Chosen,
    End,
    GestureJudged,
    GesturesSolved,
    Happening,
    JudgeGesture,
    LookForSensor,
    Mark,
    Order,
    Pressed,
    Reported,
    SensorChecked,
    SensorFound,
    SolveGestures,
    Task,
    TimePassed,
    WriteReport,
)
from logger.guide.shown import GestureLive
from logger.guide.stretch import FreePlay
from logger.guide.view import keys_of, view
from logger.practice.plan import Plan

DEAD_BAND_DEG = 10.8


@dataclass
class Driven:
    """A guide, its clock, and everything that it ordered.

    ``poor`` are kinds of gestures that are judged poor the next time; ``usable`` says which come out usable when all
    are solved. ``moved``: the next pivot shows that the sensor sits elsewhere than remembered.
    """

    plan: Plan | None = None
    led: bool = True
    sensor: bool = True
    postures: tuple[str, ...] = ()
    now_s: float = 1000.0
    poor: list[str] = field(default_factory=list)
    moved: bool = False
    usable: Callable[[frozenset[tuple[str, str]]], frozenset[tuple[str, str]]] = lambda done: done
    lenders: tuple[tuple[str, str], ...] = ()
    events: list[Event] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    open: Event | None = None
    guide: Guide = field(init=False)

    def __post_init__(self) -> None:
        script = Script(self.plan, self.led, self.sensor, self.postures)
        self.guide, orders = begin(script, self.chosen())
        self.obey(orders)

    def chosen(self, free: FreePlay | None = None, refused: str = "") -> Chosen:
        free = free or FreePlay(self.postures[0] if self.postures else "A")
        return Chosen(self.now_s, full_gestures(), free, DEAD_BAND_DEG, refused)

    @property
    def step(self) -> str:
        return view(self.guide).step

    @property
    def keys(self) -> list[str]:
        return [key.command for key in keys_of(self.guide)]

    def press(self, command: str, value: int = 0, seen: int | None = None) -> None:
        self.happen(Pressed(self.now_s, command, value, seen))

    def wait(self, seconds: float) -> None:
        """Let time pass; what is due on the way happens on time."""
        end_s = self.now_s + seconds
        while (due := due_s(self.guide)) is not None and due <= end_s:
            self.now_s = max(self.now_s, due)
            self.happen(TimePassed(self.now_s))
        self.now_s = end_s
        self.happen(TimePassed(end_s))

    def happen(self, happening: Happening) -> None:
        self.guide, orders = step(self.guide, happening)
        self.obey(orders)

    def obey(self, orders: list[Order]) -> None:
        self.orders += orders
        for order in orders:
            self.record(order)
        for order in orders:
            answer = self.answer(order)
            if answer is not None:
                self.happen(answer)

    def record(self, order: Order) -> None:
        """Keep events as a recorder would: one is open at a time."""
        if isinstance(order, Begin):
            self.close(order.at_s, None)
            self.open = replace(order.event, start_s=order.at_s)
        elif isinstance(order, End):
            self.close(order.at_s, order.kind)
        elif isinstance(order, Mark):
            self.events.append(replace(order.event, start_s=order.at_s, end_s=order.at_s))

    def close(self, at_s: float, kind: str | None) -> None:
        if self.open is not None:
            self.events.append(replace(self.open, end_s=at_s, kind=kind or self.open.kind))  # type: ignore[arg-type]
        self.open = None

    def answer(self, order: Order) -> Happening | None:
        if isinstance(order, LookForSensor):
            return SensorFound(self.now_s)
        if isinstance(order, CheckSensor):
            return SensorChecked(self.now_s)
        if isinstance(order, JudgeGesture):
            kind = "" if self.open is None else self.open.kind
            good = kind not in self.poor
            if not good:
                self.poor.remove(kind)
            moved, self.moved = self.moved and good and kind == "pivot", self.moved and kind != "pivot"
            words = "Good." if good else "Longer moves."
            return GestureJudged(self.now_s, GestureLive(kind, good, words, done=True, moved=moved))
        if isinstance(order, SolveGestures):
            usable = self.usable(self.guide.done)
            return GesturesSolved(
                self.now_s, usable, (("across", "Across: too short."),), bool(usable), lenders=self.lenders
            )
        return Reported(self.now_s, "The downstroke clears.") if isinstance(order, WriteReport) else None

    def do_gestures(self) -> None:
        """Press the key before each gesture and wait until it is done."""
        while self.step == "gestures":
            if "next" in self.keys:
                self.press("next")
            self.wait(1.0)

    def do_gestures_until(self, title: str) -> None:
        """Do gestures until a step of this title."""
        while view(self.guide).title != title:
            self.press("next")
            self.wait(1.0)

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def tasks(self) -> list[Task]:
        return [order for order in self.orders if isinstance(order, Task)]
