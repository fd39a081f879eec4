"""The reference gestures, one by one: what to do, a lead, the gesture with its live quality, and again if need be."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from analysis.model.records import Event
from analysis.reference.session_reference import Gestures
from logger.live.commands import Command, Simple
from logger.live.gesture_check import GestureCheck, sensor_notice
from logger.live.pace import Cue
from logger.live.state import Gesture, GestureLive, GesturePhase, Key
from logger.live.step_context import FINISH_KEY, HURT_KEY, Stage
from logger.record.record_session import Gesture as Asked
from logger.sliding.estimator import LiveEstimator

LEAD_S = 3.0
CHECK_S = 0.33
TITLES = {
    ("still", True): "Sensor on the table, hands off",
    ("still", False): "Plectrum on a string, hold still",
    ("across", False): "Across all strings, to and fro",
    ("along", False): "Along one string, to and fro",
    ("pivot", False): "Tip on one spot, rock the hand",
}


@dataclass(frozen=True)
class Wanted:
    """One gesture to do, with its place among all."""

    asked: Asked
    posture: str
    number: int
    count: int

    @property
    def off_hand(self) -> bool:
        """Whether the sensor lies on the table."""
        return bool(self.asked.label)


def gestures_for(asked: Sequence[Asked], postures: Sequence[str]) -> tuple[Wanted, ...]:
    """All gestures: everything in the first posture, all but the still off the hand in each further one."""
    wanted = [(gesture, "" if gesture.label else postures[0]) for gesture in asked]
    wanted += [(each.asked, posture) for posture in postures[1:] for each in gestures_of(asked, posture)]
    return tuple(Wanted(gesture, posture, at, len(wanted)) for at, (gesture, posture) in enumerate(wanted, 1))


def gestures_of(asked: Sequence[Asked], posture: str) -> tuple[Wanted, ...]:
    """The gestures of one more posture: all but the still off the hand."""
    wanted = [gesture for gesture in asked if not gesture.label]
    return tuple(Wanted(gesture, posture, at, len(wanted)) for at, gesture in enumerate(wanted, 1))


def lender_of(estimator: LiveEstimator, posture: str) -> str | None:
    """The posture whose gestures serve this one, which has none of its own; None where it needs no other's."""
    foundation, reference = estimator.foundation, estimator.reference
    if foundation is None or reference is None or not reference.frame(posture).from_gestures:
        return None
    owners = [direction.posture for direction in foundation.gestures.directions if direction.usable]
    return None if not owners or {posture, ""} & set(owners) else owners[0]


