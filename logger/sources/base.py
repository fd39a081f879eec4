"""What every source of samples offers, and the talk with one device, whatever link it runs over."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import DeviceProfile
from logger.sources.frame_reader import FrameReader, OtherSensorError
from logger.sources.messages import Answer, Command, Identify, SetRange, SetRate, Start, Status, Stop
from logger.sources.packets import encode
from logger.sources.stream import DeviceInfo, Item, LinkChange, Losses
from logger.sources.text_reader import TextReader

QUIET_S, QUIET_SAMPLES = 0.25, 4.0
"""No samples for so long, or for so many of their periods: perhaps the device restarted and waits for a start."""

Sink: TypeAlias = Callable[[Sequence[Item]], None]
"""Takes items in order, on the source's own thread; must not block."""

_HOST_ZERO_S = time.time() - time.monotonic()


def steady_time_s() -> float:
    """Seconds since the epoch on a clock that never steps, whatever happens to the computer's date.

    Returns
    -------
    float
        Seconds.
    """
    return _HOST_ZERO_S + time.monotonic()


class Source(Protocol):
    """Samples from somewhere.

    Attributes
    ----------
    name : str
        What the player knows it by.
    finished : Event
        Set when no more samples will ever come, as at the end of a replay.
    losses : Losses
        Up to the hand-over to the sink.
    clock : DeviceClock
        Device seconds (``ticks / tick_hz``) against :func:`steady_time_s`.
    """

    name: str
    finished: threading.Event

    @property
    def losses(self) -> Losses:
        """Losses so far."""
        ...

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        ...

    def start(self, sink: Sink) -> DeviceInfo:
        """Open the link, wait for the device, deliver from then on, reconnecting as needed.

        Raises
        ------
        DeviceError
            If the device cannot be found, opened or understood now.
        """
        ...

    def stop(self) -> None:
        """End delivery and release the link; after it returns the sink is not called again."""
        ...


@dataclass(frozen=True)
class LinkSettings:
    """How patient a source is, and what it asks of the device.

    ``rate_hz`` and ``ranges`` (g, deg/s) are asked of a device that speaks the wire protocol; None leaves its own.

    Attributes
    ----------
    ready_s : float
        How long to wait for the first answer.
    ask_again_s : float
        How often to ask meanwhile.
    silence_s : float
        After which the link counts as lost.
    backoff_first_s, backoff_last_s : float
        Shortest and longest wait between attempts.
    rate_hz : float or None
    ranges : (int, int) or None
    host_time_s : callable
        The computer's clock.
    """

    ready_s: float = 6.0
    ask_again_s: float = 1.0
    silence_s: float = 3.0
    backoff_first_s: float = 0.05
    backoff_last_s: float = 2.0
    rate_hz: float | None = None
    ranges: tuple[int, int] | None = None
    host_time_s: Callable[[], float] = steady_time_s

    def backoff_s(self, failures: int) -> float:
        """How long to wait before the next try, after this many failures in a row."""
        return min(self.backoff_first_s * 2.0 ** min(failures, 20), self.backoff_last_s)


class LinkLostError(DeviceError):
    """The link went away; the source tries again."""


