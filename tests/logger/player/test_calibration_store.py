"""Calibrations are kept by sensor, every version, and applied only where they hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.model.errors import DeviceError
from analysis.model.records import Calibration
from logger.player.calibration_store import calibration_path, find_calibration, load_versions, save_version
from tests.logger.sources.motion import SENSOR

FIRST = Calibration(accel_bias_mps2=(0.1, 0.2, 0.3), source="6 positions")
SECOND = Calibration(gyro_bias_radps=(0.01, 0.0, -0.01), source="still")


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path))
    return tmp_path


def test_versions_are_kept_and_the_newest_applied() -> None:
    assert find_calibration(SENSOR) == Calibration()
    save_version(SENSOR, FIRST, "2030-01-01T00:00:00+00:00", {"residual_mps2": 0.01})
    save_version(SENSOR, SECOND, "2030-01-02T00:00:00+00:00", {})
    assert [(v.version, v.calibration) for v in load_versions(SENSOR)] == [(1, FIRST), (2, SECOND)]
    assert find_calibration(SENSOR) == SECOND


def test_another_range_part_or_sensor_gets_none() -> None:
    save_version(SENSOR, FIRST, "2030-01-01", {})
    assert find_calibration(replace(SENSOR, accel_mps2_per_count=SENSOR.accel_mps2_per_count * 2)) == Calibration()
    assert find_calibration(replace(SENSOR, part="another")) == Calibration()
    assert find_calibration(replace(SENSOR, name="ffff")) == Calibration()


def test_each_range_keeps_its_own() -> None:
    wide = replace(SENSOR, accel_mps2_per_count=SENSOR.accel_mps2_per_count * 2)
    save_version(SENSOR, FIRST, "2030-01-01", {})
    save_version(wide, SECOND, "2030-01-02", {})
    assert find_calibration(SENSOR) == FIRST
    assert find_calibration(wide) == SECOND


def test_names_cannot_leave_the_folder(home: Path) -> None:
    path = calibration_path(replace(SENSOR, name="../../etc/passwd"))
    assert path.parent == home / "calibrations"


@pytest.mark.parametrize("text", ["", "{", '{"schema": 1}', '{"schema": 1, "versions": [{"version": 1}]}'])
def test_a_damaged_file_is_a_clear_error(text: str) -> None:
    path = calibration_path(SENSOR)
    path.parent.mkdir(parents=True)
    path.write_text(text)
    with pytest.raises(DeviceError, match="delete it and calibrate the sensor again"):
        find_calibration(SENSOR)


def test_a_newer_file_is_left_alone() -> None:
    path = calibration_path(SENSOR)
    path.parent.mkdir(parents=True)
    path.write_text('{"schema": 2, "versions": []}')
    with pytest.raises(DeviceError, match="newer strokeplane"):
        save_version(SENSOR, FIRST, "2030-01-01", {})
    assert path.read_text() == '{"schema": 2, "versions": []}'
