"""The drivers against register-level models of the parts: every sample once, in its units, at its time."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from tests.firmware.compilers import CORE, DESK, SANITIZERS, compile_native
from tests.firmware.lsm_models import Lsm6ds3trc, Lsm6dso
from tests.firmware.mpu_icm_models import Icm42688, Mpu6050, Mpu6500
from tests.firmware.part_board import PartBoard, joined
from tests.firmware.part_model import Model
from tests.firmware.project import DeviceInfo, RawSamples, SetRange, SetRate, Start, Status, Stop, join_samples

G_MPS2 = 9.80665
PARTS = {
    "MPU-6050": (Mpu6050, 500.0),
    "MPU-6500": (Mpu6500, 500.0),
    "ICM-42688-P": (Icm42688, 500.0),
    "LSM6DSO": (Lsm6dso, 416.0),
    "LSM6DS3TR-C": (Lsm6ds3trc, 416.0),
}
NAMES = list(PARTS)
RATES = [(name, rate) for name in NAMES for rate in ((500, 1000, 250, 200) if "MPU" in name else (500, 1000, 200, 100))]
RATES = [(n, r) for n, r in RATES if "LSM" not in n] + [(n, r) for n in NAMES[3:] for r in (416, 833, 208, 104)]


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sources = [CORE / "strokeplane.c", CORE / "parts.c", CORE / "self_test.c", DESK / "part_desk.c"]
    return compile_native(tmp_path_factory.mktemp("parts"), "part_desk", sources, SANITIZERS)


def samples(board: PartBoard) -> RawSamples:
    return join_samples([item for item in board.items if isinstance(item, RawSamples)])


def start(board: PartBoard, rate_hz: float, accel_g: int = 16, gyro_dps: int = 2000) -> None:
    assert board.find()[0] == 1
    assert board.set(rate_hz, accel_g, gyro_dps) == 0
    board.begin()
    board.say(Start())


def check_samples(board: PartBoard, worst_tick_s: float, worst_slope: float = 2e-4) -> None:
    """Each sample is one of the model's, in order, none skipped without a number for it; units and times are right."""
    got, info = samples(board), next(item for item in board.items if isinstance(item, DeviceInfo))
    assert info.hello is not None
    hello = info.hello
    value = got.counts * np.repeat([hello.accel_g_per_count, hello.gyro_dps_per_count], 3)
    truth = np.array([row for _, row in board.model.truth])
    times = np.array([time for time, _ in board.model.truth])
    unit = np.repeat([hello.accel_g_per_count, hello.gyro_dps_per_count], 3)
    first = int(np.argmin(np.abs(truth - value[0]).max(axis=1)))
    place = first + got.sequence - got.sequence[0]
    assert place[-1] < len(truth)
    assert (np.abs(value - truth[place]) <= 0.51 * unit + 2e-4 * np.abs(truth[place])).all()
    slope, offset = np.polyfit(times[place], got.ticks / hello.tick_hz, 1)
    late_s = got.ticks / hello.tick_hz - (slope * times[place] + offset)
    assert np.abs(late_s).max() < worst_tick_s
    assert slope == pytest.approx(1.0 + (board.model.clock_error if "MPU" not in hello.part else 0.0), abs=worst_slope)
    assert (np.diff(got.ticks) > 0).all()


@pytest.mark.parametrize("name", NAMES)
def test_found_by_its_identity(program: Path, name: str) -> None:
    for offset in (0, 1):
        with joined(program, PARTS[name][0](), PARTS[name][0].address + offset) as board:
            assert board.find() == (1, name)


@pytest.mark.parametrize(
    ("model", "identity"), [(Lsm6dso, 0x70), (Lsm6dso, 0x6B), (Lsm6dso, 0x69), (Mpu6050, 0x71), (Mpu6050, 0x6A)]
)
def test_an_unknown_identity_is_refused_with_a_sentence(program: Path, model: type[Model], identity: int) -> None:
    """Relatives with other registers, and numbers that mean another part at the other maker's register."""
    with joined(program, model(identity_value=identity)) as board:
        result, sentence = board.find()
    assert result == 0
    assert sentence == (
        f"the part at address {model.address:02X} says identity {identity:02X}, which is not in this firmware's table; "
        "it would be read wrongly, so it is not used"
    )


