"""Orientation while samples come: cut into any pieces it is one and the same, on what the batch filter is given."""

from __future__ import annotations

import numpy as np
import vqf

from analysis.motion.orientation import TAU_ACC_S, rate_since_last
from analysis.motion.running_orientation import RunningOrientation
from analysis.signal.sensor_errors import ERRORS, SensorErrors

RATE_HZ = 400.0
COUNT = 900


def motion_and_errors() -> tuple[np.ndarray, np.ndarray, SensorErrors]:
    rng = np.random.default_rng(3)
    t = np.arange(COUNT) / RATE_HZ
    accel = [0.0, 0.0, 9.81] + 4 * np.sin(2 * np.pi * np.outer(t, [7.0, 8.0, 9.0])) + 0.1 * rng.normal(size=(COUNT, 3))
    gyro = 3 * np.cos(2 * np.pi * np.outer(t, [6.0, 7.0, 8.0]))
    x = 0.01 * rng.normal(size=ERRORS)
    x[-1] = 0.8e-3
    return accel, gyro, SensorErrors.from_vector(x)


def test_in_pieces_as_a_whole_log() -> None:
    accel, gyro, errors = motion_and_errors()
    force = errors.correct_accel(accel, RATE_HZ)
    whole = vqf.VQF(1 / RATE_HZ, tauAcc=TAU_ACC_S, motionBiasEstEnabled=False, restBiasEstEnabled=False)
    quat = whole.updateBatch(rate_since_last(errors.correct_gyro(gyro)), force)["quat6D"]
    rng = np.random.default_rng(5)
    running, found, at = RunningOrientation(RATE_HZ, errors), [], 0
    while at < COUNT:
        to = at + int(rng.integers(1, 9))
        found.append(running.feed(accel[at:to], gyro[at:to]))
        at = to
    quats, forces = (np.concatenate(part) for part in zip(*found, strict=True))
    assert len(quats) == COUNT - 1  # the newest waits
    np.testing.assert_allclose(forces, force[:-1], atol=1e-12)
    np.testing.assert_allclose(quats, quat[:-1], atol=1e-12)


def test_the_first_sample_waits() -> None:
    accel, gyro, errors = motion_and_errors()
    running = RunningOrientation(RATE_HZ, errors)
    quat, force = running.feed(accel[:1], gyro[:1])
    assert quat.shape == (0, 4)
    assert force.shape == (0, 3)
    assert len(running.feed(accel[1:2], gyro[1:2])[0]) == 1
