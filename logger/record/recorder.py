"""From a source to the disk: a bounded queue between them, every loss counted by cause, nothing filled in.

The source's thread puts items into the queue and never waits; a thread of its own writes them. Events are marked on the
player's key press and placed on the log's own time by the fit of device clock to host clock. An event that is still
open is written again every second, so that a crash costs at most that.
"""

from __future__ import annotations

import json
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeAlias

from analysis.model.errors import DeviceError, OutputError, SessionFileError, StrokeplaneError
from analysis.model.records import Calibration, Event, EventKind, Instrument, Player, RawSamples, SensorProfile
from analysis.model.session_parts import Attachment
from logger.record.disk_room import DiskRoom, free_bytes, look_for_room
from logger.record.second_sensor import SecondSensor, SecondState
from logger.session.session_file import SessionWriter
from logger.session.session_records import SessionHead
from logger.sources.base import Sink, Source, steady_time_s
from logger.sources.clock import ClockFit
from logger.sources.stream import DeviceInfo, Item, LinkChange, Losses, empty_samples

NO_SAMPLES = empty_samples()
Writing: TypeAlias = Callable[[SessionWriter], None]
Edge: TypeAlias = Literal["begin", "end", "at"]
Watch: TypeAlias = Callable[[Edge, Event], None]
"""Told when an event begins and ends, or at once where both are known; must not block."""


@dataclass(frozen=True)
class RecorderSettings:
    """Bounds of the recorder.

    ``queue_items`` batches wait at most for the disk (a sensor sends 25 to 250 a second); ``refresh_s`` is how often
    open events are written again and the file's place and the disk's room are checked. ``monotonic_s`` times the syncs.

    Attributes
    ----------
    queue_items : int
    refresh_s : float
    host_time_s : callable
        Seconds since the epoch.
    monotonic_s : callable
    free_bytes : callable
        Room left on the disk of a file; None where unknown.
    """

    queue_items: int = 8192
    refresh_s: float = 1.0
    host_time_s: Callable[[], float] = steady_time_s
    monotonic_s: Callable[[], float] = time.monotonic
    free_bytes: Callable[[Path], int | None] = free_bytes


@dataclass(frozen=True)
class Setup:
    """What a recording says of player, instrument and sensor, besides the samples.

    Attributes
    ----------
    player : Player
    instrument : Instrument
    calibration : callable
        Gives the one that holds for a sensor.
    lever_mm : (float, float, float) or None
        From the sensor to the plectrum's tip, sensor axes.
    lever_sd_mm : float or None
        Standard error an axis.
    metadata : dict of str to str
    """

    player: Player = field(default_factory=Player)
    instrument: Instrument = field(default_factory=Instrument)
    calibration: Callable[[SensorProfile], Calibration] = lambda _: Calibration()
    lever_mm: tuple[float, float, float] | None = None
    lever_sd_mm: float | None = None
    metadata: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class RecordingState:
    """How the recording stands, for a screen.

    Attributes
    ----------
    elapsed_s : float
    samples : int
        Recorded so far.
    losses : Losses
    linked : bool
        Whether the sensor is there.
    reason : str
        Why it is not.
    gaps : int
        Times the link was lost.
    open_event : Event or None
        The event that is running, or None.
    warning : str
    instrument : SecondState or None
    """

    elapsed_s: float
    samples: int
    losses: Losses
    linked: bool
    reason: str
    gaps: int
    open_event: Event | None
    warning: str = ""
    """What the player must know while there is still time."""
    instrument: SecondState | None = None
    """The sensor on the instrument, where there is one."""


@dataclass(frozen=True)
class InstrumentSamples:
    """A batch of the instrument's sensor on its way to the disk."""

    raw: RawSamples


