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
from logger.sources.stream import DeviceInfo, Item, Losses

MAX_LINE_BYTES = 512
_NUMBER = re.compile(r"[+-]?(\d{1,20}(\.\d{0,20})?|\.\d{1,20})(e[+-]?\d{1,2})?", re.ASCII | re.IGNORECASE)
_INT32_MAX = 2**31 - 1


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
        self.clock = DeviceClock()
        self.info = DeviceInfo(profile)
        self._profile = profile
        self._layout = layout
        self._columns = {name: place for place, name in enumerate(layout.columns) if name != "skip"}
        self._axes = [(self._columns[c], accel) for c in ACCEL_COLUMNS]
        self._axes += [(self._columns[c], gyro) for c in GYRO_COLUMNS]
        self._partial = b""
        self._whole = False  # Whether the line being collected is known to be whole from its first byte on.
        self._announced = False
        self._link_lost = False
        self._unread_before = 0
        self._last_number = -1
        self._last_tick = -1
        self._last_raw_tick: int | None = None
        self._last_raw_number: int | None = None
        self._last_host_s = 0.0

    def link_lost(self) -> None:
        """Note that the link went away."""
        self._link_lost = True
        self._whole = False
        self._partial = b""

    def feed(self, data: bytes, host_s: float) -> list[Item]:
        """Take bytes that arrived at ``host_s`` and return what they complete."""
        items: list[Item] = [] if self._announced else [self.info]
        self._announced = True
        *lines, rest = data.replace(b"\r", b"\n").split(b"\n")
        rows: list[tuple[int, int, list[int]]] = []
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
            ticks = np.array([r[0] for r in rows], np.int64)
            numbers = np.array([r[1] for r in rows], np.int64)
            counts = np.array([r[2] for r in rows], np.int32)
            items.append(RawSamples(ticks, numbers, np.full(len(rows), host_s), counts))
            self.clock.observe(float(ticks[-1]) / self._profile.sensor.tick_hz, host_s)
        return items

    def _read(self, line: bytes, host_s: float) -> tuple[int, int, list[int]] | None:
        """Return tick, number and counts of one line, or None (counted) if it is not a sample."""
        values = self._split(line)
        counts = None if values is None else self._counts(values)
        if values is None or counts is None:
            self.losses.unread += 1
            return None
        number = self._number(values, host_s)
        tick = None if number is None else self._tick(values, host_s)
        if number is None or tick is None:
            return None
        if self._last_number >= 0:
            self._count_missing(number - self._last_number - 1)
        self._last_number, self._last_tick, self._last_host_s = number, tick, host_s
        self._link_lost = False
        self._unread_before = self.losses.unread
        return tick, number, counts

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

    def _number(self, cells: list[str], host_s: float) -> int | None:
        """Return the sample's number; None (counted) for one that came before or is no number."""
        if "n" not in self._columns:
            return self._last_number + 1
        value, wrap = float(cells[self._columns["n"]]), 1 << self._layout.counter_bits
        if value != int(value) or not 0 <= value < wrap:
            self.losses.unread += 1
            return None
        last_raw, raw = self._last_raw_number, int(value)
        if last_raw is None:
            self._last_raw_number = raw
            return raw
        step, rate_hz = (raw - last_raw) % wrap, self._profile.sensor.rate_hz
        if step == 0 or wrap - step <= min(wrap // 4, 2.0 * rate_hz):
            self.losses.repeated += 1
            return None
        self._last_raw_number = raw
        elapsed = (host_s - self._last_host_s) * rate_hz
        if raw < last_raw and step > wrap // 2:  # Far back: the device counts from its start again.
            return self._last_number + max(1, round(elapsed))
        if elapsed > wrap // 2:
            step += max(0, round((elapsed - step) / wrap)) * wrap
        return self._last_number + step

    def _tick(self, cells: list[str], host_s: float) -> int | None:
        """Return the unwrapped tick; None (counted) where the time stands still or the cell is no tick."""
        sensor = self._profile.sensor
        if "t" not in self._columns:
            return max(self._last_tick + 1, round(host_s * sensor.tick_hz))
        raw = float(cells[self._columns["t"]]) * 10.0**self._layout.time_decimals
        wrap = 1 << sensor.tick_bits
        if not 0.0 <= raw < wrap:
            self.losses.unread += 1
            return None
        raw_tick, last_raw = round(raw), self._last_raw_tick
        if raw_tick == last_raw:
            self.losses.repeated += 1
            return None
        self._last_raw_tick = raw_tick
        if last_raw is None:
            return raw_tick
        return self._last_tick + self._step(raw_tick, last_raw, host_s - self._last_host_s)

    def _step(self, raw_tick: int, last_raw: int, elapsed_s: float) -> int:
        """Return how far the device's clock went, by its wrapped reading and the time that passed on the host's."""
        sensor = self._profile.sensor
        wrap = 1 << sensor.tick_bits
        step = (raw_tick - last_raw) % wrap
        if elapsed_s > 0.25:
            step += max(0, round((elapsed_s * sensor.tick_hz - step) / wrap)) * wrap
        if abs(step / sensor.tick_hz - elapsed_s) > 1.0 + 0.05 * elapsed_s:
            self.losses.restarts += 1
            self.clock.restart()
            return max(1, round(elapsed_s * sensor.tick_hz))
        return step

    def _count_missing(self, missing: int) -> None:
        if missing <= 0:
            return
        if self._link_lost:
            self.losses.link += missing
        elif self.losses.unread > self._unread_before:
            self.losses.damaged += missing
        else:
            self.losses.device += missing


def _fits(value: float, axis: Axis) -> bool:
    """Tell whether a value in counts can be one: a whole number for raw counts, not far beyond the full scale."""
    if axis.decimals is None:
        return value == int(value) and abs(value) <= 32768
    limit = _INT32_MAX if axis.range_counts is None else min(_INT32_MAX, 1.25 * axis.range_counts)
    return abs(value) <= limit
