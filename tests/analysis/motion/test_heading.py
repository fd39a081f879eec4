"""The heading process on headings drawn by hand: what it follows, what it leaves, what it admits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline

from analysis.model.records import FloatArray, IntArray
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings, fit_drift

SETTINGS = HeadingSettings()


def fitted(
    times_s: FloatArray, yaw_deg: FloatArray, group: IntArray | None = None, settings: HeadingSettings = SETTINGS
) -> HeadingDrift:
    group = np.zeros(times_s.size, dtype=np.int64) if group is None else group
    return fit_drift(times_s, np.radians(yaw_deg), group, np.zeros(times_s.size, dtype=bool), 0.0, settings)


def at(drift: HeadingDrift, time_s: float) -> tuple[float, float]:
    """Mean and standard deviation (deg) of the drift."""
    moment = np.array([time_s])
    return float(np.degrees(drift.mean_rad(moment)[0])), float(np.degrees(np.sqrt(drift.covariance_rad2(moment)[0, 0])))


def wandering(times_s: FloatArray, seed: int) -> FloatArray:
    """A hand's yaw about its home, drawn from the process that is assumed."""
    apart = np.abs(np.subtract.outer(times_s, times_s))
    cov = 2.5**2 * np.exp(-apart / 60) + 1.8**2 * np.exp(-apart / 4) + 0.3**2 * np.eye(times_s.size)
    return np.linalg.cholesky(cov) @ np.random.default_rng(seed).normal(size=times_s.size)


def test_drift_is_zero_at_its_reference_and_nothing_is_known_without_observations() -> None:
    drift = fitted(np.empty(0), np.empty(0))
    assert at(drift, 0.0) == (0.0, 0.0)
    mean, sd = at(drift, 1000.0)
    assert mean == 0.0
    # By hand: (rate * t)^2 + walk^2 t^3 / 3.
    assert sd == pytest.approx(np.sqrt((SETTINGS.rate_dps * 1e3) ** 2 + SETTINGS.walk_dps_rts**2 * 1e9 / 3), rel=1e-6)


def test_with_a_hand_at_rest_it_is_the_cubic_smoothing_spline() -> None:
    """Twice integrated white noise seen in white noise has the smoothing spline as its posterior mean.

    Wahba, J. R. Statist. Soc. B 40, 1978, 364-372 (from memory); the spline is scipy's, its penalty (noise / walk)^2.
    """
    walk, noise = 0.01, 0.5
    still = replace(
        SETTINGS,
        rate_dps=100.0,
        walk_dps_rts=walk,
        wander_deg=0.0,
        unrest_deg=0.0,
        home_deg=1e4,
        window_noise_deg=noise,
    )
    rng = np.random.default_rng(8)
    t = np.cumsum(rng.uniform(3.0, 30.0, 40))
    yaw = 20.0 + 0.02 * t + 4.0 * np.sin(t / 90.0) + noise * rng.normal(size=t.size)
    spline = make_smoothing_spline(t, yaw, lam=(noise / walk) ** 2)
    asked = np.linspace(t[0], t[-1], 60)
    found = np.degrees(fitted(t, yaw, settings=still).mean_rad(asked))
    expected = spline(asked) - (spline(t[0]) - t[0] * spline(t[0], 1))  # straight from the reference at 0 to the first
    np.testing.assert_allclose(found, expected, atol=0.02)
    assert np.ptp(expected) > 5.0


def test_a_steady_drift_over_two_hours_is_followed() -> None:
    """0.05 deg/s would be 360 deg: found to a few degrees, and the stated error holds it."""
    t = np.arange(5.0, 7200.0, 18.0)
    for seed in range(4):
        drift = fitted(t, 0.05 * t + wandering(t, seed))
        mean, sd = at(drift, 7000.0)
        assert abs(mean - 350.0) < 3.0 * sd
        assert sd < 4.0


def test_stated_error_of_the_drift_is_honest() -> None:
    """Drifts drawn from the assumed process: deviations over stated errors have an RMS near 1."""
    t = np.arange(5.0, 1200.0, 15.0)
    rng = np.random.default_rng(3)
    ratio = []
    for seed in range(40):
        rate = SETTINGS.rate_dps * rng.normal()
        mean, sd = at(fitted(t, rate * t + 20 * rng.normal() + wandering(t, seed)), 1100.0)
        ratio.append((mean - 1100.0 * rate) / sd)
    assert 0.6 < np.sqrt(np.mean(np.square(ratio))) < 1.4


def test_a_new_posture_stays_in_the_data() -> None:
    """A hand that turns by 15 deg with its posture is no drift, where each posture is marked."""
    t = np.arange(5.0, 600.0, 5.0)
    group = (t > 300).astype(np.int64)
    yaw = wandering(t, 5) + 15.0 * group
    assert abs(at(fitted(t, yaw, group), 580.0)[0]) < 8.0
    # The same turn inside one posture must be drift: nothing else in the process is so steady and so large.
    assert at(fitted(t, yaw), 580.0)[0] > 3.0


def test_strings_show_the_drift_whatever_the_hand_does() -> None:
    """``along`` at the start and at the end: the azimuth of the strings does not wander."""
    t = np.array([0.0, 1800.0, *np.arange(1000.0, 1700.0, 10.0)])
    group = np.array([-1, -1, *([0] * (t.size - 2))])
    yaw = np.array([40.0, 58.0, *(33.0 + wandering(t[2:], 6))])
    mean, sd = at(fitted(t, yaw, group), 1800.0)
    assert mean == pytest.approx(18.0, abs=1.5)
    assert sd < 1.5


def test_heading_may_jump_at_a_gap() -> None:
    """A jump of 12 deg at a marked gap is followed for the most part, the rest could be the hand's own turn."""
    t = np.arange(5.0, 300.0, 2.5)
    yaw = 0.3 * wandering(t, 7) + 12.0 * (t > 150)
    gap = replace(SETTINGS, jumps_s=(150.0,))
    with_gap, without_gap = fitted(t, yaw, settings=gap), fitted(t, yaw)
    mean, sd = at(with_gap, 160.0)
    assert mean - at(with_gap, 140.0)[0] > 4.0
    assert abs(mean - 12.0) < 2.5 * sd
    assert abs(at(without_gap, 160.0)[0] - at(without_gap, 140.0)[0]) < 2.0
    # Nothing observed on the far side: all of the jump is uncertainty.
    early = t < 140
    blind = at(fitted(t[early], yaw[early], settings=gap), 160.0)[1]
    seen = at(fitted(t[early], yaw[early]), 160.0)[1]
    assert np.sqrt(blind**2 - seen**2) == pytest.approx(SETTINGS.jump_deg, rel=1e-3)


def test_jumps_before_the_reference_count_backwards() -> None:
    settings = replace(SETTINGS, jumps_s=(-50.0, -20.0, 30.0))
    drift = fitted(np.empty(0), np.empty(0), settings=settings)
    jumps = [
        (at(drift, time)[1] ** 2 - at(fitted(np.empty(0), np.empty(0)), time)[1] ** 2) / SETTINGS.jump_deg**2
        for time in (-60.0, -30.0, -10.0, 10.0, 40.0)
    ]
    assert jumps == pytest.approx([2.0, 1.0, 0.0, 0.0, 1.0], abs=1e-9)
