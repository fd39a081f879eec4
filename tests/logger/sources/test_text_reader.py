"""Lines of numbers: units, separators, counters, clocks, and everything that is no sample."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.sources.device_profile import DeviceProfile, load_profile, parse_profile
from logger.sources.text_reader import TextReader
from tests.logger.sources.make import random_counts, samples_of

COUNTED = """
schema = 1
name = "counted"
format = "text"
rate_hz = 100
[text]
separator = "semicolon"
columns = ["n", "t", "skip", "ax", "ay", "az", "gx", "gy", "gz"]
counter_bits = 8
[clock]
tick_hz = 1000
bits = 16
[accel]
unit = "g"
range = 16
[gyro]
unit = "rad/s"
decimals = 4
"""


def counted() -> DeviceProfile:
    return parse_profile(COUNTED, "test")


def test_raw_counts_are_exact() -> None:
    counts = random_counts(500)
    lines = "junk,cut\n" + "".join(f"{i * 2500}," + ",".join(map(str, c)) + "\r\n" for i, c in enumerate(counts))
    reader = TextReader(load_profile("mpu6050"))
    samples = samples_of(reader.feed(lines.encode(), 1.0))
    np.testing.assert_array_equal(samples.counts, counts)
    np.testing.assert_array_equal(samples.ticks, np.arange(500) * 2500)
    assert reader.losses.unread == 0


def test_any_cut_gives_the_same_samples() -> None:
    text = b"x\n" + b"".join(b"%d,1,2,3,4,5,%d\n" % (i * 2500, i) for i in range(50))
    whole = samples_of(TextReader(load_profile("mpu6050")).feed(text, 0.0))
    reader = TextReader(load_profile("mpu6050"))
    cut = samples_of([item for i in range(len(text)) for item in reader.feed(text[i : i + 1], 0.0)])
    np.testing.assert_array_equal(cut.counts, whole.counts)
    np.testing.assert_array_equal(cut.ticks, whole.ticks)
    assert len(whole.ticks) == 50


def test_physical_units_counter_and_short_clock() -> None:
    profile, reader = counted(), TextReader(counted())
    lines = [f"{i % 256};{(60_000 + 10 * i) % 65_536};ok;0.5;-1;0.000001;1.25;-.5;3e-2" for i in range(600) if i != 300]
    samples = samples_of(
        [x for i, line in enumerate(["?", *lines]) for x in reader.feed(line.encode() + b"\n", i / 100)]
    )
    np.testing.assert_array_equal(samples.sequence, np.r_[0:300, 301:600])
    np.testing.assert_array_equal(samples.ticks, 60_000 + 10 * samples.sequence)
    assert reader.losses.device == 1
    accel = samples.counts[0, :3] * profile.sensor.accel_mps2_per_count
    np.testing.assert_allclose(accel, np.array([0.5, -1.0, 1e-6]) * 9.80665, rtol=1e-12)
    np.testing.assert_allclose(samples.counts[0, 3:] * profile.sensor.gyro_radps_per_count, [1.25, -0.5, 0.03])


def test_repeated_lines_are_kept_once() -> None:
    reader = TextReader(counted())
    line = b"%d;%d;-;0;0;1;0;0;0\n"
    stream = b"?\n" + b"".join(line % (i, 10 * i) * (2 if i == 5 else 1) for i in range(10))
    assert samples_of(reader.feed(stream, 0.0)).sequence.tolist() == list(range(10))
    assert reader.losses.repeated == 1


def test_without_a_clock_the_arrival_is_the_time() -> None:
    reader = TextReader(load_profile("text-si"))
    items = [x for i in range(20) for x in reader.feed(b"0\t0\t9.80665\t1\t2\t3\n", 1000.0 + i / 100)]
    samples = samples_of(items)
    np.testing.assert_allclose(np.diff(samples.ticks), 10_000)
    assert samples.counts[0].tolist() == [0, 0, 9_806_650, 1_000_000, 2_000_000, 3_000_000]


def test_a_restarted_sketch_goes_on_at_the_host_s_time() -> None:
    reader = TextReader(load_profile("mpu6050"))
    line = b"%d,0,0,4096,0,0,0\n"
    first = [
        x for i in range(400) for x in reader.feed((b"?\n" if i == 0 else b"") + line % (9_000_000 + i * 2500), i / 400)
    ]
    reader.link_lost()
    reader.feed(b"half a li", 4.0)
    again = [x for i in range(400) for x in reader.feed(b"ne\n" * (i == 0) + line % (i * 2500), 4.0 + i / 400)]
    gap_s = (samples_of(again).ticks[0] - samples_of(first).ticks[-1]) / 1e6
    assert gap_s == pytest.approx(4.0 - 399 / 400, abs=0.02)
    assert reader.losses.restarts == 1


@pytest.mark.parametrize(
    "line",
    [
        "0,1,2,3,4,5",
        "0,1,2,3,4,5,6,7",
        "0,1,2,3,4,5,",
        "0,1,2,3,4,5,nan",
        "0,1,2,3,4,5,inf",
        "0,1,2,3,4,5,0x10",
        "0,1,2,3,4,5,1_000",
        "0,1,2,3,4,5,6 7",
        "0,1,2,3,4,5,32769",
        "0,1,2,3,4,5,1.5",
        "-1,1,2,3,4,5,6",
        "4294967296,1,2,3,4,5,6",
        "0,1,2,3,4,5,٣",
        "ax,ay,az,gx,gy,gz,t",
    ],
)
def test_what_is_no_sample(line: str) -> None:
    reader = TextReader(load_profile("mpu6050"))
    samples = samples_of(reader.feed(b"\n" + line.encode() + b"\n", 0.0))
    assert len(samples.ticks) == 0
    assert reader.losses.unread == 1


def test_a_line_cut_at_the_start_is_no_sample() -> None:
    """A line that lost its first bytes looks like a sample: the first one after the link came up is dropped."""
    reader = TextReader(load_profile("mpu6050"))
    assert samples_of(reader.feed(b"50,1,2,3,4,5,6\n2500,1,2,3,4,5,6\n", 0.0)).ticks.tolist() == [2500]


def test_endless_line_is_bounded() -> None:
    reader = TextReader(load_profile("mpu6050"))
    for _ in range(100):
        reader.feed(b"1" * 1000, 0.0)
    assert len(reader._partial) <= 512
    assert samples_of(reader.feed(b"1\n2500,1,2,3,4,5,6\n", 0.0)).ticks.tolist() == [2500]


@given(st.binary(max_size=400))
def test_any_bytes(data: bytes) -> None:
    for name in ("mpu6050", "text-si"):
        reader = TextReader(load_profile(name))
        for i in range(3):
            reader.feed(data, float(i))
