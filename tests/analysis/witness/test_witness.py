"""A sensor on the instrument: what it takes out of the tilt, and what is said where it cannot."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.errors import InputError
from analysis.model.records import RawSamples, Session, SessionResult
from analysis.pipeline import analyse_session
from analysis.report.verdict import judge_session
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import prepare_signals
from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, InstrumentSensor
from analysis.synthesis.simulate import SimulatedSession, simulate
from analysis.witness.clock_step import mend_clock
from analysis.witness.felt_clock import refine_clock
from analysis.witness.instrument_motion import read_instrument
from analysis.witness.mutual_heading import relative_orientation

SEED = 88_001
BOARD = InstrumentSensor()


@cache
def made(
    sensor: InstrumentSensor = BOARD, what: str = "nothing", rock: bool = True, seed: int = SEED
) -> SimulatedSession:
    """Two blocks of one tilt; what befalls the instrument begins before the second, its sensor's faults in between."""
    scenario = random_scenario(seed, 8.0, 8.0, blocks=2)
    tilt = scenario.blocks[0].tilt_deg
    scenario = replace(
        scenario,
        blocks=tuple(replace(block, tilt_deg=tilt) for block in scenario.blocks),
        gestures=GesturePlan(repetitions=2, rock=rock),
        instrument_sensor=sensor,
    )

    def befalls(performance: object) -> Disturbance:
        at = float(performance.blocks[1].turns_s[0]) - 3.0  # type: ignore[attr-defined]
        return {
            "nothing": Disturbance(),
            "lean": Disturbance(at_s=at, lean_deg=6.0),
            "reaction": Disturbance(reaction_deg=0.2),
            "foot tap": Disturbance(at_s=at, tap_mm=2.5),
        }[what]

    return simulate(scenario, seed, disturbance=befalls)


def between_blocks_s(session: SimulatedSession) -> float:
    """True time from the start between both blocks."""
    blocks = session.truth.performance.blocks
    return float(blocks[0].turns_s[-1] + blocks[1].turns_s[0]) / 2


def errors_deg(session: SimulatedSession, result: SessionResult) -> list[float]:
    truth = session.truth.blocks["tilt_mean_deg"].to_numpy()
    return [block.tilt_mean_deg - truth[block.index] for block in result.blocks if block.tilt_mean_deg is not None]


def witness_faults(result: SessionResult) -> list[str]:
    return [doubt.fault for doubt in result.doubts if doubt.kind == "witness"]


def test_a_lean_is_seen_and_taken_out() -> None:
    session = made(what="lean")
    with_it, without = analyse_session(session.session), analyse_session(replace(session.session, streams=()))
    assert max(map(abs, errors_deg(session, with_it))) < 1.6
    assert abs(errors_deg(session, without)[1] - errors_deg(session, without)[0]) > 4.0
    assert with_it.witness is not None
    first, second = with_it.witness.blocks
    assert second.roll_deg - first.roll_deg == pytest.approx(6.0, abs=0.7)
    assert abs(second.without_deg - first.without_deg) == pytest.approx(6.0, abs=1.5)
    assert with_it.witness.rocked
    assert without.witness is None
    parts = with_it.blocks[1].tip_parts_deg
    assert parts is not None
    assert parts["instrument"] == 0.0