class Recorder:
    """Record one source into one session file.

    Parameters
    ----------
    path : Path
        A new file.
    source : Source
    setup : Setup, optional
    settings : RecorderSettings, optional
    listeners : sequence of callable
        Get every batch of items on the source's thread; must not block.
    instrument : Source, optional
        A second sensor, on the instrument.

    Attributes
    ----------
    watch : callable
        Told of every event, on the thread that marks it.
    second : SecondSensor or None
        The sensor on the instrument.
    """

    def __init__(
        self,
        path: Path,
        source: Source,
        setup: Setup | None = None,
        settings: RecorderSettings | None = None,
        listeners: Sequence[Sink] = (),
        instrument: Source | None = None,
    ) -> None:
        self.path = path
        self.info: DeviceInfo | None = None
        self.watch: Watch = lambda _edge, _event: None
        self.error: SessionFileError | OutputError | DeviceError | None = None
        self._source = source
        self._setup = setup or Setup()
        self._attachments: tuple[Attachment, ...] = ()
        self._settings = settings or RecorderSettings()
        self._listeners = tuple(listeners)
        self._queue: queue.Queue[RawSamples | InstrumentSamples | Writing] = queue.Queue(self._settings.queue_items)
        calibration = self._setup.calibration
        self.second = None if instrument is None else SecondSensor(instrument, self._keep_second, calibration)
        self._thread = threading.Thread(target=self._write_all, name=f"recorder of {path.name}")
        self._done = threading.Event()
        self._writer: SessionWriter | None = None
        self._early: list[Item] | None = []
        self._early_lock = threading.Lock()
        self._lost = Losses()  # Here, between source and disk.
        self._samples = 0
        self._first_s = self._last_s = 0.0
        self._link = LinkChange(False, 0.0)
        self._gaps = 0
        self._last_fit: ClockFit | None = None
        self._room = DiskRoom(None)
        self._began_s = 0.0
        self._open: Event | None = None
        self._open_number: list[int] = []

    def start(self) -> DeviceInfo:
        """Meet the device, create the file, record from then on (samples that came with the greeting included).

        Raises
        ------
        DeviceError
            The device cannot be found, opened or understood; no file is left.
        SessionFileError
            The file exists or cannot be written.

        Returns
        -------
        DeviceInfo
        """
        info = self._source.start(self._take)
        self.info = info
        try:
            if self.second is not None:
                self.second.changed = lambda: self._put_when_free(self._settle_second)
                self.second.start()
            self._writer = SessionWriter(self.path, self._head(info), self._settings.monotonic_s)
        except StrokeplaneError:
            self._stop_sources()
            raise
        self._began_s = time.monotonic()
        self._thread.start()
        with self._early_lock:  # The source's thread waits here, so that nothing overtakes the first samples.
            self._put(self._early or [])
            self._early = None
        return info

    def begin(self, event: Event, at_s: float | None = None) -> Event:
        """Open an event, now or from another log time on; one that is open ends there. Returns it with its start.

        Parameters
        ----------
        event : Event
        at_s : float, optional

        Returns
        -------
        Event
        """
        now_s = self.log_time_s() if at_s is None else at_s
        self.end(now_s)
        opened = replace(event, start_s=now_s, end_s=now_s)
        self._open, self._open_number = opened, []
        number = self._open_number
        self._put_when_free(lambda writer: number.append(writer.write_event(opened)))
        self.watch("begin", opened)
        return opened

    def end(self, at_s: float | None = None, kind: EventKind | None = None) -> Event | None:
        """Close the open event and return it: now or at an earlier log time, as another kind if that was no good.

        Parameters
        ----------
        at_s : float, optional
        kind : EventKind, optional

        Returns
        -------
        Event or None
        """
        event, self._open = self._open, None
        if event is None:
            return None
        end_s = self.log_time_s() if at_s is None else at_s
        closed = replace(event, end_s=max(end_s, event.start_s), kind=kind or event.kind)
        self._rewrite(closed, self._open_number)
        self.watch("end", closed)
        return closed

    def add(self, event: Event) -> None:
        """Write an event whose times are known.

        Parameters
        ----------
        event : Event
        """
        self._put_when_free(lambda writer: _discard(writer.write_event(event)))
        self.watch("at", event)

    def describe(self, setup: Setup) -> None:
        """Write anew who plays on what, once it is known; calibration and sensor stay as they were.

        Parameters
        ----------
        setup : Setup
        """
        self._setup = replace(setup, calibration=self._setup.calibration)
        if self.info is not None:
            head = self._head(self.info)
            self._put_when_free(lambda writer: writer.write_head(head))

    def attach(self, attachment: Attachment) -> None:
        """Write into the file that another file belongs to it.

        Parameters
        ----------
        attachment : Attachment
        """
        self._attachments = (*self._attachments, attachment)
        self._put_when_free(lambda writer: writer.write_head(replace(writer.head, attachments=self._attachments)))

    def log_time_s(self) -> float:
        """Now, on the log's own time.

        Raises
        ------
        DeviceError
            Before the first sample.

        Returns
        -------
        float
        """
        fit = self._source.clock.fit() or self._last_fit
        if fit is None:
            raise DeviceError(
                "no sample has come yet, so nothing can be marked",
                next_step="wait for the sensor",
            )
        self._last_fit = fit
        return fit.device_s(self._settings.host_time_s())

    @property
    def clock_fit(self) -> ClockFit | None:
        """Latest fit of the device's clock to the host's."""
        return self._source.clock.fit() or self._last_fit

    def state(self) -> RecordingState:
        """How the recording stands now.

        Returns
        -------
        RecordingState
        """
        return RecordingState(
            elapsed_s=max(0.0, self._last_s - self._first_s),
            samples=self._samples,
            losses=self._source.losses + self._lost,
            linked=self._link.up,
            reason=self._link.reason,
            gaps=self._gaps,
            open_event=self._open,
            warning=self._room.warning,
            instrument=None if self.second is None else self.second.state(),
        )

    @property
    def running(self) -> bool:
        """Whether samples are still being written."""
        return self._thread.is_alive() and self.error is None

    @property
    def exhausted(self) -> bool:
        """Whether the source has no more samples, as at the end of a replay."""
        return self._source.finished.is_set()

    def stop(self) -> RecordingState:
        """Close open event, link and file.

        Raises
        ------
        SessionFileError, OutputError
            If the disk failed during the recording or at its end; what was synced before is safe.

        Returns
        -------
        RecordingState
        """
        if self._open is not None and self.running:
            self.end()
        self._stop_sources()
        if self.running:
            # Never wait for a queue that nobody empties any more: an error ends the thread.
            fit = self.clock_fit
            self._put_when_free(lambda writer: self._settle_second(writer, closing=True))
            self._put_when_free(lambda writer: writer.write_metadata(self._closing_words(fit)))
        self._done.set()
        if self._thread.ident is not None:
            self._thread.join()
        if self.error is not None:
            raise self.error
        return self.state()

    def _head(self, info: DeviceInfo) -> SessionHead:
        setup, sensor = self._setup, info.profile.sensor
        streams = () if self.second is None else (self.second.head(self.clock_fit),)
        return SessionHead(
            sensor,
            setup.calibration(sensor),
            setup.player,
            setup.instrument,
            setup.lever_mm,
            setup.lever_sd_mm,
            metadata=setup.metadata,
            sensor=info.identity,
            streams=streams,
            attachments=self._attachments,
        )

    def _stop_sources(self) -> None:
        self._source.stop()
        if self.second is not None:
            self.second.stop()

    def _keep_second(self, samples: RawSamples) -> bool:
        """Take samples of the instrument's sensor; False where the queue is full."""
        try:
            self._queue.put_nowait(InstrumentSamples(samples))
        except queue.Full:
            return False
        return True

    def _settle_second(self, writer: SessionWriter, closing: bool = False) -> None:
        """Write into the file's head what is known by now of the instrument's sensor and of the two clocks."""
        if self.second is None:
            return
        changed = self.second.changed_head(self.clock_fit)
        if closing and self.second.state().samples == 0:
            writer.write_head(replace(writer.head, streams=()))
        elif changed is not None:
            writer.write_head(replace(writer.head, streams=(changed,)))

    def _take(self, items: Sequence[Item]) -> None:
        """Sink of the source: keep what comes before the file exists, hand on the rest."""
        for listener in self._listeners:
            listener(items)
        if self._early is not None:
            with self._early_lock:
                if self._early is not None:
                    self._early.extend(items)
                    return
        self._put(items)

    def _put(self, items: Sequence[Item]) -> None:
        for item in items:
            if isinstance(item, RawSamples):
                self._count(item)
                try:
                    self._queue.put_nowait(item)
                except queue.Full:
                    self._lost.queue += len(item.ticks)
            elif isinstance(item, LinkChange):
                self._gaps += self._link.up and not item.up
                self._link = item

    def _count(self, samples: RawSamples) -> None:
        at_s = float(samples.host_time_s[-1])
        self._first_s = self._first_s or at_s
        self._last_s = at_s
        self._samples += len(samples.ticks)

    def _rewrite(self, event: Event, number: list[int]) -> None:
        self._put_when_free(lambda writer: writer.replace_event(number[0], event))

    def _put_when_free(self, writing: Writing) -> None:
        while self.running:
            try:
                self._queue.put(writing, timeout=0.2)
            except queue.Full:
                continue
            return

    def _write_all(self) -> None:
        """Write items until told to stop and the queue is empty, or until the disk fails."""
        writer = self._writer
        if writer is None:
            return
        refreshed_s = time.monotonic()
        closed = False
        try:
            while not (self._done.is_set() and self._queue.empty()):
                self._write_one(writer)
                if time.monotonic() - refreshed_s >= self._settings.refresh_s:
                    refreshed_s = time.monotonic()
                    self._refresh(writer)
            writer.close()
            closed = True
        except SessionFileError as error:
            self.error = error
            self._give_up(writer)
        except OutputError as error:
            self.error = error
        finally:
            if not closed and self.error is None:
                # A fault of this program; the thread's hook shows it, and nobody may take the recording for whole.
                self.error = SessionFileError(
                    f"{self.path} stopped growing by a fault of this program",
                    next_step="what was synced is safe, report the fault",
                )
                self._give_up(writer)

    def _write_one(self, writer: SessionWriter) -> None:
        try:
            item = self._queue.get(timeout=0.05)
        except queue.Empty:
            writer.write_samples(NO_SAMPLES)  # Syncs what waits, if it is due.
            return
        if isinstance(item, RawSamples):
            writer.write_samples(item)
        elif isinstance(item, InstrumentSamples):
            writer.write_stream_samples(0, item.raw)
        else:
            item(writer)

    def _refresh(self, writer: SessionWriter) -> None:
        """Write the open event with its end so far, and the two clocks; save the file if its name is gone."""
        self._settle_second(writer)
        event, number = self._open, self._open_number
        fit = self._source.clock.fit() if event is not None else None
        if event is not None and number and fit is not None:
            end_s = max(fit.device_s(self._settings.host_time_s()), event.start_s)
            writer.replace_event(number[0], replace(event, end_s=end_s))
        if not writer.is_in_place():
            writer.sync()
            rescued = writer.copy_synced_to(rescue_path(self.path))
            raise SessionFileError(
                f"{self.path} was removed or moved while it was being recorded",
                next_step=f"everything up to then is saved in {rescued}, start a new recording",
            )

        self._end_before_the_disk_is_full(writer)

    def _end_before_the_disk_is_full(self, writer: SessionWriter) -> None:
        """Close the recording while there is room for its end.

        Raises
        ------
        SessionFileError
            It is closed, and whole.
        """
        if self.info is None:
            return
        written, closing = writer.sizes()
        elapsed_s = time.monotonic() - self._began_s
        free = self._settings.free_bytes(self.path)
        self._room = look_for_room(free, written, closing, elapsed_s, self.info.profile.sensor)
        if not self._room.ends:
            return
        event, fit = self._open, self.clock_fit
        if event is not None and self._open_number and fit is not None:
            end_s = max(fit.device_s(self._settings.host_time_s()), event.start_s)
            writer.replace_event(self._open_number[0], replace(event, end_s=end_s))
        writer.write_metadata({**self._closing_words(fit), "ended": "the disk was nearly full"})
        writer.close()
        raise SessionFileError(
            "the recording was ended and closed, because the disk is nearly full; nothing of it is lost",
            next_step="free some space and start a new one",
            file=str(self.path),
        )

    def _give_up(self, writer: SessionWriter) -> None:
        """Count what can no longer be written; close what can be closed."""
        while not self._queue.empty():
            item = self._queue.get()
            if isinstance(item, RawSamples):
                self._lost.disk += len(item.ticks)
            elif isinstance(item, InstrumentSamples) and self.second is not None:
                self.second.lost_at_disk(item.raw.ticks.size)
        try:
            writer.close()
        except SessionFileError:  # The first error says it all; what was synced before is safe.
            return

    def _closing_words(self, fit: ClockFit | None) -> dict[str, str]:
        state = self.state()
        words = {"losses": json.dumps(asdict(state.losses)), "link_losses": str(state.gaps)}
        if state.instrument is not None:
            words["instrument_losses"] = json.dumps(asdict(state.instrument.losses))
            words["instrument_link_losses"] = str(state.instrument.gaps)
        if fit is not None:
            words["clock_rate_error_ppm"] = f"{(fit.rate - 1.0) * 1e6:.2f}"
            words["clock_residual_ms"] = f"{fit.residual_s * 1e3:.3f}"
        return words


def rescue_path(path: Path) -> Path:
    """Where a recording goes whose folder has vanished: beside the nearest folder that is left, else home."""
    for folder in path.resolve().parents:
        if folder.is_dir():
            return folder / f"{path.stem}-rescued{path.suffix}"
    return Path.home() / f"{path.stem}-rescued{path.suffix}"


def mark(kind: EventKind, label: str = "", posture: str = "") -> Event:
    """Return an event to begin now."""
    return Event(0.0, 0.0, kind, label, posture)


def _discard(_: int) -> None:
    """Take a number that nobody needs."""
