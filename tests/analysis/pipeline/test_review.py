"""Defects that a review of the estimator's mathematics found, each against motion known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.errors import GestureError, InputError, TimebaseError
from analysis.model.records import Event, GestureQuality, RawSamples, SensorProfile, Session
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingSettings, fit_drift
from analysis.motion.level_settings import LevelSettings
from analysis.motion.orientation import estimate_orientation, integrate_rotation
from analysis.motion.rotation import rotate, yaw_matrix
from analysis.motion.tip_path import Band, band_displacements
from analysis.pipeline import analyse_session
from analysis.reference import session_reference as reference_module
from analysis.reference.frame import Frame, HeldLever, build_frame
from analysis.reference.gesture_directions import Direction, GestureSettings, measure_direction
from analysis.reference.gesture_doubts import doubt_gestures
from analysis.reference.hand_frame import hand_frame
from analysis.reference.lever import LeverFit, LeverSettings, borrow_lever
from analysis.reference.pivots import ReferenceSettings
from analysis.signal.grid import Grid
from analysis.signal.sensor_errors import ERRORS, ErrorCovariance, SensorErrors
from analysis.signal.timebase import fit_timebase
from analysis.stroke.blocks import summarise_block
from analysis.stroke.play import BandSettings, StrokeSet
from analysis.stroke.stroke_paths import FrameView, restore_level, trace_strokes
from analysis.stroke.tilt import bow_mm as found_bow
from analysis.stroke.uncertainty import BlockChord, offset_parts_deg
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.grades import GRADES
from analysis.synthesis.scenario import Posture, Recording
from analysis.synthesis.simulate import simulate

GRAVITY = 9.80665
WRIST_TO_SENSOR = np.array([0.0, 0.03, 0.06])
WRIST_TO_TIP = np.array([0.0, 0.09, 0.0])


def rocking(rate_hz: float, cycle_hz: float) -> tuple[np.ndarray, np.ndarray, Rotation]:
    """Gyroscope and accelerometer of a sensor that turns +-6 deg about a fixed wrist; its true orientation.

    Differentiated by hand: the wrist's angle is A sin(w t), the sensor's acceleration A'' x s + A' x (A' x s).
    """
    t = np.arange(int(20 * rate_hz)) / rate_hz
    w, x = 2 * np.pi * cycle_hz, np.array([1.0, 0.0, 0.0])
    angle = np.radians(6.0) * np.sin(w * t)
    rate = np.radians(6.0) * w * np.cos(w * t)
    turned = Rotation.from_rotvec(np.outer(angle, x))
    s = turned.apply(WRIST_TO_SENSOR)
    force = (-(w**2) * angle)[:, None] * np.cross(x, s) + (rate**2)[:, None] * np.cross(x, np.cross(x, s))
    force[:, 2] += GRAVITY
    return np.outer(rate, x), turned.inv().apply(force), turned


@pytest.mark.parametrize(("rate_hz", "cycle_hz"), [(200.0, 8.0), (100.0, 4.0), (50.0, 4.0)])
def test_orientation_does_not_run_ahead_of_the_accelerometer(rate_hz: float, cycle_hz: float) -> None:
    """Found half a sample ahead, which put 0.6 to 1.4 mm RMS of error on a stroke of 19 mm."""
    gyro, accel, truth = rocking(rate_hz, cycle_hz)
    quat = estimate_orientation(gyro, accel, Grid.steady(rate_hz, len(gyro)))
    middle = slice(int(5 * rate_hz), int(15 * rate_hz))
    error = (Rotation.from_quat(quat, scalar_first=True) * truth.inv()).as_rotvec()[middle, 0]
    speed = gyro[middle, 0]
    lead_s = float(error @ speed / (speed @ speed))
    assert abs(lead_s) < 0.02 / rate_hz
    strapdown = Rotation.from_quat(integrate_rotation(gyro, rate_hz), scalar_first=True)
    error = (strapdown * truth.inv()).as_rotvec()[middle, 0]
    assert abs(float((error - error.mean()) @ speed / (speed @ speed))) < 0.02 / rate_hz


@pytest.mark.parametrize(("rate_hz", "cycle_hz"), [(200.0, 8.0), (100.0, 4.0), (50.0, 2.0)])
def test_tip_of_a_pure_rotation_follows_its_arc(rate_hz: float, cycle_hz: float) -> None:
    gyro, accel, truth = rocking(rate_hz, cycle_hz)
    quat = estimate_orientation(gyro, accel, Grid.steady(rate_hz, len(gyro)))
    force = rotate(quat, accel)
    force[:, 2] -= GRAVITY
    band = Band(0.2 * cycle_hz, 4, 8 * cycle_hz)
    found = band_displacements(force, rotate(quat, WRIST_TO_TIP - WRIST_TO_SENSOR), rate_hz, (band,))[0]
    middle = slice(int(5 * rate_hz), int(15 * rate_hz))
    true = truth.apply(WRIST_TO_TIP)[middle]
    error = found[middle] / band.gain(np.array([cycle_hz]))[0] - true
    error -= error.mean(axis=0)
    assert 1e3 * np.sqrt((error**2).mean(axis=0)).max() < 0.02


def motion_of(accel: np.ndarray, rate_hz: float, quat: np.ndarray | None = None) -> Motion:
    """Motion of given specific force (sensor axes), upright and unturned where no orientation is given."""
    n = len(accel)
    still = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    return Motion(Grid.steady(rate_hz, n), accel, np.zeros((n, 3)), still if quat is None else quat, None, None, 1)


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize("late_s", [-0.2, 0.0, 0.2, 0.6])
@pytest.mark.parametrize("pause_s", [0.0, 0.45])
def test_first_move_of_a_gesture_is_the_first_move(way: float, late_s: float, pause_s: float) -> None:
    """The tip rests at one end for 2 s and sets out as -A cos(w t): a quarter of flat instruments came out reversed.

    A pause after the third move made the fourth pass for the first.
    """
    rate_hz, w, half_m = 100.0, 2 * np.pi * 2.0, 0.03
    t = np.arange(int(12 * rate_hz)) / rate_hz - 3.0
    moved_s = np.where(t > 0.75, np.maximum(t - pause_s, 0.75), t)
    moving = (t >= 0) & (moved_s < 5.0) & ~((t > 0.75) & (moved_s == 0.75))
    accel = np.zeros((t.size, 3))
    accel[:, 1] = np.where(moving, way * half_m * w**2 * np.cos(w * moved_s), 0.0)
    accel[:, 2] = GRAVITY
    event = Event(3.0 + late_s, 8.0, "across")
    found = measure_direction(motion_of(accel, rate_hz), event, np.zeros(3), GestureSettings())
    assert np.sign(found.chord_m[1]) * found.first_sign == way


def test_a_first_move_before_its_mark_is_not_guessed() -> None:
    """The rhythm runs from two seconds before the mark on: whatever comes first in sight was not the first."""
    rate_hz, w, half_m = 100.0, 2 * np.pi * 2.0, 0.03
    t = np.arange(int(12 * rate_hz)) / rate_hz - 3.0
    accel = np.zeros((t.size, 3))
    accel[:, 1] = np.where((t >= 0) & (t < 7.0), half_m * w**2 * np.cos(w * t), 0.0)
    accel[:, 2] = GRAVITY
    for late_s in np.arange(2.0, 2.5, 0.05):
        event = Event(3.0 + float(late_s), 9.0, "across")
        found = measure_direction(motion_of(accel, rate_hz), event, np.zeros(3), GestureSettings())
        assert found.first_sign == 0.0


@pytest.mark.parametrize(("second", "told"), [(1.0, True), (-1.0, False), (0.0, True)])
def test_across_that_begins_both_ways_on_the_lap_tells_no_downstroke(second: float, told: bool) -> None:
    """The first of two won, and was believed: half of such sessions had down- and upstrokes exchanged."""
    x, y = np.array([0.04, 0.0, 0.0]), np.array([0.0, -0.06, 0.0])
    drift = fit_drift(np.zeros(1), np.zeros(1), np.zeros(1, np.int64), np.zeros(1, bool), 0.0, HeadingSettings())
    across = [direction("across", 0.0, y, "A"), replace(direction("across", 0.0, y, "A"), first_sign=second)]
    arm = np.array([0.0, 0.0, -0.05])
    held = HeldLever(arm, 0, arm)
    frame = build_frame("A", [direction("along", 0.0, x, "A")], across, drift, held, "flat", 35.0)
    assert frame.down_told is told
    said = doubt_gestures({"A": frame}, (), drift, [Event(0.0, 9.0, "play", posture="A")], GestureSettings())
    assert any(doubt.cap == "open" and "downstroke" in doubt.fault for doubt in said) is not told


DRIFT_RADPS = np.radians(0.05)


def drifting(duration_s: float, rate_hz: float = 20.0) -> Motion:
    """A hand that never turns in a world whose heading drifts by 0.05 deg/s: half a turn an hour."""
    t = np.arange(int(duration_s * rate_hz)) / rate_hz
    quat = Rotation.from_rotvec(np.outer(DRIFT_RADPS * t, [0.0, 0.0, 1.0])).as_quat(scalar_first=True)
    return motion_of(np.tile([0.0, 0.0, GRAVITY], (t.size, 1)), rate_hz, quat)


def direction(kind: str, time_s: float, chord_m: np.ndarray, posture: str, arm: float = 0.0) -> Direction:
    """As measured in the drifting world, by a hand whose lever points ``arm`` metres towards the strings."""
    quality = GestureQuality("along", time_s, time_s, posture, 10.0, 40.0, 1.0, True)
    turned, arm_m = (yaw_matrix(DRIFT_RADPS * time_s) @ np.asarray(v) for v in (chord_m, [0.0, -arm, 0.0]))
    columns = np.zeros((ERRORS + 3, 3))
    return Direction(kind, posture, time_s, turned, 1e-8 * np.eye(3), columns, 1.0, 0.3, quality, arm_m)


def test_strings_that_turned_half_round_in_a_drifting_world_are_followed() -> None:
    """An azimuth has no sign: taken as nearest to the last, it put tilt 60 deg off after a second set of gestures."""
    motion = drifting(3600.0)
    events = [Event(10.0, 15.0, "along", posture="A")]
    events += [Event(30.0 + 60 * k, 70.0 + 60 * k, "play", posture="A") for k in range(55)]
    events += [Event(3400.0, 3405.0, "along", posture="A")]
    along = [direction("along", t, np.array([0.04, 0.0, 0.0]), "A") for t in (12.5, 3402.5)]
    drift = reference_module._drift(motion, events, along, HeadingSettings())
    at = np.array([1800.0, 3402.5])
    assert np.degrees(drift.mean_rad(at) - DRIFT_RADPS * (at - 12.5)) == pytest.approx([0.0, 0.0], abs=1.5)


def test_lever_gives_z_its_sign_at_the_reference_heading() -> None:
    """A posture whose gestures came after half a turn of drift got its Z, and the sign of every tilt, reversed."""
    motion = drifting(3600.0)
    events = [Event(10.0, 15.0, "along", posture="A")]
    events += [Event(30.0 + 60 * k, 70.0 + 60 * k, "play", posture="A") for k in range(55)]
    events += [Event(3500.0, 3560.0, "play", posture="B")]
    x, down = np.array([0.04, 0.0, 0.0]), np.array([0.0, 0.0, -0.06])
    directions = [direction("along", 12.5, x, "A", 0.08), direction("across", 20.0, down, "A", 0.08)]
    directions += [direction("along", 3402.5, x, "B", 0.08), direction("across", 3410.0, down, "B", 0.08)]
    lever = np.array([0.0, -0.08, 0.0])
    fit = LeverFit(
        SensorErrors.from_vector(np.zeros(ERRORS)), np.stack([lever, lever]), ErrorCovariance(np.eye(ERRORS + 6)), 1.0
    )
    raw = RawSamples(np.arange(1), np.arange(1), np.zeros(1), np.zeros((1, 6), np.int32))
    session = Session(raw, SensorProfile("x", 20.0, 1.0, 1.0, 1.0), events=tuple(events))
    drift = reference_module._drift(motion, events, [d for d in directions if d.kind == "along"], HeadingSettings())
    gestures = reference_module.Gestures(tuple(directions), fit, ("A", "B"), True, HeadingSettings(), (), ())
    frames, _ = reference_module._frames(motion, session, gestures, drift, ReferenceSettings())
    for posture in "AB":
        assert frames[posture].axes[2] == pytest.approx([0.0, 1.0, 0.0], abs=0.1)


def test_no_stroke_runs_backwards() -> None:
    """Below 150 samples/s no attack tells where play ends; tilts of 150 deg and more stood at the ends of blocks."""
    for seed in (403, 405):
        scenario = random_scenario(seed, strokes_per_s=8.0, duration_s=4.0, rate_hz=100.0)
        assert analyse_session(simulate(scenario, seed).session).strokes["tilt_deg"].abs().max() < 60


def block_of(tilt_deg: np.ndarray, stroke_s: float) -> pd.DataFrame:
    start = np.arange(tilt_deg.size) * stroke_s
    return pd.DataFrame(
        {
            "start_s": start,
            "end_s": start + stroke_s,
            "tilt_deg": tilt_deg,
            "tilt_se_deg": 0.01,
            "string_change": "unknown",
            "direction": "down",
            "span_mm": 15.0,
            "bow_mm": 0.0,
            "lift_mm": 1.0,
            "clears": True,
        }
    )


def test_standard_error_of_a_mean_counts_batches_by_their_strokes() -> None:
    """One stray stroke in a last batch of its own gave a mean of 81 strokes a standard error of 30 deg."""
    rng = np.random.default_rng(3)
    event = Event(0.0, 11.0, "play")
    tilt = np.concatenate([10 + rng.normal(0, 0.5, 80), [100.0]])
    strayed = summarise_block(0, event, block_of(tilt, 0.125), 1.0, True).tilt_mean_se_deg
    # By hand: the mean is off by 90/81; sums of six batches' deviations, five of -16 * 90/81 and one of 90 - 90/81.
    by_hand = np.sqrt(6 / 5 * (5 * (16 * 90 / 81) ** 2 + (90 - 90 / 81) ** 2)) / 81
    assert strayed == pytest.approx(by_hand, rel=0.03)
    # Independent strokes: the standard error is the textbook's, whether batches are many or none.
    for count, stroke_s in ((1600, 0.125), (24, 0.125)):
        tilt = rng.normal(0, 2.0, count)
        found = summarise_block(0, event, block_of(tilt, stroke_s), 1.0, True).tilt_mean_se_deg
        assert found == pytest.approx(2.0 / np.sqrt(count), rel=0.35)


@pytest.mark.parametrize("cause", ["gaps", "short blocks"])
def test_heading_is_followed_through_gaps_and_short_blocks(cause: str) -> None:
    """Windows with any gap, and blocks shorter than half a window, were left out: 50 deg of tilt, without a word."""
    motion = drifting(3600.0)
    settings = HeadingSettings()
    if cause == "gaps":
        valid = np.ones(motion.grid.size, dtype=bool)
        valid[::25] = False
        motion = replace(motion, grid=replace(motion.grid, valid=valid))
    else:
        settings = HeadingSettings(most_windows=20)
    events = [Event(10.0, 15.0, "along", posture="A")]
    events += [Event(30.0 + 60 * k, 40.0 + 60 * k, "play", posture="A") for k in range(59)]
    drift = reference_module._drift(motion, events, [direction("along", 12.5, np.array([0.04, 0, 0]), "A")], settings)
    at = np.array([1800.0, 3400.0])
    assert np.degrees(drift.mean_rad(at) - DRIFT_RADPS * (at - 12.5)) == pytest.approx([0.0, 0.0], abs=4.0)


def test_pivot_with_a_gap_still_gives_the_lever() -> None:
    """Two samples lost in nine seconds threw the whole gesture away."""
    scenario = random_scenario(500, strokes_per_s=8.0, duration_s=3.0)
    made = simulate(replace(scenario, recording=Recording(lost_share=0.0, bursts_per_min=0.0)), 500)
    whole = analyse_session(made.session)
    pivot = next(event for event in made.session.events if event.kind == "pivot")
    raw = made.session.raw
    lost = np.searchsorted(raw.ticks, 1e6 * (pivot.start_s + 0.4 * (pivot.end_s - pivot.start_s)))
    kept = np.delete(np.arange(raw.ticks.size), [lost, lost + 1])
    raw = RawSamples(raw.ticks[kept], raw.sequence[kept], raw.host_time_s[kept], raw.counts[kept])
    cut = analyse_session(replace(made.session, raw=raw))
    assert "pivot" in {gesture.kind for gesture in cut.reference.gestures}
    assert np.linalg.norm(np.subtract(cut.lever_mm, whole.lever_mm)) < 1.0


def log_of(times_s: np.ndarray, tick_s: float = 1e-6) -> RawSamples:
    n = times_s.size
    ticks = np.rint(np.maximum.accumulate(np.floor(times_s / tick_s) * tick_s) * 1e6).astype(np.int64)
    counts = np.random.default_rng(n).integers(-9000, 9000, (n, 6)).astype(np.int32)
    return RawSamples(ticks, np.arange(n), np.full(n, np.nan), counts)


@pytest.mark.parametrize("jitter", [0.05, 0.1, 0.15, 0.2])
def test_jittery_times_keep_their_holes(jitter: float) -> None:
    """From 0.12 periods on, a hole of 10 s was closed up and all that followed stood 10 s early."""
    rng = np.random.default_rng(1)
    k = np.concatenate([np.arange(20000), np.arange(24000, 44000)])
    k = k[rng.random(k.size) >= 1e-3]
    times = (k + jitter * rng.normal(size=k.size)) / 400.0 + 5.0
    base = fit_timebase(log_of(times), SensorProfile("x", 400.0, 1.0, 1.0, 1e6))
    off = base.slot - k[base.kept]
    # A time that is late by three standard deviations of 0.2 periods stands nearer to the next slot.
    assert np.abs(off - off[0]).max() <= (1 if jitter < 0.2 else 3)
    assert abs(base.lost_samples - (k[-1] + 1 - k.size)) <= (1 if jitter < 0.2 else 60)


@pytest.mark.parametrize("rate_hz", [416.0, 800.0, 833.0, 1000.0])
def test_times_in_whole_milliseconds(rate_hz: float) -> None:
    """At 833 samples/s every fifth sample counted as lost."""
    k = np.arange(30000)
    base = fit_timebase(log_of(k / rate_hz, 1e-3), SensorProfile("x", rate_hz, 1.0, 1.0, 1e6))
    assert base.grid.rate_hz == pytest.approx(rate_hz, rel=1e-4)
    assert base.lost_samples <= 2


def test_log_time_of_a_clock_that_settles() -> None:
    """A sample clock that slows by 500 ppm while it warms up: strokes were timed up to 0.1 s off."""
    k = np.arange(400_000)
    t = k / 400.0
    times = 7.0 + t + 5e-4 * (t - 300 * (1 - np.exp(-t / 300)))
    base = fit_timebase(log_of(times), SensorProfile("x", 400.0, 1.0, 1.0, 1e6))
    assert np.abs(base.grid.time_at(k) - times).max() < 0.01
    found = base.grid.position_at(times[::5000])
    assert np.abs(found - k[::5000]).max() < 0.01 * 400


def test_a_clock_that_jumps_by_days_is_refused() -> None:
    times = np.arange(4000) / 400.0
    times[2000:] += 1e6
    with pytest.raises(TimebaseError, match="holes of hours"):
        fit_timebase(log_of(times), SensorProfile("x", 400.0, 1.0, 1.0, 1e6))


def test_unmarked_play_shows_how_the_heading_drifts() -> None:
    """Gestures but no marked block: nothing followed the heading, and tilt ran 25 deg off within ten minutes."""
    plain = random_scenario(310, strokes_per_s=8.0, duration_s=8.0, rate_hz=100.0)
    grade = replace(GRADES["cheap"], gyro_warm_dps=0.15)
    made = simulate(replace(plain, blocks=plain.blocks * 10, rest_s=(50.0, 55.0), grade=grade), 310)
    unmarked = tuple(event for event in made.session.events if event.kind != "play")
    found = analyse_session(replace(made.session, events=unmarked)).strokes
    last = made.truth.strokes[made.truth.strokes["block"] == 9]
    inside = (found["start_s"] > last["start_s"].iloc[0]) & (found["end_s"] < last["end_s"].iloc[-1])
    assert inside.sum() > 40
    assert abs(found.loc[inside, "tilt_deg"].median() - last["tilt_deg"].mean()) < 4.0


def hand_session(rate_hz: float) -> Session:
    raw = RawSamples(np.arange(1), np.arange(1), np.zeros(1), np.zeros((1, 6), np.int32))
    return Session(raw, SensorProfile("x", rate_hz, 1.0, 1.0, 1.0))


def test_hand_frame_has_its_z_on_the_sensors_side() -> None:
    """Z came with the sign that the eigenvectors happened to have, and with it every tilt."""
    rate_hz, w = 100.0, 2 * np.pi * 4.0
    t = np.arange(2000) / rate_hz
    for sense in (1.0, -1.0):
        for lever in (np.array([0.0, -0.08, 0.0]), np.zeros(3)):
            accel = np.zeros((t.size, 3))
            accel[:, 2] = GRAVITY - 0.007 * w**2 * np.sin(w * t)
            accel[:, 1] = sense * 0.002 * w**2 * np.sin(w * t + 0.7)
            frame = hand_frame(motion_of(accel, rate_hz), hand_session(rate_hz), lever)
            assert frame.axes[1] == pytest.approx([0.0, 0.0, -1.0], abs=0.3)
            assert frame.axes[2][1] > 0.9


@pytest.mark.parametrize("scale", [0.0, 0.1, 0.5, 2.0])
def test_an_accelerometer_that_does_not_read_gravity_is_refused(scale: float) -> None:
    """All zeros ended in a division by zero; a range of half the true one in tilts without a word."""
    made = simulate(random_scenario(403, strokes_per_s=8.0, duration_s=2.0, rate_hz=100.0), 403)
    profile = replace(made.session.profile, accel_mps2_per_count=scale * made.session.profile.accel_mps2_per_count)
    with pytest.raises(InputError, match="reads gravity"):
        analyse_session(replace(made.session, profile=profile))


def test_gestures_of_another_grip_do_not_cancel_the_lever() -> None:
    """Along and across of one grip, play of another: one lever's error was taken for the other's, and cancelled."""
    lever = np.eye(3) * 0.3
    columns = np.vstack([np.zeros((ERRORS, 3)), lever])
    x, down = np.array([0.04, 0.0, 0.0]), np.array([0.0, 0.0, -0.06])
    made = [replace(direction("along", 0.0, x, "A"), columns=columns * 0.04 / 0.06)]
    made += [replace(direction("across", 0.0, down, "A"), columns=columns)]
    chord = BlockChord(0.0, down / 4, columns / 4)
    drift = fit_drift(np.zeros(1), np.zeros(1), np.zeros(1, np.int64), np.zeros(1, bool), 0.0, HeadingSettings())
    covariance = np.diag(np.concatenate([np.full(ERRORS, 1e-12), np.full(3, 1e-6)]))
    one = LeverFit(SensorErrors.from_vector(np.zeros(ERRORS)), np.zeros((1, 3)), ErrorCovariance(covariance), 1.0)
    frame = build_frame(
        "A", made[:1], made[1:], drift, HeldLever(np.zeros(3), 0, np.array([0.0, -1.0, 0.0])), "upright", 35.0
    )
    same = offset_parts_deg(chord, frame, one, drift, GestureSettings())["pivot"]
    two = borrow_lever(one, 0, LeverSettings())
    regripped = offset_parts_deg(chord, replace(frame, grip=1), two, drift, GestureSettings())["pivot"]
    # Play runs as across does, so a common lever's error tilts both alike; a regripped one tilts play alone.
    assert same < 1e-3
    assert regripped == pytest.approx(np.degrees(0.3 * 3e-3 / 0.06), rel=0.05)


@pytest.mark.parametrize("bow_mm", [0.0, 2.0, -3.0])
@pytest.mark.parametrize(("cycle_hz", "strokes"), [(1.0, 8), (4.0, 8), (4.0, 40)])
def test_first_and_last_stroke_of_an_arched_series(bow_mm: float, cycle_hz: float, strokes: int) -> None:
    """y = -A cos w t, z = bow (1 + cos 2 w t) / 2: tilts stood 12 deg off at the ends of a series, spans 60 % short."""
    rate_hz, half_mm, w = 200.0, 7.5, 2 * np.pi * cycle_hz
    t = np.arange(int(strokes / (2 * cycle_hz) * rate_hz) + 1) / rate_hz
    accel = np.zeros((t.size, 3))
    accel[:, 1] = 1e-3 * half_mm * w**2 * np.cos(w * t)
    accel[:, 2] = GRAVITY - 1e-3 * bow_mm / 2 * (2 * w) ** 2 * np.cos(2 * w * t)
    turns = np.linspace(0, t.size - 1, strokes + 1)
    even = np.full(strokes, cycle_hz)
    sign = np.where(np.arange(strokes) % 2 == 0, 1.0, -1.0)
    found = StrokeSet(turns[:-1], turns[1:], sign, 0.015 * np.ones(strokes), even, np.zeros(strokes, bool))
    frame = Frame("", np.eye(3), np.zeros(3), 0, (), ())

    def level(_: Frame, at: np.ndarray) -> np.ndarray:
        return np.tile(np.eye(3), (at.size, 1, 1))

    motion = motion_of(accel, rate_hz)
    (path,) = restore_level(motion, found, FrameView(frame, level), LevelSettings())
    traced = trace_strokes(motion, path, found, FrameView(frame, level), BandSettings())
    chord = (traced.path_m[:, -1] - traced.path_m[:, 0]) * sign[:, None]
    # A tenth of a degree for each millimetre of arch is what is left of six degrees.
    assert np.abs(np.degrees(np.arctan2(chord[:, 2], chord[:, 1]))).max() < 0.1 + 0.1 * abs(bow_mm)
    inner = slice(2, -2)
    assert 1e3 * chord[inner, 1] == pytest.approx(2 * half_mm, rel=0.03)
    assert 1e3 * chord[[0, -1], 1] == pytest.approx(2 * half_mm, rel=0.05)
    assert found_bow(1e3 * traced.path_m)[inner] == pytest.approx(bow_mm, abs=0.06)


def test_a_hand_turned_far_does_not_turn_the_picture_over() -> None:
    """The near side of the strings was read off one moment of one gesture: 1 of 80 tilts had the other sign."""
    drawn = random_scenario(30009, strokes_per_s=8.0, duration_s=6.0)
    block = drawn.blocks[0]
    blocks = (replace(block, posture="A"), replace(block, posture="B", tilt_deg=-block.tilt_deg))
    turned = Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65))
    made = simulate(replace(drawn, blocks=blocks, postures=(Posture("A"), turned)), 30009)
    for found, true in zip(analyse_session(made.session).blocks, blocks, strict=True):
        assert found.tilt_mean_deg == pytest.approx(true.tilt_deg, abs=3.0)


def test_a_lever_that_does_not_tell_the_near_side_is_refused() -> None:
    x, down = np.array([0.04, 0.0, 0.0]), np.array([0.0, 0.0, -0.06])
    drift = fit_drift(np.zeros(1), np.zeros(1), np.zeros(1, np.int64), np.zeros(1, bool), 0.0, HeadingSettings())
    along, across = direction("along", 0.0, x, "A"), direction("across", 0.0, down, "A")
    with pytest.raises(GestureError, match="farther out"):
        build_frame("A", [along], [across], drift, HeldLever(x, 0, np.array([0.06, 0.002, -0.02])), "upright", 35.0)


@pytest.mark.parametrize("askew_deg", [-45.0, 0.0, 45.0])
def test_an_oblique_across_on_a_raised_neck_keeps_its_side(askew_deg: float) -> None:
    """Its part along the strings climbs: down was told by the whole of it, and down- and upstrokes changed places."""
    raised, askew = np.radians(50.0), np.radians(askew_deg)
    strings = np.array([np.cos(raised), 0.0, -np.sin(raised)])
    square = np.array([-np.sin(raised), 0.0, -np.cos(raised)])
    drag = 0.06 * (np.cos(askew) * square + np.sin(askew) * strings)
    drift = fit_drift(np.zeros(1), np.zeros(1), np.zeros(1, np.int64), np.zeros(1, bool), 0.0, HeadingSettings())
    along, across = direction("along", 0.0, 0.04 * strings, "A"), direction("across", 0.0, drag, "A")
    arm = np.array([0.0, -0.05, -0.03])
    frame = build_frame("A", [along], [across], drift, HeldLever(arm, 0, arm), "upright", 35.0)
    assert frame.axes[1] == pytest.approx(square, abs=1e-9)