class GestureSteps:
    """Lead through the gestures. A hurt or an end in between leaves what was done; going on starts where it stopped.

    Parameters
    ----------
    stage : Stage
    wanted : sequence of Wanted
    postures : sequence of str
        That will be played.
    """

    def __init__(self, stage: Stage, wanted: Sequence[Wanted], postures: Sequence[str]) -> None:
        self._stage = stage
        self._wanted = list(wanted)
        self._postures = tuple(postures)
        self._at = 0
        self._last: GestureLive | None = None
        self._check: GestureCheck | None = None

    def ask_for(self, asked: Sequence[Asked], posture: str) -> None:
        """Want the gestures of one more posture that will be played, from the first on."""
        self._postures = tuple(dict.fromkeys((*self._postures, posture)))
        self._wanted[self._at :] = gestures_of(asked, posture)

    async def run(self) -> None:
        """Do what is left of the gestures, solve them, repeat those that were no good."""
        while True:
            while self._at < len(self._wanted):
                wanted = self._wanted[self._at]
                answer = await self._prepare(wanted)
                if answer == "skip":
                    self._last = None
                    self._at += 1
                elif await self._do(wanted):
                    self._at += 1
            again = await self._solve()
            if not again:
                return
            self._wanted += again

    async def _prepare(self, wanted: Wanted) -> str:
        keys = (Key("next", "Start"), Key("skip", "Leave it out"), HURT_KEY, FINISH_KEY)
        shown = self._gesture(wanted, "prepare", last=self._last)
        answer = await self._stage.ask(keys, **_words(wanted), gesture=shown)
        return _name(answer)

    async def _do(self, wanted: Wanted) -> bool:
        """Record one gesture; True to go on to the next."""
        stage, pace = self._stage, self._stage.pace
        starts_s = pace.now_s() + LEAD_S
        ends_s = starts_s + wanted.asked.seconds
        kind = wanted.asked.kind
        stage.cue(Cue(kind, starts_s, ends_s, wanted.posture, wanted.off_hand))
        keys = (Key("again", "Stop, begin again"), HURT_KEY, FINISH_KEY)
        shown = self._gesture(wanted, "lead", starts_s, ends_s)
        if await stage.ask(keys, starts_s, gesture=shown) is not None:
            return False
        event = stage.begin(Event(0.0, 0.0, kind, wanted.asked.label, wanted.posture), starts_s)
        checking = asyncio.create_task(self._follow(event, wanted.asked.seconds))
        try:
            stopped = await stage.ask(keys, ends_s, gesture=replace(shown, phase="running"))
        finally:
            checking.cancel()
            stage.cue(Cue("rest", ends_s))
            at_s = stage.log_s(min(pace.now_s(), ends_s))
        if stopped is not None:
            stage.end(at_s, "rest")
            return False
        stage.show(gesture=replace(shown, phase="judging"))
        verdict = await self._judge(replace(event, end_s=at_s), wanted.asked.seconds)
        stage.publish(verdict)
        if verdict.good:
            stage.end(at_s)
            self._last = verdict
            return True
        return await self._poor(wanted, verdict, at_s)

    async def _poor(self, wanted: Wanted, verdict: GestureLive, at_s: float) -> bool:
        keys = (Key("next", "Do it again"), Key("skip", "Go on with it as it is"), HURT_KEY, FINISH_KEY)
        shown = self._gesture(wanted, "poor", last=verdict)
        self._last = None
        answer = ""
        try:
            answer = _name(await self._stage.ask(keys, title="Once more", hint=verdict.sentence, gesture=shown))
        finally:
            # What was no good is kept out of the analysis by its kind; the samples stay.
            self._stage.end(at_s, None if answer == "skip" else "rest")
        return answer == "skip"

    async def _follow(self, event: Event, seconds: float) -> None:
        """Say how it goes while it goes."""
        stage = self._stage
        while True:
            await asyncio.sleep(CHECK_S)
            now = replace(event, end_s=stage.log_s(stage.pace.now_s()))
            check = self._checker()
            stage.publish(await stage.work(lambda now=now, check=check: check.judge(now, seconds, False)))  # type: ignore[misc]

    async def _judge(self, event: Event, seconds: float) -> GestureLive:
        await self._stage.samples_until(event.end_s + 0.1)
        check = self._checker()
        return await self._stage.work(lambda: check.judge(event, seconds, True))

    def _checker(self) -> GestureCheck:
        if self._check is None:
            if self._stage.estimator is None:
                raise RuntimeError("gestures come after the sensor is met")
            self._check = GestureCheck(self._stage.estimator)
        return self._check

    async def _solve(self) -> list[Wanted]:
        """Solve all gestures; those to be repeated."""
        stage, estimator = self._stage, self._stage.estimator
        if estimator is None:
            return []
        stage.show(title="Working out how you hold the instrument", hint="", gesture=None)
        events = tuple(stage.events)
        gestures = await stage.work(lambda: estimator.establish(events, self._postures))
        reference = estimator.reference
        again = self._to_repeat(gestures)
        if not again:
            against = await stage.work(lambda: sensor_notice(estimator, events))
            stage.show(notice=against or ("" if reference else NO_FRAME))
            return []
        keys = (Key("next", "Do it again"), Key("skip", "Go on without"), HURT_KEY, FINISH_KEY)
        words = _reason(gestures, again[0])
        answer = await stage.ask(keys, step="gestures", title="Once more", hint=words, gesture=None)
        if _name(answer) == "skip":
            stage.show(notice="" if reference else NO_FRAME)
            return []
        return again

    def _to_repeat(self, gestures: Gestures) -> list[Wanted]:
        """Gestures of which, solved together, none was usable; left-out ones are the player's choice."""
        good = {(quality.kind, quality.posture) for quality in gestures.qualities if quality.usable}
        done = {(event.kind, event.posture) for event in self._stage.events}
        repeat: dict[tuple[str, str], Wanted] = {}
        for wanted in self._wanted:
            name = (wanted.asked.kind, wanted.posture)
            if wanted.asked.kind in ("across", "along", "pivot") and name in done and name not in good:
                repeat[name] = wanted
        return list(repeat.values())

    def _gesture(
        self,
        wanted: Wanted,
        phase: GesturePhase,
        starts_s: float | None = None,
        ends_s: float | None = None,
        last: GestureLive | None = None,
    ) -> Gesture:
        kind = wanted.asked.kind
        if kind not in ("still", "across", "along", "pivot"):
            raise RuntimeError(f"{kind} is no gesture")
        return Gesture(
            kind=kind,
            number=wanted.number,
            count=wanted.count,
            off_hand=wanted.off_hand,
            posture=wanted.posture,
            prompt=wanted.asked.prompt,
            seconds=wanted.asked.seconds,
            phase=phase,
            starts_server_s=starts_s,
            ends_server_s=ends_s,
            last=last,
        )


NO_FRAME = "Without the gestures tilt is only against the hand's own mean plane: it shows changes, not the side."


def _words(wanted: Wanted) -> dict[str, Any]:
    posture = f"Posture {wanted.posture}. " if wanted.posture and wanted.count > 5 else ""
    return {
        "step": "gestures",
        "title": TITLES[wanted.asked.kind, wanted.off_hand],
        "hint": posture + wanted.asked.prompt,
    }


def _reason(gestures: Gestures, wanted: Wanted) -> str:
    remarks = [quality.remark for quality in gestures.qualities if not quality.usable]
    said = remarks or [words for words in gestures.warnings if words.startswith(wanted.asked.kind)]
    return f"{wanted.asked.kind.capitalize()}: {said[0]}." if said else f"{wanted.asked.kind.capitalize()} was no good."


def _name(answer: Command | None) -> str:
    return answer.name if isinstance(answer, Simple) else ""