class Conversation:
    """One device's talk: greet it, read it, notice silence, tell the sink. The link calls in from one thread.

    Parameters
    ----------
    name : str
        For messages.
    profile : DeviceProfile
    settings : LinkSettings
    write : callable
        Sends bytes to the device.
    """

    def __init__(
        self, name: str, profile: DeviceProfile, settings: LinkSettings, write: Callable[[bytes], None]
    ) -> None:
        self.name = name
        self.reader: FrameReader | TextReader = (
            FrameReader(profile) if profile.format == "frames" else TextReader(profile)
        )
        self._settings = settings
        self._write = write
        self._sink: Sink | None = None
        self._ready = threading.Event()
        self._error: DeviceError | None = None
        self._info: DeviceInfo | None = None
        self._number = 0
        self._up = False
        self._asked_s = self._heard_s = self._up_s = self._sampled_s = 0.0
        self._bytes_since_up = 0
        self._met_since_up = False
        self._foreign = False  # A restarted device still has other settings than the recording.

    @property
    def flowed(self) -> bool:
        """Whether the present (or last) link brought samples."""
        return self._met_since_up

    @property
    def ready(self) -> bool:
        """Whether the device has been met and its samples flow."""
        return self._ready.is_set() and self._error is None

    def open(self, sink: Sink) -> None:
        """Name the taker of all items."""
        self._sink = sink

    def wait(self, timeout_s: float) -> DeviceInfo:
        """Block until the device is known and its samples flow.

        Raises
        ------
        DeviceError
        """
        if not self._ready.wait(timeout_s):
            raise DeviceError(
                f"{self.name} did not get ready within {timeout_s:g} s",
                next_step="try again, or another port",
            )
        if self._error is not None:
            raise self._error
        if self._info is None:
            raise DeviceError(
                f"{self.name} sent samples without saying what it is",
                next_step="reset it and try again",
            )
        return self._info

    def fail(self, error: DeviceError) -> None:
        """End the wait with an error; before the first success only."""
        self._error = error
        self._ready.set()

    def link_up(self) -> None:
        """Greet the device on a fresh link."""
        self._up, self._met_since_up, self._bytes_since_up = True, False, 0
        self._up_s = self._heard_s = self._settings.host_time_s()
        self._deliver([LinkChange(True, self._up_s)])
        self._greet(configure=not self.ready)

    def link_down(self, reason: str) -> None:
        """Tell that the link is gone."""
        if self._up:
            self._up = False
            self.reader.link_lost()
            self._deliver([LinkChange(False, self._settings.host_time_s(), reason)])

    def receive(self, data: bytes) -> None:
        """Take bytes that just arrived.

        Raises
        ------
        DeviceError
            If the device is of a newer protocol, another sensor than before, or refuses what was asked.
        """
        now_s = self._settings.host_time_s()
        self._heard_s = now_s
        self._bytes_since_up += len(data)
        items: list[Item] = []
        for item in self._read(data, now_s):
            if isinstance(item, DeviceInfo):
                self._meet(item)
                if not self._foreign and self.ready:
                    items.append(item)
            elif isinstance(item, RawSamples):
                self._sampled_s = now_s
                items += self._take(item)
            elif isinstance(item, Answer) and item.result == 2 and not self._ready.is_set():
                raise DeviceError(
                    f"{self.name} cannot sample as asked",
                    next_step="leave out the rate or the range, or ask another",
                )
            else:
                if isinstance(item, Status) and not item.running and self._quiet(now_s):
                    self._greet(configure=self._foreign)  # It restarted, and its hello was lost on the way.
                items.append(item)
        if items:
            self._deliver(items)

    def _take(self, samples: RawSamples) -> list[Item]:
        if self._foreign:
            self.reader.losses.link += len(samples.ticks)
            return []
        self._met_since_up = True
        if self.ready or self._info is None:
            return [samples]
        # Settings may change several times before the first sample; only those that it was taken with are told.
        self._ready.set()
        return [self._info, samples]

    def tick(self) -> None:
        """Ask again, or give the link up, when the device is silent. Call this several times a second.

        Raises
        ------
        LinkLostError
            After ``silence_s`` without a byte.
        DeviceError
            If nothing sensible came within ``ready_s`` on the first link.
        """
        now_s = self._settings.host_time_s()
        if not self._ready.is_set() and now_s - self._up_s > self._settings.ready_s:
            raise DeviceError(self._not_understood())
        if self.ready and now_s - self._heard_s > self._settings.silence_s:
            raise LinkLostError(f"{self.name} has been silent for {self._settings.silence_s:g} s; trying again")
        waiting = not self._met_since_up or self._quiet(now_s)
        if waiting and now_s - self._asked_s > self._settings.ask_again_s:
            self._greet(configure=self._foreign or not self.ready)

    def _quiet(self, now_s: float) -> bool:
        """Tell whether samples flowed and stopped, for longer than a link's usual delays."""
        if not self.ready or self._info is None:
            return False
        longest_s = max(QUIET_S, QUIET_SAMPLES / self._info.profile.sensor.rate_hz)
        return now_s - max(self._sampled_s, self._up_s) > longest_s

    def say(self, command: Command) -> None:
        """Send one command; text devices take none."""
        if isinstance(self.reader, FrameReader):
            self._write(encode(command, self._number))
            self._number += 1

    def say_goodbye(self) -> None:
        """Ask the device for silence."""
        self.say(Stop())

    def _read(self, data: bytes, now_s: float) -> list[Item]:
        try:
            return self.reader.feed(data, now_s)
        except OtherSensorError as error:
            raise LinkLostError(f"another sensor answers at {self.name}: {error}") from error

    def _greet(self, configure: bool) -> None:
        self._asked_s = self._settings.host_time_s()
        rate_hz, ranges = self._settings.rate_hz, self._settings.ranges
        if self.ready and self._info is not None and self._info.hello is not None:
            # It restarted with its own settings: ask for those that the recording began with.
            hello = self._info.hello
            rate_hz, ranges = hello.rate_hz, (hello.accel_range_g, hello.gyro_range_dps)
        if configure and (rate_hz is not None or ranges is not None):
            self.say(Stop())  # A device refuses a change while it sends samples.
            if rate_hz is not None:
                self.say(SetRate(rate_hz))
            if ranges is not None:
                self.say(SetRange(*ranges))
        self.say(Identify())
        self.say(Start())

    def _meet(self, info: DeviceInfo) -> None:
        known = self._info
        if self.ready and known is not None:
            self._foreign = known.profile.sensor != info.profile.sensor
            if self._foreign:
                self._greet(configure=True)
                return
            if known.hello is not None and info.hello is not None and info.hello.boot != known.hello.boot:
                self._greet(configure=False)  # A new life starts idle.
        self._info = info

    def _not_understood(self) -> str:
        count = self._bytes_since_up
        if count == 0:
            return f"nothing came from {self.name}; is it the right port, is the sensor switched on?"
        if isinstance(self.reader, TextReader):
            return (
                f"{count} bytes came from {self.name}, but no line as the profile describes it; check the profile's "
                "columns, separator and baud rate"
            )
        if self.reader.frames:
            return f"{self.name} speaks the wire protocol but sends no samples; reset the sensor and try again"
        return (
            f"{count} bytes came from {self.name}, but nothing of the wire protocol; if the sensor prints lines of "
            "text, name its profile with --profile"
        )

    def _deliver(self, items: Sequence[Item]) -> None:
        if self._sink is not None:
            self._sink(items)
