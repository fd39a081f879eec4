"""Clock and hand, against the two-process model of Wing and Kristofferson.

Perception & Psychophysics 14, 1973, 5-12, from memory: the model is simulated here, which is no outside check.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.tension.timing_parts import split_timing


def tap(rng: np.random.Generator, count: int, clock: float, motor: float, uneven: float = 0.0) -> np.ndarray:
    """Moments in seconds of a clock of 125 ms with these SDs (ms)."""
    ticks = np.concatenate([[0.0], np.cumsum(125 + clock * rng.normal(size=count))])
    moments = ticks + motor * rng.normal(size=count + 1)
    moments[1::2] += uneven
    return 1e-3 * moments


def many(clock: float, motor: float, uneven: float = 0.0, sessions: int = 300, count: int = 300) -> np.ndarray:
    rng = np.random.default_rng(5)
    found = [split_timing([tap(rng, count, clock, motor, uneven)]) for _ in range(sessions)]
    return np.array([(f.gamma0_ms2, f.gamma1_ms2) for f in found if f is not None])


def test_autocovariances_of_a_simulated_clock() -> None:
    """C = 12, D = 6 ms: gamma0 = C^2 + 2 D^2 = 216, gamma1 = -D^2 = -36, rho1 = -1/6."""
    gamma = many(12.0, 6.0)
    error = gamma.std(axis=0) / np.sqrt(len(gamma))
    assert (np.abs(gamma.mean(axis=0) - [216.0, -36.0]) < 4 * error + 1.0).all()
    assert gamma[:, 1].mean() / gamma[:, 0].mean() == pytest.approx(-1 / 6, abs=0.01)


def test_a_downstroke_longer_than_an_upstroke_is_no_scatter() -> None:
    assert many(12.0, 6.0, uneven=25.0).mean(axis=0) == pytest.approx(many(12.0, 6.0).mean(axis=0), rel=1e-6)


@pytest.mark.parametrize(("clock", "motor"), [(10.0, 0.0), (0.0, 5.0), (4.0, 4.0)])
def test_parts_come_back(clock: float, motor: float) -> None:
    rng = np.random.default_rng(6)
    found = split_timing([tap(rng, 4000, clock, motor)])
    assert found is not None
    assert found.clock_ms == pytest.approx(clock, abs=1.2)
    assert found.motor_ms == pytest.approx(motor, abs=1.2)
    assert found.interval_ms == pytest.approx(125, abs=0.5)
    rho = found.gamma1_ms2 / found.gamma0_ms2
    assert -0.55 <= rho <= 0.05


def test_several_series_count_together_and_gaps_do_not_count() -> None:
    rng = np.random.default_rng(7)
    series = [tap(rng, 60, 8.0, 4.0) + 100 * k for k in range(40)]
    found = split_timing(series)
    assert found is not None
    assert found.intervals == 2400
    assert found.clock_ms == pytest.approx(8.0, abs=0.8)
    assert found.motor_ms == pytest.approx(4.0, abs=0.8)


def test_too_few_or_uneven_strokes_are_not_split() -> None:
    rng = np.random.default_rng(8)
    assert split_timing([tap(rng, 20, 5.0, 3.0)]) is None
    assert split_timing([np.cumsum(rng.uniform(0.05, 0.5, 200))]) is None
    assert split_timing([]) is None
