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

from analysis.model.records import FloatArray
from analysis.motion.level import smooth_drift
from analysis.motion.level_settings import LevelSettings
from analysis.motion.level_states import Turns

NOISE = 6e-3
READING_M = 3e-4
SPLINE = LevelSettings(
    (NOISE,), 1e-5, level_sizes_m=(1e-7,), reading_m=READING_M, reading_shares=(0.0,), half_span_m=0.0
)
"""A level that does not move, strokes of no length, a bias that does not walk: what is left is a smoothing spline."""


def turns(time_s: FloatArray, turned_rad: FloatArray | None = None, side: FloatArray | None = None) -> Turns:
    """Turns at these times, to either side by turns or not at all."""
    n = time_s.size
    turned = np.zeros((n, 0)) if turned_rad is None else turned_rad
    return Turns(time_s, np.zeros(n) if side is None else side, np.zeros(n, dtype=bool), turned)


def to_and_fro(n: int) -> FloatArray:
    return np.where(np.arange(n) % 2 == 0, -1.0, 1.0)


def test_with_a_level_held_still_it_is_the_cubic_smoothing_spline() -> None:
    rng = np.random.default_rng(5)
    time_s = np.cumsum(rng.uniform(0.08, 0.3, 60))
    readings = 1e-3 * rng.normal(size=60).cumsum()
    drift = smooth_drift(turns(time_s), readings[:, None], SPLINE)
    # Wahba 1978: least squares of the readings, plus reading variance over that of the acceleration times int f''^2.
    spline = make_smoothing_spline(drift.time_s, readings, lam=READING_M**2 / (0.5 * NOISE**2))
    np.testing.assert_allclose(drift.position_m[:, 0], spline(drift.time_s), atol=2e-6)
    np.testing.assert_allclose(drift.speed_mps[1:-1, 0], spline(drift.time_s, 1)[1:-1], atol=5e-5)
    between = np.linspace(time_s[5], time_s[50], 400)
    np.testing.assert_allclose(drift.at(between)[:, 0], spline(between), atol=5e-6)


def test_with_a_level_that_follows_the_turn_it_is_the_partial_spline() -> None:
    rng = np.random.default_rng(11)
    time_s = np.cumsum(rng.uniform(0.08, 0.3, 70))
    turned = 0.1 * rng.normal(size=(70, 3))
    readings = 1e-3 * rng.normal(size=70).cumsum() + turned @ [0.05, -0.02, 0.08]
    free = replace(SPLINE, across=0, turning_m_per_rad=100.0, following_gain=-np.inf)
    drift = smooth_drift(turns(time_s, turned), readings[:, None], free)
    # Green, Jennison, Seheult 1985: beta = (X'(I - S)X)^-1 X'(I - S)y with S the spline's smoother; then S(y - X beta).
    lam = READING_M**2 / (0.5 * NOISE**2)

    def smooth(values: FloatArray) -> FloatArray:
        return np.asarray(make_smoothing_spline(time_s, values, lam=lam)(time_s))

    x = turned - turned.mean(axis=0)
    left = x.T @ (x - np.stack([smooth(each) for each in x.T], axis=1))
    beta = np.linalg.solve(left, x.T @ (readings - smooth(readings)))
    np.testing.assert_allclose(drift.position_m[:, 0], smooth(readings - x @ beta), atol=5e-6)


def test_strokes_of_any_length_are_no_drift() -> None:
    """The same partial spline with the side of each turn: half a stroke is unknown, and drops out."""
    rng = np.random.default_rng(6)
    time_s = np.cumsum(rng.uniform(0.2, 0.3, 60))
    readings, side = 1e-3 * rng.normal(size=60).cumsum(), to_and_fro(60)
    free = replace(SPLINE, half_span_m=10.0)
    found = [smooth_drift(turns(time_s, side=side), (readings + h * side)[:, None], free) for h in (0.0, 7.5e-3)]
    np.testing.assert_allclose(found[0].position_m, found[1].position_m, atol=1e-9)
    plain = smooth_drift(turns(time_s), readings[:, None], SPLINE)
    assert np.abs(found[0].position_m - plain.position_m).max() > 1e-5


def test_a_hand_that_turns_as_it_goes_to_another_string_tells_its_level() -> None:
    rng = np.random.default_rng(12)
    n, step = 120, 0.3
    # Strings 10.5 mm apart, another one after every third stroke or so; joints of 80 mm do half of the way.
    level = 10.5e-3 * np.clip(np.cumsum(rng.choice([-1, 0, 0, 0, 1], n)), -3, 3)
    turned = np.outer(0.5 * level / 0.08 + 0.02 * rng.normal(size=n), [0.2, 0.1, 0.97])
    white = 4e-3 / np.sqrt(2 * 0.01) * rng.normal(size=int(n * step / 0.01) + 1)
    drift = np.cumsum(np.cumsum(white)) * 1e-4
    at = np.rint(100 * np.arange(n) * step).astype(int)
    side = to_and_fro(n)
    seen_m = drift[at] + level + 1e-3 * rng.normal(size=n) + 7.5e-3 * side
    readings = np.stack([0 * level, seen_m, 0 * level], axis=1)
    error = []
    for seen in (None, turned, rng.normal(size=(n, 3))):
        found = smooth_drift(turns(step * np.arange(n), seen, side), readings, LevelSettings()).position_m[:, 1]
        error.append(float(np.std(np.diff(found) - np.diff(drift[at]))))
    assert error[1] < 0.6 * error[0]
    assert error[2] < 1.1 * error[0]  # a turn that has nothing to do with it is not followed


