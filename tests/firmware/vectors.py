"""The golden vectors of the protocol: made here from the host's code, kept in firmware_docs/conformance/vectors.json.

``python -m tests.firmware.vectors`` writes the file anew. The tests hold it against libraries that share no code with
the host's (``cobs``, ``zlib``), and the C core against it.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from cobs import cobs

from tests.firmware.project import (
    Answer,
    Battery,
    Hello,
    Identify,
    Message,
    SampleFrame,
    SetRange,
    SetRate,
    Start,
    Status,
    Stop,
    encode,
)

FILE = Path(__file__).parents[2] / "firmware_docs" / "conformance" / "vectors.json"

HELLO = Hello(
    tick_bits=32,
    tick_hz=1_000_000,
    rate_hz=500.0,
    accel_range_g=8,
    gyro_range_dps=2000,
    accel_g_per_count=1 / 4096,
    gyro_dps_per_count=10 / 164,
    axes=(2, -1, 3),
    boot=0x00C0FFEE,
    id="0011220000334455",
    part="invented part",
    firmware="vectors 1",
)
LONG_NAMES = replace(HELLO, part="p" * 32, firmware="f" * 32, axes=(-3, 2, 1), tick_bits=16)
NO_NAMES = replace(HELLO, part="", firmware="", boot=0)

PERIOD_TICKS = 2000


def frame(first: int, n: int, seed: int, period_ticks: int = PERIOD_TICKS) -> SampleFrame:
    """``n`` samples from number ``first`` on, at the ticks of a clock that started with number 0."""
    counts = np.random.default_rng(seed).integers(-32768, 32768, (n, 6), dtype=np.int16)
    offsets = (np.arange(n) * period_ticks).astype(np.uint16)
    return SampleFrame(first % 2**32, first * period_ticks % 2**32, offsets, counts)


ZEROS = SampleFrame(0, 0, np.zeros(1, dtype=np.uint16), np.zeros((1, 6), dtype=np.int16))
ONES = SampleFrame(2**32 - 16, 2**32 - 1, np.arange(16, dtype=np.uint16), np.full((16, 6), -1, np.int16))
MESSAGES: list[tuple[str, int, Message]] = [
    ("hello", 0, HELLO),
    ("hello with names of 32 characters, ticks of 16 bits", 1, LONG_NAMES),
    ("hello without names, boot 0", 2, NO_NAMES),
    ("one sample of zeros", 0, ZEROS),
    ("16 samples without a zero in their counts, the number about to wrap", 65535, ONES),
    ("16 samples of noise", 256, frame(1000, 16, 1)),
    ("5 samples of noise", 257, frame(1016, 5, 2)),
    ("battery", 3, Battery(3912, 81, False, True)),
    ("battery, percent unknown", 4, Battery(4200, None, True, True)),
    ("status", 5, Status(True, 123_456_789, 7, 2, 31.25)),
    ("status, idle, temperature unknown", 6, Status(False, 0, 0, 0, None)),
    ("status, temperature below zero", 7, Status(False, 2**32 - 1, 2**32 - 1, 0, -12.5)),
    ("answer: done", 8, Answer(0x82, 14, 0)),
    ("answer: value not possible", 9, Answer(0x84, 65535, 2)),
    ("identify", 0, Identify()),
    ("start", 1, Start()),
    ("stop", 0, Stop()),
    ("rate of 1000 samples a second", 2, SetRate(1000.0)),
    ("range of 16 g and 1000 degrees a second", 3, SetRange(16, 1000)),
]


def document() -> dict[str, Any]:
    """Return the whole file as plain data."""
    frames = [
        {"name": name, "wire": encode(message, number).hex(), "number": number, "fields": fields_of(message)}
        for name, number, message in MESSAGES
    ]
    return {
        "about": "Golden vectors of the strokeplane wire protocol, version 1; see README.md beside this file.",
        "frames": frames,
        "dropped": dropped(),
        "streams": [stream(*one) for one in streams()],
    }


def fields_of(message: Message) -> dict[str, Any]:
    """A message's fields as plain data, its type first."""
    fields: dict[str, Any] = {"type": type(message).__name__}
    for name, value in asdict(message).items():
        fields[name] = np.asarray(value).tolist() if isinstance(value, np.ndarray | tuple) else value
    return fields


def dropped() -> list[dict[str, str]]:
    """Wire frames that a reader must drop, each for one reason."""
    good = encode(frame(0, 3, 3), 4)
    bad_crc = bytes([*good[:-2], good[-2] ^ 1 or 2, 0])
    return [
        {"why": "the CRC is wrong", "wire": bad_crc.hex()},
        {"why": "a COBS code points beyond the frame", "wire": (b"\xf0" + good[1:]).hex()},
        {"why": "shorter than a header and a CRC", "wire": "0301020200"},
        {"why": "longer than 250 bytes", "wire": (b"\x01" * 300 + b"\0").hex()},
        {"why": "cut short", "wire": (good[:20] + b"\0").hex()},
    ]


