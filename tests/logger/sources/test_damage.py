"""Damage on the way: nothing raises, nothing false is accepted, one frame later all is well again."""

from __future__ import annotations

import os

import numpy as np
import pytest

from logger.sources.device_profile import load_profile
from logger.sources.frame_reader import FrameReader
from logger.sources.packets import FrameDecoder, encode
from logger.sources.text_reader import TextReader
from tests.logger.sources.make import HELLO, random_counts, sample_frames, samples_of

PROFILE = load_profile("frames")


def read(data: bytes) -> tuple[FrameReader, object]:
    reader = FrameReader(PROFILE)
    return reader, samples_of(reader.feed(data, 0.0))


def assert_true_samples(samples: object, counts: np.ndarray) -> None:
    """Every accepted sample is one that was sent, under its own number and tick, each at most once."""
    sequence = samples.sequence  # type: ignore[attr-defined]
    assert (np.diff(sequence) > 0).all()
    np.testing.assert_array_equal(samples.counts, counts[sequence])  # type: ignore[attr-defined]
    np.testing.assert_array_equal(samples.ticks, sequence * 2500)  # type: ignore[attr-defined]


def stream_of(frames: int, seed: int = 0) -> tuple[np.ndarray, list[bytes]]:
    counts = random_counts(frames * 10, seed)
    return counts, sample_frames(counts)


def test_every_single_bit_flip() -> None:
    """Every bit of two neighbouring frames, in a stream of six: at most the frames it touches are missing."""
    counts, frames = stream_of(6)
    start = encode(HELLO, 0)
    head, body, tail = start + b"".join(frames[:2]), b"".join(frames[2:4]), b"".join(frames[4:])
    for bit in range(len(body) * 8):
        damaged = bytearray(body)
        damaged[bit // 8] ^= 1 << bit % 8
        _, samples = read(head + bytes(damaged) + tail)
        assert_true_samples(samples, counts)
        missing = 60 - len(samples.sequence)  # type: ignore[attr-defined]
        # A flipped delimiter costs both its neighbours, and the one before the next block too where it is the last.
        assert 0 < missing <= 20
        assert {50, 59} <= set(samples.sequence.tolist())  # type: ignore[attr-defined]


@pytest.mark.parametrize("kind", ["cut", "insertion", "duplication", "burst"])
def test_sampled_damage(kind: str) -> None:
    """Cuts, insertions, repeated stretches and bursts at random places: true samples only, the rest counted."""
    rng = np.random.default_rng(5)
    counts, frames = stream_of(40, 3)
    body, ends = b"".join(frames), np.cumsum([len(frame) for frame in frames])
    for _ in range(400):
        at, size = int(rng.integers(0, len(body))), int(rng.integers(1, 500))
        if kind == "cut":
            damaged = body[:at] + body[at + size :]
        elif kind == "insertion":
            damaged = body[:at] + rng.bytes(size) + body[at:]
        elif kind == "duplication":
            damaged = body[: at + size] + body[at:]
        else:
            damaged = body[:at] + rng.bytes(min(size, len(body) - at)) + body[at + size :]
        reader, samples = read(encode(HELLO, 0) + damaged)
        assert_true_samples(samples, counts)
        # The frames that the damage touches and one more on either side.
        first, last = np.searchsorted(ends, [at, at + (0 if kind == "duplication" else size)], side="right")
        if kind == "insertion":
            last = first
        touched = set(range((int(first) - 1) * 10, (int(last) + 2) * 10))
        missing = set(range(400)) - set(samples.sequence.tolist())  # type: ignore[attr-defined]
        assert missing <= touched
        inside = {n for n in missing if n < samples.sequence[-1]}  # type: ignore[attr-defined]
        if samples.sequence[0] == 0:  # type: ignore[attr-defined]
            assert reader.losses.damaged + reader.losses.device == len(inside)


def test_random_bytes_short() -> None:
    random_bytes(1_000_000)


@pytest.mark.soak
def test_random_bytes_long() -> None:
    random_bytes(10_000_000)


def random_bytes(size: int) -> None:
    """Noise: no exception, no message, memory bounded; then the first good frames are read at once."""
    rng = np.random.default_rng(1)
    reader, decoder = FrameReader(PROFILE), FrameDecoder()
    for start in range(0, size, 65536):
        noise = rng.bytes(min(65536, size - start))
        assert reader.feed(noise, 0.0) == []
        decoder.feed(noise)
        assert decoder.buffered_bytes <= 251
    assert reader.hello is None
    counts, frames = stream_of(2)
    samples = samples_of(reader.feed(b"\0" + encode(HELLO, 0) + b"".join(frames), 0.0))
    np.testing.assert_array_equal(samples.counts, counts)


def test_zero_and_endless_streams_stay_bounded() -> None:
    decoder = FrameDecoder()
    assert decoder.feed(bytes(100_000)) == []
    assert decoder.feed(b"\1" * 100_000) == []
    assert decoder.overlong == 1
    assert decoder.buffered_bytes == 0


def test_random_bytes_as_text() -> None:
    """Noise through the text reader: no exception and, as it has no checksum, no line that looks like a sample."""
    reader = TextReader(load_profile("mpu6050"))
    rng = np.random.default_rng(2)
    items = [item for _ in range(16) for item in reader.feed(rng.bytes(65536), 0.0)]
    assert len(samples_of(items).ticks) == 0
    assert reader.losses.unread > 100


def test_boot_messages_before_the_first_frame() -> None:
    """What an interpreter prints at power-up costs nothing, as the device starts with a delimiter."""
    counts, frames = stream_of(3)
    noise = b"MicroPython on a small board\r\nType help()\r\n>>> " + os.linesep.encode()
    _, samples = read(noise + b"\0" + encode(HELLO, 0) + b"".join(frames))
    np.testing.assert_array_equal(samples.counts, counts)  # type: ignore[attr-defined]
