"""Three raps: found in a rapping hand by mechanics, never in simulated play; they become blocks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.records import Event
from analysis.signal.grid import Grid
from analysis.stroke.raps import Raps, blocks_from_raps, find_raps, mark_blocks_by_raps
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock
from analysis.synthesis.simulate import simulate
from benchmarks.bench_raps import ATTACKS, count_false_starts
from tests.analysis.stroke.rapping import rap_accel

RATE_HZ = 400.0
RANGE_MPS2 = 4 * 9.80665


def raps_in(accel: np.ndarray, rate_hz: float = RATE_HZ, start_s: float = 0.0) -> tuple[Raps, ...]:
    return find_raps(accel, Grid.steady(rate_hz, len(accel), start_s))


def raps_found(count: int, seed: int, rate_hz: float = RATE_HZ) -> float:
    rng = np.random.default_rng(seed)
    return float(np.mean([len(raps_in(rap_accel(rng, rate_hz), rate_hz)) == 1 for _ in range(count)]))


def test_nearly_all_raps_are_found() -> None:
    """Measured over 200: 98 % at 400 samples/s and 4 g, 87 % at 200 samples/s."""
    assert raps_found(60, 1) >= 0.93
    assert raps_found(60, 2, rate_hz=200.0) >= 0.75


def test_the_times_are_those_of_the_first_and_last_rap() -> None:
    accel = rap_accel(np.random.default_rng(4), RATE_HZ)
    (found,) = raps_in(accel, start_s=100.0)
    assert 101.9 < found.first_s < 102.1
    assert 0.4 < found.last_s - found.first_s < 1.0


@pytest.mark.parametrize("attack", ATTACKS.values(), ids=ATTACKS)
def test_no_false_start_in_ten_minutes_of_restless_play(attack: tuple[float, float]) -> None:
    """Two hours and more are measured by the benchmark; this is the quick check."""
    count, hours = count_false_starts(41, 600.0, attack)
    assert hours > 0.16
    assert count == 0


def impulses(times: list[float], seconds: float = 6.0, strength: float = 60.0) -> np.ndarray:
    """Raps at these times: short decelerations, the hand falling and lifting at each."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    accel = np.zeros((t.size, 3))
    for at in times:
        accel[:, 2] += strength * np.exp(-0.5 * ((t - at) / 0.003) ** 2)
        accel[:, 2] -= 4.0 * np.exp(-0.5 * ((t - at + 0.06) / 0.03) ** 2)
    return accel + [0.0, 0.0, 9.81] + 0.05 * np.random.default_rng(0).normal(size=accel.shape)


def test_what_is_and_what_is_not_three_raps() -> None:
    assert len(raps_in(impulses([2.0, 2.3, 2.6]))) == 1
    assert raps_in(impulses([2.0, 2.3])) == ()
    assert raps_in(impulses([2.0, 2.3, 2.6, 2.9])) == ()
    assert raps_in(impulses([2.0, 2.2, 2.7])) == ()
    assert raps_in(impulses([2.0, 3.0, 4.0])) == ()
    assert raps_in(impulses([2.0, 2.3, 2.6], strength=1.0)) == ()
    assert raps_in(impulses([1.2, 2.0, 2.3, 2.6])) == ()


def test_below_150_samples_a_second_nothing_is_guessed() -> None:
    assert raps_in(rap_accel(np.random.default_rng(1), 100.0), 100.0) == ()


def test_pairs_of_raps_become_blocks() -> None:
    raps = [Raps(10.0, 10.6), Raps(40.0, 40.6), Raps(50.0, 50.6)]
    blocks = blocks_from_raps(raps, 70.0)
    assert [(round(b.start_s, 3), round(b.end_s, 3)) for b in blocks] == [(10.9, 39.7), (50.9, 70.0)]


def test_a_recording_without_a_screen_gets_its_blocks() -> None:
    """Raps laid into a simulated session's rests, its own marks of play taken away."""
    scenario = replace(
        random_scenario(8, rate_hz=RATE_HZ),
        blocks=(PlayBlock(duration_s=6.0), PlayBlock(duration_s=6.0)),
        rest_s=(6.0, 6.5),
        rest_knocks_per_min=0.0,
        rest_scratches_per_min=0.0,
        gestures=GesturePlan(length="short"),
    )
    session = simulate(scenario, 8).session
    plays = [event for event in session.events if event.kind == "play"]
    rng = np.random.default_rng(5)
    counts = session.raw.counts.copy()
    time_s = session.raw.ticks / session.profile.tick_hz
    scale = session.profile.accel_mps2_per_count
    limit = session.profile.accel_clip_counts or 32767
    # Right before the first block and right after it, in place of what the hand does there.
    for centre in (plays[0].start_s - 2.4, plays[0].end_s + 3.4):
        raps = rap_accel(rng, RATE_HZ)
        first = int(np.searchsorted(time_s, centre - 0.5 * len(raps) / RATE_HZ))
        counts[first : first + len(raps), :3] = np.clip(raps / scale, -limit, limit).astype(np.int32)
    bare = tuple(event for event in session.events if event.kind not in ("play", "rest"))
    silent = replace(session, raw=replace(session.raw, counts=counts), events=bare)
    marked = mark_blocks_by_raps(silent)
    blocks = [event for event in marked.events if event.kind == "play"]
    assert len(blocks) == 1
    assert blocks[0].start_s <= plays[0].start_s + 0.2
    assert blocks[0].end_s >= plays[0].end_s - 0.2
    assert blocks[0].end_s < plays[1].start_s


def test_marks_by_a_screen_are_never_touched() -> None:
    session = simulate(replace(random_scenario(9), blocks=(PlayBlock(duration_s=4.0),)), 9).session
    assert mark_blocks_by_raps(session) is session
    bare = replace(session, events=tuple(e for e in session.events if e.kind != "play"))
    assert mark_blocks_by_raps(bare) == bare
    assert isinstance(session.events[0], Event)
