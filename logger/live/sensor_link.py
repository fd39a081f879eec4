"""The sensor of a session: found, checked, recorded, watched; its samples into the estimator and onto the pages."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from analysis.model.errors import DeviceError, InputError, SessionFileError, StrokeplaneError
from analysis.model.records import RawSamples, Session, Stream
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import prepare_signals
from logger.guide.orders import SensorChecked, SensorFound, SensorMissing
from logger.live.instrument_shown import InstrumentWatch, with_estimate
from logger.live.lsl_streams import LslStreams
from logger.live.pace import Pace
from logger.live.protocol import Pulse, ServerMessage, Trace
from logger.live.set_up import SetUp
from logger.live.state import Sensor
from logger.practice.plan import Plan
from logger.record.recorder import Recorder, RecorderSettings
from logger.sliding.estimator import LiveEstimator
from logger.sliding.instrument_follower import InstrumentFollower
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
LOST_WORDS = (
    "No samples are coming: check the cable or the battery, and that the sensor is near. The recording goes on by "
    "itself as soon as it is back."
)


@dataclass(frozen=True)
class LiveSession:
    """What a session is made of; ``streams`` hand it to other programs while it runs.

    ``sensor`` False: plan, tab and click alone.

    Attributes
    ----------
    path : Path
        Of the session file to write.
    open_source : callable
        Makes the sensor's source.
    set_up : SetUp
    plan : Plan or None
    sensor : bool
    streams : LslStreams or None
    open_instrument : callable
        Makes the source of a second sensor, on the instrument, given the hand's; None where there is to be none.
    phone_address : callable
        Where a phone finds the page that makes it that sensor; empty where none is waited for.
    raps : bool
        Whether three raps on the body are a press of the pedal.
    """

    path: Path
    open_source: Callable[[], Source]
    set_up: SetUp
    plan: Plan | None = None
    sensor: bool = True
    streams: LslStreams | None = None
    open_instrument: Callable[[Source], Source | None] = lambda _hand: None
    phone_address: Callable[[], str] = lambda: ""
    raps: bool = True


class SensorLink:
    """From the source to recorder, estimator and pages.

    Parameters
    ----------
    session : LiveSession
    pace : Pace
    publish : callable
        Sends a message to every page.
    changed : callable
        Called when :attr:`shown` has changed.

    Attributes
    ----------
    shown : Sensor
    instrument : Sensor or None
        The second sensor, where there is one.
    recorder : Recorder or None
    estimator : LiveEstimator or None
    """

    def __init__(
        self,
        session: LiveSession,
        pace: Pace,
        publish: Callable[[ServerMessage], None],
        changed: Callable[[], None],
    ) -> None:
        self.shown = Sensor("connecting" if session.sensor else "none", "", "", None, "")
        self.instrument: Sensor | None = None
        self.recorder: Recorder | None = None
        self._watch_instrument = InstrumentWatch()
        self.estimator: LiveEstimator | None = None
        self.server_s: Callable[[float], float] = lambda log_s: log_s
        self._session = session
        self._pace = pace
        self._publish = publish
        self._changed = changed
        self._loop: asyncio.AbstractEventLoop | None = None
        self._heard_s = 0.0
        self._points: list[tuple[float, float]] = []
        self._traced_s = 0.0

    async def look_for(self) -> SensorFound | SensorMissing:
        """Find the sensor and begin to record it."""
        self._loop = asyncio.get_running_loop()
        self._show(replace(self.shown, status="connecting", sentence=""))
        try:
            source = await off_loop(self._session.open_source)
            self._show(replace(self.shown, name=source.name))
            recorder = self._recorder_of(source, await off_loop(lambda: self._session.open_instrument(source)))
            info = await self._start(recorder)
        except StrokeplaneError as error:
            # Shown with the step that offers to try again.
            self.shown = replace(self.shown, status="failed", sentence=str(error))
            return SensorMissing(self._pace.now_s(), str(error), isinstance(error, SessionFileError))
        self.recorder = recorder
        self._heard_s = self._pace.now_s()
        setup, sensor = self._session.set_up.recorded, info.profile.sensor
        self.estimator = LiveEstimator(Session(empty_samples(), sensor, setup.calibration(sensor)))
        if recorder.second is not None:
            self.estimator.instrument = InstrumentFollower(lambda: _stream_of(recorder))
            recorder.second.heard = self._hear_instrument
        await off_loop(lambda: self._offer(recorder, source, info))
        return SensorFound(self._pace.now_s())

    async def _start(self, recorder: Recorder) -> DeviceInfo:
        """Start recording; a program that ends meanwhile leaves nothing running."""
        starting = asyncio.ensure_future(off_loop(recorder.start))
        try:
            return await asyncio.shield(starting)
        except asyncio.CancelledError:
            await asyncio.wait({starting})
            if starting.exception() is None:
                await off_loop(recorder.stop)
            raise

    def _recorder_of(self, source: Source, instrument: Source | None) -> Recorder:
        settings = RecorderSettings(host_time_s=self._pace.now_s)
        streams = self._session.streams
        listeners = (self._hear,) if streams is None else (self._hear, streams)
        return Recorder(self._session.path, source, self._session.set_up.recorded, settings, listeners, instrument)

    def _offer(self, recorder: Recorder, source: Source, info: DeviceInfo) -> None:
        """Let other programs have what is recorded, if they are to."""
        streams = self._session.streams
        if streams is not None:
            calibration = self._session.set_up.recorded.calibration(info.profile.sensor)
            streams.open(source, info, calibration, strokes=True)
            recorder.watch = streams.mark

    async def check(self) -> SensorChecked:
        """Let some samples come; say at what rate, and whether they read gravity."""
        recorder, estimator = self.recorder, self.estimator
        if recorder is None or recorder.info is None or estimator is None:
            raise DeviceError(
                "no sensor is connected yet",
                next_step="connect it first",
            )
        sensor = recorder.info.profile.sensor
        await asyncio.sleep(self._pace.real_s(CHECK_S))
        raw = estimator.store.since(0)
        try:
            timebase = fit_timebase(raw, sensor)
            prepare_signals(replace(estimator.context, raw=raw), timebase)
        except InputError as error:
            self.shown = Sensor("failed", self.shown.name, sensor.part, None, str(error))
            return SensorChecked(self._pace.now_s(), str(error))
        self.shown = Sensor("ok", self.shown.name, sensor.part, timebase.grid.rate_hz, "")
        return SensorChecked(self._pace.now_s())

    def settle(self) -> None:
        """Player and instrument are settled: the recording's head is written anew with them."""
        setup, estimator = self._session.set_up.recorded, self.estimator
        if self.recorder is None or estimator is None:
            return
        self.recorder.describe(setup)
        estimator.context = replace(
            estimator.context,
            player=setup.player,
            instrument=setup.instrument,
            lever_mm=setup.lever_mm,
            lever_sd_mm=setup.lever_sd_mm,
            metadata=setup.metadata,
        )

    def end(self) -> None:
        """The recording is about to be closed: a sensor that is silent from now on is no fault."""
        self._show(replace(self.shown, status="ended", sentence=""))

    async def watch(self, failed: Callable[[str], None]) -> None:
        """Tell of a sensor that is silent and of losses; say when disk or source end the session, and why."""
        pulsed_s = 0.0
        while True:
            await asyncio.sleep(WATCH_S)
            recorder = self.recorder
            self._tell_instrument(recorder)
            if recorder is None or self.shown.status not in ("ok", "lost"):
                continue
            now_s = self._pace.now_s()
            silent_s = now_s - self._heard_s
            state = recorder.state()
            self._tell_link(silent_s > SILENT_S * max(1.0, self._pace.speed) or not state.linked, state.reason)
            if state.warning and self.shown.status == "ok" and self.shown.sentence != state.warning:
                self._show(replace(self.shown, sentence=state.warning))
            if self._pace.real_s(now_s - pulsed_s) >= PULSE_S:
                pulsed_s = now_s
                losses = state.losses
                self._publish(Pulse(now_s, state.elapsed_s, state.samples, losses.samples, silent_s))
            if recorder.error is not None or recorder.exhausted:
                failed("" if recorder.error is None else str(recorder.error))
                return

    def _tell_instrument(self, recorder: Recorder | None) -> None:
        """Show the second sensor anew where something of it has changed."""
        if recorder is None or recorder.second is None or recorder.second.info is None:
            return
        part = recorder.second.info.profile.sensor.part
        shown = self._watch_instrument.shown(recorder.second.state(), part, self._pace.now_s())
        if self.estimator is not None and shown.status == "ok":
            shown = with_estimate(shown, self.estimator, self.instrument)
        if self.instrument is None or not _alike(shown, self.instrument):
            self.instrument = shown
            self._changed()

    def _tell_link(self, lost: bool, reason: str) -> None:
        words = f"{LOST_WORDS} ({reason})" if lost and reason else LOST_WORDS if lost else ""
        if (self.shown.status == "lost") != lost:
            self._show(replace(self.shown, status="lost" if lost else "ok", sentence=words))

    def _show(self, shown: Sensor) -> None:
        self.shown = shown
        self._changed()

    # --- samples

    def _hear(self, items: Sequence[Item]) -> None:
        """Listener of the recorder, on the source's thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._take, items)

    def _hear_instrument(self, samples: RawSamples) -> None:
        """On its source's thread."""
        follower = None if self.estimator is None else self.estimator.instrument
        if follower is not None and samples.ticks.size and self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(follower.take, samples)

    def _take(self, items: Sequence[Item]) -> None:
        for item in items:
            if isinstance(item, RawSamples) and len(item.ticks):
                self._heard_s = self._pace.now_s()
                self._pace.taken(float(item.host_time_s[-1]))
                if self.estimator is not None:
                    self._points += self.estimator.take(item)
                    self._trace(item, self.estimator)
            elif isinstance(item, Battery) and item.percent is not None:
                self.shown = replace(self.shown, battery_pct=float(item.percent))

    def _trace(self, raw: RawSamples, estimator: LiveEstimator) -> None:
        now_s = self._pace.now_s()
        if not self._points or self._pace.real_s(now_s - self._traced_s) < TRACE_S:
            return
        self._traced_s = now_s
        newest_s = float(raw.ticks[-1]) / estimator.context.profile.tick_hz
        self._publish(Trace(self.server_s(newest_s), tuple(self._points)))
        self._points = []


def _stream_of(recorder: Recorder) -> Stream | None:
    """The instrument's stream as the recorder knows it now, without its samples."""
    if recorder.second is None or recorder.second.info is None:
        return None
    head = recorder.second.head(recorder.clock_fit)
    return Stream(head.role, empty_samples(), head.profile, head.calibration, head.clock, head.sensor)


def _alike(shown: Sensor, before: Sensor) -> bool:
    """Whether two are the same to a player: a rate that trembles is no news."""
    rates = shown.rate_hz, before.rate_hz
    steady = rates[0] == rates[1] or (None not in rates and abs(rates[0] - rates[1]) <= 0.1 * rates[1])  # type: ignore[operator]
    return steady and replace(shown, rate_hz=None) == replace(before, rate_hz=None)


def off_loop(function: Callable[[], T]) -> Awaitable[T]:
    """Run something that waits for a device or the disk on a thread of its own."""
    return asyncio.get_running_loop().run_in_executor(None, function)
