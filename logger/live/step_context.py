"""What every step of the guided session stands on: the state that pages see, the keys that count, the recording."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from analysis.model.errors import DeviceError
from analysis.model.records import Event, EventKind
from logger.live.commands import Choose, Command, Rate, Simple
from logger.live.pace import Cue, Pace
from logger.live.protocol import PROTOCOL_VERSION, Refused, ServerMessage
from logger.live.state import Key, Sensor, Setup, State, Step, Totals
from logger.record.recorder import Recorder
from logger.sliding.estimator import LiveEstimator
from logger.sources.clock import ClockFit

T = TypeVar("T")

FIT_AGE_S = 1.0
"""The clocks' fit is made anew this often: it takes milliseconds."""

MOST_LATE_S = 3.0
"""Samples that come later than this are not waited for."""

HURT_KEY = Key("hurt", "Something hurts")
FINISH_KEY = Key("finish", "End the session")


class HurtPressed(Exception):  # noqa: N818 - a turn of the session, not an error
    """The player said that something hurts."""


class FinishPressed(Exception):  # noqa: N818
    """The player, or the end of the samples, ends the session."""


@dataclass
class Shown:
    """The parts of the state that steps change; each is as in :class:`logger.live.state.State`."""

    step: Step = "connect"
    title: str = "Looking for the sensor"
    hint: str = ""
    notice: str = ""
    parts: dict[str, Any] = field(default_factory=dict)


