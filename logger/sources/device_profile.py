"""What a sensor sends and what it means, described in a TOML file.

Three kinds of sensors are described: those that speak the wire protocol (``format = "frames"``; their hello says the
rest), those that print one line of numbers a sample (``format = "text"``), and those that send packets of fixed size
(``format = "binary"``). ``docs/sensors.md`` explains every key.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Literal, TypeAlias

from analysis.model.errors import DeviceError
from analysis.model.records import SensorProfile
from logger.files.nested_text import load_toml
from logger.files.toml_table import Table
from logger.sources.messages import Hello
from logger.sources.packet_layout import PacketLayout, read_hex, read_packet

Format: TypeAlias = Literal["frames", "text", "binary"]

G_MPS2 = 9.80665
"""Standard acceleration of gravity, m/s^2: the g in which datasheets and sketches count."""
INT16_CLIP = 32767
ACCEL_COLUMNS = ("ax", "ay", "az")
GYRO_COLUMNS = ("gx", "gy", "gz")
BLUETOOTH_BASE = "-0000-1000-8000-00805f9b34fb"
"""What a short UUID stands before (Bluetooth Core Specification, Vol 3, Part B, 2.5.1)."""
UART_SERVICE = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
UART_WRITE = "6e400002-b5a3-f393-e0a9-e50e24dcca9e"
UART_NOTIFY = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"
FORMATS: tuple[Format, ...] = ("frames", "text", "binary")
SEPARATORS = {"comma": ",", "tab": "\t", "semicolon": ";", "space": None}


@dataclass(frozen=True)
class Axis:
    """One triad's unit and full scale.

    ``per_count`` is SI units in one count (m/s^2 or rad/s). ``decimals`` is how many decimals of a physical value are
    kept as counts; None where lines hold counts already.
    """

    per_count: float
    range_counts: int | None
    decimals: int | None


@dataclass(frozen=True)
class TextLayout:
    """How a line of text is read: column names in order, ``skip`` for those that are not used."""

    separator: str | None
    columns: tuple[str, ...]
    counter_bits: int = 32


@dataclass(frozen=True)
class BleSettings:
    """How the device is found and read: by name (its beginning) or service, never by address.

    Attributes
    ----------
    name : str
        Beginning of the device's name.
    service, notify, write : str, str, str or None
        UUIDs; ``write`` None where nothing can be sent.
    """

    name: str = "strokeplane"
    service: str = UART_SERVICE
    notify: str = UART_NOTIFY
    write: str | None = UART_WRITE


@dataclass(frozen=True)
class DeviceProfile:
    """A described sensor; ``sensor`` is filled from the hello where the device sends one.

    Attributes
    ----------
    time_decimals : int
        Decimals of the device's time that count as ticks.
    start, stop : bytes
        What is sent to a device without the wire protocol to have samples, and to have silence; empty: nothing.
    """

    name: str
    format: Format
    sensor: SensorProfile
    baud: int = 115200
    layout: TextLayout | None = None
    packet: PacketLayout | None = None
    time_decimals: int = 0
    start: bytes = b""
    stop: bytes = b""
    accel: Axis | None = None
    gyro: Axis | None = None
    ble: BleSettings = field(default_factory=BleSettings)
    remark: str = ""

    @property
    def has_device_clock(self) -> bool:
        """Whether each sample carries the device's own time."""
        return self.format == "frames" or "t" in self._brought

    @property
    def has_counter(self) -> bool:
        """Whether each sample carries a number, so that losses can be counted."""
        return self.format == "frames" or "n" in self._brought

    @property
    def _brought(self) -> tuple[str, ...]:
        """What a sample of a described format brings, by the names of columns."""
        if self.layout is not None:
            return self.layout.columns
        if self.packet is None:
            return ()
        return ("t",) * (self.packet.stamp is not None) + ("n",) * (self.packet.number is not None)


