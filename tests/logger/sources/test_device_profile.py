"""Profiles: datasheet scale factors of the shipped ones, clear errors for one's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import DeviceError
from logger.sources.device_profile import load_profile, parse_profile, shipped_profiles


# Sensitivities as the datasheets state them: MPU-6000/6050 product specification (4096 LSB/g at 8 g, 16.4 LSB/(deg/s)
# at 2000 deg/s); LSM6DSO DS12140 Rev 2 (0.244 mg/LSB, 70 mdps/LSB); BMI270 (4096 LSB/g, 16.4 LSB/(deg/s)); ICM-42688-P
# (4096 LSB/g, 16.4 LSB/(deg/s) rounded from 32768/2000).
@pytest.mark.parametrize(
    ("name", "mg_per_count", "mdps_per_count"),
    [
        ("mpu6050", 1000 / 4096, 1000 / 16.4),
        ("lsm6dso", 0.244, 70.0),
        ("bmi270", 1000 / 4096, 1000 / 16.4),
        ("icm42688p", 1000 / 4096, 1000 * 2000 / 32768),
    ],
)
def test_datasheet_scale_factors(name: str, mg_per_count: float, mdps_per_count: float) -> None:
    sensor = load_profile(name).sensor
    assert sensor.accel_mps2_per_count / 9.80665 * 1000 == pytest.approx(mg_per_count, rel=1e-12)
    assert np.degrees(sensor.gyro_radps_per_count) * 1000 == pytest.approx(mdps_per_count, rel=1e-12)


def test_noise_priors() -> None:
    # ICM-42688-P datasheet: 70 ug/sqrt(Hz), 2.8 mdps/sqrt(Hz).
    sensor = load_profile("icm42688p").sensor
    assert sensor.accel_noise_mps2_rthz == pytest.approx(70e-6 * 9.80665)
    assert sensor.gyro_noise_radps_rthz == pytest.approx(np.radians(2.8e-3))


def test_every_shipped_profile_loads_and_has_its_file_s_name() -> None:
    assert {"frames", "mpu6050", "lsm6dso", "bmi270", "icm42688p", "text-si"} <= set(shipped_profiles())
    for name in shipped_profiles():
        assert load_profile(name).name == name


GOOD = """schema = 1
name = "mine"
format = "text"
rate_hz = 200
[text]
separator = "comma"
columns = ["t", "ax", "ay", "az", "gx", "gy", "gz"]
[clock]
tick_hz = 1
decimals = 6
[accel]
unit = "g"
range = 16
decimals = 4
[gyro]
unit = "deg/s"
"""


def test_own_profile(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    profile = load_profile(str(path))
    assert profile.sensor.tick_hz == pytest.approx(1e6)
    assert profile.sensor.accel_clip_counts == 160_000
    assert profile.has_device_clock
    assert not profile.has_counter


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("schema = 1", "schema = 2", "schema 2.*update strokeplane"),
        ("rate_hz = 200", "rate_hz = 0", "rate_hz must be a number from 1 to 8000"),
        ("rate_hz = 200", "rate_hz = nan", "rate_hz must be a number"),
        ("rate_hz = 200", 'rate_hz = "200"', "rate_hz must be a number"),
        ("rate_hz = 200", "", "rate_hz is missing"),
        ("rate_hz = 200", "rate_hz = 200\nspeed = 3", "key 'speed' is not known"),
        ('"gz"]', '"gq"]', "column 'gq' is not known"),
        (', "gz"]', "]", "lack gz"),
        ('"gy", "gz"]', '"gz", "gz"]', "stands twice"),
        ('separator = "comma"', 'separator = "pipe"', "separator must be one of"),
        ('unit = "g"', 'unit = "gee"', "unit must be one of"),
        ('unit = "deg/s"', 'unit = "counts"', "counts_per_dps is missing"),
        ("[clock]\ntick_hz = 1\ndecimals = 6\n", "", r"\[clock\].* missing|clock is missing"),
        ("range = 16", "range = 16\nbias = 3", r"\[accel\]: key 'bias' is not known"),
        ("name =", "name", "not valid TOML"),
        ('format = "text"', 'format = "xml"', "format must be one of frames, text"),
    ],
)
def test_each_mistake_is_one_clear_sentence(old: str, new: str, message: str) -> None:
    assert old in GOOD
    with pytest.raises(DeviceError, match=message):
        parse_profile(GOOD.replace(old, new, 1), "mine.toml")


def test_unknown_name_and_missing_file() -> None:
    with pytest.raises(DeviceError, match="no profile is called 'nothing'; give one of bmi270"):
        load_profile("nothing")
    with pytest.raises(DeviceError, match="cannot read the profile"):
        load_profile("nowhere.toml")