def test_relative_orientation_is_that_of_scipy() -> None:
    """SciPy's Rotation.align_vectors solves the same problem (Wahba), by code that is not ours."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        turn = Rotation.random(random_state=rng)
        seen = rng.normal(size=(300, 3)) * [1.0, 0.6, 0.1]
        hand = turn.apply(seen) + 0.05 * rng.normal(size=seen.shape)
        ours = relative_orientation(hand, seen, 5.0)
        theirs, _ = Rotation.align_vectors(hand, seen)
        assert np.allclose(ours.matrix, theirs.as_matrix(), atol=1e-9)
        off = (Rotation.from_matrix(ours.matrix) * turn.inv()).as_rotvec()
        assert off @ np.linalg.inv(ours.covariance_rad2) @ off < 16.0


def test_clocks_meet_by_what_both_feel() -> None:
    session = made(InstrumentSensor(clock_off_s=0.012))
    result = analyse_session(session.session)
    assert result.witness is not None
    assert result.witness.clock_doubt_ms < 2.0
    companion, stream = session.truth.companion, session.session.streams[0]
    assert companion is not None
    assert stream.clock is not None
    assert abs(stream.clock.offset_s - companion.clock.offset_s) > 0.009


def test_exchanged_roles_are_noticed() -> None:
    session = made().session
    stream = session.streams[0]
    hand = replace(
        stream, raw=session.raw, profile=session.profile, clock=replace(stream.clock, offset_s=0.0, rate=1.0)
    )
    # The instrument's log as the hand's, on one clock.
    assert stream.clock is not None
    ticks = np.rint((stream.clock.offset_s + stream.clock.rate * stream.raw.ticks / 1e6) * 1e6).astype(np.int64)
    exchanged = replace(session, raw=replace(stream.raw, ticks=ticks), profile=stream.profile, streams=(hand,))
    with pytest.raises(InputError, match="exchanged"):
        analyse_session(exchanged)


def test_what_came_before_a_silence_stays() -> None:
    whole = made(what="lean")
    session = made(InstrumentSensor(lost_from_s=between_blocks_s(whole)), "lean")
    result = analyse_session(session.session)
    assert result.witness is not None
    assert [block.known for block in result.witness.blocks] == [True, False]
    assert abs(errors_deg(session, result)[0]) < 1.6
    assert any("silent" in fault for fault in witness_faults(result))
    known, silent = (block.tip_parts_deg for block in result.blocks)
    assert known is not None
    assert silent is not None
    assert known["instrument"] < 1.0 < silent["instrument"]


def test_a_sensor_that_moves_in_its_pouch_is_doubted() -> None:
    session = made(InstrumentSensor(slip_deg=(14.0, 8.0, -9.0), slip_at_s=between_blocks_s(made())))
    result = analyse_session(session.session)
    doubts = [doubt for doubt in result.doubts if doubt.kind in ("witness", "mounting") and doubt.touches((1,))]
    assert doubts
    assert all(doubt.cap != "sure" for doubt in doubts)


def test_a_phone_takes_out_a_lean_and_is_not_sure_of_what_is_in_step() -> None:
    phone = InstrumentSensor(rate_hz=60.0, phone=True)
    leaned = made(phone, "lean")
    assert max(map(abs, errors_deg(leaned, analyse_session(leaned.session)))) < 1.8
    answering = analyse_session(made(phone, "reaction").session)
    assert any("in step" in fault for fault in witness_faults(answering))


def test_a_phone_at_15_samples_still_tells_a_lean() -> None:
    session = made(InstrumentSensor(rate_hz=15.0, phone=True), "lean")
    assert max(map(abs, errors_deg(session, analyse_session(session.session)))) < 2.0


@pytest.mark.parametrize("jump_s", [0.01, 0.03, -0.03, 0.1, -0.3, 2.0])
def test_a_clock_that_jumps_is_set_right_by_the_numbers(jump_s: float) -> None:
    session = made(InstrumentSensor(jump_s=jump_s, jump_at_s=between_blocks_s(made())), "lean")
    _, (step,) = mend_clock(session.session.streams[0].raw, session.session.streams[0].profile)
    assert step.size_s == pytest.approx(jump_s, abs=1e-3)
    result = analyse_session(session.session)
    assert any("set right" in fault for fault in witness_faults(result))
    assert max(map(abs, errors_deg(session, result))) < 1.0
    assert result.witness is not None
    assert all(block.known for block in result.witness.blocks)


def numbers_gone_too(session: SimulatedSession) -> Session:
    """The session as if so many samples were lost: the sensor's numbers jump with its clock."""
    (stream,) = session.session.streams
    _, (step,) = mend_clock(stream.raw, stream.profile)
    sequence = stream.raw.sequence.copy()
    sequence[stream.raw.ticks / stream.profile.tick_hz > step.at_s] += round(step.size_s * stream.profile.rate_hz)
    return replace(session.session, streams=(replace(stream, raw=replace(stream.raw, sequence=sequence)),))


