"""Load, length and losses: short here, long under ``make soak``. What is measured is printed (``-s`` shows it)."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from logger.session.session_file import read_session
from tests.logger.sources.test_serial import many_losses
from tests.optional import missing

if sys.platform != "linux":
    missing("load and memory are read from Linux's own books")

from tests.logger.sources.soak import RATE_HZ, SENSORS, Load, record_fast, record_four_sensors


def check_load(folder: Path, seconds: float) -> Load:
    load = record_four_sensors(folder, seconds)
    print(f"\n{SENSORS} sensors at {RATE_HZ:g}/s for {seconds:g} s: {load}")
    assert load.lost == 0
    assert load.samples > 0.95 * SENSORS * RATE_HZ * seconds
    for place in range(SENSORS):
        raw = read_session(folder / f"{place}.mcap").raw
        assert (np.diff(raw.sequence) == 1).all()
    return load


def test_four_sensors_short(tmp_path: Path) -> None:
    # Share of the processor and latency are for a machine that does nothing else: see the soak run.
    check_load(tmp_path, 4.0)


@pytest.mark.soak
def test_four_sensors_for_ten_minutes(tmp_path: Path) -> None:
    load = check_load(tmp_path, 600.0)
    assert load.cpu_share < 0.40
    assert load.growth_mb < 5.0
    assert load.latency_p99_ms < 5.0


def check_length(folder: Path, hours: float) -> list[float]:
    source, recorder, samples = record_fast(folder, hours)
    state = recorder.state()
    print(f"\n{hours:g} h: memory MB {np.round(source.memory_mb, 1).tolist()}")
    print(f"file {source.file_bytes[-1] / 1e6:.0f} MB, bytes a sample {source.file_bytes[-1] / samples:.2f}")
    assert state.losses.samples == 0
    assert state.samples == samples
    steps = np.diff(source.file_bytes)
    # Up to four batches of 0.5 kB wait in the queue when a size is read.
    assert np.ptp(steps) < 0.05 * np.mean(steps) + 150_000, "the file does not grow evenly"
    return source.memory_mb


def test_length_short(tmp_path: Path) -> None:
    """A quarter of an hour of stream."""
    memory = check_length(tmp_path, 0.25)
    assert memory[-1] - memory[4] < 15.0


@pytest.mark.soak
def test_24_hours_of_stream(tmp_path: Path) -> None:
    memory = check_length(tmp_path, 24.0)
    assert memory[-1] - memory[4] < 20.0


@pytest.mark.soak
def test_100_link_losses(tmp_path: Path) -> None:
    errors, _, _ = many_losses(tmp_path, 100, reboot=False)
    print(f"\n100 unplugs: largest gap error {1e3 * np.abs(errors).max():.1f} ms")
    assert np.abs(errors).max() < 1e-5


@pytest.mark.soak
def test_100_restarts(tmp_path: Path) -> None:
    errors, late, _ = many_losses(tmp_path, 100, reboot=True)
    print(f"\n100 restarts: largest gap error {1e3 * np.abs(errors).max():.1f} ms")
    assert (np.abs(errors) < 0.012 + late).all()
