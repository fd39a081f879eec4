"""Device time against host time: rate error, drift, and the arrival patterns of cables and radios."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from logger.sources.clock import ClockFit, DeviceClock, SequenceUnwrapper, edge_below


def arrivals(
    seconds: float, rate_error: float, delay: str, seed: int, drift_per_s: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """True device times of batches (25 ms apart) and their host arrivals; host time = (1 + e) device + 50 s."""
    rng = np.random.default_rng(seed)
    device = np.arange(0.0, seconds, 0.025) + 1000.0
    age = device - device[0]
    true_host = device * (1.0 + rate_error) + 0.5 * drift_per_s * age**2 + 50.0
    if delay == "cable":
        host = true_host + 0.001 + rng.exponential(0.0005, len(device))
    elif delay == "jittery":
        host = true_host + 0.008 + rng.gamma(1.5, 0.020, len(device))
    else:
        # Bursty radio: sent at connection events 48.75 ms apart, 3 % of the events fail and everything waits.
        interval = 0.04875
        event = np.floor(true_host / interval + 1.0)
        failed = set(np.flatnonzero(rng.random(int(event[-1]) + 200) < 0.03).tolist())
        for i, e in enumerate(event):
            while int(e) in failed:
                e += 1
            event[i] = e
        host = event * interval + 0.006 + rng.uniform(0.0, 0.002, len(device))
    return device, np.maximum.accumulate(host)


def fitted(device: np.ndarray, host: np.ndarray) -> ClockFit:
    clock = DeviceClock()
    for d, h in zip(device, host, strict=True):
        clock.observe(float(d), float(h))
    fit = clock.fit()
    assert fit is not None
    return fit


@pytest.mark.parametrize("rate_error", [-0.02, -0.0004, 0.0, 0.02])
@pytest.mark.parametrize(
    ("delay", "shortest_s", "within_s", "rate_within"),
    [("cable", 0.001, 0.0005, 5e-6), ("jittery", 0.008, 0.003, 3e-5), ("bursty", 0.006, 0.004, 3e-5)],
)
def test_line_under_the_arrivals(
    rate_error: float, delay: str, shortest_s: float, within_s: float, rate_within: float
) -> None:
    device, host = arrivals(300.0, rate_error, delay, 1)
    fit = fitted(device, host)
    assert fit.rate == pytest.approx(1.0 + rate_error, abs=rate_within)
    errors = [fit.host_s(d) - (d * (1.0 + rate_error) + 50.0 + shortest_s) for d in device[::100]]
    assert max(map(abs, errors)) < within_s
    assert fit.device_s(fit.host_s(1234.5)) == pytest.approx(1234.5)


@pytest.mark.parametrize("delay", ["cable", "jittery", "bursty"])
def test_early_fit_is_usable(delay: str) -> None:
    """Three seconds in, at 2 % rate error, an event is placed within 20 ms."""
    device, host = arrivals(3.0, 0.02, delay, 2)
    fit = fitted(device, host)
    assert abs(fit.host_s(float(device[-1])) - (device[-1] * 1.02 + 50.0)) < 0.020


def test_drift_over_hours() -> None:
    """A clock whose rate moves by 20 ppm over 4 h (a board warming up): still within 3 ms at the end."""
    device, host = arrivals(4 * 3600.0, 1e-4, "cable", 3, drift_per_s=20e-6 / (4 * 3600))
    fit = fitted(device, host)
    age = device[-1] - device[0]
    true = device[-1] * (1 + 1e-4) + 0.5 * 20e-6 / (4 * 3600) * age**2 + 50.001
    assert abs(fit.host_s(float(device[-1])) - true) < 0.003


def test_stated_residual_and_delay_are_what_they_say() -> None:
    device, host = arrivals(120.0, 0.0, "jittery", 4)
    fit = fitted(device, host)
    delays = host - (device + 50.0 + 0.008)
    assert fit.delay_p50_s == pytest.approx(float(np.percentile(delays, 50)), abs=0.004)
    assert fit.delay_p99_s == pytest.approx(float(np.percentile(delays, 99)), abs=0.015)
    assert 0.0 < fit.residual_s < 0.01


def test_memory_and_cost_stay_flat() -> None:
    clock = DeviceClock()
    for i in range(200_000):
        clock.observe(i * 0.025, i * 0.025 + 0.001)
    assert len(clock._blocks) <= 2401
    half = DeviceClock()
    for i in range(100_000):
        half.observe(i * 0.025, i * 0.025 + 0.001)
    assert cost_s(clock) < 3.0 * cost_s(half)


def cost_s(clock: DeviceClock) -> float:
    """Of this process, however busy the machine is; the least of some."""
    costs_s = []
    for _ in range(7):
        began_s = time.process_time()
        assert clock.fit() is not None
        costs_s.append(time.process_time() - began_s)
    return min(costs_s)


def test_rate_error_beyond_what_a_clock_can_have_is_clamped() -> None:
    fit = fitted(np.arange(0.0, 10.0, 0.025), np.arange(0.0, 10.0, 0.025) * 1.5)
    assert fit.rate == pytest.approx(1.03)


def test_no_fit_before_the_first_arrival() -> None:
    assert DeviceClock().fit() is None


@pytest.mark.parametrize("points", [2, 3, 500])
def test_the_edge_lies_below_all_points_as_the_hull_of_scipy_does(points: int) -> None:
    rng = np.random.default_rng(points)
    for _ in range(50):
        x, y = np.cumsum(rng.uniform(0.1, 0.4, points)), rng.gamma(1.5, 0.02, points)
        middle = float(x.mean())
        left, right = edge_below(x, y, middle)
        assert x[left] <= middle < x[right]
        line = y[left] + (y[right] - y[left]) / (x[right] - x[left]) * (x - x[left])
        assert (line <= y + 2e-9).all()
        if points > 2:
            edges = ConvexHull(np.stack([x, y], axis=1)).simplices.tolist()
            assert [left, right] in edges or [right, left] in edges


def test_a_line_of_arrivals_without_any_scatter_is_its_own_edge() -> None:
    x = 0.25 * np.arange(2401)
    left, right = edge_below(x, 1e-5 * x + 7.0, float(x.mean()))
    assert left < 1201 <= right


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_sequence_unwrapping(bits: int) -> None:
    numbers = np.cumsum(np.random.default_rng(bits).integers(1, 40, 2000))
    unwrapper = SequenceUnwrapper(bits)
    got = np.array([unwrapper.unwrap(int(n) % 2**bits) for n in numbers])
    np.testing.assert_array_equal(np.diff(got), np.diff(numbers))
    assert unwrapper.unwrap(int(numbers[-1] - 3) % 2**bits) == got[-1] - 3
    assert unwrapper.last == got[-1]
