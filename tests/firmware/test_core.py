"""The C core against the golden vectors and the host's reader: on this computer with sanitizers, and on a Cortex-M4.

The Cortex-M4 is emulated (qemu-system-arm, board mps2-an386), its files reached by semihosting.
"""

from __future__ import annotations

import json
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs

from tests.firmware import calls, vectors
from tests.firmware.compilers import Desk
from tests.firmware.project import (
    Answer,
    Battery,
    DeviceInfo,
    FrameReader,
    Identify,
    Item,
    Message,
    RawSamples,
    SampleFrame,
    SetRange,
    SetRate,
    Start,
    Status,
    Stop,
    encode,
    join_samples,
    load_profile,
)

HELLO = vectors.HELLO
POWER_UP = calls.begin(HELLO, (1, 4096), (10, 164))
RUNNING = POWER_UP + calls.command(Start(), 1)
WIRE = {row["name"]: bytes.fromhex(row["wire"]) for row in json.loads(vectors.FILE.read_text())["frames"]}


def read(writes: list[bytes]) -> tuple[list[Item], FrameReader]:
    reader = FrameReader(load_profile("frames"))
    return [item for write in writes for item in reader.feed(write, 0.0)], reader


def samples_of(items: list[Item]) -> RawSamples:
    return join_samples([item for item in items if isinstance(item, RawSamples)])


def frame_calls(frame: SampleFrame) -> bytes:
    return calls.samples(frame.tick + frame.offsets.astype(np.int64), frame.counts)


def test_golden_frames(desk: Desk, folder: Path) -> None:
    """Byte for byte what the vectors say, the first behind the 00 that ends whatever came before."""
    for name, message, rest in [
        ("hello", HELLO, (False,)),
        ("hello with names of 32 characters, ticks of 16 bits", vectors.LONG_NAMES, (False,)),
        ("hello without names, boot 0", vectors.NO_NAMES, (False,)),
    ]:
        writes, _ = desk.play(calls.begin(message, (1, 4096), (10, 164), *rest), folder)
        number = next(n for which, n, _ in vectors.MESSAGES if which == name)
        assert writes == [b"\0" + encode(message, 0)]
        if number == 0:
            assert writes == [b"\0" + WIRE[name]]
    script = POWER_UP + calls.command(Start(), 0) + calls.samples(np.zeros(1), np.zeros((1, 6), np.int16))
    script += calls.battery(3912, 81) + calls.battery(4200, 255, powered=True) + calls.health(2, 3125)
    script += calls.poll(123_000_000) + calls.poll(124_000_000)
    writes, _ = desk.play(script, folder)
    assert writes[1:] == [
        encode(Answer(0x82, 0, 0), 1),
        encode(vectors.ZEROS, 2),
        encode(Battery(3912, 81, False, False), 3),
        encode(Battery(4200, None, True, True), 4),
        encode(Status(True, 124_000_000, 0, 2, 31.25), 5),
    ]


def test_golden_samples_where_numbers_wrap(desk: Desk, folder: Path) -> None:
    script = RUNNING + calls.skip(2**32 - 16)
    script += calls.samples(np.arange(2**32 - 1, 2**32 + 15), np.full((16, 6), -1, np.int16))
    writes, counters = desk.play(script, folder)
    assert writes[2] == encode(vectors.ONES, 2)
    assert counters["next"] == 0
    noise = vectors.frame(1000, 16, 1)
    writes, _ = desk.play(RUNNING + calls.skip(1000) + frame_calls(noise), folder)
    assert writes[2] == encode(noise, 2)
    assert writes[2][3:] != WIRE["16 samples of noise"][3:]  # Only frame number and sum differ:
    assert encode(noise, 256) == WIRE["16 samples of noise"]


