"""The talk with one device, whatever link it runs over: greet it, read it, notice silence, hand on what it says."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.base import LinkSettings, Sink
from logger.sources.binary_reader import BinaryReader
from logger.sources.device_profile import DeviceProfile, Format
from logger.sources.frame_reader import FrameReader, OtherSensorError
from logger.sources.messages import Answer, Command, Identify, SetRange, SetRate, Start, Status, Stop
from logger.sources.packets import encode
from logger.sources.stream import Arrival, DeviceInfo, Item, LinkChange
from logger.sources.text_reader import TextReader

QUIET_S, QUIET_SAMPLES = 0.25, 4.0
"""No samples for so long, or for so many of their periods: perhaps the device restarted and waits for a start."""
KEPT_ARRIVALS = 4096
"""Half a minute and more of a radio's pieces."""
READERS: dict[Format, type[FrameReader | TextReader | BinaryReader]] = {
    "frames": FrameReader,
    "text": TextReader,
    "binary": BinaryReader,
}


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
        self.reader = READERS[profile.format](profile)
        self._profile = profile
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
        self.arrivals: deque[Arrival] = deque(maxlen=KEPT_ARRIVALS)
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
        self.arrivals.append(Arrival(now_s, len(data)))
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
        """Send one command; a device without the wire protocol is told only what its profile knows of."""
        if isinstance(self.reader, FrameReader):
            self._write(encode(command, self._number))
            self._number += 1
            return
        known = {Start: self._profile.start, Stop: self._profile.stop}.get(type(command), b"")
        if known:
            self._write(known)

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
        return self.reader.not_understood(self.name, count)

    def _deliver(self, items: Sequence[Item]) -> None:
        if self._sink is not None:
            self._sink(items)