def sensor_from_hello(profile: DeviceProfile, hello: Hello) -> DeviceProfile:
    """Return the profile with what the device says of itself.

    A noise density stated in the profile is kept: no hello carries one.
    """
    sensor = replace(
        profile.sensor,
        name=hello.id,
        rate_hz=hello.rate_hz,
        accel_mps2_per_count=hello.accel_g_per_count * G_MPS2,
        gyro_radps_per_count=math.radians(hello.gyro_dps_per_count),
        tick_hz=float(hello.tick_hz),
        tick_bits=hello.tick_bits,
        part=hello.part,
        accel_clip_counts=min(INT16_CLIP, math.floor(hello.accel_range_g / hello.accel_g_per_count)),
        gyro_clip_counts=min(INT16_CLIP, math.floor(hello.gyro_range_dps / hello.gyro_dps_per_count)),
    )
    return replace(profile, sensor=sensor)


def shipped_profiles() -> list[str]:
    """Names of the profiles that come with the program.

    Returns
    -------
    list of str
        In alphabetical order.
    """
    folder = resources.files("logger") / "profiles"
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def load_profile(name_or_path: str) -> DeviceProfile:
    """Read a shipped profile by name, or a file by path.

    Parameters
    ----------
    name_or_path : str
        A shipped profile's name, or a path that ends in .toml.

    Returns
    -------
    DeviceProfile

    Raises
    ------
    DeviceError
        If there is no such profile, or a key is unknown, missing or out of bounds.
    """
    path = Path(name_or_path)
    if path.suffix == ".toml":
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise DeviceError(
                f"cannot read the profile {path} ({error})",
                next_step="check the path",
            ) from error
    elif name_or_path in shipped_profiles():
        text = (resources.files("logger") / "profiles" / f"{name_or_path}.toml").read_text(encoding="utf-8")
    else:
        names = ", ".join(shipped_profiles())
        raise DeviceError(
            f"no profile is called {name_or_path!r}",
            next_step=f"give one of {names}, or the path of a .toml file",
        )
    return parse_profile(text, name_or_path)


def parse_profile(text: str, where: str) -> DeviceProfile:
    """Read a profile from TOML text; ``where`` names it in messages.

    Raises
    ------
    DeviceError
        As :func:`load_profile`.
    """
    try:
        table = Table(load_toml(text), where)
    except ValueError as error:
        raise DeviceError(
            f"{where} is not valid TOML ({error})",
            next_step="correct that line",
        ) from error
    schema = table.integer("schema", 1, 1_000_000)
    if schema != 1:
        raise DeviceError(
            f"{where} has schema {schema}, this version reads 1",
            next_step="update strokeplane",
        )
    form = next(each for each in FORMATS if each == table.choice("format", FORMATS))
    rate_hz = table.number("rate_hz", 1.0, 8000.0)
    layout = _read_layout(table.table("text")) if form == "text" else None
    packet = read_packet(table.table("packet")) if form == "binary" else None
    accel, gyro = _read_axes(table, packet) if form != "frames" else (None, None)
    tick_hz, tick_bits, time_decimals = _read_clock(table, rate_hz, layout, packet)
    start, stop = _read_commands(table) if form != "frames" else (b"", b"")
    noise = table.table("noise", optional=True)
    sensor = SensorProfile(
        name=table.text("name"),
        rate_hz=rate_hz,
        accel_mps2_per_count=accel.per_count if accel else 1.0,
        gyro_radps_per_count=gyro.per_count if gyro else 1.0,
        tick_hz=tick_hz,
        tick_bits=tick_bits,
        part=table.text("part", default=""),
        accel_clip_counts=accel.range_counts if accel else None,
        gyro_clip_counts=gyro.range_counts if gyro else None,
        accel_noise_mps2_rthz=_scaled(noise.number_or_none("accel_ug_rthz", 1.0, 1e5), G_MPS2 * 1e-6),
        gyro_noise_radps_rthz=_scaled(noise.number_or_none("gyro_mdps_rthz", 0.01, 1e4), math.radians(1e-3)),
    )
    serial = table.table("serial", optional=True)
    baud = serial.integer("baud", 300, 12_000_000, default=115200)
    ble = _read_ble(table.table("ble", optional=True))
    remark = table.text("remark", default="")
    table.refuse_unknown()
    return DeviceProfile(
        sensor.name, form, sensor, baud, layout, packet, time_decimals, start, stop, accel, gyro, ble, remark
    )


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