@pytest.mark.parametrize("room", [0, 20, 182, 244])
def test_frames_span_notifications(desk: Desk, folder: Path, room: int) -> None:
    """Cut into notifications of any size, the host's reader gets every sample once."""
    counts = np.random.default_rng(20).integers(-32768, 32768, (400, 6), dtype=np.int16)
    ticks = np.cumsum(np.random.default_rng(21).integers(900, 1100, 400))
    script = calls.link(0) + POWER_UP + calls.link(room) + calls.command(Start(), 1)
    script += b"".join(calls.sample(int(t), c) + calls.poll(int(t)) for t, c in zip(ticks, counts, strict=True))
    writes, _ = desk.play(script + calls.poll(int(ticks[-1]) + 25_000), folder)
    assert max(map(len, writes[1:])) <= (room or 252)
    items, reader = read(writes)
    got = samples_of(items)
    np.testing.assert_array_equal(got.counts, np.array([marked(row) for row in counts]))
    np.testing.assert_array_equal(got.ticks - got.ticks[0], ticks - ticks[0])
    np.testing.assert_array_equal(np.diff(got.sequence), 1)
    assert reader.losses.samples == 0


def marked(row: np.ndarray) -> list[int]:
    """The part's counts in the axes (2, -1, 3) of the board."""
    ax, ay, az, gx, gy, gz = row.tolist()
    return [ay, -ax, az, gy, -gx, gz]


