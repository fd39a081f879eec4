"""Calibrations kept by sensor, every version of them; the newest is applied to new recordings."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click

from analysis.model.errors import DeviceError
from analysis.model.records import Calibration, SensorProfile
from logger.files.atomic_file import write_text_atomic
from logger.files.nested_text import load_json

SCHEMA = 1
HOME_VARIABLE = "STROKEPLANE_HOME"
SCALE_TOLERANCE = 1e-6


@dataclass(frozen=True)
class StoredCalibration:
    """One version of a sensor's calibration, with what it rests on.

    ``accel_mps2_per_count`` is the scale that it was measured with: a calibration of one full scale does not hold for
    another, as the errors of a part differ by range.
    """

    version: int
    created: str
    part: str
    accel_mps2_per_count: float
    gyro_radps_per_count: float
    calibration: Calibration
    details: Mapping[str, object]


def settings_folder() -> Path:
    """Where the program keeps what it learns: the system's usual place, or the folder in ``STROKEPLANE_HOME``.

    Returns
    -------
    Path
        May not exist yet.
    """
    home = os.environ.get(HOME_VARIABLE)
    return Path(home) if home else Path(click.get_app_dir("strokeplane"))


def calibration_path(sensor: SensorProfile) -> Path:
    """File of one sensor: by its id, or by its profile's name where it has none."""
    name = re.sub(r"[^A-Za-z0-9._-]", "_", sensor.name)[:64] or "unnamed"
    return settings_folder() / "calibrations" / f"{name}.json"


def load_versions(sensor: SensorProfile) -> list[StoredCalibration]:
    """Return every stored calibration of a sensor, oldest first.

    Raises
    ------
    DeviceError
        If the file is damaged or of a newer version.
    """
    path = calibration_path(sensor)
    if not path.exists():
        return []
    try:
        record = load_json(path.read_text(encoding="utf-8"))
        if record["schema"] > SCHEMA:
            raise DeviceError(
                f"{path} was written by a newer strokeplane",
                next_step="update this one, or calibrate anew",
            )
        return [_read_version(entry) for entry in record["versions"]]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DeviceError(
            f"{path} cannot be read ({error})",
            next_step="delete it and calibrate the sensor again",
        ) from error


def save_version(sensor: SensorProfile, calibration: Calibration, created: str, details: Mapping[str, object]) -> Path:
    """Add a version to a sensor's file and return the file.

    Parameters
    ----------
    sensor : SensorProfile
    calibration : Calibration
    created : str
        Date and time, ISO 8601.
    details : mapping of str to object
        What else is known of it, as JSON takes it.

    Returns
    -------
    Path

    Raises
    ------
    DeviceError
        The sensor's file is damaged or of a newer version.
    OutputError
        The file cannot be written.
    """
    versions = load_versions(sensor)
    number = versions[-1].version + 1 if versions else 1
    scales = (sensor.accel_mps2_per_count, sensor.gyro_radps_per_count)
    versions.append(StoredCalibration(number, created, sensor.part, *scales, calibration, details))
    path = calibration_path(sensor)
    path.parent.mkdir(parents=True, exist_ok=True)
    record = {"schema": SCHEMA, "sensor": sensor.name, "versions": [asdict(version) for version in versions]}
    write_text_atomic(path, json.dumps(record, indent=1, allow_nan=False) + "\n")
    return path


def find_calibration(sensor: SensorProfile) -> Calibration:
    """Return the newest calibration that holds for the sensor's part and full scale; none if there is none.

    Parameters
    ----------
    sensor : SensorProfile

    Returns
    -------
    Calibration

    Raises
    ------
    DeviceError
        The sensor's file is damaged or of a newer version.
    """
    for version in reversed(load_versions(sensor)):
        same_scale = (
            abs(version.accel_mps2_per_count / sensor.accel_mps2_per_count - 1.0) < SCALE_TOLERANCE
            and abs(version.gyro_radps_per_count / sensor.gyro_radps_per_count - 1.0) < SCALE_TOLERANCE
        )
        if same_scale and version.part == sensor.part:
            return version.calibration
    return Calibration()


def _read_version(entry: Mapping[str, Any]) -> StoredCalibration:
    fields = dict(entry)
    calibration = fields["calibration"]
    if not isinstance(calibration, dict):
        raise ValueError("a version holds no calibration")
    fields["calibration"] = Calibration(**{key: _tuples(value) for key, value in calibration.items()})
    return StoredCalibration(**fields)


def _tuples(value: Any) -> Any:
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value
