"""Calibration against injected errors, an independent solver, gravity's formula; refused where it cannot be right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from analysis.model.errors import InputError
from analysis.signal.calibration import (
    FACES,
    CalibrationSettings,
    StillMean,
    face_up,
    fit_positions,
    normal_gravity_mps2,
    still_mean,
)

G = 9.8124740779
BIAS = np.array([0.25, -0.18, 0.32])
T = np.eye(3) + np.array([[0.021, 0.004, -0.003], [0.004, -0.017, 0.006], [-0.003, 0.006, 0.012]])


# WGS84 normal gravity by Somigliana's closed formula (NIMA TR8350.2): equator 9.7803253359, pole 9.8321849379.
@pytest.mark.parametrize(
    ("latitude", "gravity"), [(0, 9.7803253359), (45, 9.8061977694), (-52, 9.8124740779), (90, 9.8321849379)]
)
def test_normal_gravity(latitude: float, gravity: float) -> None:
    assert normal_gravity_mps2(latitude) == pytest.approx(gravity, abs=1e-9)


def test_gravity_falls_with_height_and_refuses_the_moon() -> None:
    assert normal_gravity_mps2(45, 1000) == pytest.approx(9.8061977694 - 0.003086, abs=1e-9)
    for latitude, height in ((91, 0), (0, 10_000), (float("nan"), 0)):
        with pytest.raises(InputError, match="latitude of -90 to 90"):
            normal_gravity_mps2(latitude, height)


def resting(up: np.ndarray, noise: float = 0.002, rng: np.random.Generator | None = None) -> StillMean:
    reading = T @ (G * up / np.linalg.norm(up)) + BIAS
    if rng is not None:
        reading = reading + noise * rng.normal(size=3)
    se = np.full(3, noise)
    return StillMean(reading, np.zeros(3), se, se / 100)


def faces(placement_deg: float, seed: int, extra: int = 0) -> list[StillMean]:
    rng = np.random.default_rng(seed)
    ups = [np.eye(3)["xyz".index(face[1])] * (1 if face[0] == "+" else -1) for face in FACES]
    ups = [up + np.radians(placement_deg) * rng.normal(size=3) for up in ups]
    ups += [rng.normal(size=3) for _ in range(extra)]
    return [resting(up, rng=rng) for up in ups]


def corrected_error(matrix: object, bias: object) -> float:
    """Largest error (m/s^2) of a corrected reading of gravity, over many directions, a common turn left free."""
    ups = np.random.default_rng(0).normal(size=(200, 3))
    ups /= np.linalg.norm(ups, axis=1, keepdims=True)
    readings = G * ups @ T.T + BIAS
    corrected = (readings - np.asarray(bias)) @ np.asarray(matrix).T
    return float(np.abs(np.linalg.norm(corrected, axis=1) - G).max())


def test_perfect_placement_gives_the_injected_errors() -> None:
    fit = fit_positions(faces(0.0, 1), G)
    # The prior draws cross-axis towards zero by a known part; scale and bias are sharp.
    np.testing.assert_allclose(fit.bias_mps2, BIAS, atol=0.006)
    np.testing.assert_allclose(fit.scale_error, np.diag(T) - 1, atol=6e-4)
    assert corrected_error(fit.calibration.accel_matrix, fit.calibration.accel_bias_mps2) < 0.06


def test_extra_positions_between_the_faces_make_cross_axis_sharp() -> None:
    fit = fit_positions(faces(2.0, 2, extra=12), G)
    np.testing.assert_allclose(fit.cross_axis, [T[0, 1], T[0, 2], T[1, 2]], atol=1e-3)
    assert corrected_error(fit.calibration.accel_matrix, fit.calibration.accel_bias_mps2) < 0.015
    assert np.linalg.norm(T @ np.array(fit.calibration.accel_matrix) - np.eye(3)) < 2e-3


def test_errors_fall_within_their_stated_uncertainty() -> None:
    """200 calibrations of drawn sensors: normalised errors have a spread near 1."""
    rng = np.random.default_rng(3)
    s = CalibrationSettings()
    scores = []
    for seed in range(200):
        e = np.diag(s.scale_sd * rng.normal(size=3))
        off = s.cross_sd * rng.normal(size=3)
        for value, (i, j) in zip(off, ((0, 1), (0, 2), (1, 2)), strict=True):
            e[i, j] = e[j, i] = value
        bias = 0.3 * rng.normal(size=3)
        positions = []
        for face in FACES:
            up = np.eye(3)["xyz".index(face[1])] * (1 if face[0] == "+" else -1)
            up = up + s.placement_sd_rad * rng.normal(size=3)
            reading = (np.eye(3) + e) @ (G * up / np.linalg.norm(up)) + bias + 0.004 * rng.normal(size=3)
            positions.append(StillMean(reading, np.zeros(3), np.full(3, 0.002), np.full(3, 1e-5)))
        fit = fit_positions(positions, G)
        scores += list((fit.scale_error - np.diag(e)) / fit.scale_se)
        scores += list((fit.cross_axis - off) / fit.cross_axis_se)
        scores += list((fit.bias_mps2 - bias) / fit.bias_se_mps2)
        del seed
    assert 0.85 < np.std(scores) < 1.15


def test_against_an_independent_least_squares() -> None:
    """The same posterior, written down once more with angles and solved by scipy."""
    positions, s = faces(1.5, 4, extra=3), CalibrationSettings()
    fit = fit_positions(positions, G)
    means = np.array([p.accel_mps2 for p in positions])
    sd = np.hypot(0.002, s.noise_floor_mps2)

    def cost(theta: np.ndarray) -> np.ndarray:
        bias, e, angles = theta[:3], theta[3:9], theta[9:].reshape(-1, 2)
        matrix = np.array([[1 + e[0], e[3], e[4]], [e[3], 1 + e[1], e[5]], [e[4], e[5], 1 + e[2]]])
        out = [bias / s.bias_sd_mps2, e[:3] / s.scale_sd, e[3:] / s.cross_sd]
        for k, (mean, (a, b)) in enumerate(zip(means, angles, strict=True)):
            base = np.zeros(3)
            if k < 6:
                axis = int(np.argmax(np.abs(mean)))
                base[axis] = np.sign(mean[axis])
                one, two = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
                out.append(np.array([a, b]) / s.placement_sd_rad)
            else:
                base = mean / np.linalg.norm(mean)
                one = np.linalg.svd(base[None])[2][1]
                two = np.cross(base, one)
                out.append(np.array([a, b]) / 1.0)
            up = base + a * one + b * two
            out.append((mean - matrix @ (G * up / np.linalg.norm(up)) - bias) / sd)
        return np.concatenate(out)

    best = least_squares(cost, np.zeros(9 + 2 * len(means)), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    np.testing.assert_allclose(fit.bias_mps2, best.x[:3], atol=2e-6)
    np.testing.assert_allclose(np.concatenate([fit.scale_error, fit.cross_axis]), best.x[3:9], atol=2e-7)
    covariance = np.linalg.inv(best.jac.T @ best.jac)
    np.testing.assert_allclose(fit.bias_se_mps2, np.sqrt(np.diag(covariance))[:3], rtol=1e-3)
    np.testing.assert_allclose(fit.cross_axis_se, np.sqrt(np.diag(covariance))[6:9], rtol=1e-3)


def test_six_positions_agree_with_the_textbook_halves() -> None:
    """Half sum and half difference of opposite faces: what every handbook does for bias and scale."""
    positions = faces(0.5, 5)
    fit = fit_positions(positions, G)
    m = np.array([p.accel_mps2 for p in positions])
    for i in range(3):
        assert fit.bias_mps2[i] == pytest.approx((m[2 * i, i] + m[2 * i + 1, i]) / 2, abs=0.01)
        assert fit.scale_error[i] == pytest.approx((m[2 * i, i] - m[2 * i + 1, i]) / (2 * G) - 1, abs=1e-3)


def test_refusals() -> None:
    good = faces(1.0, 6)
    with pytest.raises(InputError, match=r"none with -z up; add these"):
        fit_positions(good[:5], G)
    with pytest.raises(InputError, match="gravity of a place on Earth"):
        fit_positions(good, 1.62)
    doubled = [replace(p, accel_mps2=p.accel_mps2 * 2) for p in good]
    with pytest.raises(InputError, match=r"2.* times it in position .* range in the sensor's profile"):
        fit_positions(doubled, G)
    pushed = [*good, replace(good[4], accel_mps2=good[4].accel_mps2 + np.array([0.0, 0.0, 0.5]))]
    with pytest.raises(InputError, match="sensor moved in one of them"):
        fit_positions(pushed, G)
    stretched = [replace(p, accel_mps2=p.accel_mps2 * [1.14, 1.0, 1.0]) for p in good]
    with pytest.raises(InputError, match="sensor is broken"):
        fit_positions(stretched, G)


def test_face_up() -> None:
    assert [face_up(np.eye(3)[i] * sign * 9.8) for i in range(3) for sign in (1, -1)] == list(FACES)
    assert face_up(np.array([9.8, 9.8, 0.0])) is None


def still(seconds: float, rng: np.random.Generator, rate: float = 400.0) -> tuple[np.ndarray, np.ndarray]:
    n = int(seconds * rate)
    gyro = np.radians([1.2, -0.7, 0.4]) + np.radians(0.1) * rng.normal(size=(n, 3))
    return np.array([0.1, 0.2, 9.8]) + 0.03 * rng.normal(size=(n, 3)), gyro


def test_still_bias_and_its_error() -> None:
    errors, stated = [], []
    for seed in range(100):
        accel, gyro = still(3.0, np.random.default_rng(seed))
        mean = still_mean(accel, gyro, 400.0)
        errors.append(mean.gyro_radps - np.radians([1.2, -0.7, 0.4]))
        stated.append(mean.gyro_se_radps)
    assert np.std(errors) == pytest.approx(float(np.mean(stated)), rel=0.15)


def test_what_is_not_still_is_refused() -> None:
    rng = np.random.default_rng(1)
    accel, gyro = still(3.0, rng)
    t = np.arange(len(gyro)) / 400.0
    cases = [
        (accel[:100], gyro[:100], "hold it longer"),
        (accel, gyro + 0.1 * np.sin(9 * t)[:, None], "found it turning"),
        (accel + np.sin(50 * t)[:, None], gyro, "found it shaking"),
        (accel, gyro + 0.015 * t[:, None], "drifting.*warm up"),
        (accel, gyro + 0.8, "sensor is broken"),
    ]
    for a, w, message in cases:
        with pytest.raises(InputError, match=message):
            still_mean(a, w, 400.0)