def _read_layout(table: Table) -> TextLayout:
    columns = table.texts("columns")
    separator = SEPARATORS[table.choice("separator", tuple(SEPARATORS))]
    known = {*ACCEL_COLUMNS, *GYRO_COLUMNS, "t", "n", "skip"}
    for column in columns:
        if column not in known:
            raise table.error(f"column {column!r} is not known; use {', '.join(sorted(known))}")
        if column != "skip" and columns.count(column) > 1:
            raise table.error(f"column {column!r} stands twice; each may stand once")
    missing = [column for column in (*ACCEL_COLUMNS, *GYRO_COLUMNS) if column not in columns]
    if missing:
        raise table.error(f"columns lack {', '.join(missing)}; all six axes are needed")
    return TextLayout(separator, columns, table.integer("counter_bits", 8, 64, default=32))


def _read_axes(table: Table, packet: PacketLayout | None) -> tuple[Axis, Axis]:
    """Read both triads of a described format."""
    most = INT16_CLIP if packet is None else packet.most_counts
    accel = _read_axis(table.table("accel"), {"g": G_MPS2, "m/s2": 1.0}, "counts_per_g", G_MPS2, most)
    one_dps = math.radians(1.0)
    return accel, _read_axis(table.table("gyro"), {"deg/s": one_dps, "rad/s": 1.0}, "counts_per_dps", one_dps, most)


def _read_axis(table: Table, units: Mapping[str, float], scale_key: str, base: float, most: int | None) -> Axis:
    """Read one triad; ``base`` is the SI size of the unit that ranges and scale factors are stated in."""
    unit = table.choice("unit", (*units, "counts"))
    full_scale = table.number_or_none("range", 0.1, 10_000.0)
    if unit == "counts":
        if most is None:
            raise table.error("fractions (f32, f64) are no counts; name their unit")
        scale = table.number(scale_key, 1e-3, 1e7)
        clip = most if full_scale is None else min(most, math.floor(full_scale * scale))
        return Axis(base / scale, clip, None)
    decimals = table.integer("decimals", 0, 6, default=6)
    per_count = units[unit] * 10.0**-decimals
    limit = None if full_scale is None else math.floor(full_scale * base / per_count)
    return Axis(per_count, limit, decimals)


def _read_clock(
    table: Table, rate_hz: float, layout: TextLayout | None, packet: PacketLayout | None
) -> tuple[float, int, int]:
    """Return tick rate, tick width, and how many decimals of the device's time count as ticks.

    Where a described device has a counter and no clock, its samples are its ticks.
    """
    timed = (layout is not None and "t" in layout.columns) or (packet is not None and packet.stamp is not None)
    counted = (layout is not None and "n" in layout.columns) or (packet is not None and packet.number is not None)
    if not timed:
        return (rate_hz if counted else 1e6), 64, 0
    clock = table.table("clock")
    decimals = clock.integer("decimals", 0, 9, default=0)
    usual = 64 if decimals else 32
    if packet is not None and packet.stamp is not None and packet.stamp.most is not None:
        usual = 64 if decimals else 8 * packet.stamp.width
    bits = clock.integer("bits", 8, 64, default=usual)
    return clock.number("tick_hz", 1.0, 1e8) * 10.0**decimals, bits, decimals


def _read_commands(table: Table) -> tuple[bytes, bytes]:
    """What is sent to have samples, and to have silence."""
    commands = table.table("commands", optional=True)
    return read_hex(commands, "start", 64), read_hex(commands, "stop", 64)


def _read_ble(table: Table) -> BleSettings:
    defaults = BleSettings()
    return BleSettings(
        name=table.text("name", default=defaults.name),
        service=_read_uuid(table, "service", defaults.service),
        notify=_read_uuid(table, "notify", defaults.notify),
        write=_read_uuid(table, "write", UART_WRITE) or None,
    )


def _read_uuid(table: Table, key: str, default: str) -> str:
    """A UUID in full; four digits stand for one of the Bluetooth SIG's. Empty only where nothing can be written."""
    text = table.text(key, default=default).lower()
    if text == "" and key == "write":
        return ""
    full = f"0000{text}{BLUETOOTH_BASE}" if len(text) == 4 else text
    try:
        return str(uuid.UUID(full))
    except ValueError as error:
        raise table.error(f"{key} must be a UUID, as {default} or 180d, not {text!r:.60}") from error