def test_the_weight_of_a_reading_is_silvermans_kernel() -> None:
    step, n, reading_m = 0.02, 401, 3e-3
    readings = np.zeros((n, 1))
    readings[n // 2] = 1.0
    settings = replace(SPLINE, reading_m=reading_m)
    found = smooth_drift(turns(step * np.arange(n)), readings, settings).position_m[:, 0]
    h = (reading_m**2 / (0.5 * NOISE**2) * step) ** 0.25
    u = np.abs(step * (np.arange(n) - n // 2)) / h / np.sqrt(2)
    kernel = 0.5 * np.exp(-u) * np.sin(u + np.pi / 4)
    assert h > 10 * step  # the kernel holds where many readings lie within it
    np.testing.assert_allclose(found, step / h * kernel, atol=0.01 * step / h)


def rauch_tung_striebel(time_s: FloatArray, readings: FloatArray, size: float, settings: LevelSettings) -> FloatArray:
    """Means of drift, speed, bias and level, forwards and back as published."""
    white, walk = 0.5 * settings.accel_noise_mps2_rthz[0] ** 2, 0.5 * settings.bias_walk_mps3_rthz**2
    noise = np.hypot(settings.reading_m, settings.reading_shares[0] * size) ** 2
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
    time_s = np.cumsum(rng.uniform(0.08, 0.3, 40))
    readings = 5e-3 * rng.normal(size=40)
    readings -= np.polynomial.Polynomial.fit(time_s, readings, 2)(time_s)  # what the smoother takes out first
    settings = LevelSettings((NOISE,), level_sizes_m=(3e-3,), reading_shares=(0.3,), half_span_m=0.0)
    drift = smooth_drift(turns(time_s), readings[:, None], settings)
    expected = rauch_tung_striebel(time_s, readings, 3e-3, settings)
    np.testing.assert_allclose(drift.position_m[:, 0], expected[:, 0], atol=1e-6)
    np.testing.assert_allclose(drift.speed_mps[:, 0], expected[:, 1], atol=1e-5)


def drawn(rng: np.random.Generator, at_s: FloatArray, size: float, settings: LevelSettings) -> tuple[FloatArray, ...]:
    """Readings of a level, strokes and a drift drawn in steps of 2 ms, and the drift itself."""
    dt = 2e-3
    n = round(at_s[-1] / dt) + 1
    bias = np.cumsum(rng.normal(size=n)) * settings.bias_walk_mps3_rthz * np.sqrt(dt / 2)
    accel = bias + settings.accel_noise_mps2_rthz[0] * rng.normal(size=n) / np.sqrt(2 * dt)
    path = np.cumsum(np.cumsum(accel)) * dt**2
    keep = np.exp(-np.diff(at_s).mean() / settings.level_time_s)
    level = np.zeros(at_s.size)
    for k in range(level.size):
        level[k] = (keep * level[k - 1] + size * np.sqrt(1 - keep**2) * rng.normal()) if k else size * rng.normal()
    noise = np.hypot(settings.reading_m, settings.reading_shares[0] * size) * rng.normal(size=at_s.size)
    drift = path[np.round(at_s / dt).astype(int)]
    return drift + level + noise + 7.5e-3 * to_and_fro(at_s.size), drift


@pytest.mark.parametrize("size_mm", [0.5, 10.0])
def test_its_standard_error_is_that_of_its_errors(size_mm: float) -> None:
    """Forty series of sixty strokes: errors of the chord over their stated standard error have unit spread.

    Where sizes are sought in so few turns, what is not known of them is left to ``se_factors``.
    """
    rng = np.random.default_rng(round(size_mm))
    sought = LevelSettings(accel_noise_mps2_rthz=(NOISE,), se_factors=(1.0, 1.0))
    known = replace(sought, level_sizes_m=(1e-3 * size_mm,), reading_shares=(0.3,), crossing_time_s=0.7)
    at_s = 0.12 * np.arange(61)
    ratios: dict[LevelSettings, list[FloatArray]] = {sought: [], known: []}
    for _ in range(40):
        readings, true = drawn(rng, at_s, 1e-3 * size_mm, known)
        for settings, found in ratios.items():
            drift = smooth_drift(turns(at_s, side=to_and_fro(61)), readings[:, None], settings)
            found.append((np.diff(drift.position_m[:, 0]) - np.diff(true)) / drift.chord_se_m[:, 0])
    spread = {settings: np.sqrt(np.mean(np.square(found))) for settings, found in ratios.items()}
    assert spread[known] == pytest.approx(1.0, abs=0.1)
    assert 0.9 < spread[sought] < 1.4


def test_few_strokes_say_that_they_say_little() -> None:
    settings = LevelSettings()
    stroke = turns(np.array([0.0, 0.1]), side=np.array([-1.0, 1.0]))
    one = smooth_drift(stroke, np.array([[-4.5e-3], [10.5e-3]]), settings)
    many = smooth_drift(turns(0.1 * np.arange(301), side=to_and_fro(301)), np.zeros((301, 1)), settings)
    assert one.chord_se_m[0, 0] > 0.05
    assert one.at(np.array([0.05]))[0, 0] == pytest.approx(3e-3)
    assert many.chord_se_m.max() < 3e-4
    np.testing.assert_allclose(many.chord_se_m, many.chord_se_m[::-1], rtol=0.05)


def test_a_stroke_alone_keeps_the_chord_that_was_measured() -> None:
    stroke = turns(np.array([0.0, 0.1]), side=np.array([-1.0, 1.0]))
    drift = smooth_drift(stroke, np.array([[-7.5e-3, -2e-3], [7.5e-3, 2e-3]]), LevelSettings())
    np.testing.assert_allclose(drift.position_m[1], drift.position_m[0], atol=1e-9)