def streams() -> list[tuple[str, list[bytes], list[tuple[int, SampleFrame]]]]:
    """What a reader must make of whole streams: name, pieces as they arrive, frames it must hand on with their boot."""
    a, b, c = frame(0, 16, 10), frame(16, 16, 11), frame(32, 16, 12)
    again, hello = replace(HELLO, boot=77), encode(HELLO, 0)
    whole = [b"\0" + hello, encode(a, 1), encode(b, 2), encode(c, 3)]
    run = b"".join(whole)
    late = frame(500, 16, 13)
    new_a, new_b = frame(0, 16, 14), frame(16, 16, 15)
    wrap = [frame(2**32 - 16, 16, 16), frame(0, 16, 17)]
    wrap[1] = replace(wrap[1], tick=(wrap[0].tick + 16 * PERIOD_TICKS) % 2**32)
    damaged = bytearray(encode(b, 2))
    damaged[40] ^= 0x10 if damaged[40] != 0x10 else 0x20
    reboot = [b"\0" + encode(again, 0), encode(new_a, 1), encode(new_b, 2)]
    status = encode(Status(True, 1, 0, 0, None), 9)
    return [
        ("frames in order", whole, [(0, a), (0, b), (0, c)]),
        ("the same, byte by byte", [run[i : i + 1] for i in range(len(run))], [(0, a), (0, b), (0, c)]),
        ("the same in notifications of 20 bytes", cut(run, 20), [(0, a), (0, b), (0, c)]),
        ("the same in one piece", [run], [(0, a), (0, b), (0, c)]),
        ("joined in the middle of a frame", [encode(a, 0)[100:], *whole], [(0, a), (0, b), (0, c)]),
        ("boot messages of the board before", [b"boot: invented loader 1.0\r\n", *whole], [(0, a), (0, b), (0, c)]),
        ("a damaged frame", [*whole[:2], bytes(damaged), whole[3]], [(0, a), (0, c)]),
        ("a frame that was broken off, then 00", [*whole[:2], whole[2][:50], b"\0", whole[3]], [(0, a), (0, c)]),
        ("a repeated frame", [*whole[:3], whole[2], whole[3]], [(0, a), (0, b), (0, c)]),
        ("a frame of a type to come", [whole[0], unknown_type(), *whole[1:]], [(0, a), (0, b), (0, c)]),
        ("number and tick wrap", [hello, encode(wrap[0], 1), encode(wrap[1], 2)], [(0, wrap[0]), (0, wrap[1])]),
        ("stop and start again: the same count goes on", [*whole[:2], status, encode(late, 4)], [(0, a), (0, late)]),
        ("reboot: another boot, the count from 0", [*whole[:3], *reboot], [(0, a), (0, b), (1, new_a), (1, new_b)]),
        ("reboot within a frame", [*whole[:2], whole[2][:70], *reboot], [(0, a), (1, new_a), (1, new_b)]),
    ]


def unknown_type() -> bytes:
    """A sound frame of type 7F, which no version knows yet."""
    payload = b"\x7f\x00\x00\x00new"
    wire: bytes = cobs.encode(payload + zlib.crc32(payload).to_bytes(4, "little"))
    return wire + b"\0"


def cut(data: bytes, room: int) -> list[bytes]:
    """Pieces of at most ``room`` bytes."""
    return [data[at : at + room] for at in range(0, len(data), room)]


def stream(name: str, pieces: list[bytes], frames: list[tuple[int, SampleFrame]]) -> dict[str, Any]:
    """A stream as plain data: each sample as life, number, tick and counts in the marked axes (2, -1, 3)."""
    samples = []
    for life, one in frames:
        for k, (offset, counts) in enumerate(zip(one.offsets.tolist(), one.counts.tolist(), strict=True)):
            ax, ay, az, gx, gy, gz = counts
            marked = [ay, -ax, az, gy, -gx, gz]
            samples.append([life, (one.sample + k) % 2**32, (one.tick + offset) % 2**32, *marked])
    return {"name": name, "pieces": [piece.hex() for piece in pieces], "samples": samples}


def as_text() -> str:
    """The file's text, one entry a line."""
    whole = document()
    lines = [f'{{\n"about": {json.dumps(whole["about"])}']
    for key in ("frames", "dropped", "streams"):
        rows = ",\n".join(json.dumps(row) for row in whole[key])
        lines.append(f'"{key}": [\n{rows}\n]')
    return ",\n".join(lines) + "\n}\n"


if __name__ == "__main__":
    FILE.write_text(as_text(), encoding="ascii")
