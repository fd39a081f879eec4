"""Real recordings written in every layout and read back give the same orientation.

Recordings: trial 21 of the BROAD benchmark (see :mod:`tests.outside.optical`) and the watch recordings of seglearn
(in g, reading -1 g on an axis that points up, hence turned over here; rad/s, 50 Hz; see
:mod:`tests.outside.test_repetitions`). Layouts after Android's
SensorEvent (m/s2, rad/s, nanoseconds) and the W3C's DeviceMotionEvent (m/s2, deg/s, alpha, beta, gamma about z, x, y).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from analysis.model.records import FloatArray, Session
from analysis.motion.orientation import estimate_orientation
from analysis.motion.rotation import matrices
from analysis.signal.grid import Grid
from analysis.signal.si_units import counts_to_si
from logger.exchange.import_csv import import_csv
from tests.outside.optical import load_trial
from tests.outside.test_repetitions import RATE_HZ, recordings

Recording = tuple[float, FloatArray, FloatArray]
DEG = np.radians(1.0)


def write(path: Path, names: list[str], columns: list[FloatArray], form: str) -> Path:
    table = np.stack(columns, axis=1)
    np.savetxt(path, table, fmt=["%d" if form == "ns" else "%.6f", *["%.9f"] * (table.shape[1] - 1)], delimiter=",",
               header=",".join(names), comments="")  # fmt: skip
    return path


def one_file(folder: Path, recording: Recording) -> Path:
    rate, accel, gyro = recording
    t = np.arange(len(accel)) / rate
    return write(folder / "log.csv", ["t", "ax", "ay", "az", "gx", "gy", "gz"], [t, *accel.T, *gyro.T], "s")


def g_and_degrees(folder: Path, recording: Recording) -> Path:
    rate, accel, gyro = recording
    t = np.arange(len(accel)) / rate
    names = ["time (s)", *(f"acc_{a} (g)" for a in "xyz"), *(f"gyr_{a} (deg/s)" for a in "xyz")]
    return write(folder / "log.csv", names, [t, *(accel / 9.80665).T, *(gyro / DEG).T], "s")


def phone(folder: Path, recording: Recording) -> Path:
    rate, accel, gyro = recording
    ns = 10**13 + np.rint(np.arange(len(accel)) / rate * 1e9)
    (folder / "phone").mkdir()
    write(folder / "phone/Accelerometer.csv", ["time", "x", "y", "z"], [ns, *accel.T], "ns")
    write(folder / "phone/Gyroscope.csv", ["time", "z", "y", "x"], [ns, *gyro.T[::-1]], "ns")
    return folder / "phone"


def browser(folder: Path, recording: Recording) -> Path:
    rate, accel, gyro = recording
    ms = 1000 * np.arange(len(accel)) / rate
    names = ["timeStamp", *(f"accelerationIncludingGravity.{a}" for a in "xyz")]
    names += [f"rotationRate.{a}" for a in ("alpha", "beta", "gamma")]
    return write(folder / "log.csv", names, [ms, *accel.T, *(gyro[:, [2, 0, 1]] / DEG).T], "s")


LAYOUTS = [one_file, g_and_degrees, phone, browser]


def orientation(accel: FloatArray, gyro: FloatArray, rate_hz: float) -> FloatArray:
    return matrices(
        estimate_orientation(np.ascontiguousarray(gyro), np.ascontiguousarray(accel), Grid.steady(rate_hz, len(accel)))
    )


def apart_deg(session: Session, recording: Recording) -> float:
    """Largest angle between both orientations."""
    rate, accel, gyro = recording
    si = counts_to_si(session.raw.counts, session.profile, session.calibration).T
    start = session.raw.sequence[0]
    assert len(si) >= len(accel) - 2
    kept = slice(start, start + len(si))
    mine, theirs = orientation(si[:, :3], si[:, 3:], rate), orientation(accel[kept], gyro[kept], rate)
    cosine = (np.einsum("nij,nij->n", mine, theirs) - 1) / 2
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))).max())


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_trial_of_the_orientation_benchmark(layout: Callable[[Path, Recording], Path], tmp_path: Path) -> None:
    trial = load_trial(21)
    recording = (trial.rate_hz, trial.accel_mps2[:20_000], trial.gyro_radps[:20_000])
    assert apart_deg(import_csv(layout(tmp_path, recording)), recording) < 0.1


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_watch_on_a_wrist(layout: Callable[[Path, Recording], Path], tmp_path: Path) -> None:
    values = next(iter(recordings().values()))[0]
    recording = (RATE_HZ, -9.80665 * values[:, :3], values[:, 3:6])
    assert apart_deg(import_csv(layout(tmp_path, recording)), recording) < 0.1
