"""What a hand does when it does not play: it moves about, scratches, shifts, knocks against things."""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray
from analysis.synthesis.timeline import LOOSE, STILL, Timeline, add_turns


def lay_roam(
    line: Timeline, rng: np.random.Generator, posture: str, duration_s: float, reach_mm: float, turn_deg: float
) -> None:
    """Lay free movement of the hand for a while.

    Parameters
    ----------
    line : Timeline
    rng : Generator
    posture : str
        Whose grip the hand keeps.
    duration_s : float
    reach_mm, turn_deg : float
        SD per axis of the places and attitudes that the hand visits.
    """
    scenario = line.scenario
    start = line.now_s + 0.6
    end = line.now_s + max(duration_s, 1.5)
    home = np.array([60e-3, rng.choice([-1.0, 1.0]) * 80e-3, 60e-3])
    t = start
    scratch_share = min(0.8, scenario.rest_scratches_per_min / 60.0 * 1.2)
    while t < end - 0.2:
        place: FloatArray = home + 1e-3 * reach_mm * rng.normal(size=3)
        attitude: FloatArray = np.radians(turn_deg) * np.clip(rng.normal(size=3), -2, 2)
        if rng.random() < scratch_share and end - t > 1.2:
            t = _lay_scratch(line, rng, (t, min(t + rng.uniform(0.8, 2.0), end - 0.2)), place, attitude)
        else:
            line.tip.add(t, place)
            line.turning.add(t, attitude)
        t += rng.uniform(0.4, 1.6)
    knocks = np.sort(rng.uniform(start, end, rng.poisson(scenario.rest_knocks_per_min * (end - start) / 60.0)))
    line.pulses.add(rng, knocks, rng.uniform(8.0, 40.0, knocks.size), (25.0, 120.0), (3e-3, 8e-3))
    line.now_s = start
    line.hold(max(end, line.tip.last_s), line.state(np.zeros(3), posture, LOOSE))
    line.now_s = max(end, line.tip.last_s)


def lay_resting(line: Timeline, rng: np.random.Generator, posture: str, duration_s: float, tremor: float) -> None:
    """Lay a while in which the hand rests on the instrument, trembling ``tremor`` times as much as it usually does."""
    start = line.now_s + rng.uniform(0.6, 1.2)
    line.tip.add([start, start + duration_s], np.array([0.0, 0.03, 0.01]) + rng.normal(0.0, 2e-3, 3))
    line.turning.add([start, start + duration_s], np.zeros(3))
    line.now_s = start
    life = STILL * np.array([1.0, 1.0, tremor, 1.0])
    line.hold(start + duration_s, line.state(line.attitude(rng, posture), posture, life))
    line.now_s = start + duration_s


def _lay_scratch(
    line: Timeline,
    rng: np.random.Generator,
    span_s: tuple[float, float],
    place: FloatArray,
    attitude: FloatArray,
) -> float:
    """Lay a scratch: quick small to-and-fro movement without strings; returns its end."""
    period: float = 0.5 / rng.uniform(2.5, 6.0)
    count = max(4, int((span_s[1] - span_s[0]) / period))
    uneven: FloatArray = np.clip(0.08 * rng.normal(size=count + 1), -0.25, 0.25)
    turns = span_s[0] + period * (np.arange(count + 1) + uneven)
    side = np.where(np.arange(count + 1) % 2, 1.0, -1.0) * (1 + 0.15 * rng.normal(size=count + 1))
    way: FloatArray = rng.normal(size=3)
    way *= 0.5e-3 * rng.uniform(3.0, 12.0) / np.linalg.norm(way)
    sweep: FloatArray = np.radians(2.0) * rng.normal(size=3)
    add_turns(line.tip, turns, place + side[:, None] * way, 0.9)
    add_turns(line.turning, turns, attitude + side[:, None] * sweep, 0.9)
    return float(turns[-1])