def test_when_frames_are_sent(desk: Desk, folder: Path) -> None:
    """Full, 25 ms old, before a gap, and where an offset would not fit or would fall."""
    row = np.zeros((1, 6), np.int16)

    def at(*ticks: int) -> bytes:
        return b"".join(calls.sample(tick, row[0]) + calls.poll(tick) for tick in ticks)

    for what, script, sizes in [
        ("full", at(*range(0, 20_000, 1000)) + calls.poll(20_000), [16]),
        ("25 ms", at(0, 10_000) + calls.poll(24_999) + calls.poll(25_000) + at(26_000), [2]),
        ("a gap", at(0, 1000) + calls.skip(3) + at(5000) + calls.poll(40_000), [2, 1]),
        ("far apart", calls.sample(0, row[0]) + calls.sample(65_536, row[0]) + calls.poll(200_000), [1, 1]),
        ("just near enough", calls.sample(0, row[0]) + calls.sample(65_535, row[0]) + calls.poll(200_000), [2]),
        ("a clock that falls", at(2000, 3000, 2500) + calls.poll(40_000), [2, 1]),
        ("a tick ahead of the poll", at(5000) + calls.poll(4000) + calls.poll(30_000), [1]),
    ]:
        writes, _ = desk.play(RUNNING + script, folder)
        frames = [w for w in writes[2:] if len(w) > 25]
        assert [(len(w) - 18) // 14 for w in frames] == sizes, what


def test_ticks_of_16_bits(desk: Desk, folder: Path) -> None:
    """A clock that wraps every 65 ms: seconds are still counted, and the host unwraps the ticks."""
    ticks = np.arange(0, 2_500_000, 2000)
    counts = np.random.default_rng(5).integers(-32768, 32768, (len(ticks), 6), dtype=np.int16)
    hello = vectors.LONG_NAMES
    script = calls.begin(hello, (1, 4096), (10, 164)) + calls.command(Start())
    script += b"".join(calls.sample(int(t), c) + calls.poll(int(t)) for t, c in zip(ticks, counts, strict=True))
    items, _ = read(desk.play(script, folder)[0])
    got = samples_of(items)
    np.testing.assert_array_equal(got.ticks - got.ticks[0], ticks[: len(got.ticks)])
    assert sum(isinstance(item, Status) for item in items) == 2


def test_commands(desk: Desk, folder: Path) -> None:
    script = POWER_UP
    messages: list[Message] = [
        Identify(),
        SetRate(1000.0),
        SetRate(1000.0),
        SetRate(123.0),
        SetRange(16, 1000),
        SetRange(3, 1000),
        Start(),
        SetRate(500.0),
        SetRange(16, 1000),
        Start(),
        Stop(),
        Stop(),
    ]
    for number, message in enumerate(messages):
        script += calls.command(message, number)
    items, _ = read(desk.play(script, folder)[0])
    results = [(item.number, item.result) for item in items if isinstance(item, Answer)]
    assert results == list(enumerate([0, 0, 0, 2, 0, 2, 0, 3, 3, 0, 0, 0]))
    hellos = [item.hello for item in items if isinstance(item, DeviceInfo) and item.hello is not None]
    assert [(h.rate_hz, h.accel_range_g, h.boot - HELLO.boot) for h in hellos] == [
        (500.0, 8, 0),
        (1000.0, 8, 1),  # A new rate starts a new count; the same rate again does not.
        (1000.0, 16, 1),
    ]
    assert hellos[-1].gyro_dps_per_count == 10 / 328
    assert hellos[-1].accel_g_per_count == 1 / 2048


def test_a_new_rate_counts_from_nothing(desk: Desk, folder: Path) -> None:
    row = np.zeros(6, np.int16)
    script = POWER_UP + calls.skip(50) + calls.command(SetRate(1000.0)) + calls.command(Start())
    writes, _ = desk.play(script + calls.sample(0, row) + calls.poll(25_000), folder)
    assert encode(SampleFrame(0, 0, np.zeros(1, np.uint16), np.zeros((1, 6), np.int16)), 4) == writes[-1]


def test_resume_goes_on_counting(desk: Desk, folder: Path) -> None:
    """Between stop and start the count and the clock go on: the gap is as long as the pause."""
    counts = np.arange(600, dtype=np.int16).reshape(100, 6)
    script = RUNNING + calls.samples(np.arange(30) * 2000, counts[:30]) + calls.command(Stop(), 2)
    script += calls.samples(np.arange(30, 60) * 2000, counts[30:60]) + calls.command(Start(), 3)
    script += calls.samples(np.arange(60, 76) * 2000, counts[60:76])
    items, reader = read(desk.play(script, folder)[0])
    got = samples_of(items)
    assert (got.sequence - got.sequence[0]).tolist() == [*range(30), *range(60, 76)]
    np.testing.assert_array_equal(got.ticks - got.ticks[0], (got.sequence - got.sequence[0]) * 2000)
    assert reader.losses.restarts == 0


def test_noise_is_dropped_and_the_next_command_answered(desk: Desk, folder: Path) -> None:
    damaged = [bytes.fromhex(row["wire"]) for row in vectors.dropped()]
    short_rate = wire_of(b"\x84\x09\x00" + b"\x01\x02")
    echo = encode(Answer(0x82, 1, 0), 7)
    unknown = wire_of(b"\xc0\x08\x00what")
    script = POWER_UP + b"".join(map(calls.hear, damaged)) + calls.hear(short_rate) + calls.hear(echo)
    script += calls.hear(b"\0\0" + b"\x55" * 1000 + b"\0") + calls.hear(unknown)
    script += calls.hear(encode(Identify(), 3) + encode(Stop(), 4))
    items, _ = read((played := desk.play(script, folder))[0])
    assert [item for item in items if isinstance(item, Answer)] == [
        Answer(0xC0, 8, 1),
        Answer(0x81, 3, 0),
        Answer(0x83, 4, 0),
    ]
    assert played[1]["refused"] == len(damaged) + 2


def wire_of(payload: bytes) -> bytes:
    """A frame around any payload, by the outside libraries."""
    framed: bytes = cobs.encode(payload + zlib.crc32(payload).to_bytes(4, "little"))
    return framed + b"\0"


def test_link_away_and_back(desk: Desk, folder: Path) -> None:
    """Frames that the link did not take are counted as missed; the next frame starts with 00; the numbers say so."""
    counts = np.arange(600, dtype=np.int16).reshape(100, 6)
    script = RUNNING + calls.samples(np.arange(16) * 2000, counts[:16]) + calls.link(takes=False)
    script += calls.samples(np.arange(16, 48) * 2000, counts[16:48]) + calls.LINK_LOST + calls.link(takes=True)
    script += calls.samples(np.arange(48, 64) * 2000, counts[48:64])
    writes, counters = desk.play(script, folder)
    assert counters["missed"] == 32
    assert writes[-1][0] == 0
    got = samples_of(read(writes)[0])
    assert (got.sequence - got.sequence[0]).tolist() == [*range(16), *range(48, 64)]


def test_a_frame_broken_off_costs_only_itself(native: Desk, folder: Path) -> None:
    """The radio's buffers are full in the middle of a frame."""
    counts = np.arange(600, dtype=np.int16).reshape(100, 6)
    script = RUNNING + calls.link(100) + calls.samples(np.arange(48) * 2000, counts[:48])
    writes, _ = native.play(script, folder)
    place = max(i for i, w in enumerate(writes[:-3]) if len(w) == 100)
    items, _ = read([*writes[: place + 1], b"\0", *writes[-3:]])
    numbers = samples_of(items).sequence
    assert len(numbers) == 32


def test_a_board_that_cannot_receive(desk: Desk, folder: Path) -> None:
    script = calls.begin(HELLO, (1, 4096), (10, 164), deaf=True)
    rows = np.arange(600, dtype=np.int16).reshape(100, 6)
    for k in range(1600):
        script += calls.sample(k * 2000, rows[k % 100]) + calls.poll(k * 2000)
    writes, _ = desk.play(script, folder)
    items, _ = read([b"\x05\x07", *writes[40:]])  # The host joins in the middle.
    assert isinstance(items[0], DeviceInfo)
    assert sum(HELLO.part.encode() in write for write in writes) == 4  # At power-up and after each second.
    np.testing.assert_array_equal(np.diff(samples_of(items).sequence), 1)


def test_scales_are_the_nearest_doubles(native: Desk, folder: Path) -> None:
    """Against Python's division of integers, which rounds correctly."""
    rng = np.random.default_rng(8)
    pairs = [(1, 1), (1, 16384), (61, 1_000_000), (875, 100_000), (1, 10_000_000), (3, 3), (2**32 - 1, 2**32 - 1)]
    pairs += [(min(a, b), max(a, b)) for a, b in rng.integers(1, 2**32, (60, 2)).tolist()]
    for top, bottom in pairs:
        (write,), _ = native.play(calls.begin(vectors.NO_NAMES, (top, bottom), (top, bottom)), folder)
        body = cobs.decode(write[1:-1])[3:]
        assert struct.unpack_from("<d", body, 14)[0] == top / bottom, (top, bottom)


@pytest.mark.parametrize("seed", range(4))
def test_the_reader_follows_a_random_board(native: Desk, folder: Path, seed: int) -> None:
    """Random rows of calls, sanitizers on: nothing breaks, and no sample is invented, repeated or put out of order."""
    rng = np.random.default_rng(1000 + seed)
    script, tick, number = POWER_UP, 0, 0
    taken: dict[int, list[int]] = {}
    for _ in range(3000):
        kind = rng.integers(0, 20)
        tick += int(rng.integers(1, 3000))
        if kind < 14:
            row = rng.integers(-32768, 32768, 6).astype(np.int16)
            taken[number] = marked(row)
            script += calls.sample(tick, row) + calls.poll(tick)
            number += 1
        elif kind == 14:
            script += calls.skip(n := int(rng.integers(0, 4)))
            number += n
        elif kind == 15:
            script += calls.hear(rng.integers(0, 256, int(rng.integers(0, 300))).astype(np.uint8).tobytes())
        elif kind == 16:
            script += calls.link(int(rng.choice([0, 20, 60, 244])), bool(rng.integers(0, 4)))
        elif kind == 17:
            said: list[Message] = [Start(), Start(), Stop(), Identify()]
            script += calls.command(said[rng.integers(0, 4)], int(rng.integers(0, 9)))
        elif kind == 18:
            script += calls.battery(3900, 50)
        else:
            script += calls.LINK_LOST if rng.integers(0, 10) == 0 else calls.poll(tick)
    writes, counters = native.play(script, folder)
    got = samples_of(read(writes)[0])
    assert len(got.ticks) > 100
    assert counters["next"] == number
    assert (np.diff(got.sequence) > 0).all()
    assert [taken[int(n)] for n in got.sequence] == got.counts.tolist()
