"""A block of play as real hands play it: uneven times, other strings, a level that drifts, accents, rests, strums.

Each series of strokes between two rests is laid out on its own; the hand hovers in between, and comes back to another
string. A silent way back to the strings is no stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.synthesis.play import course_places, end_block, lay_contacts
from analysis.synthesis.scenario import Irregularity, PlayBlock
from analysis.synthesis.timeline import BlockPlan, Timeline, add_turns
from analysis.synthesis.track import GridSpline, random_process

_LEAST_INTERVAL = 0.35
_LEAP_SHARES = (0.72, 0.22, 0.06)


@dataclass(frozen=True)
class _Notes:
    """What a series plays: turns (n + 1,), courses (n,), and whether the first stroke is a downstroke."""

    turns_s: FloatArray
    course: IntArray
    first_down: bool


@dataclass(frozen=True)
class _Series:
    """Strokes between two rests: turns (n + 1,) in time and place, courses and directions (n,)."""

    turns_s: FloatArray
    turns_m: FloatArray
    half_m: FloatArray
    course: IntArray
    down: BoolArray


def lay_irregular_block(line: Timeline, rng: np.random.Generator, block: PlayBlock, index: int) -> None:
    """Lay one block of uneven play."""
    how = block.irregular or Irregularity()
    arrive = line.now_s + rng.uniform(0.9, 1.5)
    begin = arrive + rng.uniform(0.3, 0.8)
    reach = max(2 * block.duration_s + 30.0, begin + block.duration_s + 15.0)
    level = random_process(rng, (0.0, reach), 0.1, (0.05, 0.7), 1e-3 * np.array(how.level_mm))
    series = _all_series(line, rng, block, begin, level)
    line.tip.add(arrive, series[0].turns_m[0])
    line.turning.add(arrive, np.zeros(3))
    for i, each in enumerate(series):
        if i:
            _hover(line, rng, how, (series[i - 1], each))
        _lay_series(line, rng, block, each, index)
    t = np.concatenate([each.turns_s for each in series])
    line.tip.add(t[-1] + 0.25, series[-1].turns_m[-1])
    line.turning.add(t[-1] + 0.25, np.zeros(3))
    _lay_joints(line, rng, block, arrive, series)
    line.now_s = arrive
    end_block(line, rng, block, t)


def _all_series(
    line: Timeline, rng: np.random.Generator, block: PlayBlock, begin_s: float, level: GridSpline
) -> list[_Series]:
    """Draw series after series until the block is full."""
    how = block.irregular or Irregularity()
    now = begin_s
    end = now + block.duration_s
    course = int(rng.integers(line.scenario.instrument.courses))
    down = block.first == "down"
    found = []
    while now < end:
        count = int(rng.integers(how.strokes[0], how.strokes[1] + 1))
        interval = _intervals(block, how, count, rng)
        t = now + np.concatenate(([0.0], np.cumsum(interval)))
        courses = _walk(how, course, count, line.scenario.instrument.courses, rng)
        each = _series(line, rng, block, _Notes(t, courses, down), level(t))
        found.append(each)
        course = int(courses[-1]) if rng.random() < 0.5 else int(rng.integers(line.scenario.instrument.courses))
        down = block.first == "down" if rng.random() < 0.7 else not each.down[-1]
        now = float(t[-1]) + rng.uniform(*how.rest_s)
    return found


def _intervals(block: PlayBlock, how: Irregularity, count: int, rng: np.random.Generator) -> FloatArray:
    """Draw the times from turn to turn (n,): scatter of each stroke, swing, a tempo that breathes."""
    period = 1.0 / block.rate
    breath = 1.0 + 0.06 * np.sin(2 * np.pi * (np.arange(count) / max(count, 12) + rng.random()))
    swing = np.where(np.arange(count) % 2 == 0, 2 * how.swing, 2.0) / (1 + how.swing)
    scatter = np.exp(how.interval_scatter * np.clip(rng.normal(size=count), -2.5, 2.5))
    drawn: FloatArray = period * np.maximum(breath * swing * scatter, _LEAST_INTERVAL)
    return drawn


def _walk(how: Irregularity, first: int, count: int, courses: int, rng: np.random.Generator) -> IntArray:
    """Draw the course that each stroke meets (n,), starting from ``first``."""
    course = np.empty(count, dtype=np.int64)
    course[0] = first
    for i in range(1, count):
        leap = 0
        if rng.random() < how.change_share:
            leap = int(rng.choice(len(_LEAP_SHARES), p=_LEAP_SHARES)) + 1
            leap *= 1 if rng.random() < 0.5 else -1
        to = course[i - 1] + leap
        course[i] = course[i - 1] - leap if not 0 <= to < courses else to
        course[i] = min(max(course[i], 0), courses - 1)
    return course


def _series(
    line: Timeline,
    rng: np.random.Generator,
    block: PlayBlock,
    notes: _Notes,
    level_m: FloatArray,
) -> _Series:
    """Place the turns of one series: half a stroke to either side of the string, drifting level, scatter."""
    how = block.irregular or Irregularity()
    t, course = notes.turns_s, notes.course
    count = course.size
    down = (np.arange(count) % 2 == 0) == notes.first_down
    tilt = np.radians(block.tilt_deg + np.sqrt(2.0) * block.tilt_scatter_deg * rng.normal(size=count + 1))
    span = 1e-3 * block.span_mm * np.exp(how.accent * np.clip(rng.normal(size=count + 1), -2, 2))
    oblique = np.radians(line.hand.obliqueness_deg + 3.0 * rng.normal(size=count + 1))
    side = np.concatenate((np.where(down, -1.0, 1.0), [1.0 if down[-1] else -1.0]))
    half = (0.5 * side * span)[:, None] * np.column_stack((np.tan(oblique), np.cos(tilt), np.sin(tilt)))
    half[:, 1:] += 1e-3 * how.turn_scatter_mm * rng.normal(size=(count + 1, 2))
    place = course_places(line, course)
    gone = np.clip(0.5 + 0.2 * rng.normal(size=count - 1), 0.0, 1.0)[:, None]
    about = np.concatenate((place[:1], place[:-1] + gone * np.diff(place, axis=0), place[-1:])) + level_m.T
    turns = about + half
    # A leap may eat a stroke up: the tip still moves its way, by a third of the span at least.
    for i in range(count):
        way = 1.0 if down[i] else -1.0
        short = 0.35e-3 * block.span_mm - way * (turns[i + 1, 1] - turns[i, 1])
        if short > 0:
            turns[i + 1, 1] += way * short
    return _Series(t, turns, half, course, down)


def _lay_series(line: Timeline, rng: np.random.Generator, block: PlayBlock, series: _Series, index: int) -> None:
    """Lay the tip's way and the contacts of one series."""
    how = block.irregular or Irregularity()
    t, count = series.turns_s, series.course.size
    tilt = np.radians(block.tilt_deg)
    normal = np.array([0.0, -np.sin(tilt), np.cos(tilt)])
    bow = -1e-3 * block.bow_mm * (1 + 0.2 * rng.normal(size=count))
    loop = 1e-3 * line.hand.loop_mm * (1 + 0.3 * rng.normal(size=count)) * np.where(series.down, 1.0, -1.0)
    smoothness = float(np.clip(line.hand.smoothness * (0.75 + 0.03 * block.rate), 0.2, 1.05))
    half_way = np.clip(0.5 + how.skew * rng.normal(size=count), 0.38, 0.62)
    add_turns(line.tip, t, series.turns_m, smoothness, bow[:, None] * normal, loop[:, None] * normal, half_way)
    contact = t[:-1] + np.diff(t) * np.clip(half_way + 0.08 * rng.normal(size=count), 0.3, 0.7)
    share = {"all": 1.0, "none": 0.0}[block.attacks] if isinstance(block.attacks, str) else block.attacks
    attack = rng.random(count) < share
    change = np.concatenate((series.course[1:] != series.course[:-1], [False]))
    in_change = change | np.concatenate(([False], change[:-1]))
    plan = BlockPlan(index, block.posture, t, series.down, False, contact, attack, change, in_change, series.course)
    lay_contacts(line, rng, block, plan, series.turns_m)
    if how.contacts > 1:
        spread = np.linspace(-0.22, 0.22, how.contacts)[None, :] * np.diff(t)[:, None]
        onset = (contact[:, None] + spread)[attack].ravel()
        strength = rng.uniform(*block.attack_mps2, onset.size) * 0.6
        line.pulses.add(rng, onset, strength, (80.0, 350.0), (1.5e-3, 3.5e-3))