def test_nobody_answers(program: Path) -> None:
    with joined(program, Mpu6050(answers=False)) as board:
        result, sentence = board.find()
    assert (result, sentence.split(":")[0]) == (0, "no sensor part answers at I2C addresses 68 to 6B")


@pytest.mark.parametrize(("name", "rate_hz"), RATES)
def test_every_sample_in_its_units_at_its_time(program: Path, name: str, rate_hz: float) -> None:
    """With a part that runs 1.3 % fast; its own stamps are right to a tick, the timer's to a share of a period."""
    with joined(program, PARTS[name][0](clock_error=0.013, seed=3)) as board:
        start(board, rate_hz)
        board.run(3.0)
        got = samples(board)
        assert np.diff(got.sequence).max() == 1
        assert len(got.ticks) > 2.7 * rate_hz
        check_samples(board, 0.0012 + 0.5 / rate_hz if "MPU" in name else 60e-6)
    assert board.reader.losses.samples == 0


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("accel_g", "gyro_dps"), [(2, 250), (4, 500), (8, 1000), (16, 2000)])
def test_full_scales(program: Path, name: str, accel_g: int, gyro_dps: int) -> None:
    model, rate_hz = PARTS[name]
    with joined(program, model(seed=4)) as board:
        start(board, rate_hz, accel_g, gyro_dps)
        board.run(0.4)
        assert model.ranges(board.model) == (accel_g, gyro_dps)
        check_samples(board, 0.004, 2e-3)  # Too short to tell the rate better by the timer.
        hello = next(item.hello for item in board.items if isinstance(item, DeviceInfo))
    assert hello is not None
    assert (hello.accel_range_g, hello.gyro_range_dps) == (accel_g, gyro_dps)


@pytest.mark.parametrize("name", NAMES)
def test_a_stall_is_counted(program: Path, name: str) -> None:
    """The board does not look for longer than the FIFO lasts: what is gone is a jump in the numbers, of its size."""
    model, rate_hz = PARTS[name]
    with joined(program, model(seed=5)) as board:
        start(board, rate_hz)
        board.run(1.0)
        before = len(board.model.truth)
        board.model.advance(1.2)
        # An MPU's full FIFO is cut anywhere and thrown away whole.
        sample_bytes = {"ICM-42688-P": 16, "LSM6DSO": 21, "LSM6DS3TR-C": 18}
        saved = 0 if "MPU" in name else len(board.model.fifo) // sample_bytes[name]
        lost = len(board.model.truth) - before - saved
        board.run(1.5)
        got = samples(board)
        jumps = np.diff(got.sequence)
        assert (jumps > 1).sum() == 1
        assert jumps.max() - 1 == pytest.approx(lost, abs=4)
        check_samples(board, 0.004)


@pytest.mark.parametrize("name", NAMES)
def test_bus_errors_are_counted_and_cost_little(program: Path, name: str) -> None:
    model, rate_hz = PARTS[name]
    with joined(program, model(seed=6)) as board:
        start(board, rate_hz)
        board.run(0.5)
        for _ in range(5):
            board.model.fails.extend([False] * 7 + [True])
            board.run(0.3)
        board.run(1.1)
        got = samples(board)
        status = [item for item in board.items if isinstance(item, Status)][-1]
        assert status.bus_errors == 5
        assert len(got.ticks) > 0.9 * (got.sequence[-1] - got.sequence[0])
        check_samples(board, 0.004)


