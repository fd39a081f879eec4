"""Packets of fixed size to samples, as a device profile lays them out.

Where packets begin with bytes that are always the same, they are found in any stream; elsewhere a notification of the
radio must be whole packets. A packet with a checksum counts when it holds. One without counts only when the next begins
right behind it: so bytes that were lost on the way cost packets, and make no false sample, unless exactly a packet's
length was lost.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import IntArray, RawSamples
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import Axis, DeviceProfile
from logger.sources.packet_layout import as_count
from logger.sources.sample_places import Counter, Placed, SamplePlaces
from logger.sources.stream import DeviceInfo, Item, Losses

BEYOND = 1.25
"""Of the full scale: a reading further out is none."""
INT32_MAX = 2**31 - 1


class BinaryReader:
    """Turn the packets of one device into items. Bounded memory; damage raises nothing.

    Parameters
    ----------
    profile : DeviceProfile
        With ``format = "binary"``.

    Attributes
    ----------
    losses : Losses
    info : DeviceInfo
    """

    def __init__(self, profile: DeviceProfile) -> None:
        layout, accel, gyro = profile.packet, profile.accel, profile.gyro
        if layout is None or accel is None or gyro is None:
            raise DeviceError(
                f"the profile {profile.name} describes no packets",
                next_step="choose one with format = 'binary'",
            )
        self.losses = Losses()
        self.info = DeviceInfo(profile)
        self._layout = layout
        self._axes = [(value, accel if name < 3 else gyro) for name, value in enumerate(layout.axes)]
        self._decimals = profile.time_decimals
        self._tick_bits = profile.sensor.tick_bits
        counter = None
        if layout.number is not None:
            counter = Counter(8 * layout.number.width, layout.samples if layout.counts_packets else 1)
        self._places = SamplePlaces(profile.sensor, self.losses, counter, layout.stamp is not None)
        self._buffer = bytearray()
        self._searching = True  # For where a packet begins: what is skipped meanwhile is one loss.
        self._announced = False

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        return self._places.clock

    def link_lost(self) -> None:
        """Note that the link went away."""
        self._places.link_lost()
        self._buffer.clear()
        self._searching = True

    def feed(self, data: bytes, host_s: float) -> list[Item]:
        """Take bytes that arrived at ``host_s`` and return what they complete."""
        items: list[Item] = [] if self._announced else [self.info]
        self._announced = True
        found: list[tuple[Placed, IntArray]] = []
        for packet in self._search(data) if self._layout.start else self._divide(data):
            sample = self._read(packet, host_s)
            if sample is not None:
                found.append(sample)
        if found:
            ticks = np.concatenate([placed.ticks for placed, _ in found])
            numbers = np.concatenate([placed.numbers for placed, _ in found])
            counts = np.concatenate([counts for _, counts in found]).astype(np.int32)
            items.append(RawSamples(ticks, numbers, np.full(len(ticks), host_s), counts))
        return items

    def not_understood(self, name: str, count: int) -> str:
        """Say why nothing came of so many bytes."""
        start = f" that begins with {self._layout.start.hex(' ').upper()}" if self._layout.start else ""
        return (
            f"{count} bytes came from {name}, but no packet of {self._layout.size} bytes{start} as the profile "
            "describes it; check the profile's bytes, start, sum and baud rate"
        )

    def _divide(self, data: bytes) -> Iterator[bytes]:
        """Packets of one notification."""
        size = self._layout.size
        if len(data) % size:
            self.losses.unread += 1
            return
        for at in range(0, len(data), size):
            packet = data[at : at + size]
            if self._layout.sum is None or self._layout.sum.holds(packet):
                yield packet
            else:
                self.losses.unread += 1

    def _search(self, data: bytes) -> Iterator[bytes]:
        """Packets that are whole by now, found by what they begin with."""
        layout, buffer = self._layout, self._buffer
        buffer += data
        needed = layout.size + (0 if layout.sum is not None else len(layout.start))
        while len(buffer) >= needed:
            packet = bytes(buffer[: layout.size])
            if packet.startswith(layout.start) and self._holds(packet, bytes(buffer[layout.size : needed])):
                self._searching = False
                del buffer[: layout.size]
                yield packet
            else:
                self._skip()

    def _holds(self, packet: bytes, after: bytes) -> bool:
        return after == self._layout.start if self._layout.sum is None else self._layout.sum.holds(packet)

    def _skip(self) -> None:
        """Go on to the next place where a packet could begin."""
        if not self._searching:
            self.losses.unread += 1
        self._searching = True
        at = self._buffer.find(self._layout.start, 1)
        # Its last bytes may be the beginning of a beginning.
        keep = len(self._layout.start) - 1
        del self._buffer[: at if at >= 0 else max(1, len(self._buffer) - keep)]

    def _read(self, packet: bytes, host_s: float) -> tuple[Placed, IntArray] | None:
        """Return places and counts of one packet's samples, or None (counted) if they cannot be."""
        layout = self._layout
        counts = [self._counts(packet, sample) for sample in range(layout.samples)]
        known = [row for row in counts if row is not None]
        ticks = self._stamps(packet)
        if len(known) < len(counts) or ticks is None:
            self.losses.unread += 1
            return None
        number = None if layout.number is None else int(layout.number.read(packet))
        last = layout.samples - 1
        if not ticks:
            spread = np.arange(-last, 1) * self._places.ticks_per_sample
            placed = self._places.place(number, None, host_s, np.round(spread).astype(np.int64), last)
        elif len(ticks) > 1:
            offsets = (np.array(ticks, np.int64) - ticks[0]) % (1 << self._tick_bits)
            placed = self._places.place(number, ticks[0], host_s, offsets)
        else:
            stamped = last if layout.stamp_of == "last" else 0
            spread = np.arange(-stamped, layout.samples - stamped) * self._places.ticks_per_sample
            placed = self._places.place(number, ticks[0], host_s, np.round(spread).astype(np.int64), stamped)
        return None if placed is None else (placed, np.array(known, np.int64))

    def _counts(self, packet: bytes, sample: int) -> list[int] | None:
        row = []
        for value, axis in self._axes:
            count = as_count(value.read(packet, sample), axis.decimals)
            if count is None or abs(count) > _most(axis):
                return None
            row.append(count)
        return row

    def _stamps(self, packet: bytes) -> list[int] | None:
        """Ticks as sent: none, one, or one a sample; None where they cannot be."""
        stamp = self._layout.stamp
        if stamp is None:
            return []
        found = []
        for sample in range(self._layout.samples if self._layout.stamp_of == "each" else 1):
            tick = as_count(stamp.read(packet, sample), self._decimals)
            if tick is None or not 0 <= tick < 1 << self._tick_bits:
                return None
            found.append(tick)
        return found


def _most(axis: Axis) -> float:
    """The largest count that is a reading."""
    return INT32_MAX if axis.range_counts is None else min(INT32_MAX, BEYOND * axis.range_counts)
