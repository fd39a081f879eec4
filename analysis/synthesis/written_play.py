"""A block of play that follows a written phrase: notes of any length, rests, slurs, swing, a pickup.

The hand goes on alternating, whatever lies between two strokes. Where the next one is far, it does what hands do: swing
on slowly, or stop behind the string, hover a little above the strings, and come back in time. It may have gone any part
of its way to the next string before it stops.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, cycle, pairwise

import numpy as np
from scipy.signal import lfilter

from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.synthesis.play import course_places, end_block, lay_contacts
from analysis.synthesis.scenario import PlayBlock, Written
from analysis.synthesis.timeline import BlockPlan, Timeline, add_turns

_LEAST_WAIT_S = 0.02
_HOVER_S = 0.35
_LEAST_INTERVAL = 0.45


@dataclass(frozen=True)
class _Series:
    """Strokes that follow each other without a wait: turns (n + 1,) in time, the rest by stroke (n,) or turn."""

    turns_s: FloatArray
    half_m: FloatArray
    about_m: FloatArray
    over_m: FloatArray
    course: IntArray
    down: BoolArray

    @property
    def turns_m(self) -> FloatArray:
        """Places of the turns (n + 1, 3)."""
        return self.about_m + self.half_m


def stroke_times(written: Written, units: float, swing: float) -> tuple[FloatArray, IntArray]:
    """Units at which the strokes come, from the beginning of the lead, and their courses, for so many units.

    Parameters
    ----------
    written : Written
    units : float
    swing : float
        As it is played.

    Returns
    -------
    units : float64 (n,)
    course : int64 (n,)
    """
    before = sum(sound.units for sound in written.lead)
    now, at, course = -before, [], []
    for sound in chain(written.lead, cycle(written.body)):
        if now >= units - before:
            break
        if sound.course is not None:
            at.append(now)
            course.append(sound.course)
        now += sound.units
    pairs = np.arange(2 * np.floor(-before / 2) - 2, units + 4)
    swung = np.where(pairs % 2 == 0, pairs, pairs - 1 + 2 * swing)
    return np.interp(at, pairs, swung) + before, np.array(course, dtype=np.int64)


def lay_written_block(line: Timeline, rng: np.random.Generator, block: PlayBlock, index: int) -> None:
    """Lay one block: the hand arrives, waits a moment, plays what is written, stops."""
    arrive = line.now_s + rng.uniform(0.9, 1.5)
    contact, course = _contacts(block, arrive + rng.uniform(0.3, 0.8) + 0.5 / block.rate, rng)
    series = _all_series(line, rng, block, contact, course)
    line.tip.add(arrive, series[0].turns_m[0])
    line.turning.add(arrive, np.zeros(3))
    for before, after in pairwise([None, *series]):
        if before is not None and after is not None:
            _hover(line, rng, before, after)
        if after is not None:
            _lay_series(line, rng, block, after, index)
    t = np.concatenate([each.turns_s for each in series])
    line.tip.add(t[-1] + 0.25, series[-1].turns_m[-1])
    line.turning.add(t[-1] + 0.25, np.zeros(3))
    _lay_joints(line, rng, block, arrive, series)
    _lay_fingers(line, arrive, series)
    line.now_s = arrive
    end_block(line, rng, block, t)


def _contacts(block: PlayBlock, start_s: float, rng: np.random.Generator) -> tuple[FloatArray, IntArray]:
    """Moments at which the notes are meant to sound, with a clock's and a hand's noise, and their courses."""
    written = block.written or Written(())
    period = 1.0 / block.rate
    swing = written.swing
    if swing != 0.5:
        swing = float(np.clip(swing + written.swing_sd * rng.normal(), 0.5, 0.85))
    units, course = stroke_times(written, block.duration_s * block.rate, swing)
    pace = 1.0 + block.rate_drift_per_min * units * period / 60.0
    noise = block.timing_noise * period
    clock = np.sqrt(0.5) * noise * np.clip(rng.normal(size=units.size), -3, 3)
    error = lfilter([1.0], [1.0, -0.7 if block.tempo_bpm is not None else -1.0], clock)
    nominal = np.concatenate(([0.0], np.cumsum(np.diff(units) * period / np.maximum(pace[1:], 0.2))))
    times = nominal + error + 0.5 * noise * np.clip(rng.normal(size=units.size), -3, 3)
    interval = np.maximum(np.diff(times), _LEAST_INTERVAL * np.minimum(np.diff(nominal), period))
    return start_s + units[0] * period + np.concatenate(([0.0], np.cumsum(interval))), course


def _all_series(
    line: Timeline, rng: np.random.Generator, block: PlayBlock, contact: FloatArray, course: IntArray
) -> list[_Series]:
    """Give every stroke its beginning and end, and cut where the hand waits in between."""
    count, period = course.size, 1.0 / block.rate
    gap = np.diff(contact)
    # Of a longer time some hands make a slower stroke, others a stroke and a wait; most something in between.
    waits = np.clip(rng.uniform(0.2, 1.1) + 0.15 * rng.normal(size=count - 1), 0.0, 1.0)
    half = 0.5 * ((1.0 - waits) * gap + waits * np.minimum(gap, period))
    joined = gap - 2 * half < _LEAST_WAIT_S
    half[joined] = 0.5 * gap[joined]
    start = contact - np.concatenate(([0.5 * period], half))
    end = contact + np.concatenate((half, [0.5 * period]))
    place = course_places(line, course)
    leaving = np.clip(0.5 + 0.12 * rng.normal(size=count - 1), 0.2, 0.8)
    arriving = np.where(joined, leaving, rng.uniform(leaving, 1.0))
    leaving = np.where(joined, leaving, rng.uniform(0.0, leaving))
    step = np.diff(place, axis=0)
    about_start = np.concatenate((place[:1], place[:-1] + arriving[:, None] * step))
    about_end = np.concatenate((place[:-1] + leaving[:, None] * step, place[-1:]))
    halves = _half_strokes(line, block, rng, np.append(start, end[-1]) - start[0])
    down = (np.arange(count) % 2 == 0) == (block.first == "down")
    borders = [0, *(np.flatnonzero(~joined) + 1).tolist(), count]
    found = []
    for a, b in pairwise(borders):
        about = np.concatenate((about_start[a:b], about_end[b - 1 : b]))
        over = place[a:b] - 0.5 * (about[1:] + about[:-1])
        turns = np.concatenate((start[a:b], end[b - 1 : b]))
        found.append(_Series(turns, halves[a : b + 1], about, over, course[a:b], down[a:b]))
    return found


def _half_strokes(line: Timeline, block: PlayBlock, rng: np.random.Generator, t: FloatArray) -> FloatArray:
    """Half a stroke along its tilted direction, to the side on which each turn lies (n + 1, 3)."""
    tilt = np.radians(block.tilt_deg + np.sqrt(2.0) * block.tilt_scatter_deg * rng.normal(size=t.size))
    tilt += np.radians(block.tilt_wander_deg) * np.sin(2 * np.pi * (t / rng.uniform(6.0, 14.0) + rng.random()))
    span = 1e-3 * block.span_mm * np.clip(1 + np.sqrt(2.0) * block.span_scatter * rng.normal(size=t.size), 0.4, 1.8)
    oblique = np.radians(line.hand.obliqueness_deg + rng.normal(size=t.size))
    side = np.where(np.arange(t.size) % 2 == 0, -1.0, 1.0) * (1.0 if block.first == "down" else -1.0)
    half: FloatArray = (0.5 * side * span)[:, None] * np.column_stack((np.tan(oblique), np.cos(tilt), np.sin(tilt)))
    return half


def _lay_series(line: Timeline, rng: np.random.Generator, block: PlayBlock, series: _Series, index: int) -> None:
    """Lay the tip's way and the contacts of one series: each where the tip crosses its string."""
    t, turns, count = series.turns_s, series.turns_m, series.course.size
    tilt = np.radians(block.tilt_deg)
    normal = np.array([0.0, -np.sin(tilt), np.cos(tilt)])
    bow = -1e-3 * block.bow_mm * (1 + 0.1 * rng.normal(size=count))
    loop = 1e-3 * line.hand.loop_mm * (1 + 0.3 * rng.normal(size=count)) * np.where(series.down, 1.0, -1.0)
    smoothness = float(np.clip(line.hand.smoothness * (0.75 + 0.03 * block.rate), 0.2, 1.05))
    add_turns(line.tip, t, turns, smoothness, bow[:, None] * normal, loop[:, None] * normal + series.over_m)
    middle = 0.5 * (turns[1:, 1] + turns[:-1, 1]) + series.over_m[:, 1]
    share = 0.5 + (course_places(line, series.course)[:, 1] - middle) / (1.8 * np.diff(turns[:, 1]))
    met = t[:-1] + np.diff(t) * np.clip(share, 0.3, 0.7)
    attacks = {"all": 1.0, "none": 0.0}[block.attacks] if isinstance(block.attacks, str) else block.attacks
    change = np.concatenate((series.course[1:] != series.course[:-1], [False]))
    in_change = change | np.concatenate(([False], change[:-1]))
    attack = rng.random(count) < attacks
    plan = BlockPlan(index, block.posture, t, series.down, False, met, attack, change, in_change, series.course)
    lay_contacts(line, rng, block, plan, turns)


