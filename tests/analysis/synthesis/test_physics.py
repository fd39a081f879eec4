"""The forward model against closed forms and against itself integrated back. No tuning, no estimator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid
from scipy.spatial.transform import Rotation

from analysis.model.records import Instrument, Player
from analysis.synthesis.draw import draw_hand, instrument_quat, random_scenario
from analysis.synthesis.rotation import matrix, quat_from_matrix, random_quat
from analysis.synthesis.scenario import Attitude, Scenario
from analysis.synthesis.sensor import inertial, on_hand
from analysis.synthesis.simulate import SimulatedSession, simulate
from tests.analysis.synthesis.rigs import performance_of, plain_scenario, quiet_hand, sine_track, still_track

G = 9.81
STEP_S = 1 / 1600


@pytest.fixture(scope="module")
def ideal() -> tuple[Scenario, SimulatedSession]:
    scenario = replace(random_scenario(5), **{k: getattr(plain_scenario(), k) for k in ("grade", "recording")})
    scenario = replace(scenario, gestures=plain_scenario().gestures, blocks=plain_scenario().blocks)
    return scenario, simulate(scenario, 5)


def test_lever_that_turns_about_a_fixed_point_reads_centripetal_tangential_and_gravity() -> None:
    # theta = A sin(wt) about Z; the sensor sits at distance r from the fixed point, its X axis along the radius.
    # By hand: a_radial = -r theta'^2, a_tangential = r theta''. Gravity along -Y: specific force adds +g e_y.
    radius, amplitude, rate = 0.09, 0.25, 3.0
    turning = sine_track(np.array([0.0, 0.0, 1.0]), amplitude, rate, 2.0)
    rig = performance_of(still_track(np.zeros(3)), turning, np.array([-radius, 0.0, 0.0]), np.array([1.0, 0, 0, 0]))
    # The rig's world has Z up: tip the instrument so that its -Y is down.
    rig = replace(rig, instrument=quat_from_matrix(np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])))
    t = 0.1 + np.arange(2400) * STEP_S
    signal = inertial(on_hand(rig), t, G)
    inner = t[3:-3]
    w = 2 * np.pi * rate
    theta = amplitude * np.sin(w * inner)
    speed, change = amplitude * w * np.cos(w * inner), -amplitude * w**2 * np.sin(w * inner)
    np.testing.assert_allclose(signal[0], -radius * speed**2 + G * np.sin(theta), atol=1e-3)
    np.testing.assert_allclose(signal[1], radius * change + G * np.cos(theta), atol=1e-3)
    np.testing.assert_allclose(signal[2], 0.0, atol=1e-9)
    np.testing.assert_allclose(signal[5], speed, atol=1e-6)
    assert np.ptp(signal[0]) > 1.0  # the check is of a motion, not of rest


def test_pure_translation_reads_its_second_derivative_in_sensor_axes() -> None:
    mounting = random_quat(np.random.default_rng(4))
    way = np.array([0.0, np.cos(0.3), np.sin(0.3)])
    tip = sine_track(way, 7.5e-3, 6.0, 2.0)
    rig = performance_of(tip, still_track(np.zeros(3)), np.array([0.03, -0.05, 0.04]), mounting)
    t = 0.1 + np.arange(2400) * STEP_S
    signal = inertial(on_hand(rig), t, G)
    w = 2 * np.pi * 6.0
    world = -7.5e-3 * w**2 * np.sin(w * t[3:-3])[:, None] * way + [0.0, 0.0, G]
    np.testing.assert_allclose(signal[:3].T, world @ matrix(mounting), atol=1e-3)
    np.testing.assert_allclose(signal[3:], 0.0, atol=1e-12)


def test_turning_rate_integrates_to_the_attitude(ideal: tuple[Scenario, SimulatedSession]) -> None:
    _, made = ideal
    pivot = next(e for e in made.truth.performance.events if e.kind == "pivot")
    t = pivot.start_s + np.arange(int(4.0 / STEP_S)) * STEP_S
    signal = inertial(on_hand(made.truth.performance), t, G)
    pose = made.truth.performance.pose(t[3:-3])
    true = Rotation.from_quat(pose.sensor_quat.T, scalar_first=True)
    mean = 0.5 * (signal[3:, 1:] + signal[3:, :-1]).T
    turned = Rotation.identity()
    for rotvec in mean * STEP_S:
        turned = turned * Rotation.from_rotvec(rotvec)
    error = (true[0].inv() * true[-1]).inv() * turned
    assert np.degrees(error.magnitude()) < 0.01
    assert np.degrees(np.std(signal[3:])) > 10.0


def test_acceleration_integrates_twice_to_the_tip(ideal: tuple[Scenario, SimulatedSession]) -> None:
    _, made = ideal
    performance = made.truth.performance
    t = performance.blocks[0].turns_s[0] + np.arange(int(3.0 / STEP_S)) * STEP_S
    signal = inertial(on_hand(performance), t, G)
    pose = performance.pose(t[3:-3])
    attitude = Rotation.from_quat(pose.sensor_quat.T, scalar_first=True)
    acceleration = attitude.apply(signal[:3].T) - [0.0, 0.0, G]
    velocity = cumulative_trapezoid(acceleration, dx=STEP_S, axis=0, initial=0)
    place = cumulative_trapezoid(velocity, dx=STEP_S, axis=0, initial=0)
    tip = place + attitude.apply(performance.lever_m["A"])
    tip = Rotation.from_matrix(matrix(performance.instrument)).inv().apply(tip)
    gap = 1e3 * (tip - pose.tip_m.T)
    # Vibrations are of the hand against the tip, some tens of micrometres; the start's velocity is not known here.
    line = np.column_stack((np.ones(gap.shape[0]), np.arange(gap.shape[0])))
    gap -= line @ np.linalg.lstsq(line, gap, rcond=None)[0]
    assert np.sqrt(np.mean(gap**2)) < 0.03
    assert np.ptp(1e3 * pose.tip_m[1]) > 10.0


@pytest.mark.parametrize("handed", ["right", "left"])
@pytest.mark.parametrize("held", ["upright", "flat"])
def test_instrument_frames_are_proper_and_point_as_the_words_say(handed: str, held: str) -> None:
    attitude = Attitude(heading_deg=75.0, neck_up_deg=20.0, face_up_deg=15.0)
    axes = matrix(instrument_quat(attitude, Instrument(held=held), Player(handed=handed))).T  # type: ignore[arg-type]
    assert np.linalg.det(axes) == pytest.approx(1.0)
    np.testing.assert_allclose(np.cross(axes[1], axes[2]), axes[0], atol=1e-12)
    if held == "upright":
        assert axes[1, 2] < -0.8  # Y points down in the world
        assert axes[2, 2] == pytest.approx(np.sin(np.radians(15.0)))  # the face is turned up
        # Nut to bridge falls when the neck is raised; for a left-handed player X is bridge to nut, and rises.
        assert np.sign(axes[0, 2]) == (-1.0 if handed == "right" else 1.0)
    else:
        assert axes[2, 2] > 0.9


@pytest.mark.parametrize("handed", ["right", "left"])
def test_sensor_sits_outside_the_tip_and_the_forearm_comes_from_the_bridge(handed: str) -> None:
    for seed in range(20):
        hand = draw_hand(np.random.default_rng(seed), handed)
        assert hand.lever_mm[2] < -5.0
        assert 60.0 <= np.linalg.norm(hand.lever_mm) <= 110.0
        # The tip lies ahead of the sensor: towards the nut, which is -X for a right hand and +X for a left one.
        assert np.sign(hand.lever_mm[0]) == (-1.0 if handed == "right" else 1.0)


def test_sensor_at_rest_reads_gravity_upwards() -> None:
    made = simulate(plain_scenario(), 8)
    still = made.session.events[0]
    assert still.label == "off hand"
    profile, raw = made.session.profile, made.session.raw
    t = raw.ticks / profile.tick_hz
    middle = np.abs(t - 0.5 * (still.start_s + still.end_s)) < 0.5
    force = raw.counts[middle, :3] * profile.accel_mps2_per_count
    path = made.truth.path(t[middle])
    up = Rotation.from_quat(path.sensor_quat_wxyz, scalar_first=True).inv().apply([0.0, 0.0, G])
    np.testing.assert_allclose(force, up, atol=2e-6)
    assert np.all(raw.counts[middle, 3:] == 0)


def test_recorded_counts_are_the_motion_at_the_recorded_ticks(ideal: tuple[Scenario, SimulatedSession]) -> None:
    scenario, made = ideal
    t = made.session.raw.ticks / made.session.profile.tick_hz
    play = made.session.events[-1]
    k = np.flatnonzero((t > play.start_s) & (t < play.end_s))[::40]
    for i in k:
        at = (t[i] - made.truth.sensor.start_s) + (np.arange(7) - 3) * 1e-4
        want = inertial(on_hand(made.truth.performance), at, scenario.gravity_mps2)[:, 0]
        profile = made.session.profile
        got = made.session.raw.counts[i] * np.repeat([profile.accel_mps2_per_count, profile.gyro_radps_per_count], 3)
        np.testing.assert_allclose(got[3:], want[3:], atol=0.01)
        np.testing.assert_allclose(got[:3], want[:3], atol=0.6)  # attacks up to 350 Hz between samples of the grid


def test_tip_is_fixed_in_the_hand_while_playing_but_not_with_finger_motion() -> None:
    base = replace(random_scenario(3), **{k: getattr(plain_scenario(), k) for k in ("grade", "recording", "blocks")})
    assert base.hand is not None
    for share, least, most in ((0.0, 0.0, 0.06), (0.1, 0.3, 1.0)):
        scenario = replace(base, hand=replace(quiet_hand(base.hand), finger_share=share))
        made = simulate(scenario, 3)
        strokes = made.truth.strokes
        path = made.truth.path(np.linspace(strokes["start_s"].iloc[0], strokes["end_s"].iloc[-1], 4000))
        attitude = Rotation.from_quat(path.sensor_quat_wxyz, scalar_first=True)
        world = Rotation.from_quat(path.instrument_quat_wxyz, scalar_first=True)
        carried = world.inv().apply(path.sensor_mm + attitude.apply(made.truth.lever_mm["A"]))
        apart = np.std(carried - path.tip_mm, axis=0)
        assert least <= np.max(apart) <= most
