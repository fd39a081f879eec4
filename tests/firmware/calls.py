"""Calls to the core, as the script that ``desk/desk.c`` plays."""

from __future__ import annotations

import struct

import numpy as np

from tests.firmware.project import Hello, Message, encode


def begin(hello: Hello, accel: tuple[int, int], gyro: tuple[int, int], deaf: bool = False) -> bytes:
    """Power-up with what this hello says; the scales as numerator and denominator."""
    fixed = struct.pack("<BIIHH", hello.tick_bits, hello.tick_hz, round(hello.rate_hz * 1000), *ranges(hello))
    fixed += struct.pack("<4I3bI", *accel, *gyro, *hello.axes, hello.boot) + bytes.fromhex(hello.id)
    names = b"".join(bytes([len(name)]) + name.encode("ascii") for name in (hello.part, hello.firmware))
    return b"B" + fixed + names + bytes([deaf])


def ranges(hello: Hello) -> tuple[int, int]:
    return hello.accel_range_g, hello.gyro_range_dps


def sample(tick: int, counts: np.ndarray) -> bytes:
    return b"S" + struct.pack("<I6h", tick % 2**32, *counts.tolist())


def samples(ticks: np.ndarray, counts: np.ndarray) -> bytes:
    return b"".join(sample(int(tick), row) for tick, row in zip(ticks, counts, strict=True))


def skip(n: int) -> bytes:
    return b"K" + struct.pack("<I", n)


def hear(data: bytes) -> bytes:
    return b"R" + struct.pack("<H", len(data)) + data


def command(message: Message, number: int = 0) -> bytes:
    return hear(encode(message, number))


def poll(tick: int) -> bytes:
    return b"P" + struct.pack("<I", tick % 2**32)


def battery(millivolts: int, percent: int, powered: bool = False) -> bytes:
    return b"V" + struct.pack("<HBB", millivolts, percent, 3 if powered else 0)


def link(room: int = 0, takes: bool = True) -> bytes:
    return b"W" + struct.pack("<HB", room, takes)


def health(bus_errors: int, centidegrees: int) -> bytes:
    return b"E" + struct.pack("<Ih", bus_errors, centidegrees)


LINK_LOST = b"L"
