"""The golden vectors, against libraries that share no code with the host's reader."""

from __future__ import annotations

import json
import struct
import zlib
from typing import Any

import pytest
from cobs import cobs

from tests.firmware import vectors
from tests.firmware.project import FrameDecoder, FrameReader, Message, RawSamples, join_samples, load_profile, parse
from tests.firmware.project import parse_command as parse_order

DOCUMENT: dict[str, Any] = json.loads(vectors.FILE.read_text(encoding="ascii"))
FRAMES = DOCUMENT["frames"]


def test_the_file_is_what_the_host_would_write() -> None:
    assert vectors.FILE.read_text(encoding="ascii") == vectors.as_text(), "run python -m tests.firmware.vectors"


@pytest.mark.parametrize("row", FRAMES, ids=[row["name"] for row in FRAMES])
def test_frames_by_outside_libraries(row: dict[str, Any]) -> None:
    """COBS by the ``cobs`` package, the sum by zlib, the body by the types of PROTOCOL.md spelt out again here."""
    wire = bytes.fromhex(row["wire"])
    assert wire.index(0) == len(wire) - 1
    frame = cobs.decode(wire[:-1])
    payload, crc = frame[:-4], frame[-4:]
    assert zlib.crc32(payload) == int.from_bytes(crc, "little")
    assert struct.unpack_from("<BH", payload) == (TYPES[row["fields"]["type"]], row["number"])
    assert payload[3:] == body_of(row["fields"])


TYPES = {"Hello": 1, "SampleFrame": 2, "Battery": 3, "Status": 4, "Answer": 5}
TYPES |= {"Identify": 0x81, "Start": 0x82, "Stop": 0x83, "SetRate": 0x84, "SetRange": 0x85}


def body_of(f: dict[str, Any]) -> bytes:
    match f["type"]:
        case "Hello":
            body = struct.pack("<BBII", f["version"], f["tick_bits"], f["tick_hz"], int(f["rate_hz"] * 1000))
            body += struct.pack("<HHdd", *(f[k] for k in ("accel_range_g", "gyro_range_dps")), *scales(f))
            body += struct.pack("<bbbI", *f["axes"], f["boot"]) + bytes.fromhex(f["id"])
            return body + b"".join(bytes([len(f[k])]) + f[k].encode() for k in ("part", "firmware"))
        case "SampleFrame":
            body = struct.pack("<IIB", f["sample"], f["tick"], len(f["offsets"]))
            return body + b"".join(struct.pack("<H6h", o, *c) for o, c in zip(f["offsets"], f["counts"], strict=True))
        case "Battery":
            percent = 255 if f["percent"] is None else f["percent"]
            return struct.pack("<HBB", f["millivolts"], percent, f["charging"] + 2 * f["powered"])
        case "Status":
            centi = -32768 if f["temperature_degc"] is None else int(f["temperature_degc"] * 100)
            return struct.pack("<BIIIh", f["running"], f["tick"], f["missed"], f["bus_errors"], centi)
        case "Answer":
            return struct.pack("<BHB", f["command"], f["number"], f["result"])
        case "SetRate":
            return struct.pack("<I", int(f["rate_hz"] * 1000))
        case "SetRange":
            return struct.pack("<HH", f["accel_range_g"], f["gyro_range_dps"])
    return b""


def scales(f: dict[str, Any]) -> tuple[float, float]:
    return f["accel_g_per_count"], f["gyro_dps_per_count"]


@pytest.mark.parametrize("row", FRAMES, ids=[row["name"] for row in FRAMES])
def test_frames_by_the_hosts_reader(row: dict[str, Any]) -> None:
    (payload,) = FrameDecoder().feed(bytes.fromhex(row["wire"]))
    message: Message | None = parse(payload)
    if payload[0] >= 0x80:
        order = parse_order(payload)
        assert order is not None
        assert order[0] == row["number"]
        message = order[1]
    assert message is not None
    assert vectors.fields_of(message) == row["fields"]


@pytest.mark.parametrize("row", DOCUMENT["dropped"], ids=[row["why"] for row in DOCUMENT["dropped"]])
def test_dropped_by_the_hosts_reader(row: dict[str, str]) -> None:
    decoder = FrameDecoder()
    assert decoder.feed(bytes.fromhex(row["wire"])) == []
    assert decoder.damaged + decoder.overlong == 1
    assert len(decoder.feed(bytes.fromhex(FRAMES[0]["wire"]))) == 1


STREAMS = DOCUMENT["streams"]


@pytest.mark.parametrize("row", STREAMS, ids=[row["name"] for row in STREAMS])
def test_streams_by_the_hosts_reader(row: dict[str, Any]) -> None:
    reader = FrameReader(load_profile("frames"))
    items = [item for piece in row["pieces"] for item in reader.feed(bytes.fromhex(piece), 0.0)]
    got = join_samples([item for item in items if isinstance(item, RawSamples)])
    assert got.counts.tolist() == [sample[3:] for sample in row["samples"]]
    lives = [sample[0] for sample in row["samples"]]
    assert reader.losses.restarts == max(lives)
    for k in range(1, len(lives)):
        before, after = row["samples"][k - 1], row["samples"][k]
        steps = (int(got.sequence[k] - got.sequence[k - 1]), int(got.ticks[k] - got.ticks[k - 1]))
        if lives[k] == lives[k - 1]:
            assert steps == ((after[1] - before[1]) % 2**32, (after[2] - before[2]) % 2**32)
        else:
            assert min(steps) > 0
