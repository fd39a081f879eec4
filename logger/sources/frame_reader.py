"""Bytes of the wire protocol to samples: unwrapped, in marked axes, each once, every loss counted by cause."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.clock import ClockFit, DeviceClock, SequenceUnwrapper, TickUnwrapper
from logger.sources.device_profile import DeviceProfile, sensor_from_hello
from logger.sources.messages import Answer, Hello, SampleFrame
from logger.sources.packets import STOP_CODE, FrameDecoder, axes_matrix, newer_version, parse
from logger.sources.stream import DeviceInfo, Item, Losses

MAX_PENDING_FRAMES = 1024
BACK_LIMIT_S = 2.0
"""Numbers that go back further than this are a device that counts from its start again, not repetitions."""
JUMP_LIMIT_S = 86_400.0
"""Numbers that jump further than this are no loss that any link could have, but a new count."""


@dataclass(frozen=True)
class _Arrived:
    """A frame, and when it came."""

    frame: SampleFrame
    host_s: float


@dataclass(frozen=True)
class _Placed:
    """A frame with its samples' unwrapped ticks and numbers."""

    arrived: _Arrived
    ticks: np.ndarray
    numbers: np.ndarray


class OtherSensorError(DeviceError):
    """Another sensor answers on the link than the one that was read so far."""


