"""Three invented devices that send packets, and the profiles of ``docs/packets.md`` that describe them.

The devices are written from the page's words with ``struct``; they know nothing of the program's reader.
"""

from __future__ import annotations

import re
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logger.sources.device_profile import DeviceProfile, parse_profile

PAGE = Path(__file__).resolve().parents[3] / "docs" / "packets.md"


def profiles() -> dict[str, str]:
    """The page's profiles by name, as text."""
    texts = re.findall(r"^```toml\n(.*?)^```$", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    return {re.search(r'name = "(\w+)"', text)[1]: text for text in texts}  # type: ignore[index]


def profile(name: str) -> DeviceProfile:
    return parse_profile(profiles()[name], f"{name}.toml")


def crc_bitwise(data: bytes) -> int:
    """CRC-16/IBM-3740 bit by bit, as its definition has it."""
    found = 0xFFFF
    for byte in data:
        found ^= byte << 8
        for _ in range(8):
            found = ((found << 1) ^ 0x1021 if found & 0x8000 else found << 1) & 0xFFFF
    return found


def reedband(motion: np.ndarray, first: int) -> bytes:
    """Samples ``first`` to ``first + 4``; its clock runs 1 % fast."""
    rows = motion[np.arange(first, first + 5) % len(motion)]
    ms = int((first + 4) * 5 * 1.01) + 4_294_960_000
    return struct.pack("<HI", first // 5 % 65_536, ms % 2**32) + rows.astype("<i2").tobytes()


def kettlestick(motion: np.ndarray, first: int) -> bytes:
    ax, ay, az, gx, gy, gz = (int(v) for v in motion[first % len(motion)])
    body = struct.pack(">Ihhhhhh", (first * 2000 + 4_294_000_000) % 2**32, -gx, -gy, gz, -ax, -ay, az)
    return b"\xa5\x5a" + body + struct.pack(">H", crc_bitwise(body))


def pebbleclip(motion: np.ndarray, first: int) -> bytes:
    """The gyroscope's fractions are the motion's counts as 10 microradians a second."""
    rows = motion[np.arange(first, first + 4) % len(motion)]
    out = b"PB" + struct.pack("<I", first % 2**32)
    for axis in range(3):
        out += b"".join(struct.pack("<i", int(v))[:3] for v in rows[:, axis])
    for axis in range(3, 6):
        out += struct.pack("<4f", *(float(v) * 1e-5 for v in rows[:, axis]))
    return out


@dataclass(frozen=True)
class Device:
    """What a device sends."""

    name: str
    samples: int
    rate_hz: float
    packet: Callable[[np.ndarray, int], bytes]


DEVICES = {
    "reedband": Device("reedband", 5, 200.0, reedband),
    "kettlestick": Device("kettlestick", 1, 500.0, kettlestick),
    "pebbleclip": Device("pebbleclip", 4, 400.0, pebbleclip),
}


@dataclass
class PacketBoard:
    """One of them in real time, for the links; the same calls as those of :class:`tests.logger.sources.board.Board`."""

    device: Device
    motion: np.ndarray
    waits: bool = False
    running: bool = False
    heard: list[bytes] = field(default_factory=list)
    born_s: float = field(default_factory=time.monotonic)
    sent: int = 0

    def link(self, up: bool) -> None:
        """It does not care."""

    def take(self, data: bytes) -> bytes:
        if data:
            self.heard.append(data)
            self.running = data != b"\0"
        return b""

    def due(self, sending: bool = True) -> bytes:
        taken, out = int((time.monotonic() - self.born_s) * self.device.rate_hz), b""
        while taken - self.sent >= self.device.samples:
            if sending and (self.running or not self.waits):
                out += self.device.packet(self.motion, self.sent)
            self.sent += self.device.samples
        return out
