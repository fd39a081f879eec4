"""A recorded session, played again at its own pace or faster: same numbers, ticks and counts, arriving now."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.session.session_file import read_session
from logger.sources.base import Sink, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import load_profile
from logger.sources.stream import DeviceInfo, LinkChange, Losses

BATCH_S = 0.025


class ReplaySource:
    """Samples of a session file.

    Parameters
    ----------
    path : Path
    speed : float
        1 is the pace of the recording; ``inf`` sends without waiting.

    Raises
    ------
    SessionFileError
        If the file cannot be read.
    """

    def __init__(self, path: Path, speed: float = 1.0) -> None:
        self.name = f"replay of {path.name}"
        self.session = read_session(path)
        self._speed = speed
        self._clock = DeviceClock()
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

    def start(self, sink: Sink) -> DeviceInfo:
        """See :class:`logger.sources.base.Source`."""
        if len(self.session.raw.ticks) == 0:
            raise DeviceError(
                f"{self.name} has no samples",
                next_step="choose another session",
            )
        info = DeviceInfo(replace(load_profile("frames"), sensor=self.session.profile))
        self._sink = sink
        sink([LinkChange(True, steady_time_s()), info])
        self._thread.start()
        return info

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)

    def _run(self) -> None:
        raw, tick_hz = self.session.raw, self.session.profile.tick_hz
        start_s = time.monotonic()
        at_s = (raw.ticks - raw.ticks[0]) / tick_hz
        batches = np.flatnonzero(np.diff(np.floor(at_s / BATCH_S))) + 1
        for part in np.split(np.arange(len(at_s)), batches):
            delay_s = start_s + at_s[part[-1]] / self._speed - time.monotonic()
            if delay_s > 0.0:
                self._stopping.wait(delay_s)
            if self._stopping.is_set():
                return
            now_s = steady_time_s()
            self._clock.observe(float(raw.ticks[part[-1]]) / tick_hz, now_s)
            host = np.full(len(part), now_s)
            if self._sink is not None:
                self._sink([RawSamples(raw.ticks[part], raw.sequence[part], host, raw.counts[part])])
        self.finished.set()
