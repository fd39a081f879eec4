"""Untidy clocks put on the grid: packets of a host, back-dated stamps, queue order, wraps, restarts, strays."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.model.errors import TimebaseError
from analysis.model.records import FloatArray, IntArray, RawSamples, SensorProfile
from analysis.signal.clock_remarks import clock_remarks
from analysis.signal.timebase import Timebase, fit_timebase
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Recording
from benchmarks import clocks
from tests.analysis.pipeline.played import Played, of_scenario

RATES = ((400.0, 397.3), (200.0, 203.0), (100.0, 100.4))
"""By the profile, and as the sensor runs."""


def fit(time_s: FloatArray, rate_hz: float, kept: IntArray | None = None, tick_hz: float = 1e6) -> Timebase:
    ticks = np.rint(time_s * tick_hz).astype(np.int64)
    counts = np.random.default_rng(ticks.size).integers(-9000, 9000, (ticks.size, 6)).astype(np.int32)
    raw = RawSamples(ticks, np.arange(ticks.size), np.full(ticks.size, np.nan), counts)
    if kept is not None:
        raw = RawSamples(raw.ticks[kept], raw.sequence[kept], raw.host_time_s[kept], raw.counts[kept])
    return fit_timebase(raw, SensorProfile("x", rate_hz, 1.0, 1.0, tick_hz))


def wrong_slots(base: Timebase, true_slot: IntArray) -> float:
    """Share of samples whose place differs from the truth, a common shift aside."""
    off = base.slot - true_slot[base.kept]
    return float((off != np.median(off)).mean())


@pytest.mark.parametrize("lost_share", [0.0, 0.005, 0.05])
@pytest.mark.parametrize(("rate_hz", "true_hz"), RATES)
@pytest.mark.parametrize("clock", [clocks.packets, clocks.back_dated])
def test_packets_of_a_radio(clock: clocks.Clock, rate_hz: float, true_hz: float, lost_share: float) -> None:
    """Eight samples a packet, a moment every 15 ms: read as lost samples, every second sample was missing."""
    rng = np.random.default_rng(round(1e3 * lost_share))
    k = np.arange(int(60 * rate_hz))
    stamps = clock(100.0 + k / true_hz, rng)
    kept = np.repeat(rng.random(k.size // 8 + 1) >= lost_share, 8)[: k.size]
    base = fit(stamps[kept], rate_hz)
    assert base.packet == 8
    assert base.grid.rate_hz == pytest.approx(true_hz, rel=1e-4)
    assert base.lost_samples == pytest.approx(k[kept][-1] - k[kept][0] + 1 - kept.sum(), abs=8)
    assert wrong_slots(base, k[kept]) < 0.03
    assert any("packets of 8" in sentence for sentence in clock_remarks(base))
    # A prompt stamp tells the time: the start is late by what a radio takes at least, never by what it usually takes.
    first = k[kept][0] / true_hz + 100.0
    assert -0.001 < base.grid.start_s - first < 8 / true_hz + 0.002 if clock is clocks.packets else 0.01


@pytest.mark.parametrize("lossy", [False, True])
@pytest.mark.parametrize(("rate_hz", "true_hz"), RATES)
def test_packets_of_varied_size(rate_hz: float, true_hz: float, lossy: bool) -> None:
    """2 to 12 samples a packet, 3 % of them lost: told to a sample or so, on the whole.

    The radio's moments, every 15 ms, keep step with six periods of 400 samples/s: a wrong rate that fits as well.
    """
    rng = np.random.default_rng(1)
    k = np.arange(int(120 * rate_hz))
    kept = ~clocks.varied_losses(k.size, rng) if lossy else np.ones(k.size, dtype=bool)
    base = fit(clocks.varied_packets(100.0 + k / true_hz, rng)[kept], rate_hz)
    off_s = (base.slot - k[kept][base.kept]) / true_hz
    assert base.lost_samples == pytest.approx((~kept).sum(), abs=3)
    assert base.grid.rate_hz == pytest.approx(true_hz, rel=5e-5)
    assert np.std(off_s - np.median(off_s)) < (0.0035 if lossy else 1e-9)


def test_packets_with_a_stall_and_a_pause() -> None:
    """A radio that hangs for 2 s and hands over all at once loses nothing; a sensor switched off for 13 s does."""
    rng = np.random.default_rng(2)
    k = np.arange(48_000)
    true_s = 100.0 + k / 397.3
    stamps = clocks.packets(true_s, rng)
    stalled = (stamps > 130) & (stamps < 132)
    stamps[stalled] = 132 + 1e-4 * np.arange(stalled.sum())
    kept = (true_s < 180) | (true_s > 193.3)
    base = fit(np.maximum.accumulate(stamps)[kept], 400.0)
    # The pause is known to a thousandth of itself, by the rate.
    assert base.lost_samples == pytest.approx((~kept).sum(), abs=6)
    assert np.ptp(base.slot - k[kept][base.kept]) <= 6


def test_rows_lost_inside_packets() -> None:
    rng = np.random.default_rng(3)
    k = np.arange(24_000)
    kept = rng.random(k.size) >= 0.005
    base = fit(clocks.packets(100.0 + k / 397.3, rng)[kept], 400.0)
    assert base.lost_samples == pytest.approx((~kept).sum(), abs=3)
    assert np.ptp(base.slot - k[kept]) <= 4


@pytest.mark.parametrize("lost_share", [0.0, 0.02])
@pytest.mark.parametrize("clock", [clocks.jittered, clocks.milliseconds])
def test_jitter_and_whole_milliseconds(clock: clocks.Clock, lost_share: float) -> None:
    rng = np.random.default_rng(4)
    k = np.arange(40_000)
    stamps = clock(7.0 + k / 397.3, rng)
    kept = rng.random(k.size) >= lost_share
    base = fit(stamps[kept], 400.0)
    assert base.lost_samples == pytest.approx(k[kept][-1] - k[kept][0] + 1 - kept.sum(), abs=1)
    assert wrong_slots(base, k[kept]) < 0.001
    assert base.even


def test_queue_order_is_mended_and_told() -> None:
    """Three rows of every seven hundred stand in the reverse order."""
    order = np.arange(20_000)
    for at in range(500, 19_000, 700):
        order[at : at + 3] = order[at : at + 3][::-1]
    base = fit(5.0 + np.arange(20_000) / 400.0, 400.0, order)
    np.testing.assert_array_equal(order[base.kept], base.slot)
    assert base.faults.moved == 2 * len(range(500, 19_000, 700))
    assert clock_remarks(base) == [f"{base.faults.moved} samples stand out of order and were put in order"]


@pytest.mark.parametrize(("bits", "tick_hz", "unit"), [(16, 1e3, 1), (32, 1e6, 1), (24, 32768.0, 1), (16, 1e6, 1000)])
def test_a_counter_that_wraps(bits: int, tick_hz: float, unit: int) -> None:
    """Also a counter of milliseconds that was written in microseconds."""
    modulus = 2**bits * unit
    raw = np.rint(np.arange(20_000) * tick_hz / 400.0).astype(np.int64) // unit * unit
    base = fit(((raw + modulus - raw[9000]) % modulus) / tick_hz, 400.0, tick_hz=tick_hz)
    assert base.faults.wraps >= 1
    assert base.lost_samples == 0
    assert base.grid.rate_hz == pytest.approx(400.0, rel=1e-4)
    assert any("wrapped" in sentence for sentence in clock_remarks(base))


def test_a_restart_is_a_gap_and_told() -> None:
    time_s = np.concatenate([12.0 + np.arange(20_000) / 400.0, 0.4 + np.arange(8000) / 400.0])
    base = fit(time_s, 400.0)
    assert base.faults.restarts == (20_000,)
    assert base.lost_samples == pytest.approx(400, abs=2)
    assert any("began anew once" in sentence for sentence in clock_remarks(base))


def test_times_that_belong_nowhere_are_left_out() -> None:
    time_s = 50.0 + np.arange(4000) / 400.0
    time_s[1000] = 0.0
    time_s[2000:2003] = 9e5
    time_s[-1] = 1e9
    base = fit(time_s, 400.0)
    assert base.faults.strays == 5
    assert base.grid.size == 3999
    assert base.lost_samples == 4


def test_a_stretch_that_stands_twice_is_taken_once() -> None:
    rows = np.concatenate([np.arange(3000), np.arange(2000, 6000)])
    base = fit(5.0 + np.arange(6000) / 400.0, 400.0, rows)
    assert (base.repeated_samples, base.lost_samples, base.grid.size) == (1000, 0, 6000)


def test_a_clock_set_back_by_half_a_minute_is_refused_with_its_sample() -> None:
    time_s = 1e9 + np.arange(40_000) / 400.0
    time_s[30_000:] -= 30.0
    with pytest.raises(TimebaseError, match="neither a restart nor a wrapped counter explains") as caught:
        fit(time_s, 400.0)
    assert caught.value.facts["sample"] == 30_000


@cache
def recorded(rate_hz: float) -> list[Played]:
    """Two players, nothing lost."""
    quiet = Recording(lost_share=0.0, bursts_per_min=0.0)
    return [
        of_scenario(replace(random_scenario(seed, 8.0, 12.0, rate_hz=rate_hz), recording=quiet), seed)
        for seed in (9101, 9102)
    ]


@pytest.mark.parametrize("clock", [name for name in clocks.CLOCKS if name not in ("ticks", "varied packets")])
@pytest.mark.parametrize("rate_hz", [100.0, 400.0])
def test_answers_of_host_stamps_are_those_of_ticks(clock: str, rate_hz: float) -> None:
    """Recall over 97 %, and tilt within 20 % of the error that the sensor's own ticks give."""
    for played in recorded(rate_hz):
        stamped = played.spoilt(lambda session: clocks.stamped(session, clock, seed=5))
        score, usual = stamped.score, played.score
        assert score.matched / score.true_strokes > 0.97 * min(1.0, usual.matched / usual.true_strokes)
        assert rms(score.error_deg) < 1.2 * rms(usual.error_deg)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 400.0])
