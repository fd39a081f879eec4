"""The orientation filter in its three shapes, and our integration of the gyroscope, against reference libraries.

Filter: D. Laidig and T. Seel, "VQF: Highly accurate IMU orientation estimation with bias estimation and magnetic
disturbance rejection", Information Fusion 91, 187-204, 2023 (library vqf). Rotations: SciPy.
"""

from __future__ import annotations

import numpy as np
import pytest
import vqf
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray
from analysis.motion.orientation import TAU_ACC_S, estimate_orientation, integrate_rotation
from analysis.motion.rotation import matrices, multiply, rotate
from analysis.signal.grid import Grid

RATE_HZ = 200.0


def hand_samples(seconds: float, seed: int) -> tuple[FloatArray, FloatArray]:
    """A hand that rocks by tens of degrees at 0.5-8 Hz and shakes at 10 m/s2, with a biased gyroscope."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    frequency = rng.uniform(0.5, 8.0, (3, 4))
    phase = rng.uniform(0, 2 * np.pi, (2, 3, 4))
    turning = 1.5 * np.cos(2 * np.pi * frequency * t[:, None, None] + phase[0]).sum(axis=2)
    shaking = 5.0 * np.cos(2 * np.pi * frequency * t[:, None, None] + phase[1]).sum(axis=2)
    gravity = np.array([1.0, -3.0, 9.2]) + shaking
    return turning + np.radians([0.3, -0.2, 0.1]), gravity


def angle_deg(first_wxyz: FloatArray, second_wxyz: FloatArray) -> float:
    """Largest angle between two orientations."""
    first, second = (Rotation.from_quat(q, scalar_first=True) for q in (first_wxyz, second_wxyz))
    return float(np.degrees((first * second.inv()).magnitude().max()))


@pytest.mark.parametrize("biased", [False, True])
def test_batch_per_sample_and_pure_python_agree(biased: bool) -> None:
    """One algorithm: rounding is all that may differ."""
    params = {"tauAcc": TAU_ACC_S, "motionBiasEstEnabled": biased, "restBiasEstEnabled": biased}
    gyro, accel = hand_samples(3.0, 1)
    gyro[:250], accel[:250] = gyro[:1] * 0.001, accel[:1]  # a rest, so that this branch runs as well
    batch = vqf.VQF(1 / RATE_HZ, **params).updateBatch(gyro, accel)["quat6D"]
    single, python = vqf.VQF(1 / RATE_HZ, **params), vqf.PyVQF(1 / RATE_HZ, **params)
    one_by_one, in_python = np.empty_like(batch), np.empty_like(batch)
    for at in range(len(gyro)):
        single.update(gyro[at], accel[at])
        python.update(gyro[at], accel[at])
        one_by_one[at], in_python[at] = single.getQuat6D(), python.getQuat6D()
    assert angle_deg(batch, one_by_one) < 1e-6
    assert angle_deg(batch, in_python) < 1e-4
    assert angle_deg(batch[:-1], batch[1:]) > 1.0  # it did move


def turned_twice(t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turn about Z by a(t), then about the new Y by b(t): orientation at t, and its turning rate in its own axes."""
    a, da = 0.8 * np.sin(9 * t) + 2.0 * t, 7.2 * np.cos(9 * t) + 2.0
    b, db = 0.6 * np.sin(25 * t + 1), 15.0 * np.cos(25 * t + 1)
    quat = Rotation.from_euler("ZY", np.stack([a, b], axis=1)).as_quat(scalar_first=True)
    return quat, np.stack([-da * np.sin(b), db, da * np.cos(b)], axis=1)


def relative_to_first(quat_wxyz: FloatArray) -> FloatArray:
    rotation = Rotation.from_quat(quat_wxyz, scalar_first=True)
    return (rotation[0].inv() * rotation).as_quat(scalar_first=True)


def closed_form_error_deg(rate_hz: float) -> float:
    truth, gyro = turned_twice(np.arange(round(10 * rate_hz)) / rate_hz)
    return angle_deg(relative_to_first(integrate_rotation(gyro, rate_hz)), relative_to_first(truth))


def test_integration_against_a_closed_form() -> None:
    """Axes that turn at 15 rad/s for 10 s: 0.28 deg at 200 Hz, coning within a step; a quarter at twice the rate."""
    coarse, fine = closed_form_error_deg(200.0), closed_form_error_deg(400.0)
    assert coarse < 0.35
    assert fine == pytest.approx(coarse / 4, rel=0.1)


def test_integration_stands_at_the_time_of_the_sample() -> None:
    """A part of a step early or late would show as turning rate times time: 2.1 deg for half a step of 200 Hz."""
    truth, gyro = turned_twice(np.arange(100) / RATE_HZ)
    assert angle_deg(relative_to_first(integrate_rotation(gyro, RATE_HZ)), relative_to_first(truth)) < 0.05


def test_integration_against_the_filters_own() -> None:
    """Given the rates half way between our samples, the filter's gyroscope-only orientation is ours."""
    t = np.arange(200) / RATE_HZ
    _, gyro = turned_twice(t)
    _, between = turned_twice(t - 0.5 / RATE_HZ)
    filter_ = vqf.VQF(1 / RATE_HZ)
    theirs = np.empty((t.size, 4))
    for at, rate in enumerate(between):
        filter_.updateGyr(rate)
        theirs[at] = filter_.getQuat3D()
    assert angle_deg(relative_to_first(integrate_rotation(gyro, RATE_HZ)), relative_to_first(theirs)) < 0.3


def test_orientation_settles_on_the_vertical_from_any_attitude() -> None:
    """A sensor at rest in 50 attitudes: its reading of gravity points up in the world, its turning rate stays."""
    for rotation in Rotation.random(50, rng=np.random.default_rng(4)):
        gravity = rotation.inv().apply([0.0, 0.0, 9.81])
        quat = estimate_orientation(np.zeros((400, 3)), np.tile(gravity, (400, 1)), Grid.steady(RATE_HZ, 400))
        np.testing.assert_allclose(rotate(quat, gravity), np.tile([0.0, 0.0, 9.81], (400, 1)), atol=1e-6)


def test_orientation_follows_a_turn_about_the_vertical() -> None:
    """Only the gyroscope sees it; 90 deg/s for two seconds."""
    rate = np.zeros((1000, 3))
    rate[300:700, 2] = np.pi / 2
    quat = estimate_orientation(rate, np.tile([0.0, 0.0, 9.81], (1000, 1)), Grid.steady(RATE_HZ, 1000))
    turned = Rotation.from_quat(quat[[200, -1]], scalar_first=True)
    assert np.degrees((turned[0].inv() * turned[1]).magnitude()) == pytest.approx(180.0, abs=1e-6)


def test_our_rotations_against_scipy() -> None:
    rng = np.random.default_rng(5)
    one, two = Rotation.random(200, rng=rng), Rotation.random(200, rng=rng)
    a, b = one.as_quat(scalar_first=True), two.as_quat(scalar_first=True)
    vectors = rng.normal(size=(200, 3))
    np.testing.assert_allclose(matrices(a), one.as_matrix(), atol=1e-12)
    np.testing.assert_allclose(rotate(a, vectors), one.apply(vectors), atol=1e-12)
    product = (one * two).as_quat(scalar_first=True)
    mine = multiply(a, b)
    np.testing.assert_allclose(mine * np.sign(mine[:, :1]), product * np.sign(product[:, :1]), atol=1e-12)
