"""Changes of level, against the Nile's and against series without one."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.statistics.autocorrelated_error import MarkerGroup, Wander, fit_wander
from analysis.tension.change_point import adjust_for_many, find_change_point
from tests.optional import need_module

STILL = Wander()


def test_the_nile_fell_after_1898() -> None:
    """Annual flow at Aswan 1871-1970; the level falls after 1898: Cobb, Biometrika 65, 1978, 243-251."""
    nile = need_module("statsmodels.datasets", "the test extra").nile.load_pandas().data
    year, flow = nile["year"].to_numpy(float), nile["volume"].to_numpy(float)
    found = find_change_point(year, flow, np.ones((year.size, 1)), STILL)
    assert found is not None
    assert year[found.after] == 1898
    assert found.step == pytest.approx(flow[year > 1898].mean() - flow[year <= 1898].mean(), rel=1e-9)
    assert found.step == pytest.approx(-248, abs=1)
    assert found.p == pytest.approx(0.001)


def test_series_without_a_change_get_every_p_alike() -> None:
    rng = np.random.default_rng(9)
    minute = np.cumsum(rng.uniform(1, 2, 40))
    chances = [
        find_change_point(minute, rng.normal(size=40), np.ones((40, 1)), STILL, draws=199, seed=k).p  # type: ignore[union-attr]
        for k in range(200)
    ]
    assert np.mean(np.array(chances) <= 0.05) <= 0.10  # 5 % and three standard errors of 200
    assert np.mean(chances) == pytest.approx(0.5, abs=0.07)


def test_slow_wander_is_no_change_where_it_is_known() -> None:
    rng = np.random.default_rng(10)
    minute = np.arange(60.0)
    wander = Wander((0.8,), (10.0,))
    chances, naive = [], []
    for k in range(60):
        series = wander.root(minute) @ rng.normal(size=60)
        chances.append(find_change_point(minute, series, np.ones((60, 1)), wander, draws=99, seed=k).p)  # type: ignore[union-attr]
        naive.append(find_change_point(minute, series, np.ones((60, 1)), STILL, draws=99, seed=k).p)  # type: ignore[union-attr]
    assert np.mean(np.array(chances) <= 0.05) <= 0.15
    assert np.mean(np.array(naive) <= 0.05) > 0.5


def test_a_step_that_tempo_explains_is_none() -> None:
    tempo = np.repeat([0.0, 1.0], 15)
    series = 3 * tempo + 0.1 * np.random.default_rng(1).normal(size=30)
    nuisance = np.column_stack([np.ones(30), tempo])
    found = find_change_point(np.arange(30.0), series, nuisance, STILL, draws=199)
    assert found is None or found.p > 0.05


def test_too_short_a_series_has_none() -> None:
    assert find_change_point(np.arange(7.0), np.arange(7.0), np.ones((7, 1)), STILL) is None


def test_p_values_of_many() -> None:
    """Worked by hand after Holm, Scand. J. Stat. 6, 1979: smallest times n, next times n - 1, never falling."""
    assert adjust_for_many([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert adjust_for_many([]) == []
    multitest = need_module("statsmodels.stats.multitest", "the test extra")
    chances = np.random.default_rng(2).uniform(size=9) ** 2
    assert adjust_for_many(chances.tolist()) == pytest.approx(multitest.multipletests(chances, method="holm")[1])


def test_wander_is_found_where_there_is_one() -> None:
    rng = np.random.default_rng(12)
    minute = np.cumsum(rng.uniform(1, 2, 80))
    true = Wander((0.6,), (5.0,))
    shares = []
    for _ in range(10):
        values = true.root(minute) @ rng.normal(size=(80, 6))
        shares.append(fit_wander([MarkerGroup(minute, values, np.ones((80, 1)))]).share)
    assert np.median(shares) == pytest.approx(0.6, abs=0.21)