def test_lost_packets_of_varied_size_cost_what_is_lost_with_them(rate_hz: float) -> None:
    """As many strokes, as exact, as with the same samples lost from the sensor's own ticks."""
    ticks, host = [], []
    for played in recorded(rate_hz):
        lost = clocks.varied_losses(played.session.raw.ticks.size, np.random.default_rng(6))
        fewer = clocks.without_samples(played.session.raw, lost)
        ticks.append(played.spoilt(lambda session, raw=fewer: replace(session, raw=raw)).score)
        host.append(played.spoilt(lambda session: clocks.stamped(session, "varied packets", seed=5)).score)
    assert sum(score.matched for score in host) > 0.97 * sum(score.matched for score in ticks)
    both = [rms(np.concatenate([score.error_deg for score in scores])) for scores in (host, ticks)]
    assert both[0] < 1.2 * both[1]


@pytest.mark.parametrize("true_hz", [400.6, 401.1, 397.3])
def test_motion_shows_where_packets_are_missing(true_hz: float) -> None:
    """Where a radio's moments are nearly six periods apart, too: its own rhythm fits the nominal rate better."""
    k = np.arange(48_000)
    swing = np.stack([np.sin(0.06 * k + phase) * (1.2 + np.sin(1e-3 * k)) for phase in (0.0, 1.0, 2.5)], axis=1)
    noise = np.random.default_rng(8).normal(size=(k.size, 3))
    counts = np.rint(np.concatenate([noise, 3000.0 * swing + 3.0 * noise], axis=1)).astype(np.int16)
    stamps = clocks.varied_packets(100.0 + k / true_hz, np.random.default_rng(9))
    ticks = np.rint(1e6 * stamps).astype(np.int64)
    lost = clocks.varied_losses(k.size, np.random.default_rng(10))
    raw = clocks.without_samples(RawSamples(ticks, k, np.full(k.size, np.nan), counts), lost)
    base = fit_timebase(raw, SensorProfile("x", 400.0, 1.0, 1.0, 1e6))
    true, found = (set(np.flatnonzero(np.diff(slot) > 1).tolist()) for slot in (k[~lost], base.slot))
    assert len(true & found) > 0.95 * max(len(true), len(found))
    assert base.grid.rate_hz == pytest.approx(true_hz, rel=5e-4)


def rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values * values)))
