"""Faults made in the counts of simulated sessions: found, named, never sure of a wrong side; clean ones stay sure."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.consistency.channels import find_frozen, measure_restlessness
from analysis.consistency.judge import judge_log
from analysis.consistency.knocks import tapping_hz
from analysis.consistency.stills import follow_bias, measure_still
from analysis.model.errors import NotEnoughDataError
from analysis.model.records import Event, FloatArray, Session
from analysis.motion.stillness import still_gyro_bias
from analysis.pipeline import analyse_session
from analysis.signal.grid import Grid
from analysis.signal.working_grid import Signals
from analysis.stroke.block_case import find_block
from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.simulate import simulate
from tests.analysis.consistency.bodies import counts_changed, flip, late_gyro, reorder, scale_gyro
from tests.analysis.pipeline.played import Played, play

Change = Callable[[FloatArray], FloatArray]


@cache
def played(seed: int = 31) -> Played:
    return play(seed, 6.0, rate_hz=200.0, ruler_sd_mm=None)


def certainty(session: Session) -> str:
    return find_block(result := analyse_session(session), result.blocks[0]).certainty


def check_not_sure(session: Session, fault: str) -> None:
    """The answer is not sure, or there is none, as a broken sensor may draw no strokes: the refusal names the fault."""
    try:
        found = certainty(session)
    except NotEnoughDataError as none:
        found = str(none)
    assert found in ("open", "likely") or fault in found


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_a_sound_sensor_raises_no_doubt(seed: int) -> None:
    judgement = judge_log(played(seed).session)
    assert judgement.doubts == ()
    assert judgement.agreement.tested == ("x", "y", "z")
    assert "All three axes" in judgement.tested


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (flip(3), "gyroscope's axis x has the wrong sign"),
        (flip(1), "accelerometer's axis y has the wrong sign"),
        (reorder((0, 1, 2, 4, 3, 5)), "gyroscope's axes x and y are exchanged"),
        (reorder((2, 1, 0, 3, 4, 5)), "accelerometer's axes x and z are exchanged"),
        (scale_gyro(0.5), "times what it turns"),
        (scale_gyro(1.15), "gyroscope reads 1.1"),
        (scale_gyro(57.3), "deg/s and is read as rad/s"),
        (lambda counts: counts * [1, 1, 1, 1, 0, 1], "gyroscope y axis is dead"),
        (late_gyro(8), "samples come 4"),
    ],
)
def test_a_fault_is_named_and_lowers_the_claim(change: Change, words: str) -> None:
    session = counts_changed(played().session, change)
    doubts = judge_log(session).doubts
    assert words in doubts[0].fault
    assert doubts[0].evidence
    assert doubts[0].change
    assert doubts[0].cap != "sure"
    check_not_sure(session, words)


@pytest.mark.parametrize(("axis", "gain"), [(0, 0.5), (1, 0.5), (2, 0.5), (1, 1.2)])
def test_a_wrong_scale_of_one_accelerometer_axis_shows_in_the_pivot(axis: int, gain: float) -> None:
    """Gravity need not lie in that axis: the test of the streams against each other let some of them pass."""
    session = play(44 + axis, 8.0).session
    factor = np.where(np.arange(6) == axis, gain, 1.0)
    result = analyse_session(counts_changed(session, lambda counts: np.rint(counts * factor)))
    (found,) = [doubt for doubt in result.doubts if "what it feels" in doubt.fault]
    told = re.fullmatch(r"the accelerometer's ([xyz]) axis reads ([\d.]+) times what it feels", found.fault)
    assert told is not None
    assert told[1] == "xyz"[axis]
    assert float(told[2]) == pytest.approx(gain, rel=0.06)
    assert found.cap == "open"
    assert not any("what it feels" in doubt.fault for doubt in analyse_session(session).doubts)


@pytest.mark.parametrize(("column", "name"), [(0, "accelerometer x"), (2, "accelerometer z"), (4, "gyroscope y")])
def test_an_axis_that_dies_in_the_middle_and_leaves_its_noise_is_found(column: int, name: str) -> None:
    session = played().session
    start_s = next(event.start_s for event in session.events if event.kind == "play") - 1.0
    time_s = session.raw.ticks / session.profile.tick_hz
    counts = session.raw.counts.astype(np.float64)
    dies, still = time_s > start_s, session.events[0]
    noise = counts[(time_s > still.start_s) & (time_s < still.end_s), column].std()
    counts[dies, column] = counts[dies, column].mean() + noise * np.random.default_rng(3).normal(size=dies.sum())
    dead = counts_changed(session, lambda _: np.rint(counts))
    (doubt,) = (doubt for doubt in judge_log(dead).doubts if doubt.kind == "sensor axis")
    assert doubt.fault == f"the {name} axis feels nothing in block 1"
    check_not_sure(dead, doubt.fault)


@pytest.mark.parametrize("gain", [0.5, 2.0])
def test_a_range_that_switches_before_a_block_shows_in_the_length_of_gravity(gain: float) -> None:
    session = played().session
    start_s = next(event.start_s for event in session.events if event.kind == "play") - 1.0
    after = session.raw.ticks / session.profile.tick_hz > start_s
    factor = np.where(after[:, None], [gain, gain, gain, 1, 1, 1], 1.0)
    switched = counts_changed(session, lambda counts: np.rint(counts * factor))
    doubts = [doubt for doubt in judge_log(switched).doubts if doubt.kind == "sensor scale"]
    assert [doubt.blocks for doubt in doubts] == [(0,)]
    told = re.search(r"([\d.]+) times as long", doubts[0].evidence)
    assert told is not None
    assert float(told[1]) == pytest.approx(gain, rel=0.03)
    assert certainty(switched) == "open"


@pytest.mark.parametrize(("gain", "words"), [(0.5, "twice"), (2.0, "half")])
def test_a_gyroscope_whose_range_switches_before_a_block_shows_in_how_far_gravity_turns(
    gain: float, words: str
) -> None:
    session = played().session
    start_s = next(event.start_s for event in session.events if event.kind == "play") - 1.0
    after = session.raw.ticks / session.profile.tick_hz > start_s
    factor = np.where(after[:, None], [1, 1, 1, gain, gain, gain], 1.0)
    switched = counts_changed(session, lambda counts: np.rint(counts * factor))
    (doubt,) = (doubt for doubt in judge_log(switched).doubts if doubt.kind == "sensor scale")
    assert doubt.blocks == (0,)
    assert doubt.evidence.startswith(f"gravity turns {words} as far")
    assert certainty(switched) == "open"


def test_a_sensor_turned_after_the_gestures_is_found() -> None:
    session = played().session
    start_s = next(event.start_s for event in session.events if event.kind == "play") - 1.0
    after = session.raw.ticks / session.profile.tick_hz > start_s
    turned = session.raw.counts.copy()
    turned[after] = turned[after][:, [1, 0, 2, 4, 3, 5]] * [1, -1, 1, 1, -1, 1]
    doubts = judge_log(replace(session, raw=replace(session.raw, counts=turned))).doubts
    assert [doubt.kind for doubt in doubts] == ["sensor turned"]
    assert doubts[0].blocks == (0,)


@pytest.mark.parametrize("seed", [31, 34])
def test_what_cannot_be_seen_does_not_change_tilt(seed: int) -> None:
    """The accelerometer's overall sign, and a mirrored pair, mirror the world in a vertical plane."""
    session = played(seed).session
    plain = analyse_session(session)
    for change in ([-1, -1, -1, 1, 1, 1], [-1, 1, 1, 1, -1, -1]):
        mirrored = counts_changed(session, lambda counts, change=change: counts * np.array(change))  # type: ignore[misc]
        assert judge_log(mirrored).doubts == ()
        other = analyse_session(mirrored)
        assert other.blocks[0].tilt_mean_deg == pytest.approx(plain.blocks[0].tilt_mean_deg, abs=0.1)
        assert other.blocks[0].tilt_side == plain.blocks[0].tilt_side


