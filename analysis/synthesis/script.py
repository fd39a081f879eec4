"""Writes the script of a session: off the hand, strap on, gestures, rest and play, gestures again per posture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.model.records import FACE_DOWN, SOUNDBOARD, Event, FloatArray
from analysis.synthesis.draw import hand_matrix, instrument_quat, string_heights_mm
from analysis.synthesis.gestures import lay_checks, lay_gestures, lay_off_hand, lay_rock
from analysis.synthesis.irregular import lay_irregular_block
from analysis.synthesis.performance import Performance
from analysis.synthesis.play import lay_block
from analysis.synthesis.rotation import conjugate, exp_quat, matrix, multiply
from analysis.synthesis.scenario import Attitude, Hand, Scenario
from analysis.synthesis.timeline import LOOSE, STILL, TABLE, Timeline, add_turns
from analysis.synthesis.track import Catches, Pulses, random_process
from analysis.synthesis.written_play import lay_written_block

_SWAY_CENTRE_MM = 250.0


@dataclass(frozen=True)
class Streams:
    """Independent generators of one seed: gestures stay the same whatever is played after them."""

    seed: int
    person: np.random.Generator
    gestures: np.random.Generator
    processes: np.random.Generator
    sensor: np.random.Generator
    noise: np.random.Generator
    host: np.random.Generator

    @classmethod
    def of(cls, seed: int) -> Streams:
        """Return the streams of a seed."""
        children = np.random.SeedSequence([seed, 0x57120]).spawn(6)
        return cls(seed, *(np.random.default_rng(child) for child in children))

    def block(self, index: int) -> np.random.Generator:
        """Return a stream of its own for each block."""
        return np.random.default_rng(np.random.SeedSequence([self.seed, 0xB10C, index]))


def perform(scenario: Scenario, hand: Hand, attitude: Attitude, streams: Streams) -> Performance:
    """Return the whole session's motion."""
    instrument = instrument_quat(attitude, scenario.instrument, scenario.player)
    vertical = matrix(instrument).T @ np.array([0.0, 0.0, 1.0])
    line = Timeline(scenario, hand, vertical)
    line.seed = streams.seed
    to_sensor = hand_matrix(hand).T
    labels = [block.posture for block in scenario.blocks] or ["A"]
    for label in dict.fromkeys(labels):
        line.lever_m[label] = _lever(scenario, hand, label, to_sensor)
    _open(line, streams, labels[0])
    _play_all(line, streams)
    _close(line, streams, labels[-1])
    return _finish(line, streams, instrument, to_sensor)


def _lever(scenario: Scenario, hand: Hand, label: str, to_sensor: FloatArray) -> FloatArray:
    change = np.array(scenario.posture(label).grip_change_mm)
    lever: FloatArray = 1e-3 * to_sensor @ (np.array(hand.lever_mm) + change)
    return lever


def _open(line: Timeline, streams: Streams, posture: str) -> None:
    rng = streams.gestures
    if line.scenario.gestures.off_hand:
        lay_off_hand(line, rng, posture)
    else:
        line.tip.add(0.0, np.array([0.06, 0.08, 0.06]))
        line.turning.add(0.0, np.zeros(3))
        line.slow.add(0.0, line.state(np.zeros(3), posture, TABLE))
    if line.scenario.gestures.soundboard:
        lay_soundboard(line, np.random.default_rng([streams.seed, 0xB0A2]), posture)
    # Strapping the sensor on: large, quick, with knocks.
    line.now_s += 0.4
    lay_roam(line, rng, posture, rng.uniform(5.0, 8.0), 80.0, 30.0)
    lay_gestures(line, rng, posture)
    if line.scenario.gestures.rock:
        lay_rock(line, np.random.default_rng([streams.seed, 0x20C4]), posture)
    lay_checks(line, streams.seed, posture)