class FrameReader:
    """Turn the bytes of one device into items. Bounded memory; damage raises nothing.

    Attributes
    ----------
    losses : Losses
    clock : DeviceClock
        Device seconds (``ticks / tick_hz``) against host seconds.
    hello : Hello or None
        The device's latest.
    """

    def __init__(self, profile: DeviceProfile) -> None:
        self.losses = Losses()
        self.clock = DeviceClock()
        self.hello: Hello | None = None
        self.info: DeviceInfo | None = None
        self._base_profile = profile
        self._decoder = FrameDecoder()
        self._pending: deque[_Arrived] = deque(maxlen=MAX_PENDING_FRAMES)
        self._damage_seen = 0
        self._link_lost = False
        self._met = False  # On the present link: until its hello, nobody knows whose samples these are.
        self._sequence = SequenceUnwrapper()
        self._ticks: TickUnwrapper | None = None
        self._last = (-1, -1)  # Newest sample number and tick handed on.
        self._offset = (0, 0)  # Added to both, so that a restarted device goes on where it would have been.
        self._restarted = False
        self._last_fit: ClockFit | None = None

    @property
    def frames(self) -> int:
        """Whole frames read on the present link."""
        return self._decoder.frames

    def link_lost(self) -> None:
        """Note that the link went away: what is missing next is missing for that."""
        self._link_lost = True
        self._met = False
        self._pending.clear()
        self._decoder = FrameDecoder()
        self._damage_seen = 0

    def feed(self, data: bytes, host_s: float) -> list[Item]:
        """Take bytes that arrived at ``host_s`` and return what they complete.

        Raises
        ------
        DeviceError
            Only if the device speaks a newer version of the protocol, or is another one than before.
        """
        items: list[Item] = []
        frames: list[_Arrived] = []
        for payload in self._decoder.feed(data):
            message = parse(payload)
            if message is None:
                self._refuse(payload)
            elif isinstance(message, SampleFrame):
                (frames if self._met else self._pending).append(_Arrived(message, host_s))
            elif isinstance(message, Hello):
                self._flush(frames, items)
                items += self._meet(message)
                frames += self._pending
                self._pending.clear()
            else:
                if isinstance(message, Answer) and message.command == STOP_CODE:
                    self._pending.clear()  # Sent before the stop, perhaps with other settings than the next hello's.
                items.append(message)
        self._flush(frames, items)
        return items

    def not_understood(self, name: str, count: int) -> str:
        """Say why no sample came of so many bytes."""
        if self.frames:
            return f"{name} speaks the wire protocol but sends no samples; reset the sensor and try again"
        return (
            f"{count} bytes came from {name}, but nothing of the wire protocol; if the sensor prints lines of text or "
            "sends packets of its own, name its profile with --profile"
        )

    def _refuse(self, payload: bytes) -> None:
        version = newer_version(payload)
        if version is not None:
            raise DeviceError(
                f"the sensor speaks version {version} of the wire protocol, this program version 1",
                next_step="update strokeplane",
            )
        self.losses.unread += 1

    def _meet(self, hello: Hello) -> list[Item]:
        if self.hello is not None and hello.id != self.hello.id:
            self._pending.clear()
            raise OtherSensorError(f"expected sensor {self.hello.id}, found {hello.id}; plug the first one in again")
        self._met = True
        if self.hello == hello:
            return []
        if self.hello is None:
            self._ticks = TickUnwrapper(hello.tick_bits, hello.tick_hz / hello.rate_hz)
        elif hello.boot != self.hello.boot or hello.tick_hz != self.hello.tick_hz:
            self._start_anew(hello)
        self.hello = hello
        self._matrix = axes_matrix(hello.axes)
        self.info = DeviceInfo(sensor_from_hello(self._base_profile, hello), hello)
        return [self.info]

    def _start_anew(self, hello: Hello) -> TickUnwrapper:
        self._restarted = self._last[0] >= 0
        self.losses.restarts += 1
        self._ticks = TickUnwrapper(hello.tick_bits, hello.tick_hz / hello.rate_hz)
        self._sequence = SequenceUnwrapper()
        return self._ticks

    def _flush(self, frames: list[_Arrived], items: list[Item]) -> None:
        """Append the samples of these frames to ``items`` and empty the list."""
        if not frames or self.hello is None or self._ticks is None:
            return
        kept: list[_Placed] = []
        for place in range(len(frames)):
            placed = self._place(frames[place:])
            if placed is not None:
                kept.append(placed)
        frames.clear()
        if not kept:
            return
        counts = np.concatenate([each.arrived.frame.counts for each in kept]).astype(np.int32)
        if self.hello.axes != (1, 2, 3):
            counts = np.hstack([counts[:, :3] @ self._matrix.T, counts[:, 3:] @ self._matrix.T])
        ticks = np.concatenate([each.ticks for each in kept])
        hosts = np.repeat([each.arrived.host_s for each in kept], [len(each.ticks) for each in kept])
        items.append(RawSamples(ticks, np.concatenate([each.numbers for each in kept]), hosts, counts))
        self.clock.observe(float(ticks[-1]) / self.hello.tick_hz, float(hosts[-1]))

    def _place(self, frames: list[_Arrived]) -> _Placed | None:
        """Return the first frame in its place, or None if it came before."""
        frame = frames[0].frame
        hello, ticks_unwrapper = self.hello, self._ticks
        if hello is None or ticks_unwrapper is None:
            return None
        n = len(frame.offsets)
        number = self._sequence.unwrap(frame.sample)
        step = number + self._offset[0] - self._last[0]
        if self._last[0] >= 0 and not self._restarted:
            if -BACK_LIMIT_S * hello.rate_hz <= step <= 0:
                self.losses.repeated += n
                return None
            if not 0 < step <= JUMP_LIMIT_S * hello.rate_hz:
                ticks_unwrapper = self._start_anew(hello)
                number = self._sequence.unwrap(frame.sample)
        ticks = ticks_unwrapper.unwrap(frame.tick, number, frame.offsets)
        if self._restarted:
            self._restarted = False
            self._offset = self._bridge(number, int(ticks[0]), frames, hello)
        numbers = number + self._offset[0] + np.arange(n, dtype=np.int64)
        ticks = ticks + self._offset[1]
        if self._last[0] >= 0:
            self._count_missing(int(numbers[0]) - self._last[0] - 1)
        self._last = (int(numbers[-1]), int(ticks[-1]))
        self._sequence.last = int(numbers[-1]) - self._offset[0]
        self._link_lost = False
        self._damage_seen = self._decoder.damaged + self._decoder.overlong
        return _Placed(frames[0], ticks, numbers)

    def _bridge(self, number: int, tick: int, frames: list[_Arrived], hello: Hello) -> tuple[int, int]:
        """Offsets that put a restarted device's first sample where the host's clock says that it was taken.

        Of the frames that came together the least delayed one decides. Never before the last sample of the time
        before, whatever the clocks say.
        """
        fit = self.clock.fit() or self._last_fit
        last_number, last_tick = self._last
        self.clock.restart()
        self._last_fit = fit
        shift = last_tick + 1 - tick
        if fit is not None:
            wrap, first = 1 << hello.tick_bits, frames[0].frame.tick
            ages = [(a.host_s, (a.frame.tick - first) % wrap + int(a.frame.offsets[-1])) for a in frames]
            taken_s = min(host_s - age / hello.tick_hz for host_s, age in ages)
            # The least of n usual delays is about the n-th part of one.
            taken_tick = round(fit.device_s(taken_s - fit.delay_p50_s / len(frames)) * hello.tick_hz)
            shift = max(shift, taken_tick - tick)
        gone = max(1, round((tick + shift - last_tick) * hello.rate_hz / hello.tick_hz))
        return last_number + gone - number, shift

    def _count_missing(self, missing: int) -> None:
        if missing <= 0:
            return
        if self._link_lost:
            self.losses.link += missing
        elif self._decoder.damaged + self._decoder.overlong > self._damage_seen:
            self.losses.damaged += missing
        else:
            self.losses.device += missing