def _hover(line: Timeline, rng: np.random.Generator, before: _Series, after: _Series) -> None:
    """Let the tip hover where the wait is long: somewhere near, a few millimetres above the strings."""
    start, end = float(before.turns_s[-1]), float(after.turns_s[0])
    if end - start < _HOVER_S:
        return
    middle = 0.5 * (before.turns_m[-1] + after.turns_m[0])
    off = np.array([rng.normal(0, 3), rng.normal(0, 3), rng.uniform(0, 6)])
    line.tip.add(start + rng.uniform(0.35, 0.65) * (end - start), middle + 1e-3 * off)


def _lay_joints(
    line: Timeline, rng: np.random.Generator, block: PlayBlock, arrive: float, series: list[_Series]
) -> None:
    """Turn each joint with the strokes: not quite in step, not quite in proportion, not quite as a sine."""
    for joint, nodes in line.joint_nodes(block.posture):
        gain = joint.share / (1e-3 * joint.radius_mm)
        lag = 1e-3 * joint.lag_ms
        angle = [gain * each.half_m[:, 1] * (1 + 0.04 * rng.normal(size=each.turns_s.size)) for each in series]
        nodes.add([arrive - 0.6, arrive], np.array([[0.0], [angle[0][0]]]))
        for each, values in zip(series, angle, strict=True):
            # Within a wait's edge the joint may be early or late, but never by more than that.
            off = np.clip(0.01 / block.rate * rng.normal(size=values.size), -0.005, 0.005) + np.clip(lag, -4e-3, 4e-3)
            bend = np.full((values.size - 1, 1), joint.harmonic * gain * 0.5e-3 * block.span_mm)
            add_turns(nodes, each.turns_s + off, values[:, None], 0.9, bend)
        stop = float(series[-1].turns_s[-1]) + 0.25
        nodes.add([stop, stop + 0.6], np.array([[angle[-1][-1]], [0.0]]))


def _lay_fingers(line: Timeline, arrive: float, series: list[_Series]) -> None:
    """Let fingers move the plectrum against the hand, where the grip is not rigid."""
    if line.hand.finger_share == 0.0:
        return
    shifts = [line.hand.finger_share * each.half_m[:, 1:2] * np.array(line.hand.finger_axis) for each in series]
    line.fingers.add([arrive - 0.6, arrive], np.array([np.zeros(3), shifts[0][0]]))
    for each, shift in zip(series, shifts, strict=True):
        add_turns(line.fingers, each.turns_s, shift, 0.9)
    stop = float(series[-1].turns_s[-1]) + 0.25
    line.fingers.add([stop, stop + 0.6], np.array([shifts[-1][-1], np.zeros(3)]))
