"""Packets of the page's three invented devices: every number in its place, nothing false whatever happens to them."""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings
from logger.sources.binary_reader import BinaryReader
from logger.sources.device_profile import parse_profile
from logger.sources.open_source import open_source
from logger.sources.packet_layout import SUMS
from tests.logger.sources.board import PtyBoard
from tests.logger.sources.make import random_counts, samples_of
from tests.logger.sources.packet_devices import DEVICES, PacketBoard, crc_bitwise, profile, profiles
from tests.logger.sources.test_serial import Taker, running
from tests.patience import wait_for

MOTION = random_counts(400, 3)
NAMES = list(DEVICES)


def packets(name: str, count: int, first: int = 0) -> list[bytes]:
    device = DEVICES[name]
    return [device.packet(MOTION, first + k * device.samples) for k in range(count)]


def read(name: str, pieces: list[bytes], gap_s: float = 0.0) -> tuple[BinaryReader, object]:
    """Feed pieces as they would arrive."""
    reader, device = BinaryReader(profile(name)), DEVICES[name]
    every_s = device.samples / device.rate_hz
    items = [item for k, piece in enumerate(pieces) for item in reader.feed(piece, k * every_s + gap_s)]
    return reader, samples_of(items)


@pytest.mark.parametrize("name", NAMES)
def test_every_number_comes_out_as_it_was_taken(name: str) -> None:
    device = DEVICES[name]
    reader, samples = read(name, packets(name, 300))
    sure = 300 if name != "pebbleclip" else 299  # without a sum the last one waits for the next
    assert len(samples.sequence) == sure * device.samples
    np.testing.assert_array_equal(samples.sequence, np.arange(len(samples.sequence)))
    np.testing.assert_array_equal(samples.counts, MOTION[samples.sequence % len(MOTION)])
    assert reader.losses.unread == reader.losses.samples == 0


def test_counts_mean_what_the_page_says() -> None:
    """2048 counts a g, 16.4 a degree a second; three bytes and fractions as they are."""
    g, dps = 9.80665, np.pi / 180
    assert profile("reedband").sensor.accel_mps2_per_count == pytest.approx(g / 2048)
    assert profile("kettlestick").sensor.gyro_radps_per_count == pytest.approx(dps / 16.4)
    assert profile("pebbleclip").sensor.accel_mps2_per_count == pytest.approx(1.0)
    assert profile("pebbleclip").sensor.gyro_radps_per_count == pytest.approx(1e-5)
    assert profile("pebbleclip").ble.notify == "00002a37-0000-1000-8000-00805f9b34fb"


def test_several_samples_between_two_stamps_are_spread_at_the_rate_that_the_stamps_show() -> None:
    """The band's clock is 1 % fast and wraps: after a while its steps are 5.05 ms, to within its millisecond."""
    _, samples = read("reedband", packets("reedband", 2000))
    late = samples.ticks[5000:]
    expected = np.arange(len(late)) * 5.05
    assert np.abs(late - late[0] - expected).max() <= 2.0
    assert (np.diff(samples.ticks) > 0).all()


def test_a_counter_is_a_clock_where_there_is_no_other() -> None:
    _, samples = read("pebbleclip", packets("pebbleclip", 50))
    np.testing.assert_array_equal(samples.ticks, samples.sequence)
    assert profile("pebbleclip").sensor.tick_hz == 400.0


@pytest.mark.parametrize("name", ["kettlestick", "pebbleclip"])
@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.integers(1, 97), min_size=1, max_size=40), junk=st.binary(max_size=60))
def test_however_the_stream_is_cut_the_samples_are_the_same(name: str, cuts: list[int], junk: bytes) -> None:
    stream, pieces = junk + b"".join(packets(name, 30)), []
    while stream:
        size = cuts[len(pieces) % len(cuts)]
        pieces.append(stream[:size])
        stream = stream[size:]
    reader = BinaryReader(profile(name))
    samples = samples_of([item for piece in pieces for item in reader.feed(piece, 0.0)])
    at = samples.sequence % len(MOTION) if name == "pebbleclip" else (samples.ticks - 4_294_000_000) // 2000
    np.testing.assert_array_equal(samples.counts, MOTION[at])
    assert len(samples.sequence) >= 29 * DEVICES[name].samples - 8


