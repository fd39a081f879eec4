"""The smoother that tells the hand's level from drift, against published solutions; and what it says of its own error.

Sources: Silverman 1984, Ann. Statist. 12, 898-916 (a smoothing spline's weights are those of a kernel, in closed form);
the smoothing spline of scipy.interpolate.make_smoothing_spline; Rauch, Tung, Striebel 1965, AIAA J. 3, 1445-1450 (the
recursion, written out here); Green, Jennison, Seheult 1985, J. R. Stat. Soc. B 47, 299-315 (with a linear part).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline

from analysis.model.records import BoolArray, FloatArray
from analysis.motion.level import LevelSettings, smooth_drift

NOISE = 6e-3
READING_M = 3e-4
SPLINE = LevelSettings((NOISE,), 1e-5, 1.0, (1e-7,), reading_m=READING_M, reading_share=0.0)
"""A level that does not move and a bias that does not walk: what is left is a smoothing spline."""


def whole(n: int) -> BoolArray:
    """Strokes whose ends are turns."""
    return np.zeros(n, dtype=bool)


def even(n: int, step_s: float) -> tuple[FloatArray, FloatArray]:
    """Contiguous strokes whose middles lie ``step_s`` apart."""
    edges = step_s * np.arange(n + 1)
    return edges[:-1], edges[1:]


def test_with_a_level_held_still_it_is_the_cubic_smoothing_spline() -> None:
    rng = np.random.default_rng(5)
    start = np.cumsum(rng.uniform(0.08, 0.3, 60))
    end = np.append(start[1:], start[-1] + 0.1)
    readings = 1e-3 * rng.normal(size=60).cumsum()
    drift = smooth_drift((start, end), whole(start.size), readings[:, None], SPLINE)
    # Wahba 1978: least squares of the readings, plus reading variance over that of the acceleration times int f''^2.
    spline = make_smoothing_spline(drift.time_s, readings, lam=READING_M**2 / (0.5 * NOISE**2))
    np.testing.assert_allclose(drift.position_m[:, 0], spline(drift.time_s), atol=2e-6)
    np.testing.assert_allclose(drift.speed_mps[1:-1, 0], spline(drift.time_s, 1)[1:-1], atol=5e-5)
    between = np.linspace(start[5], start[50], 400)
    np.testing.assert_allclose(drift.at(between)[:, 0], spline(between), atol=5e-6)


def test_with_a_level_that_follows_the_turn_it_is_the_partial_spline() -> None:
    rng = np.random.default_rng(11)
    start = np.cumsum(rng.uniform(0.08, 0.3, 70))
    end = np.append(start[1:], start[-1] + 0.1)
    turned = 0.1 * rng.normal(size=(70, 3))
    readings = 1e-3 * rng.normal(size=70).cumsum() + turned @ [0.05, -0.02, 0.08]
    free = replace(SPLINE, across=0, turning_m_per_rad=100.0, following_gain=-np.inf)
    drift = smooth_drift((start, end), whole(70), readings[:, None], free, turned)
    # Green, Jennison, Seheult 1985: beta = (X'(I - S)X)^-1 X'(I - S)y with S the spline's smoother; then S(y - X beta).
    middle, lam = drift.time_s, READING_M**2 / (0.5 * NOISE**2)

    def smooth(values: FloatArray) -> FloatArray:
        return np.asarray(make_smoothing_spline(middle, values, lam=lam)(middle))

    x = turned - turned.mean(axis=0)
    left = x.T @ (x - np.stack([smooth(each) for each in x.T], axis=1))
    beta = np.linalg.solve(left, x.T @ (readings - smooth(readings)))
    np.testing.assert_allclose(drift.position_m[:, 0], smooth(readings - x @ beta), atol=5e-6)


def test_a_hand_that_turns_as_it_goes_to_another_string_tells_its_level() -> None:
    rng = np.random.default_rng(12)
    n, step = 120, 0.3
    # Strings 10.5 mm apart, another one after every third stroke or so; joints of 80 mm do half of the way.
    level = 10.5e-3 * np.clip(np.cumsum(rng.choice([-1, 0, 0, 0, 1], n)), -3, 3)
    turned = np.outer(0.5 * level / 0.08 + 0.02 * rng.normal(size=n), [0.2, 0.1, 0.97])
    white = 4e-3 / np.sqrt(2 * 0.01) * rng.normal(size=int(n * step / 0.01) + 1)
    drift = np.cumsum(np.cumsum(white)) * 1e-4
    middle = np.rint(100 * (np.arange(n) + 0.5) * step).astype(int)
    readings = np.stack([0 * level, drift[middle] + level + 1e-3 * rng.normal(size=n), 0 * level], axis=1)
    chord = drift[middle[1:]] - drift[middle[:-1]]
    error = []
    for seen in (None, turned, rng.normal(size=(n, 3))):
        found = smooth_drift(even(n, step), whole(n), readings, LevelSettings(), seen).position_m[:, 1]
        error.append(float(np.std(np.diff(found) - chord)))
    assert error[1] < 0.6 * error[0]
    assert error[2] < 1.1 * error[0]  # a turn that has nothing to do with it is not followed


def test_the_weight_of_a_reading_is_silvermans_kernel() -> None:
    step, n, reading_m = 0.02, 401, 3e-3
    readings = np.zeros((n, 1))
    readings[n // 2] = 1.0
    found = smooth_drift(even(n, step), whole(n), readings, replace(SPLINE, reading_m=reading_m)).position_m[:, 0]
    h = (reading_m**2 / (0.5 * NOISE**2) * step) ** 0.25
    u = np.abs(step * (np.arange(n) - n // 2)) / h / np.sqrt(2)
    kernel = 0.5 * np.exp(-u) * np.sin(u + np.pi / 4)
    assert h > 10 * step  # the kernel holds where many readings lie within it
    np.testing.assert_allclose(found, step / h * kernel, atol=0.01 * step / h)


def rauch_tung_striebel(time_s: FloatArray, readings: FloatArray, size: float, settings: LevelSettings) -> FloatArray:
    """Means of drift, speed, bias and level, forwards and back as published."""
    white, walk = 0.5 * settings.accel_noise_mps2_rthz[0] ** 2, 0.5 * settings.bias_walk_mps3_rthz**2
    noise = np.hypot(settings.reading_m, settings.reading_share * size) ** 2
    read = np.array([1.0, 0, 0, 1.0])
    mean, cov = np.zeros(4), np.diag(np.square([10.0, 1.0, 0.1, size]))
    before, after = [], []
    for k, reading in enumerate(readings):
        f, q = np.eye(4), np.zeros((4, 4))
        if k:
            dt = time_s[k] - time_s[k - 1]
            f[0, 1] = f[1, 2] = dt
            f[0, 2] = dt**2 / 2
            f[3, 3] = np.exp(-dt / settings.level_time_s)
            # Integrals of exp(A s) L L' exp(A s)' over the step, by Gauss's rule: exact for these powers.
            nodes, weights = np.polynomial.legendre.leggauss(5)
            for s, w in zip(0.5 * dt * (nodes + 1), 0.5 * dt * weights, strict=True):
                q[:3, :3] += w * white * np.outer([s, 1, 0], [s, 1, 0])
                q[:3, :3] += w * walk * np.outer([s**2 / 2, s, 1], [s**2 / 2, s, 1])
            q[3, 3] = size**2 * (1 - f[3, 3] ** 2)
            mean, cov = f @ mean, f @ cov @ f.T + q
        before.append((f, mean, cov))
        gain = cov @ read / (read @ cov @ read + noise)
        mean, cov = mean + gain * (reading - read @ mean), cov - np.outer(gain, read @ cov)
        after.append((mean, cov))
    smooth = [after[-1][0]]
    for (f, ahead, ahead_cov), (mean, cov) in zip(before[:0:-1], after[-2::-1], strict=True):
        smooth.append(mean + cov @ f.T @ np.linalg.solve(ahead_cov, smooth[-1] - ahead))
    return np.array(smooth[::-1])


def test_it_is_the_published_recursion() -> None:
    rng = np.random.default_rng(8)
    start = np.cumsum(rng.uniform(0.08, 0.3, 40))
    end = start + 0.08
    readings = 5e-3 * rng.normal(size=40)
    readings -= np.polynomial.Polynomial.fit(start, readings, 2)(start)  # what the smoother takes out first
    settings = LevelSettings((NOISE,), level_sizes_m=(3e-3,))
    drift = smooth_drift((start, end), whole(start.size), readings[:, None], settings)
    expected = rauch_tung_striebel(drift.time_s, readings, 3e-3, settings)
    np.testing.assert_allclose(drift.position_m[:, 0], expected[:, 0], atol=1e-6)
    np.testing.assert_allclose(drift.speed_mps[:, 0], expected[:, 1], atol=1e-5)


def drawn(rng: np.random.Generator, edges: FloatArray, size: float, settings: LevelSettings) -> tuple[FloatArray, ...]:
    """Readings of a level and a drift drawn in steps of 2 ms, and what the drift adds over each stroke."""
    dt = 2e-3
    n = round(edges[-1] / dt) + 1
    bias = np.cumsum(rng.normal(size=n)) * settings.bias_walk_mps3_rthz * np.sqrt(dt / 2)
    accel = bias + settings.accel_noise_mps2_rthz[0] * rng.normal(size=n) / np.sqrt(2 * dt)
    path = np.cumsum(np.cumsum(accel)) * dt**2
    at = np.round(edges / dt).astype(int)
    middle = (at[1:] + at[:-1]) // 2
    keep = np.exp(-np.diff(edges).mean() / settings.level_time_s)
    level = np.zeros(middle.size)
    for k in range(middle.size):
        level[k] = (keep * level[k - 1] + size * np.sqrt(1 - keep**2) * rng.normal()) if k else size * rng.normal()
    noise = np.hypot(settings.reading_m, settings.reading_share * size) * rng.normal(size=middle.size)
    return path[middle] + level + noise, np.diff(path[at])


@pytest.mark.parametrize("size_mm", [0.5, 10.0])
def test_its_standard_error_is_that_of_its_errors(size_mm: float) -> None:
    """Forty series of sixty strokes: errors of the chord over their stated standard error have unit spread."""
    rng = np.random.default_rng(round(size_mm))
    settings = LevelSettings(accel_noise_mps2_rthz=(NOISE,), se_factors=(1.0, 1.0))
    edges = 0.12 * np.arange(61)
    ratios = []
    for _ in range(40):
        readings, true = drawn(rng, edges, 1e-3 * size_mm, settings)
        drift = smooth_drift((edges[:-1], edges[1:]), whole(60), readings[:, None], settings)
        ratios.append((np.diff(drift.at(edges)[:, 0]) - true) / drift.chord_se_m[:, 0])
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.2)


def test_few_strokes_say_that_they_say_little() -> None:
    settings = LevelSettings()
    one = smooth_drift((np.array([0.0]), np.array([0.1])), whole(1), np.array([[3e-3]]), settings)
    many = smooth_drift(even(300, 0.1), whole(300), np.zeros((300, 1)), settings)
    assert one.chord_se_m[0, 0] > 0.05
    assert one.at(np.array([0.05]))[0, 0] == pytest.approx(3e-3)
    assert many.chord_se_m.max() < 3e-4
    np.testing.assert_allclose(many.chord_se_m, many.chord_se_m[::-1], rtol=0.05)