@pytest.mark.parametrize("jump_s", [0.03, 0.08, 0.3])
def test_a_jump_that_the_numbers_hide_is_found_by_what_both_feel(jump_s: float) -> None:
    made_of = made(InstrumentSensor(jump_s=jump_s, jump_at_s=between_blocks_s(made())), "lean")
    session = numbers_gone_too(made_of)
    assert mend_clock(session.streams[0].raw, session.streams[0].profile)[1] == ()
    result = analyse_session(session)
    (doubt,) = (doubt for doubt in result.doubts if "jumped against each other" in doubt.fault)
    assert f"{1e3 * jump_s:.0f} ms" in doubt.evidence
    assert doubt.cap == "likely"
    assert doubt.touches((1,))
    assert result.witness is not None
    first, second = result.witness.blocks
    assert first.known
    assert second.known == (jump_s < 0.1), "a wide jump leaves the hand alone"
    assert abs(errors_deg(made_of, result)[0]) < 1.6


def test_a_session_too_short_for_the_clocks_is_left_as_it_is() -> None:
    session = made().session
    (stream,) = session.streams
    clock = stream.clock
    assert clock is not None
    until_s = session.raw.ticks[0] / session.profile.tick_hz + 4.0
    last = int(np.searchsorted(session.raw.ticks, until_s * session.profile.tick_hz))
    hand = replace(session, raw=rows(session.raw, last), streams=(), events=())
    own = int(np.searchsorted(stream.raw.ticks, (until_s - clock.offset_s) / clock.rate * stream.profile.tick_hz))
    signals = prepare_signals(hand, fit_timebase(hand.raw, hand.profile))
    found = refine_clock(signals, read_instrument(replace(stream, raw=rows(stream.raw, own))).signals, clock, 0.002)
    assert found.clock == replace(clock, residual_s=0.002)


def rows(raw: RawSamples, last: int) -> RawSamples:
    return RawSamples(raw.ticks[:last], raw.sequence[:last], raw.host_time_s[:last], raw.counts[:last])


def test_sound_clocks_are_left_alone() -> None:
    for sensor in (BOARD, InstrumentSensor(rate_hz=100.0), InstrumentSensor(rate_hz=60.0, phone=True)):
        for seed in range(SEED, SEED + 3):
            session = made(sensor, seed=seed).session
            (stream,) = session.streams
            raw, steps = mend_clock(stream.raw, stream.profile)
            assert steps == ()
            assert raw is stream.raw
            lost = np.random.default_rng(seed).random(raw.ticks.size) > 0.02
            lost[2000:2100] = False
            some = RawSamples(raw.ticks[lost], raw.sequence[lost], raw.host_time_s[lost], raw.counts[lost])
            assert mend_clock(some, stream.profile)[1] == ()


def test_without_rocking_the_place_is_stated_to_be_unknown() -> None:
    result = analyse_session(made(rock=False).session)
    assert result.witness is not None
    assert not result.witness.rocked
    assert result.witness.place_se_mm > 100.0


def test_the_instruments_own_bias_is_taken_off() -> None:
    session = made().session
    own = read_instrument(session.streams[0])
    signals = own.signals
    still = np.degrees(signals.gyro_radps[: int(3 * signals.grid.rate_hz)].mean(axis=0))
    assert np.abs(still).max() < 0.1
    assert own.bias_se_dps < 0.05


def test_a_foot_that_taps_is_no_noise_of_the_sensor() -> None:
    """The shake of a hand that rests is the instrument's, too; a sensor's own noise stays a doubt."""
    session = made(what="foot tap").session
    noise, shaken = "sensor noise", "shaken still"
    assert shaken in {doubt.kind for doubt in analyse_session(replace(session, streams=())).doubts}
    result = analyse_session(session)
    assert not {noise, shaken} & {doubt.kind for doubt in result.doubts}
    assert [case.certainty for case in judge_session(result).blocks] == ["sure", "sure"]
    counts = session.raw.counts.astype(np.float64)
    per_count = session.profile.accel_mps2_per_count
    counts[:, :3] += np.random.default_rng(1).normal(0.0, 4.0 / per_count, (len(counts), 3))
    noisy = replace(session, raw=replace(session.raw, counts=np.rint(counts).astype(np.int32)))
    assert noise in {doubt.kind for doubt in analyse_session(noisy).doubts}


def test_an_instrument_at_rest_that_nobody_rocked_tells_no_heading() -> None:
    """What the hand does by itself must not pass for a motion that both share; a lean then leaves a doubt."""
    session = made(what="lean", rock=False)
    result = analyse_session(session.session)
    assert result.witness is not None
    assert result.witness.heading_se_deg is None
    assert any("how the sensor on the instrument lies" in fault for fault in witness_faults(result))