class Stage:
    """The state, the player's keys, and what is recorded. Lives on the event loop.

    Parameters
    ----------
    pace : Pace
    publish : callable
        Sends a message to every page.
    cue : callable
        Tells a simulated player what it is asked to do.
    """

    def __init__(
        self, pace: Pace, publish: Callable[[ServerMessage], None], cue: Callable[[Cue], None] = lambda _: None
    ) -> None:
        self.pace = pace
        self.publish = publish
        self.cue = cue
        self.recorder: Recorder | None = None
        self.estimator: LiveEstimator | None = None
        self.worker = ThreadPoolExecutor(1, thread_name_prefix="live estimator")
        self.events: list[Event] = []
        self.shown = Shown()
        self.sensor = Sensor("connecting", "", "", None, "")
        self.setup: Setup | None = None
        self.totals = Totals(0, 0, 0.0, 0.0)
        self.step_number = 0
        self.keys: tuple[Key, ...] = ()
        self._answer: asyncio.Future[Command] | None = None
        self._finishing = False
        self._fit: ClockFit | None = None
        self._fit_s = 0.0

    # --- what pages see

    def show(self, **changes: Any) -> None:
        """Change parts of the state and publish it. A part set to None is shown no more."""
        for name, value in changes.items():
            if name in ("step", "title", "hint", "notice"):
                setattr(self.shown, name, value)
            else:
                self.shown.parts[name] = value
        self.publish(self.state())

    def state(self) -> State:
        """The state as it stands."""
        if self.setup is None:
            raise RuntimeError("a session's set-up is known before anything is shown")
        return State(
            protocol=PROTOCOL_VERSION,
            step=self.shown.step,
            step_number=self.step_number,
            server_s=self.pace.now_s(),
            title=self.shown.title,
            hint=self.shown.hint,
            notice=self.shown.notice,
            keys=self.keys if self._answer is not None else (),
            sensor=self.sensor,
            setup=self.setup,
            totals=self.totals,
            file="" if self.recorder is None else self.recorder.path.name,
            **{name: value for name, value in self.shown.parts.items() if value is not None},
        )

    # --- what the player presses

    async def ask(self, keys: Sequence[Key], until_s: float | None = None, **changes: Any) -> Command | None:
        """Show something, wait for one of the keys, return it; None at ``until_s`` (pace time).

        Raises
        ------
        HurtPressed, FinishPressed
            These keys count at all times when they are offered.
        """
        if self._finishing:
            raise FinishPressed
        self.step_number += 1
        self.keys = tuple(keys)
        self._answer = asyncio.get_running_loop().create_future()
        self.show(**changes)
        try:
            answer = await self._answered(self._answer, until_s)
        finally:
            self._answer = None
        if answer is None:
            return None
        if isinstance(answer, Simple) and answer.name == "hurt":
            raise HurtPressed
        if isinstance(answer, Simple) and answer.name == "finish":
            raise FinishPressed
        return answer

    async def _answered(self, asked: asyncio.Future[Command], until_s: float | None) -> Command | None:
        while not asked.done():
            left_s = None if until_s is None else self.pace.real_s(until_s - self.pace.now_s())
            if left_s == 0.0:
                return None
            await asyncio.wait({asked}, timeout=left_s)
        return asked.result()

    async def work(self, function: Callable[[], T]) -> T:
        """Run something long on the estimator's thread; the pages go on meanwhile."""
        return await asyncio.get_running_loop().run_in_executor(self.worker, function)

    def press(self, command: Command) -> Refused | None:
        """Take a player's command; a sentence where it has no meaning now.

        A command with an older ``seen`` was pressed for something that is over, and is dropped.
        """
        name = command_name(command)
        seen = getattr(command, "seen", None)
        if name == "finish":
            self.finish()
            return None
        if seen is not None and seen != self.step_number and name != "hurt":
            return None
        if name not in {key.command for key in self.keys} or self._answer is None:
            return Refused(f"{name.capitalize()} has no meaning now; the keys that have one are shown.")
        if not self._answer.done():
            self._answer.set_result(command)
        return None

    @property
    def finishing(self) -> bool:
        """Whether the session was told to end."""
        return self._finishing

    def finish(self) -> None:
        """End the session at the next moment that it can."""
        self._finishing = True
        if self._answer is not None and not self._answer.done():
            self._answer.set_result(Simple("finish"))

    def reopen(self) -> None:
        """Let the player press once more, after the end."""
        self._finishing = False

    # --- what is recorded

    @property
    def recording(self) -> Recorder:
        """The recorder, once the sensor is met."""
        if self.recorder is None:
            raise DeviceError("no sensor is connected yet; connect it first")
        return self.recorder

    def begin(self, event: Event, at_server_s: float | None = None) -> Event:
        """Open an event in the recording, now or at a time that was planned; what is open ends there and counts."""
        at_s = self.log_s(self.pace.now_s() if at_server_s is None else at_server_s)
        self.end(at_s)
        return self.recording.begin(event, at_s)

    def end(self, at_s: float | None = None, kind: EventKind | None = None) -> Event | None:
        """Close the open event, if any, and keep it; ``kind`` other than its own: it was no good."""
        event = self.recording.end(at_s, kind)
        if event is not None:
            self.events.append(event)
        return event

    def mark(self, event: Event) -> None:
        """Record an event of this moment."""
        now_s = self.log_s(self.pace.now_s())
        event = replace(event, start_s=now_s, end_s=now_s)
        self.recording.add(event)
        self.events.append(event)

    async def samples_until(self, log_s: float) -> None:
        """Wait until samples up to a log time have come, a few seconds at most: the sensor may be gone."""
        deadline_s = time.monotonic() + MOST_LATE_S
        estimator = self.estimator
        while estimator is not None and time.monotonic() < deadline_s:
            last_s = float(estimator.store.last_tick or 0) / estimator.context.profile.tick_hz
            if last_s >= log_s:
                return
            await asyncio.sleep(0.02)

    def server_s(self, log_s: float) -> float:
        """Pace time of a log time."""
        fit = self._clocks()
        return log_s if fit is None else fit.host_s(log_s)

    def log_s(self, server_s: float) -> float:
        """Log time of a pace time.

        Raises
        ------
        DeviceError
            Before the first sample.
        """
        fit = self._clocks()
        if fit is None:
            raise DeviceError("no sample has come yet, so nothing can be marked; wait for the sensor")
        return fit.device_s(server_s)

    def _clocks(self) -> ClockFit | None:
        now_s = time.monotonic()
        if self._fit is None or now_s - self._fit_s > FIT_AGE_S:
            self._fit, self._fit_s = self.recording.clock_fit, now_s
        return self._fit


def command_name(command: Command) -> str:
    """The word by which a page sent a command."""
    if isinstance(command, Simple):
        return command.name
    if isinstance(command, Rate):
        return "rate"
    return "choose" if isinstance(command, Choose) else "clock"