def test_a_delay_is_taken_out_before_anything_is_measured() -> None:
    late = analyse_session(counts_changed(played().session, late_gyro(8))).blocks[0]
    true = analyse_session(played().session).blocks[0]
    assert late.tilt_mean_deg == pytest.approx(true.tilt_mean_deg, abs=2.0)


def test_a_frozen_axis_is_told_from_a_quiet_one() -> None:
    session = played().session
    assert find_frozen(session.raw, session.profile) == ()
    counts = session.raw.counts.copy()
    counts[1000:1400, 2] = counts[1000, 2]
    frozen = find_frozen(replace(session.raw, counts=counts), session.profile)
    assert [axis.axis for axis in frozen] == ["accelerometer z"]
    assert not frozen[0].whole


def test_a_tone_is_seen_by_the_path_it_makes() -> None:
    """1 m/s2 RMS at 10 Hz is 1 / (2 pi 10)^2 m = 0.253 mm RMS, in the band of strokes."""
    rate_hz, t = 200.0, np.arange(1000) / 200.0
    accel = np.zeros((t.size, 3))
    accel[:, 0] = np.sqrt(2) * np.sin(2 * np.pi * 10 * t)
    found = measure_restlessness(accel, np.zeros_like(accel), rate_hz, played().session.profile)
    assert found.path_mm == pytest.approx(1e3 / (2 * np.pi * 10) ** 2, rel=0.03)
    assert found.tone_hz == pytest.approx(10.0, abs=1.0)


