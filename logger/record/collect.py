"""Stretches of samples from a source, for checks and calibrations: nothing is written anywhere."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.base import Source
from logger.sources.messages import Battery
from logger.sources.stream import DeviceInfo, Item, LinkChange, join_samples
from logger.terminal.keys import Keys

STALL_S = 3.0
MOST_TIMES = 2.0


class Collector:
    """A running source whose samples can be taken in stretches.

    Parameters
    ----------
    source : Source
        Not started yet.

    Attributes
    ----------
    battery : Battery or None
        The latest.
    info : DeviceInfo or None
        What the sensor says of itself, the latest.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.battery: Battery | None = None
        self.info: DeviceInfo | None = None
        self._lock = threading.Lock()
        self._parts: list[RawSamples] = []
        self._keeping = False
        self._reason = ""
        self._tick_hz = 1.0

    def start(self) -> DeviceInfo:
        """Open the source.

        Returns
        -------
        DeviceInfo
        """
        self.info = self.source.start(self._take)
        self._tick_hz = self.info.profile.sensor.tick_hz
        return self.info

    def collect(self, seconds: float, progress: Callable[[float], None] | None = None) -> RawSamples:
        """Return the samples of the next so many seconds, by the sensor's clock: a replay may run at any speed.

        Raises
        ------
        DeviceError
            If no samples come for three seconds, or the source ends before.

        Parameters
        ----------
        seconds : float
        progress : callable, optional

        Returns
        -------
        RawSamples
        """
        with self._lock:
            self._parts, self._keeping = [], True
        started_s = heard_s = time.monotonic()
        count = 0
        # A clock that stands still ends nothing: then the computer's does.
        while (taken_s := self._taken_s()) < seconds and time.monotonic() - started_s < MOST_TIMES * seconds + STALL_S:
            if self.source.finished.is_set() and len(self._parts) == count:
                raise DeviceError(
                    f"{self.source.name} ended {taken_s:.1f} s into a step of {seconds:g} s",
                    next_step="choose a longer session, or shorten the steps with --pace",
                )
            time.sleep(0.02)
            if len(self._parts) != count:
                count, heard_s = len(self._parts), time.monotonic()
            if time.monotonic() - heard_s > STALL_S:
                raise DeviceError(
                    f"no samples for {STALL_S:g} s ({self._reason or 'silence'})",
                    next_step="repair the link, start again",
                )
            if progress is not None:
                progress(min(1.0, taken_s / seconds))
        with self._lock:
            self._keeping = False
            return join_samples(self._parts)

    def _taken_s(self) -> float:
        """How long the samples of this stretch last by the sensor's clock."""
        with self._lock:
            return float(self._parts[-1].ticks[-1] - self._parts[0].ticks[0]) / self._tick_hz if self._parts else 0.0

    def _take(self, items: Sequence[Item]) -> None:
        for item in items:
            if isinstance(item, RawSamples):
                with self._lock:
                    if self._keeping:
                        self._parts.append(item)
            elif isinstance(item, Battery):
                self.battery = item
            elif isinstance(item, DeviceInfo):
                self.info = item
            elif isinstance(item, LinkChange):
                self._reason = "" if item.up else item.reason


@contextmanager
def collecting(source: Source) -> Iterator[tuple[Collector, DeviceInfo]]:
    """Run a source for a while.

    Parameters
    ----------
    source : Source
        Not started yet.

    Yields
    ------
    (Collector, DeviceInfo)
        The samples as they come, and what the sensor says of itself; the source is stopped afterwards.

    Raises
    ------
    DeviceError
        The source cannot be started.
    """
    collector = Collector(source)
    info = collector.start()
    try:
        yield collector, info
    finally:
        source.stop()


def wait_for_key(keys: Keys, stopping: threading.Event) -> str:
    """Wait for Enter, space or a letter.

    Parameters
    ----------
    keys : Keys
        Where keys come from.
    stopping : threading.Event
        Set when a signal asks the program to end.

    Returns
    -------
    str
        The key; never ``q``.

    Raises
    ------
    DeviceError
        If a signal or q ends the waiting.
    """
    while not stopping.is_set():
        key = keys.read(0.1)
        if key == "q":
            break
        if key is not None:
            return key
    raise DeviceError(
        "ended before it was complete",
        next_step="nothing was changed",
    )