def _hover(line: Timeline, rng: np.random.Generator, how: Irregularity, pair: tuple[_Series, _Series]) -> None:
    """Let the tip hover over the strings in a rest, on its way from one series to the next."""
    before, after = pair
    start, end = float(before.turns_s[-1]), float(after.turns_s[0])
    if end - start < 0.5:
        return
    middle = 0.5 * (before.turns_m[-1] + after.turns_m[0])
    middle = middle + 1e-3 * np.array([rng.normal(0, 4), rng.normal(0, 4), rng.uniform(*how.lift_mm)])
    line.tip.add(start + rng.uniform(0.4, 0.6) * (end - start), middle)


def _lay_joints(
    line: Timeline, rng: np.random.Generator, block: PlayBlock, arrive: float, series: list[_Series]
) -> None:
    """Turn each joint with the strokes and with the hand's way over the strings."""
    how = block.irregular or Irregularity()
    for joint, nodes in line.joint_nodes(block.posture):
        gain = joint.share / (1e-3 * joint.radius_mm)
        level_gain = gain * (1 + rng.uniform(-how.other_joints, how.other_joints)) if how.other_joints else gain
        begun = False
        for each in series:
            t = each.turns_s
            stroke = each.half_m[:, 1]
            angle = gain * stroke + level_gain * (each.turns_m[:, 1] - stroke)
            angle = angle * (1 + 0.05 * rng.normal(size=t.size))
            lag = 1e-3 * joint.lag_ms + np.clip(0.01 / block.rate * rng.normal(size=t.size), -0.03, 0.03)
            moved = np.maximum(t + lag, arrive + 0.05)
            bend = np.full((t.size - 1, 1), joint.harmonic * gain * 0.5e-3 * block.span_mm)
            if not begun:
                nodes.add([arrive - 0.6, arrive], np.array([[0.0], [angle[0]]]))
                begun = True
            add_turns(nodes, moved, angle[:, None], 0.9, bend)
            last, at = angle[-1], float(moved[-1])
        stop = max(float(series[-1].turns_s[-1]) + 0.25, at + 0.05)
        nodes.add([stop, stop + 0.6], np.array([[last], [0.0]]))
