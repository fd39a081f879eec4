"""The session from the sensor's first sample to the report: runs the steps, watches the sensor, feeds the estimator."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from analysis.model.cautions import HURT
from analysis.model.errors import DeviceError, InputError, SessionFileError, StrokeplaneError
from analysis.model.records import Event, RawSamples, Session
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import prepare_signals
from logger.live.block_steps import BlockSteps
from logger.live.break_advice import Body
from logger.live.commands import Choose, Simple
from logger.live.gesture_steps import GestureSteps, gestures_for
from logger.live.lsl_streams import LslStreams
from logger.live.pace import Cue
from logger.live.protocol import Pulse, Strokes, Trace
from logger.live.session_end import end_recording, write_session_report
from logger.live.set_up import SetUp
from logger.live.state import Hurt, Key, Report, Sensor
from logger.live.step_context import FINISH_KEY, HURT_KEY, FinishPressed, HurtPressed, Stage
from logger.practice.plan import Plan
from logger.record.record_session import HURT_WORDS, Gesture, choose_gestures
from logger.record.recorder import Recorder, RecorderSettings
from logger.sliding.estimator import LiveEstimator
from logger.sources.base import Source
from logger.sources.messages import Battery
from logger.sources.stream import DeviceInfo, Item, empty_samples

T = TypeVar("T")

SILENT_S = 0.6
"""A sensor that has been silent for so long is told to be lost; together with the watch this is within a second."""
WATCH_S = 0.2
PULSE_S = 0.5
TRACE_S = 0.02
CHECK_S = 1.5
CALM_S = 120.0
"""For so long after something hurt, going on is not offered."""
LOST_WORDS = (
    "No samples are coming: check the cable or the battery, and that the sensor is near. The recording goes on by "
    "itself as soon as it is back."
)


@dataclass(frozen=True)
class LiveSession:
    """What a session is made of; ``streams`` hand it to other programs while it runs."""

    path: Path
    open_source: Callable[[], Source]
    set_up: SetUp
    plan: Plan | None = None
    streams: LslStreams | None = None


class Conduct:
    """Conduct one session.

    Parameters
    ----------
    session : LiveSession
    stage : Stage
    """

    def __init__(self, session: LiveSession, stage: Stage) -> None:
        self._session = session
        self.stage = stage
        stage.setup = session.set_up.shown
        self.report: Path | None = None
        self._body = Body()
        self._blocks = BlockSteps(stage, session.set_up, session.plan, self._body, self._gestures_of)
        self._gestures: GestureSteps | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._heard_s = 0.0
        self._points: list[tuple[float, float]] = []
        self._traced_s = 0.0

    @property
    def recent(self) -> Strokes | None:
        """The running block's strokes so far, for a page that comes late."""
        return self._blocks.follower.recent

    async def run(self) -> None:
        """Run the whole session; returns when the player closes it at its end."""
        self._loop = asyncio.get_running_loop()
        watch = asyncio.create_task(self._watch())
        try:
            with contextlib.suppress(FinishPressed):
                await self._connect()
                await self._guarded(self._choose)
                plan, free = self._session.plan, self._session.set_up.free
                postures = (free.posture,) if plan is None else plan.postures
                self._gestures = GestureSteps(self.stage, gestures_for(self._asked(), postures), postures)
                await self._guarded(self._gestures.run)
                await self._guarded(self._blocks.run)
            await self._finish()
        finally:
            watch.cancel()
            if self.stage.recorder is not None and self.stage.recorder.running:
                await self._off_loop(self.stage.recorder.stop)
            if self._session.streams is not None:
                await self._off_loop(self._session.streams.close)
            self.stage.worker.shutdown(wait=False, cancel_futures=True)

    def _asked(self) -> tuple[Gesture, ...]:
        setup = self._session.set_up.recorded
        return choose_gestures(setup.lever_sd_mm, setup.instrument.held == "flat")

    async def _gestures_of(self, posture: str) -> None:
        """The gestures of a posture that free play has come to."""
        if self._gestures is not None:
            self._gestures.ask_for(self._asked(), posture)
            await self._gestures.run()

    async def _guarded(self, step: Callable[[], Awaitable[None]]) -> None:
        """Run a step; a hurt interrupts it, and it goes on where it stopped."""
        while True:
            try:
                await step()
                return
            except HurtPressed:
                await self._hurt()

    async def _connect(self) -> None:
        stage = self.stage
        while True:
            stage.sensor = replace(stage.sensor, status="connecting", sentence="")
            stage.show(step="connect", title="Looking for the sensor", hint="Switch it on, or plug it in.")
            try:
                source = await self._off_loop(self._session.open_source)
                stage.sensor = replace(stage.sensor, name=source.name)
                stage.show()
                recorder = self._recorder(source)
                info = await self._start(recorder)
                break
            except StrokeplaneError as error:
                stage.sensor = replace(stage.sensor, status="failed", sentence=str(error))
                keys = (Key("next", "Try again"), FINISH_KEY)
                on_disk = isinstance(error, SessionFileError)
                title = "The recording cannot be written" if on_disk else "The sensor was not found"
                await stage.ask(keys, title=title, hint=str(error))
        stage.recorder = recorder
        self._heard_s = stage.pace.now_s()
        self._meet(info)
        await self._off_loop(lambda: self._offer(recorder, source, info))
        await self._check(info)

    async def _start(self, recorder: Recorder) -> DeviceInfo:
        """Start recording; a program that ends meanwhile leaves nothing running."""
        starting = asyncio.ensure_future(self._off_loop(recorder.start))
        try:
            return await asyncio.shield(starting)
        except asyncio.CancelledError:
            await asyncio.wait({starting})
            if starting.exception() is None:
                await self._off_loop(recorder.stop)
            raise

    def _recorder(self, source: Source) -> Recorder:
        settings = RecorderSettings(host_time_s=self.stage.pace.now_s)
        streams = self._session.streams
        listeners = (self._hear,) if streams is None else (self._hear, streams)
        return Recorder(self._session.path, source, self._session.set_up.recorded, settings, listeners)

    def _offer(self, recorder: Recorder, source: Source, info: DeviceInfo) -> None:
        """Let other programs have what is recorded, if they are to."""
        streams = self._session.streams
        if streams is not None:
            calibration = self._session.set_up.recorded.calibration(info.profile.sensor)
            streams.open(source, info, calibration, strokes=True)
            recorder.watch = streams.mark

    def _meet(self, info: DeviceInfo) -> None:
        setup, sensor = self._session.set_up.recorded, info.profile.sensor
        context = Session(empty_samples(), sensor, setup.calibration(sensor))
        self.stage.estimator = LiveEstimator(context)

    async def _check(self, info: DeviceInfo) -> None:
        """Let some samples come; say at what rate, and whether they read gravity."""
        stage, estimator, sensor = self.stage, self.stage.estimator, info.profile.sensor
        name = stage.sensor.name
        stage.show(title="Checking the sensor", hint="Leave it alone for a moment.")
        while estimator is not None:
            await asyncio.sleep(stage.pace.real_s(CHECK_S))
            raw = estimator.store.since(0)
            try:
                timebase = fit_timebase(raw, sensor)
                prepare_signals(replace(estimator.context, raw=raw), timebase)
            except InputError as error:
                stage.sensor = Sensor("failed", name, sensor.part, None, str(error))
                keys = (Key("next", "Check again"), Key("skip", "Go on anyway"), FINISH_KEY)
                answer = await stage.ask(keys, title="The sensor is not right", hint=str(error))
                if isinstance(answer, Simple) and answer.name == "skip":
                    return
                continue
            stage.sensor = Sensor("ok", name, sensor.part, timebase.grid.rate_hz, "")
            return

    async def _choose(self) -> None:
        """Player and instrument; the recording's head is written anew with them."""
        stage, set_up = self.stage, self._session.set_up
        keys = (Key("next", "This is right"), Key("choose", "Choose"), HURT_KEY, FINISH_KEY)
        hint = "Choose, or press the key if this is right."
        while True:
            answer = await stage.ask(keys, step="setup", title="Who plays, on what?", hint=hint)
            if not isinstance(answer, Choose):
                break
            try:
                set_up.choose(answer)
                hint = "Choose, or press the key if this is right."
            except InputError as error:
                hint = str(error)
            stage.setup = set_up.shown
        setup, estimator = set_up.recorded, stage.estimator
        stage.recording.describe(setup)
        if estimator is not None:
            estimator.context = replace(
                estimator.context,
                player=setup.player,
                instrument=setup.instrument,
                lever_mm=setup.lever_mm,
                lever_sd_mm=setup.lever_sd_mm,
                metadata=setup.metadata,
            )

    async def _hurt(self) -> None:
        """Stop, say so, record it; for two minutes there is no way on but the end."""
        stage = self.stage
        now_s = stage.pace.now_s()
        stage.cue(Cue("rest", now_s))
        opened = stage.recording.state().open_event
        gesture = opened is not None and opened.kind in ("still", "across", "along", "pivot")
        stage.end(kind="rest" if gesture else None)
        stage.begin(Event(0.0, 0.0, "hurt"))
        words = Hurt((HURT_WORDS, HURT), now_s + CALM_S)
        stage.show(rating=None, rest=None, gesture=None, click=None)
        await stage.ask((FINISH_KEY,), now_s + CALM_S, step="hurt", title="Stop", hint=HURT_WORDS, hurt=words)
        await stage.ask((FINISH_KEY, Key("skip", "It is gone: go on with care")))
        stage.end()
        stage.show(hurt=None)

    async def _finish(self) -> None:
        """Close the recording, analyse it, show where the report is; wait for the last key."""
        stage = self.stage
        gone = ("gesture", "rest", "rating", "click", "hurt", "block")
        stage.show(step="finishing", title="Working out the report", hint="", **dict.fromkeys(gone))
        report = Report(None, "", "Nothing was recorded.", ())
        if stage.recorder is not None:
            recorder = stage.recorder
            with contextlib.suppress(DeviceError):  # No sample has come: there is nothing to close.
                stage.end()
            await self._blocks.follower.wait()
            failure = await self._off_loop(lambda: end_recording(recorder))
            report = await stage.work(lambda: write_session_report(recorder.path))
            self.report = recorder.path.with_suffix(".html") if report.url else None
            report = replace(report, sentence=f"{failure} {report.sentence}".strip())
        stage.reopen()
        keys = (Key("next", "Close the program"),)
        with contextlib.suppress(FinishPressed):
            await stage.ask(keys, step="done", title="Done", hint=report.sentence, report=report)

    async def _off_loop(self, function: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(None, function)

    # --- samples

    def _hear(self, items: Sequence[Item]) -> None:
        """Listener of the recorder, on the source's thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._take, items)

    def _take(self, items: Sequence[Item]) -> None:
        stage, estimator = self.stage, self.stage.estimator
        for item in items:
            if isinstance(item, RawSamples) and len(item.ticks):
                self._heard_s = stage.pace.now_s()
                stage.pace.taken(float(item.host_time_s[-1]))
                if estimator is not None:
                    self._points += estimator.take(item)
                    self._trace(item)
            elif isinstance(item, Battery) and item.percent is not None:
                stage.sensor = replace(stage.sensor, battery_pct=float(item.percent))

    def _trace(self, raw: RawSamples) -> None:
        stage, estimator = self.stage, self.stage.estimator
        now_s = stage.pace.now_s()
        if estimator is None or not self._points or stage.pace.real_s(now_s - self._traced_s) < TRACE_S:
            return
        self._traced_s = now_s
        newest_s = float(raw.ticks[-1]) / estimator.context.profile.tick_hz
        stage.publish(Trace(stage.server_s(newest_s), tuple(self._points)))
        self._points = []

    async def _watch(self) -> None:
        """Tell of a sensor that is silent, of losses, of a disk that fails, of a source that ends."""
        stage = self.stage
        pulsed_s = 0.0
        while True:
            await asyncio.sleep(WATCH_S)
            recorder = stage.recorder
            if recorder is None or stage.shown.step in ("connect", "finishing", "done"):
                continue
            now_s = stage.pace.now_s()
            silent_s = now_s - self._heard_s
            state = recorder.state()
            self._tell_link(silent_s > SILENT_S * max(1.0, stage.pace.speed) or not state.linked, state.reason)
            if stage.pace.real_s(now_s - pulsed_s) >= PULSE_S:
                pulsed_s = now_s
                losses = state.losses
                stage.publish(Pulse(now_s, state.elapsed_s, state.samples, losses.samples, silent_s))
            if state.warning and state.warning != stage.shown.notice:
                stage.show(notice=state.warning)
            if recorder.error is not None:
                stage.show(notice=str(recorder.error))
                stage.finish()
            elif recorder.exhausted:
                stage.finish()

    def _tell_link(self, lost: bool, reason: str) -> None:
        stage = self.stage
        status = "lost" if lost else "ok"
        if stage.sensor.status == status:
            return
        words = f"{LOST_WORDS} ({reason})" if lost and reason else LOST_WORDS if lost else ""
        stage.sensor = replace(stage.sensor, status="lost" if lost else "ok", sentence=words)
        stage.show()
