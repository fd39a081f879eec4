"""Events of the session into the recording, and times to and fro between the session's clock and the log's own."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace

from analysis.model.errors import DeviceError
from analysis.model.records import Event, EventKind
from logger.live.pace import Pace
from logger.record.recorder import Recorder
from logger.sliding.estimator import LiveEstimator
from logger.sources.clock import ClockFit

FIT_AGE_S = 1.0
"""The clocks' fit is made anew this often: it takes milliseconds."""

MOST_LATE_S = 3.0
"""Samples that come later than this are not waited for."""


class SessionLog:
    """What is recorded. Times of the session ("server times") come in, events on log time are kept.

    Parameters
    ----------
    pace : Pace

    Attributes
    ----------
    events : list of Event
        Closed events so far, on log time.
    opened : Event or None
        The open event.
    """

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
        self.events: list[Event] = []
        self.opened: Event | None = None
        self._recorder: Recorder | None = None
        self._fit: ClockFit | None = None
        self._fit_s = 0.0

    @property
    def recorder(self) -> Recorder | None:
        """The recorder, once the sensor is met."""
        return self._recorder

    def record_into(self, recorder: Recorder) -> None:
        """From now on events go into a recording."""
        self._recorder = recorder

    @property
    def recording(self) -> Recorder:
        """The recorder.

        Raises
        ------
        DeviceError
            Before the sensor is met.
        """
        if self._recorder is None:
            raise DeviceError(
                "no sensor is connected yet",
                next_step="connect it first",
            )
        return self._recorder

    def begin(self, event: Event, at_server_s: float) -> None:
        """Open an event; what is open ends there and counts."""
        at_s = self.log_s(at_server_s)
        self._close(at_s, None)
        self.opened = self.recording.begin(event, at_s)

    def end(self, at_server_s: float, kind: EventKind | None = None) -> Event | None:
        """Close the open event, if any, and keep it; ``kind`` other than its own: it was no good."""
        return None if self.opened is None else self._close(self.log_s(at_server_s), kind)

    def _close(self, at_s: float, kind: EventKind | None) -> Event | None:
        self.opened = None
        event = self.recording.end(at_s, kind)
        if event is not None:
            self.events.append(event)
        return event

    def mark(self, event: Event, at_server_s: float) -> None:
        """Record an event of a moment."""
        at_s = self.log_s(at_server_s)
        event = replace(event, start_s=at_s, end_s=at_s)
        self.recording.add(event)
        self.events.append(event)

    async def samples_until(self, log_s: float, estimator: LiveEstimator) -> None:
        """Wait until samples up to a log time have come, a few seconds at most: the sensor may be gone."""
        deadline_s = time.monotonic() + MOST_LATE_S
        while time.monotonic() < deadline_s:
            last_s = float(estimator.store.last_tick or 0) / estimator.context.profile.tick_hz
            if last_s >= log_s:
                return
            await asyncio.sleep(0.02)

    def server_s(self, log_s: float) -> float:
        """Server time of a log time."""
        fit = self._clocks()
        return log_s if fit is None else fit.host_s(log_s)

    def log_s(self, server_s: float) -> float:
        """Log time of a server time.

        Raises
        ------
        DeviceError
            Before the first sample.
        """
        fit = self._clocks()
        if fit is None:
            raise DeviceError(
                "no sample has come yet, so nothing can be marked",
                next_step="wait for the sensor",
            )
        return fit.device_s(server_s)

    def _clocks(self) -> ClockFit | None:
        now_s = time.monotonic()
        if self._recorder is not None and (self._fit is None or now_s - self._fit_s > FIT_AGE_S):
            self._fit, self._fit_s = self._recorder.clock_fit, now_s
        return self._fit
