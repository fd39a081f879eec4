"""The guided session on the page: feeds the guide with what happens, does what it orders, shows its state."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Coroutine
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from analysis.model.errors import DeviceError, InputError, StrokeplaneError
from analysis.model.records import Event
from analysis.stroke.raps import Raps
from analysis.tension.caution_level import TensionLevel
from logger.guide.guide_state import Script, due_s
from logger.guide.machine import begin, step
from logger.guide.orders import (
    Begin,
    CheckSensor,
    Close,
    End,
    FollowBlock,
    ForgetLever,
    GestureJudged,
    Happening,
    JudgeBlock,
    JudgeGesture,
    KeepPlan,
    LoadAssessed,
    LookForSensor,
    Mark,
    MountingMoved,
    Order,
    Pressed,
    Reported,
    SettleSetup,
    SolveGestures,
    Task,
    TimePassed,
    WatchGesture,
    WriteReport,
)
from logger.guide.phases import Closed, Done, Finishing, Playing
from logger.guide.view import NO_SENSOR_WORDS, keys_of, view
from logger.live.block_follower import BlockFollower
from logger.live.commands import Choose, Command, Rate, Simple
from logger.live.estimator_thread import EstimatorThread
from logger.live.gesture_follower import GestureFollower
from logger.live.pace import Pace
from logger.live.protocol import PROTOCOL_VERSION, Refused, ServerMessage, Strokes
from logger.live.rap_watch import BEFORE_RAPS_S, RapWatch
from logger.live.sensor_link import LiveSession, SensorLink, off_loop
from logger.live.session_end import end_recording, write_session_report
from logger.live.session_log import SessionLog
from logger.live.state import Report, State, Totals, Verdict
from logger.player.tomorrow import Tomorrow
from logger.sound.page_microphone import Microphone, Take

RAPPED_STEPS = ("gestures", "ready", "play", "rest")
"""Where three raps are a press of the pedal; not before the sensor is on the hand, nor after something hurt."""
NO_REPORT = Report(None, "", "Nothing was recorded.", ())


class SessionRun:
    """Run one session. Lives on the event loop.

    Parameters
    ----------
    session : LiveSession
    pace : Pace
    publish : callable
        Sends a message to every page.
    follow : callable
        Tells a simulated player what to do.

    Attributes
    ----------
    guide : Guide
        The state of the session.
    report : Path or None
        The report, once it is there.
    """

    def __init__(
        self,
        session: LiveSession,
        pace: Pace,
        publish: Callable[[ServerMessage], None],
        follow: Callable[[Task], None] = lambda _: None,
    ) -> None:
        self.pace = pace
        self.report: Path | None = None
        self.link = SensorLink(session, pace, publish, self._publish_state)
        self.log = SessionLog(pace)
        self.microphone = Microphone(self._publish_state)
        self._session = session
        self._publish = publish
        self._follow_task = follow
        self._worker = EstimatorThread()
        self._gestures: GestureFollower | None = None
        self._blocks: BlockFollower | None = None
        self._watching: asyncio.Task[None] | None = None
        self._closed_event: Event | None = None
        self._strokes = 0
        self._verdict: Verdict | None = None
        self._reported = NO_REPORT
        self._tomorrow: Tomorrow | None = None
        self._notice = ""
        self._waiting: deque[Happening] = deque()
        self._busy: set[asyncio.Task[None]] = set()
        self._news = asyncio.Event()
        self._fault: BaseException | None = None
        script = Script(session.plan, sensor=session.sensor)
        self.guide, self._first_orders = begin(script, session.set_up.chosen(pace.now_s()))

    async def run(self) -> None:
        """Run the whole session; returns when the player closes it at its end.

        Raises
        ------
        StrokeplaneError
        """
        watch = asyncio.create_task(self.link.watch(self._ended_by_itself))
        try:
            self._obey(self._first_orders)
            while not isinstance(self.guide.phase, Closed):
                if self._fault is not None:
                    raise self._fault
                self._news.clear()
                await self._until_due()
                self.happen(TimePassed(self.pace.now_s()))
        finally:
            watch.cancel()
            for task in list(self._busy):
                task.cancel()
            await asyncio.gather(*self._busy, return_exceptions=True)
            await off_loop(self.microphone.close)
            recorder = self.link.recorder
            if recorder is not None and recorder.running:
                await off_loop(recorder.stop)
            if self._session.streams is not None:
                await off_loop(self._session.streams.close)
            self._worker.close()

    async def _until_due(self) -> None:
        """Wait until the state is due to change by itself, or something happens."""
        due = due_s(self.guide)
        left_s = None if due is None else self.pace.real_s(due - self.pace.now_s())
        if left_s == 0.0:
            return
        try:
            await asyncio.wait_for(self._news.wait(), left_s)
        except TimeoutError:
            return

    # --- what happens

    def happen(self, happening: Happening) -> None:
        """Take a step, and what follows from it, and show it.

        Parameters
        ----------
        happening : Happening
        """
        self._waiting.append(happening)
        if len(self._waiting) > 1:
            return  # In the midst of a step: it is taken when that one is done.
        before = self.guide
        while self._waiting:
            self.guide, orders = step(self.guide, self._waiting[0])
            self._obey(orders)
            self._waiting.popleft()
        self._news.set()
        if self.guide != before:
            self._publish_state()

    def press(self, command: Command) -> Refused | None:
        """Take a player's command; a sentence where it has no meaning now.

        A command with an older ``seen`` was pressed for something that is over, and is dropped.

        Parameters
        ----------
        command : Command

        Returns
        -------
        Refused or None
        """
        name = command_name(command)
        seen = getattr(command, "seen", None)
        if seen is not None and seen != self.guide.number and name not in ("hurt", "finish"):
            return None
        if name != "finish" and name not in {key.command for key in keys_of(self.guide)}:
            return Refused(f"{name.capitalize()} has no meaning now; the keys that have one are shown.")
        if isinstance(command, Choose):
            self._choose(command)
        else:
            value = command.value if isinstance(command, Rate) else 0
            self.happen(Pressed(self.pace.now_s(), name, value, seen))
        return None

    def _choose(self, choice: Choose) -> None:
        set_up, refused = self._session.set_up, ""
        try:
            set_up.choose(choice, blocks_only=view(self.guide).step == "ready")
        except InputError as error:
            refused = str(error)
        self.happen(set_up.chosen(self.pace.now_s(), refused))

    def _wants_raps(self) -> bool:
        """Whether three raps mean the pedal: where the hand is at the instrument and the pedal goes on."""
        keys = keys_of(self.guide)
        return bool(keys) and keys[0].command == "next" and view(self.guide).step in RAPPED_STEPS

    def _rapped(self, raps: Raps) -> None:
        if not self._wants_raps():
            return
        at_s = self.pace.now_s()
        if isinstance(self.guide.phase, Playing):
            at_s = min(at_s, max(self.guide.phase.starts_s, self.log.server_s(raps.first_s) - BEFORE_RAPS_S))
        self.happen(Pressed(at_s, "next"))

    def finish(self) -> None:
        """End the session; once its report is there, close the program."""
        self.happen(Pressed(self.pace.now_s(), "finish"))

    @property
    def finishing(self) -> bool:
        """Whether the report is being worked out."""
        return isinstance(self.guide.phase, Finishing)

    def _ended_by_itself(self, reason: str) -> None:
        """The disk failed, or the source has no more samples."""
        self._notice = reason
        if not isinstance(self.guide.phase, Finishing | Done | Closed):
            self.finish()

    # --- what pages see

    @property
    def recent(self) -> Strokes | None:
        """The running block's strokes so far, for a page that comes late."""
        return None if self._blocks is None else self._blocks.recent

    def state(self) -> State:
        """The state as it stands.

        Returns
        -------
        State
        """
        shown = view(self.guide)
        load = self.guide.load
        parts = {field.name: getattr(shown, field.name) for field in fields(shown)}
        parts["notice"] = " ".join(words for words in (shown.notice, self._notice) if words)
        return State(
            protocol=PROTOCOL_VERSION,
            step_number=self.guide.number,
            server_s=self.pace.now_s(),
            sensor=self.link.shown,
            setup=self._session.set_up.shown,
            totals=Totals(self.guide.played, self._strokes, load.played_s, load.since_break_s),
            file="" if self.link.recorder is None else self._session.path.name,
            verdict=self._verdict,
            microphone=self.microphone.shown if self._session.sensor else None,
            report=self._reported if isinstance(self.guide.phase, Done) else None,
            instrument=self.link.instrument,
            phone=bool(self.phone_address),
            **parts,
        )

    @property
    def phone_address(self) -> str:
        """Where a phone finds the page that makes it the instrument's sensor; empty where none is waited for."""
        return self._session.phone_address()

    def take_microphone(self, text: str) -> Take:
        """Begin to record a page's microphone beside the session.

        Parameters
        ----------
        text : str
            The page's first message.

        Returns
        -------
        Take

        Raises
        ------
        StrokeplaneError
            It cannot be recorded now.
        """
        return self.microphone.begin(text, self._session.path, self.log.log_s, self.log.recording.attach)

    def _publish_state(self) -> None:
        self._publish(self.state())

    # --- what is ordered

    def _obey(self, orders: list[Order]) -> None:
        try:
            for order in orders:
                self._do(order)
        except StrokeplaneError as error:
            # Whoever told the happening, a page or the clock, can do nothing about it: the session ends with it.
            self._fault = error

    def _do(self, order: Order) -> None:
        log = self.log
        if isinstance(order, Begin | End | Mark | SettleSetup) and not self._session.sensor:
            return
        if isinstance(order, Task):
            self._follow_task(order)
        elif isinstance(order, Begin):
            self._stop_watching()
            log.begin(order.event, order.at_s)
        elif isinstance(order, End):
            self._stop_watching()
            self._closed_event = log.end(order.at_s, order.kind)
        elif isinstance(order, Mark):
            log.mark(order.event, order.at_s)
        elif isinstance(order, SettleSetup):
            self.link.settle()
        elif isinstance(order, ForgetLever):
            self._session.set_up.forget_lever()
            self.link.settle()
        elif isinstance(order, FollowBlock) and self._blocks is not None and log.opened is not None:
            self._verdict = None
            self._blocks.begin(order.number, log.opened)
        elif isinstance(order, JudgeBlock) and self._blocks is not None and self._closed_event is not None:
            self._blocks.end(self._closed_event, order.settle_s)
        else:
            self._do_long(order)

    def _do_long(self, order: Order) -> None:
        if isinstance(order, LookForSensor):
            self._start(self._look_for_sensor())
        elif isinstance(order, CheckSensor):
            self._start(self._check_sensor())
        elif isinstance(order, WatchGesture) and self._gestures is not None and self.log.opened is not None:
            self._watching = self._start(self._gestures.watch(self.log.opened, order.seconds))
        elif isinstance(order, JudgeGesture):
            self._stop_watching()
            self._start(self._judge_gesture(order))
        elif isinstance(order, SolveGestures):
            self._start(self._solve(order.postures))
        elif isinstance(order, WriteReport):
            self._start(self._write_report())
        elif isinstance(order, KeepPlan):
            self._start(self._keep_plan())
        elif isinstance(order, Close):
            self._news.set()

    def _start(self, work: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Do something long; what goes wrong in it ends the session, as anywhere else."""
        task = asyncio.create_task(work)
        self._busy.add(task)
        task.add_done_callback(self._ended)
        return task

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._busy.discard(task)
        if not task.cancelled() and task.exception() is not None:
            self._fault = task.exception()
            self._news.set()

    def _stop_watching(self) -> None:
        if self._watching is not None:
            self._watching.cancel()
            self._watching = None

    async def _look_for_sensor(self) -> None:
        found = await self.link.look_for()
        if self.link.recorder is not None and self.link.estimator is not None:
            estimator = self.link.estimator
            self.log.record_into(self.link.recorder)
            self.link.server_s = self.log.server_s
            self._gestures = GestureFollower(estimator, self._worker, self.log, self._publish)
            self._blocks = BlockFollower(estimator, self._worker, self.log, self._publish, self._conclude)
            if self._session.raps:
                watch = RapWatch(estimator, self._worker, self.pace, self._wants_raps, self._rapped)
                self._start(watch.watch())
        self.happen(found)

    async def _check_sensor(self) -> None:
        self.happen(await self.link.check())

    async def _judge_gesture(self, order: JudgeGesture) -> None:
        gestures, event = self._gestures, self.log.opened
        if gestures is None or event is None:
            raise DeviceError(
                "no sensor is connected yet",
                next_step="connect it first",
            )
        verdict = await gestures.judge(replace(event, end_s=self.log.log_s(order.ended_s)), order.seconds)
        self.happen(GestureJudged(self.pace.now_s(), verdict))

    async def _solve(self, postures: tuple[str, ...]) -> None:
        if self._gestures is not None:
            offered = (*self._session.set_up.postures, *postures)
            self.happen(await self._gestures.solve(postures, offered))

    def _conclude(self, verdict: Verdict, tension: TensionLevel, moved: str) -> None:
        """A block's verdict is out; ``moved`` says why new gestures are wanted."""
        self._strokes += verdict.strokes
        self._verdict = verdict
        self._publish_state()
        self.happen(LoadAssessed(self.pace.now_s(), tension.level, tension.sentence))
        if moved:
            posture = "" if self._closed_event is None else self._closed_event.posture
            self.happen(MountingMoved(self.pace.now_s(), posture, moved))

    async def _write_report(self) -> None:
        """Close the recording, analyse it, say where the report is."""
        recorder = self.link.recorder
        if not self._session.sensor:
            self._reported = replace(NO_REPORT, sentence=NO_SENSOR_WORDS)
        if recorder is not None:
            if self._blocks is not None:
                await self._blocks.wait()
            await off_loop(self.microphone.close)
            self.link.end()
            failure = await off_loop(lambda: end_recording(recorder))
            ended = await self._worker.run(lambda: write_session_report(recorder.path))
            report, self._tomorrow = ended.report, ended.tomorrow
            self.report = recorder.path.with_suffix(".html") if report.url else None
            self._reported = replace(report, sentence=f"{failure} {report.sentence}".strip())
        self.happen(Reported(self.pace.now_s(), self._reported.sentence, plan=self._tomorrow is not None))

    async def _keep_plan(self) -> None:
        """Save the next evening's plan beside the recording, and say where."""
        tomorrow, offer, path = self._tomorrow, self._reported.plan, self._session.path
        if tomorrow is None or offer is None:
            return
        saved = await off_loop(lambda: tomorrow.keep(path.with_name(f"{path.stem}-next.toml")))
        self._reported = replace(self._reported, plan=replace(offer, saved=saved))
        self._publish_state()


def command_name(command: Command) -> str:
    """The word by which a page sent a command."""
    if isinstance(command, Simple):
        return command.name
    if isinstance(command, Rate):
        return "rate"
    return "choose" if isinstance(command, Choose) else "clock"
