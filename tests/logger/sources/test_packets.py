"""The wire protocol: published check values, round trips, bounds, damage."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from logger.sources.messages import Answer, Battery, Identify, SampleFrame, SetRange, SetRate, Start, Status, Stop
from logger.sources.packets import (
    MAX_WIRE_BYTES,
    FrameDecoder,
    encode,
    is_proper_axes,
    newer_version,
    parse,
    parse_command,
)
from tests.logger.sources.make import HELLO, random_counts, sample_frames


def decode_all(data: bytes) -> list[bytes]:
    return FrameDecoder().feed(data)


def test_crc_check_value() -> None:
    # CRC-32 (ISO-HDLC) check value of the catalogue of parametrised CRC algorithms.
    assert zlib.crc32(b"123456789") == 0xCBF43926


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        ("00", "0101"),
        ("0000", "010101"),
        ("11220033", "0311220233"),
        ("11000000", "0211010101"),
        (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
        (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
    ],
)
def test_cobs_examples(plain: str, stuffed: str) -> None:
    # Cheshire & Baker 1999, IEEE/ACM Trans. Networking 7(2), worked by hand from its rules.
    assert cobs.encode(bytes.fromhex(plain)).hex() == stuffed
    assert cobs.decode(bytes.fromhex(stuffed)).hex() == plain


def test_written_example_of_the_specification() -> None:
    assert encode(Stop(), 0) == bytes.fromhex("02 83 01 05 CB 7C 32 1C 00")


@pytest.mark.parametrize(
    "message",
    [
        HELLO,
        replace(HELLO, axes=(2, -1, 3), part="", firmware="x" * 32, tick_bits=16, rate_hz=1000.0),
        Battery(3712, 55, True, False),
        Battery(3712, None, False, True),
        Status(True, 123456, 7, 2, 31.25),
        Status(False, 0, 0, 0, None),
        Answer(0x84, 65535, 2),
    ],
)
def test_round_trip(message: object) -> None:
    payloads = decode_all(encode(message, 77))  # type: ignore[arg-type]
    assert [parse(p) for p in payloads] == [message]


@pytest.mark.parametrize("command", [Identify(), Start(), Stop(), SetRate(416.667), SetRange(8, 2000)])
def test_command_round_trip(command: object) -> None:
    payloads = decode_all(encode(command, 300))  # type: ignore[arg-type]
    assert [parse_command(p) for p in payloads] == [(300, command)]
    assert parse(payloads[0]) is None, "a host's command is nothing that a device says"


@given(st.integers(1, 16), st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1), st.integers(0, 2**31))
def test_samples_round_trip(n: int, sample: int, tick: int, seed: int) -> None:
    counts = random_counts(n, seed)
    offsets = np.sort(np.random.default_rng(seed).integers(0, 65536, n)).astype(np.uint16)
    offsets[0] = 0
    (payload,) = decode_all(encode(SampleFrame(sample, tick, offsets, counts), 1))
    frame = parse(payload)
    assert isinstance(frame, SampleFrame)
    assert (frame.sample, frame.tick) == (sample, tick)
    np.testing.assert_array_equal(frame.offsets, offsets)
    np.testing.assert_array_equal(frame.counts, counts)


def test_no_frame_is_longer_than_the_bound() -> None:
    (frame,) = sample_frames(random_counts(16), per_frame=16)
    assert len(frame) <= MAX_WIRE_BYTES + 1
    with pytest.raises(ValueError, match="1 to 16"):
        encode(SampleFrame(0, 0, np.zeros(17, np.uint16), random_counts(17)), 0)


@given(st.lists(st.binary(max_size=300), max_size=20), st.lists(st.integers(1, 40), max_size=50))
def test_any_bytes_any_cut_same_result(pieces: list[bytes], cuts: list[int]) -> None:
    """However a stream is cut into reads, the same frames come out; and nothing ever raises."""
    good = sample_frames(random_counts(30))
    stream = b"".join(g + p + b"\0" for g, p in zip(good * 7, pieces, strict=False)) + good[0]
    whole = FrameDecoder()
    expected = whole.feed(stream)
    cut = FrameDecoder()
    got, at = [], 0
    for size in [*cuts, len(stream)]:
        got += cut.feed(stream[at : at + size])
        at += size
        assert cut.buffered_bytes <= MAX_WIRE_BYTES
    assert got == expected
    assert (cut.frames, cut.damaged, cut.overlong) == (whole.frames, whole.damaged, whole.overlong)


@pytest.mark.parametrize(
    "change",
    [
        {"tick_bits": 15},
        {"tick_bits": 33},
        {"tick_hz": 999},
        {"rate_hz": 0.5},
        {"accel_range_g": 0},
        {"gyro_range_dps": 8001},
        {"accel_g_per_count": float("nan")},
        {"gyro_dps_per_count": 0.0},
        {"gyro_dps_per_count": float("inf")},
        {"accel_g_per_count": 5e-324},
        {"axes": (1, 2, -3)},
        {"axes": (1, 1, 3)},
        {"axes": (0, 2, 3)},
    ],
)
def test_hello_out_of_bounds_is_refused(change: dict[str, object]) -> None:
    (payload,) = decode_all(encode(replace(HELLO, **change), 0))  # type: ignore[arg-type]
    assert parse(payload) is None


def test_bodies_of_a_wrong_length_are_refused() -> None:
    messages = [HELLO, Battery(3700, 50, False, False), Status(True, 1, 0, 0, None), Answer(0x81, 1, 0)]
    payloads = [decode_all(encode(m, 0))[0] for m in messages] + decode_all(sample_frames(random_counts(3))[0])
    for payload in payloads:
        assert parse(payload) is not None
        assert parse(payload + b"\1") is None
        for end in range(len(payload)):
            assert parse(payload[:end]) is None


def test_falling_offsets_are_refused() -> None:
    for offsets in ([0, 5, 4], [1, 2, 3]):
        frame = SampleFrame(0, 0, np.array(offsets, np.uint16), random_counts(3))
        assert parse(decode_all(encode(frame, 0))[0]) is None


def test_newer_version_is_recognised_whatever_follows() -> None:
    assert newer_version(bytes([1, 0, 0, 2]) + b"anything") == 2
    assert newer_version(decode_all(encode(HELLO, 0))[0]) is None


def test_proper_axes_are_the_24_rotations() -> None:
    signed = [-3, -2, -1, 1, 2, 3]
    proper = [(a, b, c) for a in signed for b in signed for c in signed if is_proper_axes((a, b, c))]
    assert len(proper) == 24  # the rotation group of the cube
