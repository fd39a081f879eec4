"""The reference firmware under MicroPython, read by the real source."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from analysis.model.session_parts import SensorIdentity
from logger.sources.base import LinkSettings
from logger.sources.device_profile import load_profile
from logger.sources.frame_reader import FrameReader
from logger.sources.messages import Answer, Identify, SetRange, SetRate, Start, Status, Stop
from logger.sources.open_source import open_source
from logger.sources.packets import encode
from logger.sources.stream import DeviceInfo, Item
from tests.logger.sources.make import random_counts, samples_of
from tests.optional import missing

if sys.platform != "linux":
    missing("the firmware's stand-ins need pseudo terminals and named pipes")

from tests.logger.sources.firmware import Firmware, running
from tests.patience import PATIENCE_S, wait_for

COUNTS = random_counts(4000, 5)
FRAMES = load_profile("frames")
SETTINGS = LinkSettings(ready_s=PATIENCE_S, ask_again_s=1.0, silence_s=30.0)


class Console:
    """The host's end of a firmware's console, without a source: for looking at single answers."""

    def __init__(self, firmware: Firmware) -> None:
        self.firmware, self.items = firmware, list[Item]()
        self.reader = FrameReader(FRAMES)

    def say(self, data: bytes, until: int) -> list[Item]:
        """Send bytes, read until so many items of other kinds than samples and status came; return those."""
        os.write(self.firmware.host_end, data)
        got: list[Item] = []
        deadline = time.monotonic() + PATIENCE_S
        while len(got) < until:
            assert time.monotonic() < deadline, (got, self.firmware.errors())
            new = self.reader.feed(os.read(self.firmware.host_end, 65536), 0.0)
            self.items += new
            got += [item for item in new if isinstance(item, DeviceInfo | Answer)]
        return got


@pytest.mark.parametrize(("part", "rate_hz"), [("MPU-6050", 500.0), ("LSM6DSO", 416.0)])
def test_every_sample_of_both_parts(tmp_path: Path, part: str, rate_hz: float) -> None:
    with running(Firmware(tmp_path, COUNTS, part)) as firmware:
        items: list[Item] = []
        source = open_source(firmware.port, FRAMES, SETTINGS)
        info = source.start(items.extend)
        wait_for(lambda: len(samples_of(list(items)).ticks) > 3000)
        source.stop()
    samples = samples_of(items)
    assert info.hello is not None
    assert (info.hello.part, info.hello.rate_hz, info.hello.firmware) == (part, rate_hz, "linux reference 1")
    assert info.identity == SensorIdentity(info.hello.id, "linux", "reference 1")
    np.testing.assert_array_equal(np.diff(samples.sequence), 1)
    np.testing.assert_array_equal(samples.counts, COUNTS[samples.sequence % len(COUNTS)])
    assert source.losses.samples == 0
    assert np.diff(samples.ticks).mean() == pytest.approx(1e6 / rate_hz, rel=1e-3)
    assert np.diff(samples.ticks).min() > 0
    status = [item for item in items if isinstance(item, Status)]
    assert status
    assert {(s.missed, s.bus_errors) for s in status} == {(0, 0)}
    assert status[-1].temperature_degc == pytest.approx({"MPU-6050": 33.58, "LSM6DSO": 30.0}[part])


# Datasheet sensitivities at 16 g and 1000 deg/s: MPU-6050 2048 LSB/g, 32.8 LSB/(deg/s); LSM6DSO .488 mg, 35 mdps.
@pytest.mark.parametrize(
    ("part", "rate_hz", "accel", "gyro"),
    [("MPU-6050", 200.0, 1 / 2048, 1 / 32.8), ("LSM6DSO", 208.0, 0.488e-3, 35e-3)],
)
def test_commands(tmp_path: Path, part: str, rate_hz: float, accel: float, gyro: float) -> None:
    with running(Firmware(tmp_path, COUNTS, part)) as firmware:
        console = Console(firmware)
        wait_for(lambda: len(console.say(encode(Identify(), 9), 2)) == 2)
        info, answer = console.say(encode(SetRate(rate_hz), 10), 2)
        assert isinstance(info, DeviceInfo)
        assert info.profile.sensor.rate_hz == rate_hz
        assert answer == Answer(0x84, 10, 0)
        info, answer = console.say(encode(SetRange(16, 1000), 11), 2)
        assert isinstance(info, DeviceInfo)
        assert info.hello is not None
        assert info.hello.accel_g_per_count == accel
        assert info.hello.gyro_dps_per_count == gyro
        assert console.say(encode(SetRate(123.0), 12), 1) == [Answer(0x84, 12, 2)]
        assert console.say(encode(SetRange(3, 1000), 13), 1) == [Answer(0x85, 13, 2)]
        assert console.say(encode(Start(), 14), 1) == [Answer(0x82, 14, 0)]
        assert console.say(encode(SetRate(rate_hz), 15), 1) == [Answer(0x84, 15, 3)]
        # Damage, noise, an endless line, the byte of Ctrl-C: the firmware goes on and answers the next whole command.
        noise = b"\x03\x04hello\r\n" + bytes(range(1, 256)) * 3 + encode(Stop(), 1)[:-3] + b"\0\0"
        assert console.say(noise + encode(Stop(), 16), 1) == [Answer(0x83, 16, 0)]
        assert firmware.process.poll() is None


def test_in_real_time_every_jump_is_a_counted_miss(tmp_path: Path) -> None:
    """On the desk's own clock, stalls and all: what is missing in the numbers, the status frame says too."""
    with running(Firmware(tmp_path, COUNTS, step_us=0)) as firmware:
        items: list[Item] = []
        source = open_source(firmware.port, FRAMES, SETTINGS)
        source.start(items.extend)
        wait_for(lambda: sum(isinstance(item, Status) for item in items) >= 3)
        source.stop()
    samples = samples_of(items)
    missed = [item.missed for item in items if isinstance(item, Status)]
    jumps = int((np.diff(samples.sequence) - 1).sum())
    assert source.losses.samples == source.losses.device == jumps
    assert missed[-1] - missed[0] <= jumps <= missed[-1] + 500
    assert np.diff(samples.ticks).sum() / (samples.sequence[-1] - samples.sequence[0]) == pytest.approx(2000, rel=0.01)