@pytest.mark.parametrize("rate_hz", [100.0, 400.0])
@pytest.mark.parametrize("taps_hz", [1.2, 2.0, 3.3])
def test_taps_are_told_from_noise_and_from_a_trembling_hand(taps_hz: float, rate_hz: float) -> None:
    """A bump of 1 m/s2 at every tap, the time between them unsteady by 2 %; then noise, a tremor and a tone."""
    rng = np.random.default_rng(5)
    t = np.arange(round(3.0 * rate_hz)) / rate_hz
    taps = np.cumsum((1 + 0.02 * rng.normal(size=12)) / taps_hz)
    noise = 0.05 * rng.normal(size=(t.size, 3))
    bumps = np.exp(-(((t[:, None] - taps) / 0.03) ** 2)).sum(axis=1)
    assert tapping_hz(noise + bumps[:, None] * [0.2, 0.1, 1.0], rate_hz) == pytest.approx(taps_hz, rel=0.06)
    tremor = 0.3 * np.sin(2 * np.pi * np.cumsum(9.0 + 1.5 * rng.normal(size=t.size)) / rate_hz)
    for quiet in (noise, noise + tremor[:, None], noise + np.sin(2 * np.pi * 0.4 * t)[:, None]):
        assert tapping_hz(quiet, rate_hz) is None


@pytest.mark.parametrize("size_mm", [4.0, 12.0])
def test_a_foot_that_taps_is_named_and_the_sensor_is_not(size_mm: float) -> None:
    scenario = random_scenario(36, 8.0, 6.0)
    tapped = simulate(scenario, 36, disturbance=lambda _: Disturbance(tap_mm=size_mm)).session
    (doubt,) = judge_log(tapped).doubts
    assert doubt.kind == "shaken still"
    assert "2.0 times a second" in doubt.fault
    assert "foot" in doubt.change


@pytest.mark.parametrize(("tone_hz", "kind"), [(9.0, "shaken still"), (40.0, "sensor noise")])
def test_a_hand_that_trembles_in_its_still_is_not_a_sensor_that_hums(tone_hz: float, kind: str) -> None:
    session = play(37, 6.0).session
    still = next(event for event in session.events if event.kind == "still" and event.label != "off hand")
    time_s = session.raw.ticks / session.profile.tick_hz
    inside = (time_s > still.start_s) & (time_s < still.end_s)
    size = 1e-3 * 3.0 * (2 * np.pi * tone_hz) ** 2 / session.profile.accel_mps2_per_count
    shaken = (inside * size * np.sin(2 * np.pi * tone_hz * time_s))[:, None] * np.array([1, 1, 1, 0, 0, 0])
    (doubt,) = judge_log(counts_changed(session, lambda counts: counts + shaken)).doubts
    assert doubt.kind == kind
    assert ("trembled" in doubt.fault) is (kind == "shaken still")


def test_a_lap_is_told_from_a_table_and_its_bias_is_worth_less() -> None:
    rng = np.random.default_rng(7)
    gyro, accel = rng.normal(0, 0.001, (400, 3)), np.tile([0.0, 0.0, 9.81], (400, 1))
    table = measure_still(accel, gyro, 200.0)
    t = np.arange(400)[:, None] / 200.0
    lap = measure_still(accel, gyro + np.radians(1.0) * np.sin(2 * np.pi * 0.4 * t + [0, 1, 2]), 200.0)
    assert table.quiet
    assert table.good(off_hand=True)
    assert table.bias_se_dps < 0.02
    assert not lap.good(off_hand=True)
    assert lap.bias_se_dps > 0.1


def test_a_drifting_gyroscope_keeps_its_tilt() -> None:
    """0.1 (deg/s)/min over a minute and a half."""
    session = played(35).session
    time_s = session.raw.ticks / session.profile.tick_hz
    drift = np.radians(0.1) / 60 * (time_s - time_s[0]) / session.profile.gyro_radps_per_count
    drifting = counts_changed(session, lambda counts: counts + drift[:, None] * np.array([0, 0, 0, 1, -0.8, 0.6]))
    block, plain = analyse_session(drifting).blocks[0], analyse_session(session).blocks[0]
    assert block.tilt_mean_deg == pytest.approx(plain.tilt_mean_deg, abs=1.5)


@pytest.mark.parametrize("laid_down_again", [False, True])
def test_a_second_still_off_the_hand_tells_the_drift_about_the_vertical(laid_down_again: bool) -> None:
    """Two minutes of a sensor at rest but for its drift of 0.2 (deg/s)/min on each axis: gravity shows x and y only."""
    rng, rate_hz, seconds = np.random.default_rng(8), 50.0, 120.0
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    drift_radps = np.radians(0.2) / 60 * t[:, None] * np.ones(3)
    grid = Grid.steady(rate_hz, t.size)
    accel = np.tile([0.0, 0.0, 9.81], (t.size, 1)) + 0.02 * rng.normal(size=(t.size, 3))
    signals = Signals(grid, accel, drift_radps + 2e-4 * rng.normal(size=(t.size, 3)), None, None, 1, 0)
    events = [Event(0.0, 3.0, "still", "off hand")]
    if laid_down_again:
        events.append(Event(seconds - 4.0, seconds - 0.5, "still", "off hand"))
    history = follow_bias(still_gyro_bias(signals, events), events)
    grown = np.degrees([np.diff(np.interp([20.0, 100.0], history.time_s, bias))[0] for bias in history.bias_radps.T])
    told = 3 if laid_down_again else 2
    assert grown[:told] == pytest.approx(0.2 * 80 / 60, abs=0.06)
    assert grown[told:] == pytest.approx(0.0, abs=0.06)
