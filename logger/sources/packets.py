"""Bytes to messages and back: the wire protocol of ``firmware_docs/PROTOCOL.md``, without I/O.

Nothing here raises on bad bytes: what cannot be a frame is dropped and counted, memory stays bounded, and the decoder
is in step again after the next delimiter.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from logger.sources.messages import (
    PROTOCOL_VERSION,
    RESULTS,
    Answer,
    Battery,
    Command,
    DeviceMessage,
    Hello,
    Identify,
    Message,
    SampleFrame,
    SetRange,
    SetRate,
    Start,
    Status,
    Stop,
)

MAX_FRAME_BYTES = 250
"""Payload and CRC, before COBS."""
MIN_FRAME_BYTES = 7
MAX_WIRE_BYTES = MAX_FRAME_BYTES + 1
"""After COBS (one code byte suffices below 255), without the delimiter."""
MAX_SAMPLES = 16
TEMPERATURE_UNKNOWN = -32768
STOP_CODE = 0x83
MIN_SCALE, MAX_SCALE = 1e-7, 1.0
"""Bounds of g or deg/s in one count."""

_HEADER = struct.Struct("<BH")
_CRC = struct.Struct("<I")
_HELLO = struct.Struct("<BBIIHHdd3bI8s")
_SAMPLES = struct.Struct("<IIB")
_RECORD = np.dtype([("offset", "<u2"), ("counts", "<i2", (6,))])
_BATTERY = struct.Struct("<HBB")
_STATUS = struct.Struct("<BIIIh")
_ANSWER = struct.Struct("<BHB")
_RATE = struct.Struct("<I")
_RANGE = struct.Struct("<HH")


class FrameDecoder:
    """Cut a byte stream into payloads whose CRC is right.

    Attributes
    ----------
    frames, damaged, overlong : int
        Good frames; frames with a wrong COBS code, CRC or length; stretches too long to be a frame.
    """

    def __init__(self) -> None:
        self.frames = 0
        self.damaged = 0
        self.overlong = 0
        self._partial = b""
        self._skipping = False

    @property
    def buffered_bytes(self) -> int:
        """Bytes kept for the next call, at most :data:`MAX_WIRE_BYTES`."""
        return len(self._partial)

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes and return the payloads that they complete."""
        *whole, rest = data.split(b"\0")
        payloads = []
        for piece in whole:
            if self._skipping:  # The tail of a stretch that was already counted as too long.
                self._skipping = False
                continue
            wire = self._partial + piece
            self._partial = b""
            if not wire:
                continue
            payload = self._open(wire)
            if payload is not None:
                payloads.append(payload)
        if not self._skipping:
            self._partial += rest[: MAX_WIRE_BYTES + 1]
            if len(self._partial) > MAX_WIRE_BYTES:
                self._partial = b""
                self._skipping = True
                self.overlong += 1
        return payloads

    def _open(self, wire: bytes) -> bytes | None:
        if len(wire) > MAX_WIRE_BYTES:
            self.overlong += 1
            return None
        try:
            frame: bytes = cobs.decode(wire)
        except cobs.DecodeError:
            self.damaged += 1
            return None
        if len(frame) < MIN_FRAME_BYTES or zlib.crc32(frame[:-4]) != _CRC.unpack(frame[-4:])[0]:
            self.damaged += 1
            return None
        self.frames += 1
        return frame[:-4]


def parse(payload: bytes) -> DeviceMessage | None:
    """Read a device's payload; None if its type is unknown or its contents are out of bounds."""
    parser = _PARSERS.get(payload[0]) if len(payload) >= _HEADER.size else None
    return None if parser is None else parser(payload[_HEADER.size :])


def parse_command(payload: bytes) -> tuple[int, Command] | None:
    """Read a host's payload: its frame number and command; None if it is not a whole known command."""
    if len(payload) < _HEADER.size:
        return None
    kind, number = _HEADER.unpack_from(payload)
    body = payload[_HEADER.size :]
    plain: dict[int, Command] = {0x81: Identify(), 0x82: Start(), STOP_CODE: Stop()}
    if kind in plain and not body:
        return number, plain[kind]
    if kind == 0x84 and len(body) == _RATE.size:
        return number, SetRate(_RATE.unpack(body)[0] / 1000.0)
    if kind == 0x85 and len(body) == _RANGE.size:
        return number, SetRange(*_RANGE.unpack(body))
    return None


def encode(message: Message, number: int) -> bytes:
    """Return one wire frame, delimiter included.

    Parameters
    ----------
    message : Message
    number : int
        Of the frame; its lower 16 bits are sent.

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        If a field does not fit the protocol; the sender is wrong, not the user.
    """
    kind, body = _encode_body(message)
    payload = _HEADER.pack(kind, number & 0xFFFF) + body
    frame = payload + _CRC.pack(zlib.crc32(payload))
    if len(frame) > MAX_FRAME_BYTES:
        raise ValueError(f"a frame holds at most {MAX_FRAME_BYTES} bytes, this one would have {len(frame)}")
    return bytes(cobs.encode(frame)) + b"\0"


