"""How a sensor packs its numbers into packets of fixed size: offsets, types, byte order, sum, counter, time stamp."""

from __future__ import annotations

import math
import struct
import zlib
from binascii import crc_hqx
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from logger.files.toml_table import Table

AXES = ("ax", "ay", "az", "gx", "gy", "gz")
INTEGERS = {f"{sign}{bits}": (bits // 8, sign == "i") for sign in "iu" for bits in (8, 16, 24, 32)}
FLOATS = {"f32": "f", "f64": "d"}
TYPES = (*INTEGERS, *FLOATS)
ORDERS = ("little", "big")
MOST_BYTES, MOST_SAMPLES = 512, 64
Stamped: TypeAlias = Literal["first", "last", "each"]
STAMPED: tuple[Stamped, ...] = ("first", "last", "each")

CRC16_START = 0xFFFF
"""Of the checksum that the published catalogues of CRCs call CRC-16/IBM-3740; polynomial 0x1021, nothing reflected."""
SUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "sum8": (1, lambda data: sum(data) & 0xFF),
    "xor8": (1, lambda data: _xor(data)),
    "crc16": (2, lambda data: crc_hqx(data, CRC16_START)),
    "crc32": (4, zlib.crc32),
}
"""Checksums by name: bytes that they take, and how they are computed."""


@dataclass(frozen=True)
class Value:
    """One number in a packet, or one in each of its samples.

    Attributes
    ----------
    at : int
        Offset of its first byte in the packet; in the first sample, where there are several.
    type : str
        One of :data:`TYPES`.
    order : str
        ``little`` or ``big``.
    sign : int
        -1 turns it round.
    every : int
        Bytes from one sample's value to the next sample's.
    """

    at: int
    type: str
    order: Literal["little", "big"]
    sign: int = 1
    every: int = 0

    @property
    def width(self) -> int:
        """Bytes that it takes."""
        return INTEGERS[self.type][0] if self.type in INTEGERS else struct.calcsize(FLOATS[self.type])

    @property
    def most(self) -> int | None:
        """Largest whole number that it can hold; None for a fraction."""
        if self.type not in INTEGERS:
            return None
        width, signed = INTEGERS[self.type]
        return int((1 << (8 * width - signed)) - 1)

    def read(self, packet: bytes, sample: int = 0) -> float:
        """Return its number; an int where its type is whole.

        Parameters
        ----------
        packet : bytes
            A whole one.
        sample : int
            Counted from 0.
        """
        at = self.at + sample * self.every
        if self.type in INTEGERS:
            width, signed = INTEGERS[self.type]
            return self.sign * int.from_bytes(packet[at : at + width], self.order, signed=signed)
        mark = "<" if self.order == "little" else ">"
        return self.sign * float(struct.unpack_from(mark + FLOATS[self.type], packet, at)[0])


@dataclass(frozen=True)
class PacketSum:
    """A checksum at ``at`` over the bytes from ``begin`` to it."""

    kind: str
    at: int
    begin: int
    order: Literal["little", "big"]

    def holds(self, packet: bytes) -> bool:
        """Tell whether a packet is as it was sent."""
        width, compute = SUMS[self.kind]
        sent = int.from_bytes(packet[self.at : self.at + width], self.order)
        return compute(packet[self.begin : self.at]) == sent


@dataclass(frozen=True)
class PacketLayout:
    """One packet.

    Attributes
    ----------
    size : int
        Bytes of a whole packet.
    start : bytes
        What each begins with; empty where a notification of the radio is exactly one packet, or several.
    samples : int
        In each packet.
    axes : tuple of Value
        ``ax ay az gx gy gz``.
    number : Value or None
        A counter.
    counts_packets : bool
        Whether it counts packets, not samples; it then is the first sample's.
    stamp : Value or None
        The sensor's own time.
    stamp_of : str
        Which sample it belongs to: ``first``, ``last``, or ``each`` has its own.
    sum : PacketSum or None
    """

    size: int
    start: bytes
    samples: int
    axes: tuple[Value, ...]
    number: Value | None = None
    counts_packets: bool = False
    stamp: Value | None = None
    stamp_of: Stamped = "first"
    sum: PacketSum | None = None

    @property
    def most_counts(self) -> int | None:
        """Largest count that every axis can hold; None where an axis holds fractions."""
        most = [value.most for value in self.axes]
        known = [each for each in most if each is not None]
        return min(known) if len(known) == len(most) else None


def read_hex(table: Table, key: str, longest: int) -> bytes:
    """Return bytes that a table gives in hexadecimal, as ``"A5 5A"``; none where the key is absent.

    Raises
    ------
    StrokeplaneError
        Of the table's kind: no hexadecimal digits, or too many.
    """
    text = table.text(key, default="")
    try:
        found = bytes.fromhex(text)
    except ValueError as error:
        raise table.error(f"{key} must be bytes in hexadecimal, as 'A5 5A', not {text!r:.60}") from error
    if len(found) > longest:
        raise table.error(f"{key} must be at most {longest} bytes, not {len(found)}")
    return found


def read_packet(table: Table) -> PacketLayout:
    """Read the ``[packet]`` table of a profile.

    Parameters
    ----------
    table : Table

    Returns
    -------
    PacketLayout

    Raises
    ------
    StrokeplaneError
        Of the table's kind: a key is missing, out of bounds, or two values share a byte.
    """
    size = table.integer("bytes", 12, MOST_BYTES)
    start = read_hex(table, "start", 8)
    if len(start) >= size:
        raise table.error(f"start has {len(start)} bytes, the whole packet {size}; check bytes")
    samples = table.integer("samples", 1, MOST_SAMPLES, default=1)
    every = table.integer("sample_bytes", 1, MOST_BYTES, default=1 if samples == 1 else None)
    order: Literal["little", "big"] = _order(table, "little")
    values = table.table("values")
    step = every if samples > 1 else 0
    axes = tuple(_read_value(values.table(name), step, order) for name in AXES)
    number, counts_packets = _read_number(values, order)
    stamp, stamp_of = _read_stamp(values, step, order)
    check = _read_sum(table, order) if table.has("sum") else None
    layout = PacketLayout(size, start, samples, axes, number, counts_packets, stamp, stamp_of, check)
    _check_room(table, layout)
    return layout


def _order(table: Table, usual: Literal["little", "big"]) -> Literal["little", "big"]:
    if not table.has("order"):
        return usual
    return "little" if table.choice("order", ORDERS) == "little" else "big"


def _read_value(table: Table, every: int, order: Literal["little", "big"]) -> Value:
    sign = table.integer("sign", -1, 1, default=1)
    if sign == 0:
        raise table.error("sign must be 1 or -1, not 0")
    return Value(
        at=table.integer("at", 0, MOST_BYTES),
        type=table.choice("type", TYPES),
        order=_order(table, order),
        sign=sign,
        every=table.integer("every", 1, MOST_BYTES, default=every) if every else 0,
    )


def _read_number(values: Table, order: Literal["little", "big"]) -> tuple[Value | None, bool]:
    if not values.has("n"):
        return None, False
    table = values.table("n")
    counts = table.choice("counts", ("samples", "packets"))
    return _unsigned(table, _read_value(table, 0, order)), counts == "packets"


def _read_stamp(values: Table, every: int, order: Literal["little", "big"]) -> tuple[Value | None, Stamped]:
    if not values.has("t"):
        return None, "first"
    table = values.table("t")
    of = next(word for word in STAMPED if word == table.choice("of", STAMPED))
    value = _read_value(table, every if of == "each" else 0, order)
    return (_unsigned(table, value) if value.type in INTEGERS else value), of


def _unsigned(table: Table, value: Value) -> Value:
    """Refuse a counter or clock that could be negative."""
    if value.type not in INTEGERS or INTEGERS[value.type][1] or value.sign != 1:
        raise table.error(f"type must be one of u8, u16, u24, u32, and sign 1, not {value.type} and {value.sign}")
    return value


def _read_sum(table: Table, order: Literal["little", "big"]) -> PacketSum:
    own = table.table("sum")
    kind = own.choice("kind", tuple(SUMS))
    at = own.integer("at", 1, MOST_BYTES)
    return PacketSum(kind, at, own.integer("from", 0, at - 1, default=0), _order(own, order))


def _check_room(table: Table, layout: PacketLayout) -> None:
    """Refuse values that lie outside the packet, or on one another."""
    taken = dict.fromkeys(range(len(layout.start)), "start")
    for name, value in _named(layout).items():
        several = layout.samples if name in AXES or (name == "t" and layout.stamp_of == "each") else 1
        for sample in range(several):
            first = value.at + sample * value.every
            _take(table, layout.size, taken, name, range(first, first + value.width))
    if layout.sum is not None:
        width = SUMS[layout.sum.kind][0]
        _take(table, layout.size, taken, "sum", range(layout.sum.at, layout.sum.at + width))


def _named(layout: PacketLayout) -> Mapping[str, Value]:
    more = {"n": layout.number, "t": layout.stamp}
    return dict(zip(AXES, layout.axes, strict=True)) | {name: v for name, v in more.items() if v is not None}


def _take(table: Table, size: int, taken: dict[int, str], name: str, places: range) -> None:
    if places.stop > size:
        raise table.error(f"{name} reaches to byte {places.stop}, the packet has {size}; check at, samples and bytes")
    for place in places:
        if place in taken:
            raise table.error(f"{name} and {taken[place]} share byte {place}; check at, type and sample_bytes")
        taken[place] = name


def _xor(data: bytes) -> int:
    found = 0
    for byte in data:
        found ^= byte
    return found


def as_count(value: float, decimals: int | None) -> int | None:
    """Return a value as whole counts; None for what is no number, or no whole one where it should be.

    Parameters
    ----------
    value : float
    decimals : int or None
        How many are kept; None where the value is counts already.
    """
    if not math.isfinite(value) or abs(value) > 1e12:
        return None
    if decimals is None:
        return int(value) if value == int(value) else None
    return round(value * 10.0**decimals)
