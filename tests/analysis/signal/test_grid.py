"""The grid: time to sample and back, with and without a clock that settles; gaps and the parts between them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.signal.grid import Grid

SIZE = 400_000


def settling(rate_hz: float, start_s: float, late_s: float) -> Grid:
    """A clock that runs late by up to ``late_s`` and recovers with a time constant of a quarter of the log."""
    at = np.linspace(0.0, SIZE, 30)
    return Grid(start_s, rate_hz, np.ones(SIZE, dtype=bool), np.stack([at, late_s * np.exp(-4 * at / SIZE)]))


@given(
    rate_hz=st.floats(50.0, 800.0),
    start_s=st.floats(-1e5, 1e5),
    late_s=st.floats(-0.1, 0.1),
    share=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20),
)
def test_there_and_back(rate_hz: float, start_s: float, late_s: float, share: list[float]) -> None:
    grid = settling(rate_hz, start_s, late_s)
    at = np.array(share) * SIZE
    assert grid.position_at(grid.time_at(at)) == pytest.approx(at, abs=1e-3)
    assert [grid.time_at(float(k)) for k in at] == grid.time_at(at).tolist()
    assert [grid.index_at(float(t)) for t in grid.time_at(at)] == grid.index_at(grid.time_at(at)).tolist()


def test_the_lag_is_what_the_line_leaves_out() -> None:
    """0.1 s late at the start is 40 samples at 400 a second."""
    grid = settling(400.0, 10.0, 0.1)
    assert grid.time_at(0) == pytest.approx(10.1)
    assert grid.index_at(10.1) == 0
    assert grid.index_at(10.0 + 100.0) == pytest.approx(40_000 - 40 * np.exp(-0.4), abs=1)


def test_times_outside_the_log_are_limited_to_it() -> None:
    grid = Grid.steady(100.0, 500, start_s=20.0)
    assert grid.slice_of(0.0, 100.0) == slice(0, 500)
    assert grid.index_at(np.array([-5.0, 22.5, 99.0])).tolist() == [0, 250, 500]
    assert (grid.duration_s, grid.end_s) == (5.0, 25.0)


def test_a_coarser_grid_keeps_the_time() -> None:
    grid = settling(400.0, 10.0, 0.1)
    third = grid.coarser(3, np.ones(SIZE // 3, dtype=bool))
    at = np.linspace(0.0, SIZE // 3, 50)
    assert third.time_at(at) == pytest.approx(grid.time_at(3 * at), abs=1e-9)


def test_parts_between_gaps() -> None:
    valid = np.ones(1000, dtype=bool)
    valid[:20] = valid[300:309] = valid[500:530] = valid[560:600] = False
    grid = Grid(0.0, 100.0, valid)
    assert grid.gaps(0.1) == [slice(0, 20), slice(500, 530), slice(560, 600)]
    assert grid.parts_between(grid.gaps(0.1), 0.5) == [slice(20, 500), slice(600, 1000)]
