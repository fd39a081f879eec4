"""Ticks to a grid: rate, losses, repeats, coarse ticks, all on logs written by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.errors import TimebaseError
from analysis.model.records import FloatArray, IntArray, RawSamples, SensorProfile, Session
from analysis.signal.timebase import Timebase, fit_timebase
from analysis.signal.working_grid import prepare_signals

RATE_HZ = 400.0


def log_at(ticks: IntArray, signals: FloatArray | None = None) -> RawSamples:
    n = ticks.size
    counts = np.random.default_rng(n).integers(-9000, 9000, (n, 6)) if signals is None else np.rint(signals / 1e-6)
    return RawSamples(ticks.astype(np.int64), np.arange(n), np.full(n, np.nan), counts.astype(np.int32))


def profile(tick_hz: float = 1e6, rate_hz: float = RATE_HZ) -> SensorProfile:
    return SensorProfile("by hand", rate_hz, 1e-6, 1e-6, tick_hz=tick_hz)


def fit(slots: IntArray, rate_hz: float = RATE_HZ, tick_hz: float = 1e6, start_s: float = 50.0) -> Timebase:
    return fit_timebase(log_at(np.rint((start_s + slots / rate_hz) * tick_hz)), profile(tick_hz))


@settings(max_examples=25, deadline=None)
@given(
    error=st.floats(-0.03, 0.03),
    lost=st.lists(st.integers(2, 1996), max_size=30, unique=True),
    start_s=st.floats(0.0, 1e6),
)
def test_rate_slots_and_losses(error: float, lost: list[int], start_s: float) -> None:
    slots = np.setdiff1d(np.arange(2000), lost)
    base = fit(slots, RATE_HZ * (1 + error), start_s=start_s)
    assert base.grid.rate_hz == pytest.approx(RATE_HZ * (1 + error), rel=1e-6)
    assert base.grid.start_s == pytest.approx(start_s, abs=2e-6)
    assert base.lost_samples == len(lost)
    assert base.repeated_samples == 0
    assert base.even
    np.testing.assert_array_equal(base.slot, slots)


def test_jitter_of_a_tenth_of_a_sample_loses_nothing() -> None:
    rng = np.random.default_rng(1)
    slots = np.delete(np.arange(20_000), [500, 501, 502, 9000])
    times = slots / RATE_HZ + 0.1 / RATE_HZ * np.clip(rng.normal(size=slots.size), -2.5, 2.5)
    base = fit_timebase(log_at(np.rint(1e6 * times)), profile())
    np.testing.assert_array_equal(base.slot, slots)
    assert base.lost_samples == 4
    assert base.grid.rate_hz == pytest.approx(RATE_HZ, rel=1e-5)


def test_ticks_in_whole_milliseconds() -> None:
    """2.5 ms a sample: steps of 2 and 3 ms in turn are no losses."""
    base = fit(np.arange(4000), tick_hz=1e3)
    assert base.lost_samples == 0
    assert base.grid.rate_hz == pytest.approx(RATE_HZ, rel=1e-4)


def test_repeated_samples_are_left_out() -> None:
    ticks = np.arange(1000) * 2500
    twice = np.insert(np.arange(1000), [300, 700], [299, 699])
    raw = log_at(ticks)
    raw = RawSamples(raw.ticks[twice], raw.sequence[twice], raw.host_time_s[twice], raw.counts[twice])
    base = fit_timebase(raw, profile())
    assert base.repeated_samples == 2
    assert base.lost_samples == 0
    np.testing.assert_array_equal(base.slot, np.arange(1000))


@pytest.mark.parametrize(
    ("ticks", "message"),
    [
        (np.arange(40) * 2500, "at least 64 samples, found 40"),
        (10**8 + 2500 * np.concatenate([np.arange(4000), np.arange(1000, 3000)]), "backwards by more than a second"),
        (np.zeros(200), "times that advance"),
        (np.arange(500) * 2800, r"expected 400 samples/s from the sensor's profile, found 357\.1"),
    ],
)
def test_times_that_cannot_be_right(ticks: IntArray, message: str) -> None:
    with pytest.raises(TimebaseError, match=message):
        fit_timebase(log_at(ticks), profile())


def signals_of(slots: IntArray, motion: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Working acceleration along X, and where it is valid, at 100 samples/s (no decimation)."""
    values = np.zeros((slots.size, 6))
    values[:, 0] = motion[slots]
    values[:, 2] = 9.81
    raw = log_at(slots * 10_000, values)
    session = Session(raw, profile(rate_hz=100.0))
    found = prepare_signals(session, fit_timebase(raw, session.profile))
    assert found.grid.rate_hz == pytest.approx(100.0)
    return found.accel_mps2[:, 0], found.grid.valid


def test_single_losses_are_filled_by_a_cubic_and_longer_ones_are_not_trusted() -> None:
    """A cubic of time comes back exactly at a lost sample; two in a row stay marked."""
    t = np.arange(200) / 100.0
    cubic = 3.0 - 2.0 * t + 0.5 * t**2 + 1.5 * t**3
    slots = np.delete(np.arange(200), [50, 120, 121])
    found, valid = signals_of(slots, cubic)
    assert found[50] == pytest.approx(cubic[50], abs=1e-5)
    np.testing.assert_array_equal(np.flatnonzero(~valid), [120, 121])
    np.testing.assert_allclose(found[valid], cubic[valid], atol=1e-5)
