"""Lines of numbers to samples, as a device profile lays them out.

A line has no checksum: what is not exactly the expected number of plain decimal numbers, within bounds, is counted as
unread and dropped; the first line after the link came up is dropped too, as it may have lost its beginning.
"""

from __future__ import annotations

import re

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import ACCEL_COLUMNS, GYRO_COLUMNS, Axis, DeviceProfile
from logger.sources.sample_places import Counter, Placed, SamplePlaces
from logger.sources.stream import DeviceInfo, Item, Losses

MAX_LINE_BYTES = 512
_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})(e[+-]?\d{1,2})?", re.ASCII | re.IGNORECASE)
_INT32_MAX = 2**31 - 1
ONE = np.zeros(1, np.int64)


class TextReader:
    """Turn the lines of one device into items. Bounded memory; unreadable lines raise nothing.

    Attributes
    ----------
    losses : Losses
    clock : DeviceClock
    """

    def __init__(self, profile: DeviceProfile) -> None:
        layout, accel, gyro = profile.layout, profile.accel, profile.gyro
        if layout is None or accel is None or gyro is None:
            raise DeviceError(
                f"the profile {profile.name} describes no lines of text",
                next_step="choose one with format = 'text'",
            )
        self.losses = Losses()
        self.info = DeviceInfo(profile)
        self._profile = profile
        self._layout = layout
        self._columns = {name: place for place, name in enumerate(layout.columns) if name != "skip"}
        self._axes = [(self._columns[c], accel) for c in ACCEL_COLUMNS]
        self._axes += [(self._columns[c], gyro) for c in GYRO_COLUMNS]
        self._partial = b""
        self._whole = False  # Whether the line being collected is known to be whole from its first byte on.
        self._announced = False
        counter = Counter(layout.counter_bits) if "n" in self._columns else None
        self._places = SamplePlaces(profile.sensor, self.losses, counter, "t" in self._columns)

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        return self._places.clock

    def link_lost(self) -> None:
        """Note that the link went away."""
        self._places.link_lost()
        self._whole = False
        self._partial = b""

    def feed(self, data: bytes, host_s: float) -> list[Item]:
        """Take bytes that arrived at ``host_s`` and return what they complete."""
        items: list[Item] = [] if self._announced else [self.info]
        self._announced = True
        *lines, rest = data.replace(b"\r", b"\n").split(b"\n")
        rows: list[tuple[Placed, list[int]]] = []
        for piece in lines:
            line, self._partial = self._partial + piece, b""
            whole, self._whole = self._whole, True
            if not whole or not line.strip():
                continue
            row = self._read(line, host_s)
            if row is not None:
                rows.append(row)
        self._partial += rest[: MAX_LINE_BYTES + 1]
        if len(self._partial) > MAX_LINE_BYTES:
            self._partial, self._whole = b"", False
            self.losses.unread += 1
        if rows:
            ticks = np.concatenate([placed.ticks for placed, _ in rows])
            numbers = np.concatenate([placed.numbers for placed, _ in rows])
            counts = np.array([counts for _, counts in rows], np.int32)
            items.append(RawSamples(ticks, numbers, np.full(len(rows), host_s), counts))
        return items

    def not_understood(self, name: str, count: int) -> str:
        """Say why nothing came of so many bytes."""
        return (
            f"{count} bytes came from {name}, but no line as the profile describes it; check the profile's columns, "
            "separator and baud rate"
        )

    def _read(self, line: bytes, host_s: float) -> tuple[Placed, list[int]] | None:
        """Return place and counts of one line, or None (counted) if it is not a sample."""
        values = self._split(line)
        counts = None if values is None else self._counts(values)
        if values is None or counts is None:
            self.losses.unread += 1
            return None
        number = self._whole_number(values, "n", 1 << self._layout.counter_bits, 0)
        tick = self._whole_number(values, "t", 1 << self._profile.sensor.tick_bits, self._profile.time_decimals)
        if any(name in self._columns and value is None for name, value in (("n", number), ("t", tick))):
            self.losses.unread += 1
            return None
        placed = self._places.place(number, tick, host_s, ONE)
        return None if placed is None else (placed, counts)

    def _whole_number(self, cells: list[str], name: str, wrap: int, decimals: int) -> int | None:
        """Return what a counter or clock shows; None where there is none, or where it cannot be."""
        if name not in self._columns:
            return None
        value = float(cells[self._columns[name]])
        if name == "n" and value != int(value):
            return None
        scaled = value * 10.0**decimals
        return round(scaled) if 0.0 <= scaled < wrap else None

    def _split(self, line: bytes) -> list[str] | None:
        try:
            cells = [cell.strip() for cell in line.decode("ascii").strip().split(self._layout.separator)]
        except UnicodeDecodeError:
            return None
        if len(cells) != len(self._layout.columns):
            return None
        return cells if all(_NUMBER.fullmatch(cells[place]) for place in self._columns.values()) else None

    def _counts(self, cells: list[str]) -> list[int] | None:
        counts = []
        for place, axis in self._axes:
            value = float(cells[place]) * 10.0 ** (axis.decimals or 0)
            if not _fits(value, axis):
                return None
            counts.append(round(value))
        return counts


def _fits(value: float, axis: Axis) -> bool:
    """Tell whether a value in counts can be one: a whole number for raw counts, not far beyond the full scale."""
    if axis.decimals is None:
        return value == int(value) and abs(value) <= 32768
    limit = _INT32_MAX if axis.range_counts is None else min(_INT32_MAX, 1.25 * axis.range_counts)
    return abs(value) <= limit
