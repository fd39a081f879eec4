"""The check's findings on scripted motion with known faults: each fault is named, a good sensor passes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.model.records import RawSamples
from logger.sources import sensor_check as check
from logger.sources.clock import ClockFit
from logger.sources.messages import Battery
from logger.sources.stream import Losses
from tests.logger.sources.motion import RATE, SENSOR, G, counts_of, flick, raw_of, resting, strokes, turning


def test_rate_by_ticks_and_against_the_computer() -> None:
    fit = ClockFit(0.0, 0.0, 1.0 + 250e-6, 0.0004, 0.001, 0.004)
    rate, clock = check.check_rate(raw_of(counts_of(*resting(5.0)), rate_hz=396.0), SENSOR, fit)
    assert rate.found.startswith("396.00 a second (-1.00%")
    assert rate.verdict == clock.verdict == "ok"
    assert "+250 ppm" in clock.found
    slow = SENSOR.__class__(**{**SENSOR.__dict__, "rate_hz": 60.0})
    assert check.check_rate(raw_of(counts_of(*resting(5.0)), rate_hz=60.0), slow, None)[0].verdict == "not usable"
    wrong = check.check_rate(raw_of(counts_of(*resting(5.0)), rate_hz=300.0), SENSOR, None)[0]
    assert wrong.verdict == "not usable"
    assert "rate" in wrong.advice


@pytest.mark.parametrize(("lost", "verdict"), [(0, "ok"), (4, "ok"), (40, "usable"), (400, "not usable")])
def test_losses(lost: int, verdict: str) -> None:
    finding = check.check_losses(raw_of(counts_of(*resting(10.0))), Losses(damaged=lost, repeated=2))
    assert finding.verdict == verdict
    assert "2 came twice" in finding.found


def test_noise_is_measured_as_injected() -> None:
    """0.04 m/s^2 a sample at 400/s is a one-sided density of 0.04 / sqrt(200) m/s^2/rtHz."""
    accel, gyro = check.to_si(raw_of(counts_of(*resting(30.0))), SENSOR)
    assert check.noise_density(accel, RATE) == pytest.approx(0.04 / math.sqrt(200), rel=0.05)
    assert check.noise_density(gyro, RATE) == pytest.approx(np.radians(0.1) / math.sqrt(200), rel=0.05)


def test_noise_cost_against_brute_force() -> None:
    """The tilt error that white noise causes, by integrating drawn noise twice in the frequency domain."""
    rng, density, n = np.random.default_rng(1), 0.004, 1 << 20
    f = np.fft.rfftfreq(n, 1 / RATE)
    spectrum = np.fft.rfft(rng.normal(size=n) * density * math.sqrt(RATE / 2))
    keep = f >= 0.5 * check.CYCLE_HZ
    spectrum[keep] /= (2 * np.pi * f[keep]) ** 2
    spectrum[~keep] = 0.0
    sd_mm = 1e3 * np.std(np.fft.irfft(spectrum, n))
    expected = math.degrees(math.sqrt(2) * sd_mm / check.SPAN_MM)
    assert check.noise_cost_deg(density) == pytest.approx(expected, rel=0.05)


def test_a_good_still_passes_and_others_do_not() -> None:
    findings, mean = check.check_still(raw_of(counts_of(*resting(10.0))), SENSOR)
    assert check.worst(findings) == "ok"
    assert mean is not None
    assert {f.name for f in findings} == {"noise", "turning bias", "gravity", "mark +z"}
    upside, _ = check.check_still(raw_of(counts_of(*resting(10.0, (0, 0, -1)))), SENSOR)
    assert "-z points up instead" in next(f.found for f in upside if f.name == "mark +z")
    accel, gyro = resting(10.0)
    wrong_range, _ = check.check_still(raw_of(counts_of(accel / 2, gyro)), SENSOR)
    assert next(f.verdict for f in wrong_range if f.name == "gravity") == "not usable"
    shaken, none = check.check_still(raw_of(counts_of(*strokes(10.0))), SENSOR)
    assert none is None
    assert shaken[0].verdict == "not usable"
    loud, _ = check.check_still(raw_of(counts_of(accel, gyro, noise=5.0)), SENSOR)
    assert next(f.tilt_deg for f in loud if f.name == "noise") > 0.2


def turn_findings(change: np.ndarray | None = None) -> list[check.SensorFinding]:
    _, mean = check.check_still(raw_of(counts_of(*resting(10.0))), SENSOR)
    assert mean is not None
    counts = counts_of(*turning(6.0, 2.0))
    if change is not None:
        counts[:, 3:] = counts[:, 3:] @ change
    return check.check_turn(raw_of(counts), SENSOR, mean)


def test_agreeing_axes_pass_and_mirrored_or_swapped_ones_do_not() -> None:
    assert [f.verdict for f in turn_findings()] == ["ok", "ok"]
    mirrored = turn_findings(np.diag([1, -1, 1]))
    assert mirrored[1].verdict == "not usable"
    assert "swapped or mirrored" in mirrored[1].advice
    swapped = turn_findings(np.array([[0, 1, 0], [1, 0, 0], [0, 0, 1]]))
    assert swapped[1].verdict == "not usable"


@pytest.mark.parametrize(("peak", "verdict"), [(40.0, "ok"), (73.0, "usable"), (90.0, "not usable")])
def test_clipping(peak: float, verdict: str) -> None:
    finding = check.check_clipping(raw_of(counts_of(*strokes(8.0, peak_mps2=peak))), SENSOR)
    assert finding.verdict == verdict


def test_wobble_is_measured_as_injected() -> None:
    wobble = check.measure_wobble(raw_of(counts_of(*flick(5.0, 8.0, 24.0, 0.10))), SENSOR)
    assert wobble is not None
    assert wobble.frequency_hz == pytest.approx(24.0, abs=1.5)
    assert wobble.amplitude_mps2 == pytest.approx(8.0, rel=0.3)
    assert wobble.decay_s == pytest.approx(0.10, rel=0.3)


def test_wobble_cost() -> None:
    play = raw_of(counts_of(*strokes(8.0)))
    firm = check.check_wobble(
        check.measure_wobble(raw_of(counts_of(*flick(5.0, 2.0, 40.0, 0.03))), SENSOR), play, SENSOR
    )
    loose = check.check_wobble(
        check.measure_wobble(raw_of(counts_of(*flick(5.0, 15.0, 16.0, 0.2))), SENSOR), play, SENSOR
    )
    assert firm.verdict == "ok"
    assert loose.verdict in ("usable", "not usable")
    assert "tighten the strap" in loose.advice
    assert firm.tilt_deg is not None
    assert loose.tilt_deg is not None
    assert loose.tilt_deg > 1.0 > firm.tilt_deg
    nobody = check.check_wobble(check.measure_wobble(raw_of(counts_of(*resting(5.0))), SENSOR), play, SENSOR)
    assert "flick the hand hard" in nobody.advice


def test_battery_and_delay() -> None:
    assert check.check_battery(None) is None
    low = check.check_battery(Battery(3500, 10, False, False))
    assert low is not None
    assert low.verdict == "usable"
    charging = check.check_battery(Battery(4100, 90, True, True))
    assert charging is not None
    assert "never wear it while it charges" in charging.advice
    assert check.check_latency(None).verdict == "usable"
    assert check.check_latency(ClockFit(0, 0, 1, 0, 0.01, 0.3)).verdict == "usable"
    assert check.check_latency(ClockFit(0, 0, 1, 0, 0.001, 0.02)).verdict == "ok"


def test_the_worst_finding_decides() -> None:
    ok, bad = check.SensorFinding("a", "", "ok"), check.SensorFinding("b", "", "not usable")
    assert check.worst([ok, bad, ok]) == "not usable"
    assert check.worst([ok]) == "ok"


def test_gravity_constant_of_the_scripts() -> None:
    raw: RawSamples = raw_of(counts_of(*resting(2.0)))
    accel, _ = check.to_si(raw, SENSOR)
    assert np.linalg.norm(accel.mean(axis=0)) == pytest.approx(G, rel=1e-3)


def test_a_slow_sensor_serves_on_the_instrument_and_is_told_what_it_misses() -> None:
    for rate_hz, verdict in ((400.0, "ok"), (60.0, "usable"), (15.0, "not usable")):
        profile = SENSOR.__class__(**{**SENSOR.__dict__, "rate_hz": rate_hz})
        raw = raw_of(counts_of(*resting(20.0)), rate_hz=rate_hz)
        finding = check.check_rate(raw, profile, None, "instrument")[0]
        assert finding.verdict == verdict
        assert ("200 a second" in finding.advice) == (verdict != "ok")
        still, _ = check.check_still(raw, profile, "instrument")
        assert all(line.tilt_deg in (None, 0.0) for line in still)