def lay_soundboard(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Lay the sensor on the soundboard: flat, turned twice in its plane, then face down.

    Its die lies askew in the case, whose faces are not quite parallel; the instrument moves a little afterwards.
    """
    first, last = string_heights_mm(line.seed)
    width = sum(line.scenario.instrument.spacing_mm)
    moved = np.radians(0.4) * rng.normal()
    # The board in the frame of the strings: turned back by what the strings rise over it.
    board = exp_quat(np.array([[-(last - first) / width + moved], [0.0], [0.0]]))
    askew, wedge = (
        exp_quat(np.radians(1.0) * rng.normal(size=(3, 1))),
        exp_quat(np.radians(0.2) * rng.normal(size=(3, 1))),
    )
    over = exp_quat(np.array([[np.pi], [0.0], [0.0]]))
    start_deg = rng.uniform(0.0, 360.0)
    for number, label in enumerate((SOUNDBOARD, SOUNDBOARD, SOUNDBOARD, FACE_DOWN)):
        turned = np.radians(start_deg + 90.0 * min(number, 2) + 8.0 * rng.normal())
        lying = multiply(
            exp_quat(np.array([[0.0], [0.0], [turned]])), exp_quat(np.radians(0.15) * rng.normal(size=(3, 1)))
        )
        lying = multiply(board, lying)
        lying = multiply(lying, multiply(multiply(over, wedge), askew) if label == FACE_DOWN else askew)
        mounted = multiply(lying, conjugate(line.mounting[:, None]))[:, 0]
        base = Rotation.from_quat(mounted, scalar_first=True).as_rotvec()
        line.now_s += rng.uniform(1.2, 2.0)
        end = line.now_s + line.scenario.gestures.still_s + 0.6
        line.tip.add([line.now_s, end], np.array([0.05, 0.06, 0.02]))
        line.turning.add([line.now_s, end], np.zeros(3))
        line.hold(end, line.state(base, posture, TABLE))
        line.mark(rng, Event(line.now_s + 0.3, end - 0.3, "still", label), 0.1)
        line.now_s = end


def _play_all(line: Timeline, streams: Streams) -> None:
    scenario = line.scenario
    known = {scenario.blocks[0].posture} if scenario.blocks else set()
    before = scenario.blocks[0].posture if scenario.blocks else ""
    for index, block in enumerate(scenario.blocks):
        rng = streams.block(index)
        start = line.now_s
        lay_roam(line, rng, before, rng.uniform(*scenario.rest_s), 35.0, 18.0)
        if scenario.rest_still_s > 0.0:
            lay_resting(line, rng, before, scenario.rest_still_s, block.tremor)
        if index > 0:
            line.mark(rng, Event(start + 0.7, max(line.now_s, start + 1.4), "rest"), 0.1)
        if block.posture not in known or (scenario.gestures.per_posture and block.posture != before):
            lay_gestures(line, streams.gestures, block.posture)
            known.add(block.posture)
        before = block.posture
        if block.written is not None:
            lay_written_block(line, rng, block, index)
        elif block.irregular is not None:
            lay_irregular_block(line, rng, block, index)
        else:
            lay_block(line, rng, block, index)


def _close(line: Timeline, streams: Streams, posture: str) -> None:
    lay_roam(line, streams.person, posture, 2.0, 20.0, 10.0)
    line.now_s += 0.5
    line.slow.add(line.now_s, line.slow.last)
    line.tip.add(max(line.now_s, line.tip.last_s + 0.1), line.tip.last)
    line.turning.add(max(line.now_s, line.turning.last_s + 0.1), line.turning.last)


def _finish(line: Timeline, streams: Streams, instrument: FloatArray, to_sensor: FloatArray) -> Performance:
    hand, scenario, span, rng = line.hand, line.scenario, (-1.0, line.now_s + 1.0), streams.processes
    wander_sd = np.concatenate((np.full(3, np.radians(hand.wander_deg)), 1e-3 * np.array(hand.wander_mm)))
    tremor_sd = np.repeat([np.radians(hand.tremor_deg), 1e-3 * hand.tremor_mm], 3)
    wander = random_process(rng, span, 0.125, (0.05, 1.0), wander_sd)
    drift = random_process(rng, span, 2.0, (1 / 300.0, 0.03), np.full(3, np.radians(hand.posture_drift_deg)))
    tremor = random_process(rng, span, 1 / 60.0, (8.0, 12.0), tremor_sd)
    sway = None
    if scenario.sway_deg > 0.0:
        angle = rng.uniform(0, 2 * np.pi)
        sway_sd = np.radians(scenario.sway_deg) * np.abs([np.cos(angle), np.sin(angle)])
        sway = random_process(rng, span, 0.125, (0.1, 0.5), sway_sd)
    place = rng.normal(size=3)
    origin = 1e-3 * _SWAY_CENTRE_MM * place / np.linalg.norm(place)
    onset = np.concatenate([*line.pulses.onset_s, np.empty(0)])
    order = np.argsort(onset, kind="stable")
    pulses = Pulses(
        onset[order],
        np.concatenate([*line.pulses.amplitude, np.empty((6, 0))], axis=1)[:, order],
        np.concatenate([*line.pulses.frequency_hz, np.empty(0)])[order],
        np.concatenate([*line.pulses.decay_s, np.empty(0)])[order],
    )
    catches = Catches(
        np.concatenate([*line.catch_s, np.empty(0)]), np.concatenate([*line.catch_depth, np.empty((3, 0))], axis=1)
    )
    return Performance(
        duration_s=line.now_s,
        hand=hand,
        mounting=np.array(hand.mounting_wxyz),
        instrument=instrument,
        origin_m=origin,
        plectrum_axis=to_sensor @ np.array(hand.plectrum_axis),
        tip=line.tip.build(),
        turning=line.turning.build(),
        joints=tuple((axis, nodes.build()) for axis, nodes in line.joints.values()),
        fingers=line.fingers.build() if hand.finger_share != 0.0 and line.blocks else None,
        slow=line.slow.build(),
        wander=wander,
        drift=drift,
        tremor=tremor,
        sway=sway,
        sway_ride=scenario.sway_ride,
        rocking=line.rocking.build() if len(line.rocking.times) > 1 else None,
        pulses=pulses,
        rap_s=np.concatenate([*line.rap_s, np.empty(0)]),
        catches=catches,
        events=tuple(sorted(line.events, key=lambda event: event.start_s)),
        blocks=tuple(line.blocks),
        lever_m=dict(line.lever_m),
    )


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