@pytest.mark.parametrize("name", NAMES)
def test_rate_and_range_by_command(program: Path, name: str) -> None:
    """A new range keeps count and clock going; a new rate starts a new count. Neither loses a sample afterwards."""
    model, rate_hz = PARTS[name]
    other = {500.0: 200.0, 416.0: 208.0}[rate_hz]
    with joined(program, model(seed=7)) as board:
        start(board, rate_hz)
        board.run(0.5)
        board.say(Stop())
        board.say(SetRange(4, 500))
        board.say(Start())
        board.run(0.5)
        got = samples(board)
        assert board.reader.losses.restarts == 0
        gap = int(np.argmax(np.diff(got.sequence)))
        passed_s = (got.ticks[gap + 1] - got.ticks[gap]) / board.reader.hello.tick_hz  # type: ignore[union-attr]
        assert got.sequence[gap + 1] - got.sequence[gap] == pytest.approx(passed_s * rate_hz, abs=1.5)
        board.say(Stop())
        board.say(SetRate(other))
        board.say(Start())
        board.run(0.5)
    assert board.reader.losses.restarts == 1
    infos = [item.hello for item in board.items if isinstance(item, DeviceInfo) and item.hello is not None]
    assert [(h.rate_hz, h.accel_range_g) for h in infos] == [(rate_hz, 16), (rate_hz, 4), (other, 4)]


@pytest.mark.parametrize("name", NAMES)
def test_impossible_settings_change_nothing(program: Path, name: str) -> None:
    model, rate_hz = PARTS[name]
    with joined(program, model()) as board:
        start(board, rate_hz)
        before = dict(board.model.registers)
        for rate, accel, gyro in [(123.0, 16, 2000), (rate_hz, 3, 2000), (rate_hz, 16, 125), (rate_hz, 32, 4000)]:
            assert board.set(rate, accel, gyro) == 2
        assert board.model.registers == before


@pytest.mark.parametrize("name", NAMES)
def test_self_test(program: Path, name: str) -> None:
    model, rate_hz = PARTS[name]
    axes = ["accelerometer x", "accelerometer y", "accelerometer z", "gyroscope x", "gyroscope y", "gyroscope z"]
    with joined(program, model(seed=8)) as board:
        board.model.keeps_still = True
        start(board, rate_hz)
        board.run(0.3)
        before = dict(board.model.registers)
        assert board.self_test() == (1, "the self-test passed on all six axes")
        after = {key: value for key, value in board.model.registers.items() if before.get(key, 0) != value}
        assert after == {}  # Set as before.
        for axis, words in enumerate(axes):
            board.model.broken = {axis}
            result, sentence = board.self_test()
            assert result == 0
            assert sentence.startswith(f"the self-test failed on {words}:")
        board.model.broken = set()
        board.run(0.3)
        assert np.diff(samples(board).ticks).min() > 0


def test_self_test_of_a_part_without_factory_values(program: Path) -> None:
    with joined(program, Mpu6050()) as board:
        board.model.codes = (0, 0, 0, 0, 0, 0)  # type: ignore[attr-defined]
        board.model.keeps_still = True
        start(board, 500.0)
        assert board.self_test() == (
            0,
            "the part has no factory value for the self-test of its accelerometer x; perhaps it is a copy",
        )


@pytest.mark.parametrize("stands_at_end", [False, True])
def test_time_stamps_of_24_bits_end(program: Path, stands_at_end: bool) -> None:
    """Every 7 minutes: whether the counter starts again by itself or waits to be reset, the ticks go on."""
    model = Lsm6ds3trc(seed=9)
    model.stands_at_end = stands_at_end
    model.stamp_start = 2**24 - 60_000
    with joined(program, model) as board:
        start(board, 416.0)
        board.run(3.0)
        # A counter that stands costs two periods, once in 7 minutes.
        check_samples(board, 2 / 416 if stands_at_end else 60e-6, 2e-3 if stands_at_end else 2e-4)
        assert np.diff(samples(board).sequence).max() == 1


def test_factory_trim_by_its_formula() -> None:
    """The driver's whole numbers against the register map's formula (rev. 4.2, section 4.1), all codes."""
    for code in range(1, 32):
        accel, gyro = 1393 << 16, 3275 << 16
        for _ in range(code - 1):
            accel, gyro = accel * 1033738 // 1000000, gyro * 1046 // 1000
        assert accel >> 16 == pytest.approx(4096 * 0.34 * (0.92 / 0.34) ** ((code - 1) / 30), rel=2e-3)
        assert gyro >> 16 == pytest.approx(25 * 131 * 1.046 ** (code - 1), rel=2e-3)
    assert math.isclose((0.92 / 0.34) ** (1 / 30), 1.033738, rel_tol=1e-6)
