"""What a simulated session holds: events, strokes, sensor errors, losses, seeds."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.errors import InputError
from analysis.model.records import Instrument
from analysis.synthesis.draw import draw_hand, random_scenario
from analysis.synthesis.grades import CHEAP
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Recording, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from tests.analysis.synthesis.rigs import QUIET_BLOCK, STEADY, plain_scenario, quiet_hand


@pytest.fixture(scope="module")
def two_postures() -> SimulatedSession:
    blocks = (
        PlayBlock(duration_s=5.0, tilt_deg=18.0),
        PlayBlock(duration_s=5.0, tilt_deg=-12.0, strokes_per_s=4.0),
        PlayBlock(duration_s=5.0, tilt_deg=0.0, posture="B"),
    )
    postures = (Posture("A"), Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, -3.0, 2.0)))
    return simulate(Scenario(blocks=blocks, postures=postures, gestures=GesturePlan(length="short")), 21)


def test_events_come_in_order_do_not_overlap_and_repeat_gestures_for_each_posture(
    two_postures: SimulatedSession,
) -> None:
    events = two_postures.session.events
    kinds = [e.kind for e in events]
    assert kinds == [
        *("still", "still", "across", "along", "pivot", "play", "rest", "play", "rest"),
        *("still", "across", "along", "pivot", "play"),
    ]
    assert [e.posture for e in events if e.kind == "pivot"] == ["A", "B"]
    assert all(b.start_s > a.end_s for a, b in pairwise(events))
    assert all(e.end_s > e.start_s for e in events)


def test_strokes_lie_in_their_play_events_and_in_the_recording(two_postures: SimulatedSession) -> None:
    session, truth = two_postures.session, two_postures.truth
    t = session.raw.ticks / session.profile.tick_hz
    assert t[0] > 4.0  # log time does not start at zero
    assert np.all(np.diff(session.raw.ticks) > 0)
    plays = [e for e in session.events if e.kind == "play"]
    for index, play in enumerate(plays):
        strokes = truth.strokes[truth.strokes["block"] == index]
        assert len(strokes) == round(5.0 * (4.0 if index == 1 else 8.0))
        assert play.start_s < strokes["start_s"].iloc[0]
        assert strokes["end_s"].iloc[-1] < play.end_s
        assert play.end_s < t[-1]


def test_strokes_alternate_and_join_at_extrema_of_the_tip(two_postures: SimulatedSession) -> None:
    truth = two_postures.truth
    for _, block in truth.strokes.groupby("block"):
        assert np.all(block["start_s"].to_numpy()[1:] == block["end_s"].to_numpy()[:-1])
        assert np.all(block["direction"].to_numpy()[1:] != block["direction"].to_numpy()[:-1])
        turns = block["start_s"].to_numpy()[1:]
        y = np.array([truth.path(turns + dt).tip_mm[:, 1] for dt in (-0.004, 0.0, 0.004)])
        turn_high = (block["direction"].to_numpy()[1:] == "up")[None, :]  # an upstroke starts at the largest Y
        y = np.where(turn_high, y, -y)
        assert np.mean((y[1] > y[0]) & (y[1] > y[2])) > 0.98


def test_levers_differ_by_the_change_of_grip(two_postures: SimulatedSession) -> None:
    truth = two_postures.truth
    change = truth.hand_to_instrument @ (truth.lever_mm["B"] - truth.lever_mm["A"])
    np.testing.assert_allclose(change, [3.0, -3.0, 2.0], atol=1e-9)


def test_a_second_posture_turns_the_hand_about_the_vertical() -> None:
    hand = quiet_hand(draw_hand(np.random.default_rng(2)))
    blocks = (QUIET_BLOCK, replace(QUIET_BLOCK, posture="B"))
    scenario = plain_scenario(hand=hand, blocks=blocks, postures=(Posture("A"), Posture("B", yaw_deg=15.0)))
    truth = simulate(scenario, 4).truth
    quats = [truth.path(np.array([plan["start_s"]])).sensor_quat_wxyz[0] for _, plan in truth.blocks.iterrows()]
    a, b = (Rotation.from_quat(q, scalar_first=True) for q in quats)
    turned = (b * a.inv()).as_rotvec(degrees=True)
    assert np.linalg.norm(turned) == pytest.approx(15.0, abs=0.2)
    # Not exactly about the vertical: the wrist is at the start of a stroke, a few degrees off its middle.
    assert turned[2] == pytest.approx(15.0, abs=0.6)


@pytest.mark.parametrize("tilt", [-25.0, 0.0, 14.0])
def test_straight_quiet_strokes_have_the_tilt_span_and_lift_that_were_asked(tilt: float) -> None:
    hand = quiet_hand(draw_hand(np.random.default_rng(2)))
    made = simulate(plain_scenario(hand=hand, blocks=(replace(QUIET_BLOCK, tilt_deg=tilt, span_mm=24.0),)), 4)
    strokes = made.truth.strokes
    np.testing.assert_allclose(strokes["tilt_deg"], tilt, atol=0.02)
    np.testing.assert_allclose(strokes["span_mm"], 24.0, atol=0.02)
    np.testing.assert_allclose(strokes["bow_mm"], 0.0, atol=0.02)
    # By hand: with the contact at part c of the path (from its time: a stroke is at rest at both ends), the tip
    # rises (or falls) by min(spacing / cos(tilt), what is left of the path) times sin(tilt); depth is 2 mm.
    for row in strokes.iloc[3:8].itertuples():
        path = made.truth.path(np.array([row.start_s, row.contact_s, row.end_s])).tip_mm
        left = min(10.5, abs(path[2, 1] - path[1, 1]))
        rise = left * np.tan(np.radians(tilt)) * (1 if row.direction == "down" else -1)
        assert row.lift_mm == pytest.approx(rise - 2.0, abs=0.05)


def test_a_bent_path_lifts_at_both_ends() -> None:
    hand = quiet_hand(draw_hand(np.random.default_rng(2)))
    made = simulate(plain_scenario(hand=hand, blocks=(replace(QUIET_BLOCK, tilt_deg=0.0, bow_mm=2.0),)), 4)
    strokes = made.truth.strokes
    assert strokes["bow_mm"].mean() == pytest.approx(2.0, rel=0.1)
    assert np.abs(strokes["tilt_deg"]).max() < 0.1
    path = made.truth.path(np.array([strokes["start_s"][4], strokes["contact_s"][4], strokes["end_s"][4]])).tip_mm
    assert min(path[0, 2], path[2, 2]) - path[1, 2] > 1.2
    assert strokes["lift_mm"].mean() > -1.0  # 2 mm of depth less most of the bow


def test_string_changes_move_the_hand_by_one_spacing_in_the_two_strokes_about_them() -> None:
    hand = quiet_hand(draw_hand(np.random.default_rng(2)))
    block = replace(QUIET_BLOCK, string_change_every=4, tilt_deg=0.0, span_mm=14.0)
    strokes = simulate(plain_scenario(hand=hand, blocks=(block,)), 4).truth.strokes
    assert list(np.flatnonzero(strokes["string_change"])) == [3, 7, 11, 15, 19, 23, 27]
    assert list(strokes["course"][:32:4]) == [0, 1, 2, 3, 4, 5, 4, 3]
    # A change after an upstroke to the next string: that upstroke is short by half a spacing, the next long by it.
    assert strokes["direction"][3] == "up"
    np.testing.assert_allclose(strokes["span_mm"][1:5], [14.0, 14.0, 14.0 - 5.25, 14.0 + 5.25], atol=0.05)
    assert strokes["in_change"].sum() == 14


def test_trends_show_in_the_strokes() -> None:
    hand = quiet_hand(draw_hand(np.random.default_rng(2)))
    block = replace(
        QUIET_BLOCK, duration_s=30.0, tilt_slope_deg_per_min=-6.0, span_growth_per_min=-0.3, rate_drift_per_min=0.2
    )
    strokes = simulate(plain_scenario(hand=hand, blocks=(block,)), 4).truth.strokes
    minutes = (strokes["start_s"] - strokes["start_s"][0]) / 60.0
    assert np.polyfit(minutes, strokes["tilt_deg"], 1)[0] == pytest.approx(-6.0, abs=0.2)
    assert np.polyfit(minutes, strokes["span_mm"], 1)[0] == pytest.approx(-0.3 * 15.0, abs=0.2)
    pace = 1.0 / (strokes["end_s"] - strokes["start_s"])
    assert np.polyfit(minutes, pace, 1)[0] == pytest.approx(0.2 * 8.0, abs=0.2)


def test_a_tempo_keeps_the_player_with_the_beat() -> None:
    block = PlayBlock(duration_s=60.0, tempo_bpm=120.0, notes_per_beat=3.0, timing_noise=0.05)
    strokes = simulate(plain_scenario(blocks=(block,)), 9).truth.strokes
    assert len(strokes) == 360
    off = strokes["start_s"] - strokes["start_s"][0] - np.arange(360) / 6.0
    assert np.ptp(off) < 0.15
    free = replace(block, tempo_bpm=None, strokes_per_s=6.0)
    strokes = simulate(plain_scenario(blocks=(free,)), 9).truth.strokes
    assert np.ptp(strokes["start_s"] - strokes["start_s"][0] - np.arange(360) / 6.0) > np.ptp(off)


def test_attacks_ring_at_the_sensor_only_where_they_were_made() -> None:
    loud = {}
    for attacks in ("all", "none", 0.5):
        scenario = plain_scenario(blocks=(PlayBlock(duration_s=5.0, attacks=attacks),))  # type: ignore[arg-type]
        made = simulate(scenario, 6)
        raw, strokes = made.session.raw, made.truth.strokes
        t = raw.ticks / 1e6
        jerk = np.linalg.norm(np.diff(raw.counts[:, :3] * 1e-6, n=2, axis=0), axis=1)
        peaks = [jerk[np.searchsorted(t, c) : np.searchsorted(t, c + 0.02)].max() for c in strokes["contact_s"]]
        loud[attacks] = np.array(peaks)
        if attacks == 0.5:
            assert 0.25 < strokes["attack"].mean() < 0.75
            flags = strokes["attack"].to_numpy()
            assert np.median(loud[attacks][flags]) > 3 * np.median(loud[attacks][~flags])
    assert np.median(loud["all"]) > 3 * np.median(loud["none"])


def test_the_same_seed_is_the_same_session_and_another_is_not() -> None:
    scenario = Scenario(blocks=(PlayBlock(duration_s=3.0),), gestures=GesturePlan(length="short"))
    a, b, c = (simulate(scenario, seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(a.session.raw.counts, b.session.raw.counts)
    np.testing.assert_array_equal(a.session.raw.ticks, b.session.raw.ticks)
    np.testing.assert_array_equal(a.session.raw.host_time_s, b.session.raw.host_time_s)
    assert a.session.events == b.session.events
    assert a.truth.strokes.equals(b.truth.strokes)
    assert a.truth.lever_mm["A"] != pytest.approx(c.truth.lever_mm["A"])
    assert np.std(a.truth.sensor.gyro_bias_radps - c.truth.sensor.gyro_bias_radps) > 0


def test_gestures_of_a_seed_do_not_depend_on_what_is_played_afterwards() -> None:
    a, b = (simulate(random_scenario(12, strokes_per_s=rate, duration_s=4.0), 12) for rate in (4.0, 12.0))
    pivot = next(e for e in a.session.events if e.kind == "pivot")
    assert pivot in b.session.events
    t = np.linspace(pivot.start_s, pivot.end_s, 50) - a.truth.sensor.start_s
    np.testing.assert_array_equal(a.truth.performance.tip(t), b.truth.performance.tip(t))


def test_lost_samples_are_counted_and_leave_gaps_in_the_sequence() -> None:
    recording = replace(STEADY, lost_share=0.02, bursts_per_min=10.0)
    made = simulate(plain_scenario(grade="cheap", recording=recording), 3)
    raw = made.session.raw
    gaps = int(raw.sequence[-1] - raw.sequence[0] + 1 - raw.sequence.size)
    assert gaps == made.truth.lost_samples
    assert gaps > 0.015 * raw.sequence.size
    assert np.max(np.diff(raw.sequence)) > 5
    # The clock settles by some 200 parts in a million while the part warms up.
    np.testing.assert_allclose(np.diff(raw.ticks), np.diff(raw.sequence) * 2500, rtol=5e-4, atol=1)


def test_counts_are_whole_numbers_within_the_range_and_clip_there() -> None:
    narrow = replace(CHEAP, accel_range_g=2.0, gyro_range_dps=125.0)
    made = simulate(plain_scenario(grade=narrow, blocks=(PlayBlock(strokes_per_s=14.0, duration_s=4.0),)), 3)
    counts = made.session.raw.counts
    assert counts.dtype == np.int32
    assert counts.min() >= -32768
    assert counts.max() <= 32767
    assert np.abs(counts).max() >= 32767
    clip = made.session.profile.accel_clip_counts
    assert clip is not None
    assert 0 < np.mean(np.abs(counts) >= clip) < 0.05


def test_noise_and_bias_of_the_cheap_sensor_are_those_of_its_grade() -> None:
    made = simulate(plain_scenario(grade="cheap"), 3)
    profile, raw, still = made.session.profile, made.session.raw, made.session.events[0]
    t = raw.ticks / profile.tick_hz
    inside = (t > still.start_s + 0.2) & (t < still.end_s - 0.2)
    gyro = raw.counts[inside, 3:] * profile.gyro_radps_per_count
    assert profile.gyro_noise_radps_rthz is not None
    white = profile.gyro_noise_radps_rthz * np.sqrt(profile.rate_hz / 2)
    quantised = np.hypot(white, profile.gyro_radps_per_count / np.sqrt(12))
    np.testing.assert_allclose(np.std(gyro, axis=0), quantised, rtol=0.12)
    # Bias, plus what gravity adds through the gyroscope's sensitivity to it and the first seconds of warming up.
    np.testing.assert_allclose(np.mean(gyro, axis=0), made.truth.sensor.gyro_bias_radps, atol=np.radians(0.2))


def test_biases_over_many_seeds_have_the_spread_of_the_grade() -> None:
    from analysis.synthesis.script import Streams
    from analysis.synthesis.sensor import draw_sensor

    drawn = [draw_sensor(Streams.of(seed).sensor, CHEAP, 400.0, Recording()) for seed in range(300)]
    accel = np.array([s.accel_bias_mps2 for s in drawn]) / 9.80665e-3
    gyro = np.degrees([s.gyro_bias_radps for s in drawn])
    assert np.std(accel) == pytest.approx(23.0, rel=0.08)
    assert np.std(gyro) == pytest.approx(2.0, rel=0.08)
    assert np.std([s.accel_matrix[0, 1] for s in drawn]) == pytest.approx(0.005, rel=0.15)
    assert max(abs(s.rate_hz / 400.0 - 1) for s in drawn) <= 0.01
    # Seeds are independent: neighbours are not alike.
    assert abs(np.corrcoef(accel[:-1, 0], accel[1:, 0])[0, 1]) < 0.15


def test_sampling_clock_error_shows_in_the_ticks() -> None:
    made = simulate(plain_scenario(recording=replace(STEADY, rate_error=0.01)), 3)
    period = np.median(np.diff(made.session.raw.ticks)) / 1e6
    assert period == pytest.approx(1 / 404.0, rel=2e-3)
    assert made.session.profile.rate_hz == 400.0


def test_poor_gestures_are_poor_and_missing_ones_missing() -> None:
    plan = GesturePlan(length="short", poor_across=True, poor_pivot=True, missing=("along",))
    made = simulate(plain_scenario(gestures=plan), 5)
    events = {e.kind: e for e in made.session.events}
    assert "along" not in events
    across = events["across"]
    path = made.truth.path(np.linspace(across.start_s + 0.5, across.end_s - 0.5, 500)).tip_mm
    assert np.std(path[:, 0]) > 2.5 * np.std(path[:, 1])
    assert turning_sd_dps(made) < 8.0
    assert turning_sd_dps(simulate(plain_scenario(), 5)) > 20.0


def turning_sd_dps(made: SimulatedSession) -> float:
    """SD of the turning rate of an ideal sensor in ``pivot``."""
    pivot = next(e for e in made.session.events if e.kind == "pivot")
    t = made.session.raw.ticks / 1e6
    inside = (t > pivot.start_s + 0.5) & (t < pivot.end_s - 0.5)
    return float(np.degrees(np.std(made.session.raw.counts[inside, 3:] * 1e-6)))


def test_pivot_holds_the_centre_of_the_rounded_tip_not_the_tip() -> None:
    hand = replace(quiet_hand(draw_hand(np.random.default_rng(2))), tip_radius_mm=1.0)
    made = simulate(plain_scenario(hand=hand, gestures=GesturePlan(length="short", pivot_slip_mm=0.0)), 5)
    pivot = next(e for e in made.session.events if e.kind == "pivot")
    t = np.linspace(pivot.start_s + 0.4, pivot.end_s - 0.4, 2000)
    tip = made.truth.path(t).tip_mm
    centre = 1e3 * made.truth.performance.tip_m(t - made.truth.sensor.start_s).T
    assert np.max(np.std(centre, axis=0)) < 1e-6
    assert 0.05 < np.max(np.std(tip, axis=0)) < 0.5
    np.testing.assert_allclose(np.linalg.norm(tip - centre, axis=1), 1.0, atol=1e-9)


def test_sway_turns_the_instrument_about_horizontal_axes_by_the_asked_amount() -> None:
    made = simulate(plain_scenario(sway_deg=3.0, blocks=(PlayBlock(duration_s=120.0),)), 5)
    play = made.session.events[-1]
    quats = made.truth.path(np.linspace(play.start_s, play.end_s, 4000)).instrument_quat_wxyz
    still = simulate(plain_scenario(blocks=(PlayBlock(duration_s=120.0),)), 5).truth.performance.instrument
    w = np.abs(quats @ still)
    assert np.degrees(np.sqrt(np.mean((2 * np.arccos(np.minimum(w, 1.0))) ** 2))) == pytest.approx(3.0, rel=0.35)


def test_tremor_lies_between_8_and_12_hz() -> None:
    # Band of physiological tremor: common knowledge of physiology, stated from memory.
    hand = replace(quiet_hand(draw_hand(np.random.default_rng(2))), tremor_deg=0.05)
    made = simulate(plain_scenario(hand=hand, gestures=GesturePlan(length="full")), 5)
    still = made.session.events[1]
    t = made.session.raw.ticks / 1e6
    inside = (t > still.start_s + 0.5) & (t < still.end_s - 0.5)
    gyro = made.session.raw.counts[inside, 3:] * 1e-6
    spectrum = np.sum(np.abs(np.fft.rfft(gyro * np.hanning(gyro.shape[0])[:, None], axis=0)) ** 2, axis=1)
    frequency = np.fft.rfftfreq(gyro.shape[0], 1 / 400)
    assert spectrum[(frequency > 7) & (frequency < 13)].sum() > 0.9 * spectrum.sum()
    assert 1.0 < np.degrees(np.sqrt(np.mean(gyro**2))) < 6.0  # 0.05 deg at 10 Hz is 3 deg/s


@pytest.mark.parametrize("wrong", [{"span_mm": 0.0}, {"duration_s": -1.0}, {"strokes_per_s": 0.0}, {"dwell": 0.9}])
def test_blocks_that_no_hand_can_play_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError, match="correct the scenario"):
        PlayBlock(**wrong)  # type: ignore[arg-type]


def test_a_wait_at_the_turns_keeps_tilt_and_span() -> None:
    hand = quiet_hand(draw_hand(np.random.default_rng(2)))
    block = replace(QUIET_BLOCK, strokes_per_s=3.0, dwell=0.3, tilt_deg=12.0)
    made = simulate(plain_scenario(hand=hand, blocks=(block,)), 4)
    strokes = made.truth.strokes
    np.testing.assert_allclose(strokes["tilt_deg"], 12.0, atol=0.1)
    np.testing.assert_allclose(strokes["span_mm"][2:-2], 15.0, atol=0.4)
    # A quarter of a stroke's time before and after each turn the tip has hardly left it.
    turn = strokes["start_s"].to_numpy()[4:8]
    y = np.array([made.truth.path(turn + dt).tip_mm[:, 1] for dt in (-0.04, 0.0, 0.04)])
    assert np.max(np.abs(y - y[1])) < 0.5


def test_random_players_spread_over_the_tilts_and_share_nothing_between_seeds() -> None:
    drawn = [random_scenario(seed) for seed in range(200)]
    tilts = np.array([s.blocks[0].tilt_deg for s in drawn])
    assert np.abs(tilts).max() <= 28.0
    assert np.std(tilts) == pytest.approx(56.0 / np.sqrt(12), rel=0.12)
    assert abs(np.corrcoef(tilts[:-1], tilts[1:])[0, 1]) < 0.2
    levers = {s.hand.lever_mm for s in drawn if s.hand is not None}
    assert len(levers) == 200
    assert 5 < sum(s.player.handed == "left" for s in drawn) < 40


@pytest.mark.parametrize(
    "wrong",
    [{"rate_hz": 0.0}, {"instrument": Instrument(strings=1, courses=1, spacing_mm=())}],
    ids=["rate", "courses"],
)
def test_scenarios_that_nothing_can_record_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(InputError, match="correct the scenario"):
        Scenario(**wrong)  # type: ignore[arg-type]
