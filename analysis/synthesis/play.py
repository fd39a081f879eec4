"""A block of play: turns of the tip, the joints that move it, contacts with the string."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from analysis.model.records import BoolArray, Event, FloatArray, IntArray
from analysis.synthesis.gestures import course_positions
from analysis.synthesis.scenario import PlayBlock
from analysis.synthesis.timeline import PLAY, BlockPlan, Timeline, add_turns


def turn_times(block: PlayBlock, rng: np.random.Generator) -> FloatArray:
    """Return turn times (n + 1,) from zero, with a clock's and a hand's noise.

    The clock's errors accumulate (or, with a tempo, are corrected beat by beat); the hand's delays do not.
    """
    period = 1.0 / block.rate
    count = max(4, round(block.duration_s * block.rate))
    minutes = np.arange(count + 1) * period / 60.0
    noise = block.timing_noise * period * np.maximum(0.0, 1.0 + block.timing_growth_per_min * minutes)
    clock = np.sqrt(0.5) * noise[1:] * np.clip(rng.normal(size=count), -3, 3)
    delay = 0.5 * noise * np.clip(rng.normal(size=count + 1), -3, 3)
    pace = 1.0 + block.rate_drift_per_min * minutes[1:]
    nominal = np.concatenate(([0.0], np.cumsum(period / np.maximum(pace, 0.2))))
    error = lfilter([1.0], [1.0, -0.7 if block.tempo_bpm is not None else -1.0], clock)
    times = nominal + np.concatenate(([0.0], error)) + delay
    # Never let noise bring two turns together.
    interval = np.maximum(np.diff(times), 0.5 * period)
    total: FloatArray = np.concatenate(([0.0], np.cumsum(interval)))
    return total


def _slow(rng: np.random.Generator, t_s: FloatArray, time_s: float) -> FloatArray:
    """Return a unit-SD process at stroke turns, correlated over about ``time_s``."""
    keep = np.exp(-float(np.median(np.diff(t_s))) / time_s)
    drive = rng.normal(size=t_s.size) * np.sqrt(1 - keep**2)
    drive[0] = rng.normal()
    value: FloatArray = lfilter([1.0], [1.0, -keep], drive)
    return value


def course_of_strokes(count: int, every: int, courses: int) -> IntArray:
    """Return the course that each stroke meets: on by one every so many strokes, turning back at the outer ones."""
    if every <= 0 or courses < 2:
        return np.full(count, courses // 2 if courses > 1 else 0, dtype=np.int64)
    step = np.arange(count) // every
    around = step % (2 * (courses - 1))
    return np.minimum(around, 2 * (courses - 1) - around).astype(np.int64)


def _half_strokes(block: PlayBlock, line: Timeline, t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return the turns' places (n + 1, 3) about the string's: half a stroke along its tilted direction."""
    minutes = t / 60.0
    # A chord joins two turns, so that scatter at turns is sqrt 2 times what the chord shows.
    scatter = np.sqrt(2.0) * block.tilt_scatter_deg * rng.normal(size=t.size)
    other = (np.arange(t.size) // block.other_every % 2 == 1) if block.other_every else np.zeros(t.size, bool)
    wanted = np.where(other, block.other_tilt_deg, block.tilt_deg)
    tilt = np.radians(wanted + block.tilt_slope_deg_per_min * minutes + scatter)
    tilt += np.radians(block.tilt_wander_deg) * _slow(rng, t, 8.0)
    span = block.span_mm * 1e-3 * np.maximum(0.1, 1.0 + block.span_growth_per_min * minutes)
    span = span * np.clip(1 + np.sqrt(2.0) * block.span_scatter * rng.normal(size=t.size), 0.4, 1.8)
    oblique = np.radians(line.hand.obliqueness_deg + rng.normal(size=t.size))
    side = np.where(np.arange(t.size) % 2 == 0, -1.0, 1.0) * (1.0 if block.first == "down" else -1.0)
    half: FloatArray = (0.5 * side * span)[:, None] * np.column_stack((np.tan(oblique), np.cos(tilt), np.sin(tilt)))
    return half


def _string_places(line: Timeline, course: IntArray) -> FloatArray:
    """Return the places (n + 1, 3) about which the turns lie; a change moves half before, half after its turn."""
    place = course_places(line, course)
    return np.concatenate((place[:1], 0.5 * (place[1:] + place[:-1]), place[-1:]))


def course_places(line: Timeline, course: IntArray) -> FloatArray:
    """Return each stroke's string (n, 3) in the end view."""
    instrument = line.scenario.instrument
    y = course_positions(instrument.spacing_mm)[course]
    z = np.zeros_like(y) if instrument.radius_mm is None else -(y**2) / (2e-3 * instrument.radius_mm)
    return np.column_stack((np.zeros_like(y), y, z))


def _travel_places(line: Timeline, course: IntArray, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Return the places (n + 1, 3) about which the turns lie, and what brings mid-stroke back over its string (n, 3).

    The hand has gone about half its way at the turn, sometimes more, sometimes less.
    """
    place = course_places(line, course)
    gone = np.clip(0.5 + 0.12 * rng.normal(size=course.size - 1), 0.2, 0.8)[:, None]
    turning = np.concatenate((place[:1], place[:-1] + gone * np.diff(place, axis=0), place[-1:]))
    return turning, place - 0.5 * (turning[1:] + turning[:-1])


def _meet_strings(
    line: Timeline, t: FloatArray, course: IntArray, turns: FloatArray, over_string: FloatArray
) -> FloatArray:
    """Return the times at which the tip crosses its string: near mid-stroke, along the stroke's speed there."""
    middle = 0.5 * (turns[1:, 1] + turns[:-1, 1]) + over_string[:, 1]
    share = 0.5 + (course_places(line, course)[:, 1] - middle) / (1.8 * np.diff(turns[:, 1]))
    met: FloatArray = t[:-1] + np.diff(t) * np.clip(share, 0.3, 0.7)
    return met


def _attack_flags(block: PlayBlock, count: int, rng: np.random.Generator) -> BoolArray:
    share = {"all": 1.0, "none": 0.0}[block.attacks] if isinstance(block.attacks, str) else block.attacks
    return rng.random(count) < share


def lay_block(line: Timeline, rng: np.random.Generator, block: PlayBlock, index: int) -> None:
    """Lay one block: the hand arrives, waits a moment, plays, stops."""
    arrive = line.now_s + rng.uniform(0.9, 1.5)
    t = arrive + rng.uniform(0.3, 0.8) + turn_times(block, rng)
    bottom = slice(1, None, 2) if block.first == "down" else slice(2, None, 2)
    t[bottom] += line.hand.uneven / block.rate
    count = t.size - 1
    course = course_of_strokes(count, block.string_change_every, line.scenario.instrument.courses)
    if block.courses:
        course = np.resize(np.array(block.courses, dtype=np.int64), count)
    half = _half_strokes(block, line, t - t[0], rng)
    place, over_string = _string_places(line, course), np.zeros((count, 3))
    if block.courses:
        place, over_string = _travel_places(line, course, rng)
    turns = place + half
    down = (np.arange(count) % 2 == 0) == (block.first == "down")
    tilt = np.radians(block.tilt_deg)
    normal = np.array([0.0, -np.sin(tilt), np.cos(tilt)])
    bow = -1e-3 * block.bow_mm * (1 + 0.1 * rng.normal(size=count))
    loop = 1e-3 * line.hand.loop_mm * (1 + 0.3 * rng.normal(size=count)) * np.where(down, 1.0, -1.0)
    smoothness = float(np.clip(line.hand.smoothness * (0.75 + 0.03 * block.rate), 0.2, 1.05))
    if block.dwell > 0.0:
        smoothness = 0.0  # a hand that waits comes to rest; only one that does not can turn like a pendulum
    moves = [_waiting(block, t, v) for v in (turns, bow[:, None] * normal, loop[:, None] * normal + over_string)]
    line.tip.add(arrive, turns[0])
    add_turns(line.tip, moves[0][0], moves[0][1], smoothness, moves[1][1], moves[2][1])
    line.tip.add(t[-1] + 0.25, turns[-1])
    _lay_fingers(line, arrive, t, half)
    line.turning.add([arrive, t[-1] + 0.25], np.zeros(3))
    _lay_joints(line, rng, block, arrive, t, half)
    met = _contacts(block, t, course, rng)
    if block.courses:
        met = (_meet_strings(line, t, course, turns, over_string), *met[1:])
    lay_contacts(line, rng, block, BlockPlan(index, block.posture, t, down, block.dwell > 0, *met), turns)
    line.now_s = arrive
    end_block(line, rng, block, t)


def end_block(line: Timeline, rng: np.random.Generator, block: PlayBlock, t: FloatArray) -> None:
    """Hold the hand's attitude and liveliness over a block with turns ``t`` from ``now_s`` on, and mark it."""
    start = PLAY * np.array([1, 1, block.tremor, 1])
    alive = start * np.array([1, 1, max(0.0, 1 + block.tremor_growth_per_min * (t[-1] - t[0]) / 60.0), 1])
    base = line.attitude(rng, block.posture) + np.radians(block.turned_deg)
    line.hold(t[-1] + 0.25, line.state(base, block.posture, start), line.state(base, block.posture, alive))
    line.now_s = t[-1] + 0.25
    played = Event(
        t[0] - 0.31,
        t[-1] + 0.31,
        "play",
        posture=block.posture,
        tempo_bpm=block.tempo_bpm,
        notes_per_beat=block.notes_per_beat,
        drill=block.drill,
        wanted=block.wanted,
    )
    line.mark(rng, played, line.scenario.gestures.edge_sd_s)


def _waiting(block: PlayBlock, t: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return times and values with a wait at every inner turn; values at turns (n + 1, d) or of strokes (n, d)."""
    if block.dwell <= 0.0:
        return t, values
    wait = 0.5 * block.dwell * np.minimum(np.diff(t)[1:], np.diff(t)[:-1])
    times = np.concatenate((t[:1], np.column_stack((t[1:-1] - wait, t[1:-1] + wait)).ravel(), t[-1:]))
    if values.shape[0] == t.size:
        return times, np.concatenate((values[:1], np.repeat(values[1:-1], 2, axis=0), values[-1:]))
    strokes = np.zeros((times.size - 1, values.shape[1]))
    strokes[::2] = values
    return times, strokes


def _lay_fingers(line: Timeline, arrive: float, t: FloatArray, half: FloatArray) -> None:
    """Let fingers move the plectrum against the hand, where the grip is not rigid."""
    if line.hand.finger_share == 0.0:
        return
    shift = line.hand.finger_share * half[:, 1:2] * np.array(line.hand.finger_axis)
    line.fingers.add([arrive - 0.6, arrive], np.array([np.zeros(3), shift[0]]))
    add_turns(line.fingers, t, shift, 0.9)
    line.fingers.add([t[-1] + 0.25, t[-1] + 0.85], np.array([shift[-1], np.zeros(3)]))


def _contacts(
    block: PlayBlock, t: FloatArray, course: IntArray, rng: np.random.Generator
) -> tuple[FloatArray, BoolArray, BoolArray, BoolArray, IntArray]:
    """Return contact times, attack flags, string changes, strokes in changes, courses."""
    count = t.size - 1
    contact = t[:-1] + np.diff(t) * np.clip(0.5 + 0.05 * rng.normal(size=count), 0.35, 0.65)
    change = np.concatenate((course[1:] != course[:-1], [False]))
    in_change = change | np.concatenate(([False], change[:-1]))
    return contact, _attack_flags(block, count, rng), change, in_change, course


def lay_contacts(
    line: Timeline, rng: np.random.Generator, block: PlayBlock, plan: BlockPlan, turns: FloatArray
) -> None:
    """Let the string hold the tip back for a moment and set hand and sensor ringing."""
    line.blocks.append(plan)
    onset = plan.contact_s[plan.attack]
    growth = np.maximum(0.05, 1.0 + block.attack_growth_per_min * (onset - plan.turns_s[0]) / 60.0)
    strength = rng.uniform(*block.attack_mps2) * 0.5 + 0.5 * rng.uniform(*block.attack_mps2, onset.size)
    harder = np.where(plan.downstroke[plan.attack], 1.15, 0.85)
    line.pulses.add(rng, onset, strength * harder * growth, (80.0, 350.0), (1.5e-3, 3.5e-3))
    chord = np.diff(turns, axis=0)[plan.attack]
    chord /= np.linalg.norm(chord, axis=1, keepdims=True)
    depth = block.catch_mm * 1e-3 * np.abs(1 + 0.4 * rng.normal(size=onset.size)) * growth
    line.catch_s.append(onset)
    line.catch_depth.append((depth[:, None] * chord).T)


def _lay_joints(
    line: Timeline, rng: np.random.Generator, block: PlayBlock, arrive: float, t: FloatArray, half: FloatArray
) -> None:
    """Turn each joint with the strokes: not quite in step, not quite in proportion, not quite as a sine."""
    for joint, nodes in line.joint_nodes(block.posture):
        gain = joint.share / (1e-3 * joint.radius_mm)
        angle = gain * half[:, 1] * (1 + 0.04 * rng.normal(size=t.size)) * (1 + 0.08 * _slow(rng, t, 6.0))
        lag = 1e-3 * joint.lag_ms + np.clip(0.01 / block.rate * rng.normal(size=t.size), -0.05, 0.05)
        moved = np.maximum(t + lag, arrive + 0.05)
        stop = max(t[-1] + 0.25, moved[-1] + 0.05)
        bend = np.full((t.size - 1, 1), joint.harmonic * gain * 0.5e-3 * block.span_mm)
        nodes.add([arrive - 0.6, arrive], np.array([[0.0], [angle[0]]]))
        at, angles = _waiting(block, moved, angle[:, None])
        add_turns(nodes, at, angles, 0.9 if block.dwell == 0.0 else 0.0, _waiting(block, moved, bend)[1])
        nodes.add([stop, stop + 0.6], np.array([[angle[-1]], [0.0]]))
