"""The reference gestures as a person does them."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from analysis.model.records import OFF_HAND, Event, EventKind, FloatArray
from analysis.synthesis.scenario import GesturePlan
from analysis.synthesis.timeline import DRAG, PINNED, STILL, TABLE, Timeline, add_turns, lay_raps
from analysis.synthesis.track import Nodes, add_samples

_GRID_S = 1.0 / 400.0


def course_positions(spacing_mm: tuple[float, ...]) -> FloatArray:
    """Return the courses' Y in metres, about their middle."""
    y = np.concatenate(([0.0], np.cumsum(spacing_mm))) * 1e-3
    centred: FloatArray = y - 0.5 * (y[0] + y[-1])
    return centred


def _mark(line: Timeline, rng: np.random.Generator, kind: EventKind, start_s: float, posture: str) -> None:
    plan = line.scenario.gestures
    if kind not in plan.missing:
        event = Event(start_s, line.now_s, kind, posture=posture)
        line.mark(rng, event, plan.edge_sd_s * plan.sloppiness)


def lay_off_hand(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Let the sensor lie on a table, not quite in the attitude that it will have on the hand."""
    plan = line.scenario.gestures
    tilted = rng.normal(size=3)
    tilted *= np.radians(rng.uniform(20.0, 120.0)) / np.linalg.norm(tilted)
    start = rng.uniform(0.6, 1.5)
    end = start + plan.still_s
    place = np.array([0.25, 0.1, 0.15]) + rng.normal(0.0, 0.05, 3)
    line.tip.add([0.0, end + 0.4], place)
    line.turning.add([0.0, end + 0.4], np.zeros(3))
    line.hold(end + 0.4, line.state(tilted, posture, TABLE))
    if "still" not in plan.missing:
        line.mark(rng, Event(start, end, "still", OFF_HAND), min(plan.edge_sd_s * plan.sloppiness, 0.15))
    line.now_s = end + 0.4


def lay_still(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Hold the hand still on the instrument; a living hand trembles."""
    line.now_s += rng.uniform(1.0, 1.6)
    start = line.now_s
    end = start + line.scenario.gestures.still_s
    line.tip.add([start, end], np.array([0.0, 0.0, 1e-3]) + rng.normal(0.0, 1e-3, 3))
    line.turning.add([start, end], np.zeros(3))
    line.hold(end, line.state(line.attitude(rng, posture), posture, STILL))
    line.now_s = end
    _mark(line, rng, "still", start, posture)


def _drag_turns(line: Timeline, rng: np.random.Generator) -> FloatArray:
    line.now_s += rng.uniform(1.0, 1.6)
    rate = rng.normal(2.0, 0.12)
    count = 2 * max(3, round(line.scenario.gestures.drag_s * rate))
    half = 0.5 / rate * (1 + 0.05 * np.clip(rng.normal(size=count), -2.5, 2.5))
    return line.now_s + np.concatenate(([0.0], np.cumsum(half)))


def _lay_drag(
    line: Timeline, rng: np.random.Generator, turns: FloatArray, path: FloatArray, swing: FloatArray, posture: str
) -> None:
    """Lay a drag whose tip runs along ``path`` (m, 3) on the gesture grid while the hand turns with it."""
    t = np.linspace(turns[0], turns[-1], path.shape[0])
    add_samples(line.tip, t, path)
    lag = rng.normal(0.0, 0.015)
    add_turns(line.turning, turns + lag, swing, rng.uniform(0.6, 1.0))
    line.hold(float(turns[-1]), line.state(line.attitude(rng, posture), posture, DRAG))
    line.now_s = float(turns[-1])


def _smooth_path(turns: FloatArray, values: FloatArray, smoothness: float) -> tuple[FloatArray, FloatArray]:
    nodes = Nodes(values.shape[1])
    add_turns(nodes, turns, values, smoothness)
    t = np.linspace(turns[0], turns[-1], int((turns[-1] - turns[0]) / _GRID_S) + 1)
    return t, nodes.build()(t).T


def _sides(count: int, first_down: bool) -> FloatArray:
    side = np.where(np.arange(count) % 2 == 0, -1.0, 1.0)
    return side if first_down else -side


def lay_across(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Drag the tip over all muted strings, back and forth, a little askew."""
    plan, instrument = line.scenario.gestures, line.scenario.instrument
    turns = _drag_turns(line, rng)
    courses = course_positions(instrument.spacing_mm)
    half = courses[-1] + rng.uniform(2e-3, 6e-3)
    slope = np.radians(plan.across_slope_sd_deg * plan.sloppiness) * rng.normal() + np.radians(plan.across_lift_deg)
    oblique = np.radians(plan.across_oblique_sd_deg * plan.sloppiness) * rng.normal()
    if plan.poor_across:
        oblique = np.radians(rng.choice([-1.0, 1.0]) * rng.uniform(75.0, 86.0))
    direction = np.array([np.sin(oblique), np.cos(oblique) * np.cos(slope), np.sin(slope)])
    first_down = instrument.held == "flat" or bool(rng.random() < 0.5)
    reach = half * _sides(turns.size, first_down) * (1 + 0.06 * rng.normal(size=turns.size))
    centre = np.array([rng.normal(0.0, 10e-3), rng.normal(0.0, 1e-3), -0.5e-3])
    values = centre + reach[:, None] * direction
    values += plan.sloppiness * np.array([1.5e-3, 0.0, 0.3e-3]) * rng.normal(size=values.shape)
    t, path = _smooth_path(turns, values, rng.uniform(0.4, 1.0))
    path[:, 2] += _string_bumps(path[:, 1], courses, plan, rng)
    if instrument.radius_mm is not None:
        path[:, 2] -= path[:, 1] ** 2 / (2e-3 * instrument.radius_mm)
    _lay_drag(line, rng, turns, path, _swing(rng, reach, direction), posture)
    _add_crossings(line, rng, t, path[:, 1], courses)
    _mark(line, rng, "across", turns[0], posture)


def _string_bumps(y: FloatArray, courses: FloatArray, plan: GesturePlan, rng: np.random.Generator) -> FloatArray:
    """Height of the tip as it climbs over each string, by the string it passes; zero past the outer ones."""
    spacing = (courses[-1] - courses[0]) / max(courses.size - 1, 1) if courses.size > 1 else 10e-3
    phase = np.interp(y, courses, np.arange(courses.size)) if courses.size > 1 else y / spacing
    outside = np.abs(y) > courses[-1] + 0.5 * spacing
    height = plan.across_bump_mm * 1e-3 * rng.uniform(0.7, 1.3)
    edge = np.clip((np.abs(y) - courses[-1]) / spacing, 0.0, 0.5)
    bump: FloatArray = np.where(outside, 0.0, 0.5 * height * (np.cos(2 * np.pi * (phase + edge)) + 1.0))
    return bump


def _add_crossings(line: Timeline, rng: np.random.Generator, t: FloatArray, y: FloatArray, courses: FloatArray) -> None:
    """Each string that the tip slips over gives a small vibration."""
    crossed = [t[np.flatnonzero(np.diff(np.sign(y - course)) != 0)] for course in courses]
    onset = np.sort(np.concatenate(crossed))
    line.pulses.add(rng, onset, rng.uniform(1.0, 5.0, onset.size), (80.0, 300.0), (1.5e-3, 3e-3))


def _swing(rng: np.random.Generator, reach: FloatArray, direction: FloatArray) -> FloatArray:
    """Turning of the hand (n + 1, 3) with a drag: mostly from elbow and wrist, about the soundboard's normal."""
    axis = np.array([0.0, 0.0, -1.0]) * np.sign(direction[1] or 1.0) + 0.4 * rng.normal(size=3)
    angle = rng.uniform(0.2, 0.8) / rng.uniform(0.12, 0.25)
    swing: FloatArray = reach[:, None] * angle * axis
    return swing


def lay_along(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Slide the tip along one string; the hand turns as it likes."""
    plan = line.scenario.gestures
    turns = _drag_turns(line, rng)
    half = 0.5e-3 * rng.uniform(30.0, 60.0)
    reach = half * _sides(turns.size, bool(rng.random() < 0.5)) * (1 + 0.06 * rng.normal(size=turns.size))
    values = np.zeros((turns.size, 3))
    values[:, 0] = reach + rng.normal(0.0, 2e-3, turns.size)
    t, path = _smooth_path(turns, values, rng.uniform(0.4, 1.0))
    noise = rng.normal(size=(t.size, 2))
    for keep in (0.97, 0.92, 0.85):  # corners at about 2, 5 and 10 Hz
        noise = lfilter([1.0 - keep], [1.0, -keep], noise, axis=0)
    path[:, 1:] += plan.along_noise_mm * 1e-3 * plan.sloppiness * noise / np.std(noise, axis=0)
    course = rng.choice(course_positions(line.scenario.instrument.spacing_mm))
    path[:, 1] += course
    swing = reach[:, None] / half * np.radians(4.0) * rng.normal(size=3)
    _lay_drag(line, rng, turns, path, swing, posture)
    # A string's winding rasps.
    rasp = np.sort(rng.uniform(turns[0], turns[-1], int(20 * (turns[-1] - turns[0]))))
    line.pulses.add(rng, rasp, rng.uniform(0.5, 2.5, rasp.size), (100.0, 350.0), (1.5e-3, 3e-3))
    _mark(line, rng, "along", turns[0], posture)


def lay_pivot(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Rock the hand about the tip; the tip slips, and its rounding rolls."""
    plan = line.scenario.gestures
    line.now_s += rng.uniform(1.0, 1.6)
    start, end = line.now_s, line.now_s + plan.pivot_s * rng.uniform(0.95, 1.08)
    t = np.linspace(start, end, int((end - start) * 50) + 1)
    ramp = np.clip(np.minimum(t - start, end - t) / 0.5, 0.0, 1.0)
    ramp = ramp**2 * (3 - 2 * ramp)
    rock = np.zeros((t.size, 3))
    for frequency, size in ((0.6, 10.0), (1.7, 5.5)):
        pace = frequency * (1 + 0.12 * rng.normal(size=3))
        wobble = 0.3 * np.sin(2 * np.pi * rng.uniform(0.1, 0.25, 3) * t[:, None] + rng.uniform(0, 2 * np.pi, 3))
        phase = 2 * np.pi * pace * (t[:, None] - start) + wobble + rng.uniform(0, 2 * np.pi, 3)
        rock += np.radians(size) * (1 + 0.2 * rng.normal(size=3)) * np.sin(phase)
    if plan.poor_pivot:
        rock *= 0.06
    add_samples(line.turning, t, rock * ramp[:, None])
    coarse = t[::2] if t.size % 2 else np.append(t[::2], t[-1])
    keep = np.exp(-np.diff(coarse, prepend=coarse[0] - 0.04) / plan.pivot_slip_time_s)
    drive = rng.normal(size=(coarse.size, 3)) * np.sqrt(1 - keep**2)[:, None]
    drive[0] = 0.0
    slip = lfilter([1.0], [1.0, -float(np.median(keep))], drive, axis=0)
    spot = np.array([rng.normal(0.0, 5e-3), rng.normal(0.0, 3e-3), -1e-3])
    add_samples(line.tip, coarse, spot + plan.pivot_slip_mm * 1e-3 * plan.sloppiness * slip)
    line.hold(end, line.state(line.attitude(rng, posture), posture, PINNED, roll=1.0))
    line.now_s = end
    _mark(line, rng, "pivot", start, posture)


def lay_rock(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Rest the hand on the instrument, tip on a string near the middle, and rock both, slowly, then quicker.

    Skin lets the hand follow not quite.
    """
    line.now_s += rng.uniform(1.0, 1.6)
    start, end = line.now_s, line.now_s + 5.0 * rng.uniform(0.9, 1.2)
    t = np.linspace(start, end, int((end - start) * 50) + 1)
    ramp = np.clip(np.minimum(t - start, end - t) / 0.6, 0.0, 1.0)
    ramp = (ramp**2 * (3 - 2 * ramp))[:, None]
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0][:2]
    slow, quick, phase = rng.uniform(0.4, 0.8, 2), rng.uniform(1.0, 1.6, 2), rng.uniform(0.0, 2 * np.pi, 2)
    size = np.radians(line.scenario.gestures.rock_deg * rng.uniform(0.7, 1.2, 2))
    hurry = 0.5 + 0.5 * np.tanh((t - start - rng.uniform(0.4, 0.6) * (end - start)) / 0.3)[:, None]
    turned = 2 * np.pi * np.cumsum(slow + (quick - slow) * hurry, axis=0) * (t[1] - t[0])
    rock = (size * (1 - 0.45 * hurry) * np.sin(turned + phase)) @ axes * ramp
    add_samples(line.rocking, t, rock)
    skin = 0.04 * rng.normal(size=(3, 3))
    add_samples(line.turning, t, rock @ skin.T)
    courses = course_positions(line.scenario.instrument.spacing_mm)
    middle = courses[np.argsort(np.abs(courses))[: max(1, min(4, courses.size - 1))]]
    spot = np.array([rng.normal(0.0, 8e-3), rng.choice(middle), -1e-3])
    slid = 0.01 * rng.normal(size=(3, 3))
    add_samples(line.tip, t, spot + rock @ slid.T)
    line.hold(end, line.state(line.attitude(rng, posture), posture, PINNED))
    line.now_s = end
    _mark(line, rng, "rock", start, posture)


def lay_checks(line: Timeline, seed: int, posture: str) -> None:
    """Big strokes whose downstroke plainly leaves the strings; the tip along an edge, which gives under it a little."""
    plan = line.scenario.gestures
    if plan.side_check:
        rng = np.random.default_rng([seed, 0x51DE])
        slope, span_m, per_s = np.radians(rng.normal(32.0, 5.0)), rng.uniform(0.05, 0.09), rng.normal(1.0, 0.08)
        start = _lay_sloping(line, rng, posture, slope, span_m, per_s)
        _mark(line, rng, "side check", start, posture)
    if plan.edge_mm is not None:
        rng = np.random.default_rng([seed, 0xED6E])
        height_mm, length_mm = plan.edge_mm
        slope = np.arctan2(height_mm, length_mm) + np.radians(0.4) * rng.normal()
        start = _lay_sloping(line, rng, posture, slope, 0.6e-3 * length_mm, rng.normal(1.5, 0.1))
        event = Event(start, line.now_s, "angle check", f"{height_mm:g}/{length_mm:g}", posture)
        line.mark(rng, event, plan.edge_sd_s * plan.sloppiness)


def _lay_sloping(
    line: Timeline, rng: np.random.Generator, posture: str, slope: float, span_m: float, per_s: float
) -> float:
    """Lay nine strokes to and fro at a slope out of the string plane; return when they begin."""
    line.now_s += rng.uniform(1.0, 1.6)
    start, count = line.now_s, 18
    half = 0.5 / per_s * (1 + 0.05 * np.clip(rng.normal(size=count), -2.5, 2.5))
    turns = start + np.concatenate(([0.0], np.cumsum(half)))
    oblique = np.radians(line.scenario.gestures.across_oblique_sd_deg) * rng.normal()
    direction = np.array([np.sin(oblique), np.cos(oblique) * np.cos(slope), np.sin(slope)])
    # A player begins on the strings: the first stroke goes down.
    reach = 0.5 * span_m * _sides(turns.size, True) * (1 + 0.06 * rng.normal(size=turns.size))
    values = np.array([rng.normal(0.0, 10e-3), 0.0, 0.5 * span_m * abs(np.sin(slope))]) + reach[:, None] * direction
    values += 1.0e-3 * rng.normal(size=values.shape)
    _, path = _smooth_path(turns, values, rng.uniform(0.4, 1.0))
    _lay_drag(line, rng, turns, path, _swing(rng, reach, direction), posture)
    return start


LAY = {"across": lay_across, "along": lay_along, "pivot": lay_pivot}


def lay_gestures(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Lay ``still`` and every repetition of the three gestures for one posture."""
    lay_still(line, rng, posture)
    if line.scenario.gestures.raps and not line.rap_s:
        lay_raps(line, np.random.default_rng([line.seed, 0x2A95]), posture)
    for _ in range(line.scenario.gestures.repetitions):
        for lay in LAY.values():
            lay(line, rng, posture)
