"""A recorded session, played again at its own pace or faster: same numbers, ticks and counts, arriving now."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples, Session
from logger.session.session_file import read_session
from logger.sources.base import Sink, steady_time_s
from logger.sources.clock import ClockSettings, DeviceClock
from logger.sources.device_profile import load_profile
from logger.sources.played_session import SharedStart, due_after_s, has_instrument, sensor_of
from logger.sources.stream import Arrival, DeviceInfo, LinkChange, Losses

BATCH_S = 0.025


class ReplaySource:
    """Samples of a session file.

    Parameters
    ----------
    path : Path
    speed : float
        1 is the pace of the recording; ``inf`` sends without waiting.
    role : {"hand", "instrument"}
        Which of its sensors.
    of : ReplaySource, optional
        The hand's, to be played together with.

    Raises
    ------
    SessionFileError
        If the file cannot be read.
    """

    def __init__(self, path: Path, speed: float = 1.0, role: str = "hand", of: ReplaySource | None = None) -> None:
        self.name = f"replay of {path.name}" + ("" if role == "hand" else f", {role}")
        self.path = path
        self.session: Session = read_session(path) if of is None else of.session
        self._sensor = sensor_of(self.session, role)
        self._start: SharedStart = SharedStart(speed) if of is None else of._start
        # A quicker replay is a quicker clock; what a real one may be off comes on top.
        self._clock = DeviceClock(ClockSettings(max_rate_error=abs(1.0 - 1.0 / self._start.speed) + 0.03))
        self._losses = Losses()
        self._stopping = threading.Event()
        self.finished = threading.Event()
        self._sink: Sink | None = None
        self._thread = threading.Thread(target=self._run, name=self.name, daemon=True)

    @property
    def losses(self) -> Losses:
        """Losses so far; what the recording lost is not counted again."""
        return self._losses

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        return self._clock

    @property
    def arrivals(self) -> Sequence[Arrival]:
        """See :class:`logger.sources.base.Source`."""
        return ()

    def start(self, sink: Sink) -> DeviceInfo:
        """See :class:`logger.sources.base.Source`."""
        sensor = self._sensor
        if len(sensor.raw.ticks) == 0:
            raise DeviceError(
                f"{self.name} has no samples",
                next_step="choose another session",
            )
        info = DeviceInfo(replace(load_profile("frames"), sensor=sensor.profile), known=sensor.sensor)
        self._sink = sink
        sink([LinkChange(True, steady_time_s()), info])
        self._thread.start()
        return info

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)

    def companion(self) -> ReplaySource | None:
        """The sensor on the instrument, to be played together with this one; None where the session has none."""
        if not has_instrument(self.session):
            return None
        return ReplaySource(self.path, role="instrument", of=self)

    def _run(self) -> None:
        raw, tick_hz = self._sensor.raw, self._sensor.profile.tick_hz
        at_s = due_after_s(self.session, self._sensor)
        batches = np.flatnonzero(np.diff(np.floor(at_s / BATCH_S))) + 1
        for part in np.split(np.arange(len(at_s)), batches):
            self._start.wait_for(float(at_s[part[-1]]), self._stopping)
            if self._stopping.is_set():
                return
            now_s = steady_time_s()
            self._clock.observe(float(raw.ticks[part[-1]]) / tick_hz, now_s)
            host = np.full(len(part), now_s)
            if self._sink is not None:
                self._sink([RawSamples(raw.ticks[part], raw.sequence[part], host, raw.counts[part])])
        self.finished.set()
