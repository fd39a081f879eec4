"""Frames to samples: numbers and ticks unwrapped, axes as marked, restarts placed in time, losses by cause."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.device_profile import load_profile
from logger.sources.frame_reader import FrameReader
from logger.sources.messages import Battery, SampleFrame
from logger.sources.packets import encode
from logger.sources.stream import DeviceInfo
from tests.logger.sources.make import HELLO, random_counts, sample_frames, samples_of


def new_reader() -> FrameReader:
    return FrameReader(load_profile("frames"))


def feed_timed(reader: FrameReader, frames: list[bytes], start_s: float, step_s: float = 0.025) -> list[object]:
    return [item for i, frame in enumerate(frames) for item in reader.feed(frame, start_s + i * step_s)]


def test_exact_counts_ticks_numbers() -> None:
    counts = random_counts(95)
    items = new_reader().feed(encode(HELLO, 0) + b"".join(sample_frames(counts)), 5.0)
    assert isinstance(items[0], DeviceInfo)
    samples = samples_of(items)
    np.testing.assert_array_equal(samples.counts, counts)
    np.testing.assert_array_equal(samples.sequence, np.arange(95))
    np.testing.assert_array_equal(samples.ticks, np.arange(95) * 2500)
    assert (samples.host_time_s == 5.0).all()


def test_hello_fills_the_profile() -> None:
    (info,) = new_reader().feed(encode(HELLO, 0), 0.0)
    assert isinstance(info, DeviceInfo)
    sensor = info.profile.sensor
    assert sensor.accel_mps2_per_count == pytest.approx(9.80665 / 4096)
    assert np.degrees(sensor.gyro_radps_per_count) == pytest.approx(1 / 16.4)
    assert (sensor.rate_hz, sensor.tick_hz, sensor.tick_bits, sensor.part) == (400.0, 1e6, 32, "MPU-6050")
    assert (sensor.accel_clip_counts, sensor.gyro_clip_counts) == (32767, 32767)


def test_samples_before_the_hello_are_kept() -> None:
    counts, reader = random_counts(40), new_reader()
    assert feed_timed(reader, sample_frames(counts), 0.0) == []
    samples = samples_of(reader.feed(encode(HELLO, 0), 0.2))
    np.testing.assert_array_equal(samples.counts, counts)
    np.testing.assert_allclose(np.unique(samples.host_time_s), [0.0, 0.025, 0.05, 0.075])


def test_axis_marks_turn_both_triads() -> None:
    counts, reader = random_counts(10), new_reader()
    hello = replace(HELLO, axes=(2, -1, 3))
    samples = samples_of(reader.feed(encode(hello, 0) + sample_frames(counts)[0], 0.0))
    x, y, z = (counts[:, i].astype(np.int32) for i in range(3))
    np.testing.assert_array_equal(samples.counts[:, :3], np.column_stack([y, -x, z]))
    np.testing.assert_array_equal(samples.counts[:, 4], -counts[:, 3].astype(np.int32))


@pytest.mark.parametrize("tick_bits", [16, 24, 32])
def test_wraps_of_clock_and_number(tick_bits: int) -> None:
    """A clock of any width, across number and tick wraps, and across a gap of many wraps of the short one."""
    period, first = 2500 if tick_bits > 16 else 82, 2**32 - 500  # 82 ticks: a 32 768 Hz clock at 400 samples a second
    hello = replace(HELLO, tick_bits=tick_bits, tick_hz=32_768 if tick_bits == 16 else 1_000_000)
    counts = random_counts(3000)
    frames = [
        encode(
            SampleFrame(
                (first + at) % 2**32,
                (first + at) * period % 2**tick_bits,
                (np.arange(10) * period).astype(np.uint16),
                counts[at : at + 10],
            ),
            at,
        )
        for at in range(0, 3000, 10)
    ]
    reader = new_reader()
    samples = samples_of(reader.feed(encode(hello, 0) + b"".join(frames[:60] + frames[250:]), 0.0))
    expected = np.r_[0:600, 2500:3000]
    np.testing.assert_array_equal(samples.sequence - samples.sequence[0], expected)
    np.testing.assert_array_equal(samples.ticks - samples.ticks[0], expected * period)
    np.testing.assert_array_equal(samples.counts, counts[expected])


def test_short_clock_stays_right_over_a_long_gap_at_two_percent_rate_error() -> None:
    """A 16-bit clock that wraps each 2 s, 2 % off its nominal rate, across a gap of 100 s: learnt, not nominal."""
    period, counts = 80.36, random_counts(50_000)  # nominal 81.92
    ticks = np.round(np.arange(50_000) * period).astype(np.int64)
    hello = replace(HELLO, tick_bits=16, tick_hz=32_768)
    stream = encode(hello, 0)
    for at in [*range(0, 5000, 10), *range(45_000, 50_000, 10)]:
        t = ticks[at : at + 10]
        stream += encode(SampleFrame(at, int(t[0]) % 2**16, (t - t[0]).astype(np.uint16), counts[at : at + 10]), at)
    samples = samples_of(new_reader().feed(stream, 0.0))
    np.testing.assert_array_equal(samples.ticks, ticks[samples.sequence])


def test_losses_by_cause() -> None:
    counts, reader = random_counts(200), new_reader()
    frames = sample_frames(counts)
    reader.feed(encode(HELLO, 0) + frames[0] + frames[2], 0.0)  # frame 1 never came
    assert reader.losses.device == 10
    broken = bytearray(frames[3])
    broken[20] ^= 1
    reader.feed(bytes(broken) + frames[4], 0.0)
    assert reader.losses.damaged == 10
    reader.link_lost()
    reader.feed(encode(HELLO, 0) + frames[9], 1.0)
    assert reader.losses.link == 40
    reader.feed(frames[9] + frames[8], 1.0)
    assert reader.losses.repeated == 20
    assert reader.losses.samples == 60
    reader.feed(encode(Battery(3700, 80, False, False), 0) + encode(HELLO, 0)[:10] + b"\0" + frames[10], 1.0)
    assert reader.losses.samples == 60, "damage that cost no sample is no loss"


@pytest.mark.parametrize("announced", [True, False])
def test_a_restarted_device_goes_on_at_the_host_s_time(announced: bool) -> None:
    """A device that lost power counts from 0 again: its gap is the host's, its losses are counted."""
    counts, reader = random_counts(8000), new_reader()
    # A frame's last sample is taken 22.5 ms after its first, and arrives 3 ms later.
    feed_timed(reader, [encode(HELLO, 0), *sample_frames(counts[:4000])], 100.0 - 0.025 + 0.0255)
    if announced:
        reader.link_lost()
    hello = [encode(replace(HELLO, boot=99), 0)] if announced else []
    samples = samples_of(feed_timed(reader, hello + sample_frames(counts[4000:]), 113.0 + 0.0255 - 0.025 * announced))  # type: ignore[arg-type]
    # The last sample before was taken at 109.9975 s (4000 samples at 400 Hz from 100 s), the first after at 113 s.
    gap_s = (samples.ticks[0] - 3999 * 2500) / 1e6
    assert gap_s == pytest.approx(113.0 - 109.9975, abs=0.020)
    assert samples.sequence[0] - 3999 == pytest.approx(gap_s * 400, abs=1)
    np.testing.assert_array_equal(np.diff(samples.ticks), 2500)
    np.testing.assert_array_equal(samples.counts, counts[4000:])
    assert reader.losses.restarts == 1
    assert (reader.losses.link if announced else reader.losses.device) == samples.sequence[0] - 4000


def test_newer_protocol_is_a_clear_error() -> None:
    with pytest.raises(DeviceError, match=r"version 2 of the wire protocol.*update strokeplane"):
        new_reader().feed(encode(replace(HELLO, version=2), 0), 0.0)


def test_frames_with_absurd_numbers_never_overflow() -> None:
    """A device gone mad, its checksums right: no exception, numbers and ticks still rise."""
    rng = np.random.default_rng(0)
    reader, last = new_reader(), -1
    reader.feed(encode(replace(HELLO, tick_hz=100_000_000, rate_hz=1.0), 0), 0.0)
    for i in range(3000):
        frame = SampleFrame(
            int(rng.integers(2**32)), int(rng.integers(2**32)), np.zeros(1, np.uint16), random_counts(1)
        )
        for item in reader.feed(encode(frame, i), i * 0.01):
            assert isinstance(item, RawSamples)
            assert item.sequence[0] > last
            last = int(item.sequence[-1])