def test_a_bit_that_was_changed_costs_one_packet_and_never_makes_a_sample() -> None:
    whole = b"".join(packets("kettlestick", 6))
    for bit in range(40 * 8, 60 * 8):  # of the third packet
        bent = bytearray(whole)
        bent[bit // 8] ^= 1 << bit % 8
        reader, samples = read("kettlestick", [bytes(bent)])
        at = (samples.ticks - 4_294_000_000) // 2000
        np.testing.assert_array_equal(at, [0, 1, 3, 4, 5])
        np.testing.assert_array_equal(samples.counts, MOTION[at])
        assert reader.losses.unread >= 1


@pytest.mark.parametrize("gone", [1, 2, 7, 45, 89, 91])
def test_bytes_lost_on_the_way_cost_packets_and_never_make_a_sample(gone: int) -> None:
    """No checksum: what is known of a packet is where the next one begins. A loss of exactly its length is not seen."""
    whole = b"".join(packets("pebbleclip", 12))
    for at in range(180, 360, 7):
        reader, samples = read("pebbleclip", [whole[:at] + whole[at + gone :]])
        np.testing.assert_array_equal(samples.counts, MOTION[samples.sequence % len(MOTION)])
        assert len(samples.sequence) >= 4 * (12 - 4)
        assert reader.losses.damaged == reader.losses.samples > 0


def test_losses_repetitions_and_a_restart_are_counted() -> None:
    sent = packets("reedband", 40)
    reader, samples = read("reedband", [*sent[:10], *sent[14:20], sent[19], *sent[20:]])
    assert reader.losses.device == 20
    assert reader.losses.repeated == 5
    np.testing.assert_array_equal(samples.sequence, np.r_[0:50, 70:200])
    assert (np.diff(samples.ticks) > 0).all()


def test_a_notification_that_is_no_whole_packet_is_left_out() -> None:
    sent = packets("reedband", 4)
    reader, samples = read("reedband", [sent[0], sent[1][:40], sent[2] + sent[3]])
    np.testing.assert_array_equal(samples.sequence, np.r_[0:5, 10:20])
    assert (reader.losses.unread, reader.losses.damaged) == (1, 5)


@pytest.mark.parametrize("bad", [b"\0\0\xc0\x7f", b"\0\0\x80\x7f", b"\0\0\0\x50"])
def test_what_is_no_reading_is_left_out(bad: bytes) -> None:
    """Not a number, infinity, far beyond the full scale."""
    sent = packets("pebbleclip", 4)
    bent = sent[1][:42] + bad + sent[1][46:]
    reader, samples = read("pebbleclip", [sent[0], bent, sent[2], sent[3]])
    assert reader.losses.unread == 1
    np.testing.assert_array_equal(samples.sequence, np.r_[0:4, 8:12])


def test_checksums_against_others() -> None:
    """Check value of CRC-16/IBM-3740 over 123456789: 29B1; of CRC-32: CBF43926 (published catalogues of CRCs)."""
    assert SUMS["crc16"][1](b"123456789") == 0x29B1 == crc_bitwise(b"123456789")
    assert SUMS["crc32"][1](b"123456789") == 0xCBF43926 == zlib.crc32(b"123456789")
    assert SUMS["sum8"][1](bytes([200, 100, 7])) == 307 - 256
    assert SUMS["xor8"][1](b"\x0f\xf0\x01") == 0xFE


BAND = profiles()["reedband"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("bytes = 66", "bytes = 60", r"\[packet\]: gx reaches to byte 62, the packet has 60"),
        ("bytes = 66", "bytes = 6000", "bytes must be a whole number from 12 to 512"),
        ("at = 8,", "at = 7,", "ay and ax share byte 7"),
        ("sample_bytes = 12 ", "sample_bytes = 10 ", "share byte"),
        ("sample_bytes = 12 ", "#", "sample_bytes is missing"),
        ('"i16" }\nay', '"i12" }\nay', "type must be one of i8, i16"),
        ('counts = "packets"', 'counts = "beats"', "counts must be one of samples, packets"),
        ('type = "u32", of', 'type = "i32", of', "type must be one of u8"),
        ('of = "last"', 'of = "middle"', "of must be one of first, last, each"),
        ('start = "01"', 'start = "1g"', "start must be bytes in hexadecimal"),
        ("samples = 5", 'samples = 5\nsum = { kind = "crc99", at = 60 }', "kind must be one of sum8"),
        ("samples = 5", 'samples = 5\nsum = { kind = "sum8", at = 65 }', "sum and gz share byte 65"),
        ("samples = 5", "samples = 5\ncolour = 3", "key 'colour' is not known"),
        ('ax = { at = 6, type = "i16" }', "", r"\[ax\] must be a table|ax is missing"),
        ('ax = { at = 6, type = "i16" }', "ax = 6", r"\[ax\] must be a table"),
        ("tick_hz = 1000", "", "tick_hz is missing"),
        ('notify = "3f2a0002', 'notify = "zf2a0002', "notify must be a UUID"),
        ('at = 6, type = "i16"', 'at = 6, type = "i16", sign = 0', "sign must be 1 or -1"),
    ],
)
def test_each_mistake_is_one_clear_sentence(old: str, new: str, said: str) -> None:
    assert old in BAND
    with pytest.raises(DeviceError, match=said):
        parse_profile(BAND.replace(old, new, 1), "mine.toml")


def test_fractions_are_no_counts() -> None:
    text = profiles()["pebbleclip"].replace('unit = "rad/s"', 'unit = "counts"')
    with pytest.raises(DeviceError, match="name their unit"):
        parse_profile(text, "mine.toml")


def test_by_cable_from_end_to_end(tmp_path: object) -> None:
    board = PacketBoard(DEVICES["kettlestick"], MOTION)
    device = PtyBoard(board, f"{tmp_path}/port")  # type: ignore[arg-type]
    taker = Taker()
    try:
        source = open_source(device.port, profile("kettlestick"), LinkSettings(ready_s=10.0))
        with running(source, taker):
            wait_for(lambda: len(taker.samples.sequence) > 400)
    finally:
        device.close()
    at = (taker.samples.ticks - 4_294_000_000) // 2000
    np.testing.assert_array_equal(taker.samples.counts, MOTION[at % len(MOTION)])
    assert (np.diff(at) == 1).all()


def test_a_cable_needs_to_know_where_a_packet_begins() -> None:
    with pytest.raises(DeviceError, match=r"does not say where a packet begins.*\[packet\] start"):
        open_source("/dev/none", profile("reedband"))


def test_bytes_of_something_else_are_said_to_be(tmp_path: object) -> None:
    board = PacketBoard(DEVICES["pebbleclip"], MOTION)
    device = PtyBoard(board, f"{tmp_path}/port")  # type: ignore[arg-type]
    try:
        with pytest.raises(DeviceError, match=r"no packet of 20 bytes that begins with A5 5A.*baud"):
            open_source(device.port, profile("kettlestick"), LinkSettings(ready_s=0.6)).start(Taker())
    finally:
        device.close()
