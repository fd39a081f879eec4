"""The sketches run: their board's libraries are stand-ins, their part a register-level model. No board, no radio."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.firmware.compilers import CORE, DESK, SANITIZERS, run
from tests.firmware.lsm_models import Lsm6ds3trc, Lsm6dso
from tests.firmware.mpu_icm_models import Icm42688, Mpu6050
from tests.firmware.part_board import PartBoard, joined
from tests.firmware.part_model import Model
from tests.firmware.project import DeviceInfo, Identify, RawSamples, Start, Status, join_samples
from tests.house.test_house import ROOT
from tests.optional import need_program

SKETCHES = ROOT / "firmware_docs" / "sketches"
STUBS = Path(__file__).parent / "stubs"
RUNS = {
    "rp2040_usb": ("rp2040_usb", ["-DRP2040"], Mpu6050, 500.0),
    "esp32 with a cable": ("esp32", ["-DBLUETOOTH=0"], Icm42688, 500.0),
    "esp32 with Bluetooth": ("esp32", ["-DBLUETOOTH=1"], Lsm6dso, 416.0),
    "nrf52840_ble": ("nrf52840_ble", ["-DNRF52840"], Lsm6ds3trc, 416.0),
}


def build(folder: Path, name: str, options: list[str]) -> Path:
    """The sketch with the core, the drivers and the stand-ins, sanitizers on."""
    compiler = need_program("g++", reason="Debian's g++")
    sources = [str(CORE / source) for source in ("strokeplane.c", "parts.c", "self_test.c")]
    sketch = f'-DSKETCH="{SKETCHES / name / name}.ino"'
    objects = []
    for source in sources:
        run([need_program("gcc", reason="Debian's gcc"), "-std=c99", *SANITIZERS, "-c", source], folder)
        objects.append(str(folder / (Path(source).stem + ".o")))
    flags = ["-std=gnu++17", "-Wall", "-Wextra", "-Werror", *SANITIZERS, "-include", "Arduino.h"]
    includes = [f"-I{STUBS}", f"-I{CORE}"]
    program = folder / "sketch"
    run(
        [compiler, *flags, *includes, sketch, *options, str(DESK / "run_sketch.cpp"), *objects, "-o", str(program)],
        folder,
    )
    return program


def turns(board: PartBoard, seconds: float) -> None:
    """Turns of the sketch's loop, a millisecond apart."""
    end = board.model.now_s + seconds
    while board.model.now_s < end:
        board.command(b"L")
        board.model.advance(0.001)


@pytest.mark.parametrize("which", RUNS)
def test_a_sketch_sends_every_sample(tmp_path: Path, which: str) -> None:
    name, options, model, rate_hz = RUNS[which]
    part: Model = model(seed=11, clock_error=-0.008)
    with joined(build(tmp_path, name, options), part) as board:
        board.command(b"U")
        board.command(b"C")
        board.say(Identify())
        board.say(Start())
        turns(board, 1.5)
        linked = [item for item in board.items if isinstance(item, RawSamples)]
        count = len(join_samples(linked).ticks)
        assert count > 1.3 * rate_hz
        board.command(b"X")
        if which in ("esp32 with Bluetooth", "nrf52840_ble"):
            board.reader.link_lost()
            turns(board, 0.5)
            assert len(join_samples([i for i in board.items if isinstance(i, RawSamples)]).ticks) <= count + 16
        board.command(b"C")
        board.say(Identify())
        turns(board, 1.2)
        got = join_samples([item for item in board.items if isinstance(item, RawSamples)])
        info = next(item for item in board.items if isinstance(item, DeviceInfo))
        status = [item for item in board.items if isinstance(item, Status)]
    assert info.hello is not None
    assert info.hello.rate_hz == rate_hz
    assert (info.hello.accel_range_g, info.hello.gyro_range_dps) == (16, 2000)
    assert info.hello.firmware.startswith(name.split("_")[0])
    assert board.reader.losses.restarts == 0
    gaps = np.diff(got.sequence)
    assert (gaps > 1).sum() == (which in ("esp32 with Bluetooth", "nrf52840_ble"))  # The link was away, not the part.
    assert status[-1].missed == gaps.max() - 1
    unit = np.repeat([info.hello.accel_g_per_count, info.hello.gyro_dps_per_count], 3)
    truth, value = np.array([row for _, row in part.truth]), got.counts * unit
    first = int(np.argmin(np.abs(truth - value[0]).max(axis=1)))
    place = first + got.sequence - got.sequence[0]
    assert (np.abs(value - truth[place]) <= 0.51 * unit + 2e-4 * np.abs(truth[place])).all()


@pytest.mark.parametrize("which", RUNS)
def test_a_sketch_says_what_it_found(tmp_path: Path, which: str) -> None:
    name, options, _, _ = RUNS[which]
    part = Lsm6dso(identity_value=0x70)
    board = PartBoard(build(tmp_path, name, options), part)
    try:
        assert board.command(b"U")[1].startswith("the part at address 6A says identity 70, which is not in")
    finally:
        board.kill()