def _encode_body(message: Message) -> tuple[int, bytes]:
    match message:
        case SampleFrame():
            if not 1 <= len(message.offsets) <= MAX_SAMPLES:
                raise ValueError(f"a frame holds 1 to {MAX_SAMPLES} samples, not {len(message.offsets)}")
            records = np.empty(len(message.offsets), _RECORD)
            records["offset"] = message.offsets
            records["counts"] = message.counts
            return 0x02, _SAMPLES.pack(message.sample, message.tick, len(records)) + records.tobytes()
        case Hello():
            return 0x01, _encode_hello(message)
        case Battery():
            percent = 255 if message.percent is None else message.percent
            return 0x03, _BATTERY.pack(message.millivolts, percent, message.charging | message.powered << 1)
        case Status():
            t = message.temperature_degc
            centi = TEMPERATURE_UNKNOWN if t is None else round(t * 100.0)
            return 0x04, _STATUS.pack(message.running, message.tick, message.missed, message.bus_errors, centi)
        case Answer():
            return 0x05, _ANSWER.pack(message.command, message.number, message.result)
        case Identify():
            return 0x81, b""
        case Start():
            return 0x82, b""
        case Stop():
            return STOP_CODE, b""
        case SetRate():
            return 0x84, _RATE.pack(round(message.rate_hz * 1000.0))
        case SetRange():
            return 0x85, _RANGE.pack(message.accel_range_g, message.gyro_range_dps)


def _encode_hello(hello: Hello) -> bytes:
    fixed = _HELLO.pack(
        hello.version,
        hello.tick_bits,
        hello.tick_hz,
        round(hello.rate_hz * 1000.0),
        hello.accel_range_g,
        hello.gyro_range_dps,
        hello.accel_g_per_count,
        hello.gyro_dps_per_count,
        *hello.axes,
        hello.boot,
        bytes.fromhex(hello.id),
    )
    names = (name.encode("ascii") for name in (hello.part, hello.firmware))
    return fixed + b"".join(bytes([len(name)]) + name for name in names)


def _parse_samples(body: bytes) -> SampleFrame | None:
    if len(body) < _SAMPLES.size:
        return None
    sample, tick, n = _SAMPLES.unpack_from(body)
    if not 1 <= n <= MAX_SAMPLES or len(body) != _SAMPLES.size + n * _RECORD.itemsize:
        return None
    records = np.frombuffer(body, _RECORD, offset=_SAMPLES.size)
    offsets = records["offset"]
    if offsets[0] != 0 or (offsets[1:] < offsets[:-1]).any():
        return None
    return SampleFrame(sample, tick, offsets, records["counts"])


def _parse_hello(body: bytes) -> Hello | None:
    if len(body) < _HELLO.size + 2:
        return None
    (version, tick_bits, tick_hz, rate_mhz, accel_range, gyro_range, accel_scale, gyro_scale, *rest) = (
        _HELLO.unpack_from(body)
    )
    axes = (rest[0], rest[1], rest[2])
    names = _parse_names(body[_HELLO.size :])
    in_bounds = (
        version == PROTOCOL_VERSION
        and 16 <= tick_bits <= 32
        and 1_000 <= tick_hz <= 100_000_000
        and 1_000 <= rate_mhz <= 8_000_000
        and 1 <= accel_range <= 400
        and 1 <= gyro_range <= 8000
        and MIN_SCALE <= accel_scale <= MAX_SCALE
        and MIN_SCALE <= gyro_scale <= MAX_SCALE
        and is_proper_axes(axes)
    )
    # A later version may lay the rest out differently: only the number itself is then known, which the host reports.
    if names is None or not in_bounds:
        return None
    ranges = (accel_range, gyro_range, accel_scale, gyro_scale)
    return Hello(tick_bits, tick_hz, rate_mhz / 1000.0, *ranges, axes, rest[3], rest[4].hex(), *names, version)


def newer_version(payload: bytes) -> int | None:
    """Return the protocol version of a hello that this program does not speak, else None."""
    if len(payload) > _HEADER.size and payload[0] == 0x01 and payload[_HEADER.size] != PROTOCOL_VERSION:
        return payload[_HEADER.size]
    return None


def is_proper_axes(axes: tuple[int, int, int]) -> bool:
    """Tell whether these axis marks are a rotation: each axis once, determinant +1."""
    if sorted(abs(axis) for axis in axes) != [1, 2, 3]:
        return False
    return bool(np.linalg.det(axes_matrix(axes)) > 0.0)


def axes_matrix(axes: tuple[int, int, int]) -> NDArray[np.int32]:
    """Return the matrix (3, 3) that turns part axes into marked axes."""
    matrix = np.zeros((3, 3), np.int32)
    for row, axis in enumerate(axes):
        matrix[row, abs(axis) - 1] = 1 if axis > 0 else -1
    return matrix


def _parse_names(body: bytes) -> tuple[str, str] | None:
    names = []
    for _ in range(2):
        if not body or body[0] > 32 or len(body) < 1 + body[0]:
            return None
        name, body = body[1 : 1 + body[0]], body[1 + body[0] :]
        if not all(0x20 <= byte <= 0x7E for byte in name):
            return None
        names.append(name.decode("ascii"))
    return None if body else (names[0], names[1])


def _parse_battery(body: bytes) -> Battery | None:
    if len(body) != _BATTERY.size:
        return None
    millivolts, percent, flags = _BATTERY.unpack(body)
    if (percent > 100 and percent != 255) or flags > 3:
        return None
    return Battery(millivolts, None if percent == 255 else percent, bool(flags & 1), bool(flags & 2))


def _parse_status(body: bytes) -> Status | None:
    if len(body) != _STATUS.size or body[0] > 1:
        return None
    running, tick, missed, bus_errors, centi = _STATUS.unpack(body)
    return Status(bool(running), tick, missed, bus_errors, None if centi == TEMPERATURE_UNKNOWN else centi / 100.0)


def _parse_answer(body: bytes) -> Answer | None:
    if len(body) != _ANSWER.size or body[-1] >= len(RESULTS):
        return None
    return Answer(*_ANSWER.unpack(body))


_PARSERS: dict[int, Callable[[bytes], DeviceMessage | None]] = {
    0x01: _parse_hello,
    0x02: _parse_samples,
    0x03: _parse_battery,
    0x04: _parse_status,
    0x05: _parse_answer,
}
