"""The sensor on the instrument while somebody plays, against the batch run on the same session and the truth."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
import pytest

from analysis.model.records import BlockSummary, RawSamples, Stream
from analysis.pipeline import analyse_session
from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.performance import Performance
from analysis.synthesis.scenario import GesturePlan, InstrumentSensor
from analysis.synthesis.simulate import SimulatedSession, simulate
from logger.sliding.estimator import LiveEstimator
from logger.sliding.instrument_follower import NOT_LEARNT, InstrumentFollower

EVERY_S = 0.3
STEP_S = 0.025
LATE_S = 0.12
"""A phone's batches come so much later than the hand's samples of the same time."""
SEED = 93_100


def part_of(raw: RawSamples, first: int, last: int) -> RawSamples:
    here = slice(first, last)
    return RawSamples(raw.ticks[here], raw.sequence[here], raw.host_time_s[here], raw.counts[here])


@functools.cache
def made(what: str, sensor: InstrumentSensor | None = None, rock: bool = True, seed: int = SEED) -> SimulatedSession:
    """Two blocks of one tilt at 8 strokes a second; what befalls the instrument begins before the second."""
    scenario = random_scenario(seed, 8.0, 10.0, blocks=2)
    scenario = replace(
        scenario,
        blocks=tuple(replace(block, tilt_deg=scenario.blocks[0].tilt_deg) for block in scenario.blocks),
        gestures=GesturePlan(rock=rock),
        sway_deg=2.0 if what == "sway" else 0.0,
        instrument_sensor=sensor or InstrumentSensor(),
    )

    def befalls(performance: Performance) -> Disturbance:
        at = float(performance.blocks[1].turns_s[0]) - 3.0
        return {
            "lean": Disturbance(at_s=at, lean_deg=6.0),
            "chair": Disturbance(at_s=at, over_s=2.0, chair_deg=20.0),
        }.get(what, Disturbance())

    return simulate(scenario, seed, disturbance=befalls)


@dataclass(frozen=True)
class Followed:
    """One block, live and in the batch run."""

    tilt_deg: float
    parts_deg: dict[str, float] | None
    rolled_deg: float | None
    batch: BlockSummary
    batch_roll_deg: float
    true_deg: float


def follow(made: SimulatedSession, late_s: float = 0.0, watched: bool = True) -> tuple[list[Followed], LiveEstimator]:
    """Feed both sensors as they would come."""
    session = made.session
    (stream,) = session.streams
    assert stream.clock is not None
    hand_s = session.raw.ticks / session.profile.tick_hz
    own_s = stream.clock.offset_s + stream.clock.rate * stream.raw.ticks / stream.profile.tick_hz + late_s
    described = replace(stream, raw=part_of(stream.raw, 0, 0))
    estimator = LiveEstimator(replace(session, raw=part_of(session.raw, 0, 0), events=(), streams=()))
    follower = InstrumentFollower(lambda: described)
    estimator.instrument = follower if watched else None
    plays = [event for event in session.events if event.kind == "play"]
    batch = analyse_session(session)
    told, established = [], False
    sent = [0, 0]

    def send_until(now_s: float) -> None:
        for which, (raw, times, take) in enumerate(
            ((session.raw, hand_s, estimator.take), (stream.raw, own_s, follower.take))
        ):
            last = int(np.searchsorted(times, now_s))
            if last > sent[which]:
                take(part_of(raw, sent[which], last))
            sent[which] = last

    now_s = float(hand_s[0])
    for index, play in enumerate(plays):
        while now_s < play.start_s:
            now_s += STEP_S
            send_until(now_s)
        if not established:
            established = True
            estimator.establish([e for e in session.events if e.end_s <= now_s], [p.posture for p in plays])
        estimator.begin(replace(play, end_s=play.start_s), 1)
        next_s = now_s + EVERY_S
        while now_s < play.end_s + 0.7:
            now_s += STEP_S
            send_until(now_s)
            if next_s <= now_s < play.end_s:
                next_s += EVERY_S
                estimator.update()
        _, table, _, parts = estimator.finish(play.end_s)
        seen = [] if batch.witness is None else [b.roll_deg for b in batch.witness.blocks if b.index == index]
        true_deg = float(made.truth.blocks["tilt_mean_deg"][index])
        mean_deg = float(table["tilt_deg"].mean())
        told.append(
            Followed(mean_deg, parts, estimator.rolled_deg, batch.blocks[index], seen[0] if seen else 0.0, true_deg)
        )
    return told, estimator


PHONE = InstrumentSensor(rate_hz=60.0, phone=True)


@pytest.mark.parametrize(
    ("what", "sensor", "late_s"),
    [("lean", None, 0.0), ("sway", None, 0.0), ("chair", None, 0.0), ("lean", PHONE, LATE_S)],
)
def test_live_and_batch_agree_on_an_instrument_that_moves(
    what: str, sensor: InstrumentSensor | None, late_s: float
) -> None:
    """Closer than the interval; alone, the hand's sensor takes a lean of 6 deg for tilt."""
    blocks, _ = follow(made(what, sensor), late_s)
    for block in blocks:
        assert block.batch.tilt_ci95_deg is not None
        half_deg = 0.5 * (block.batch.tilt_ci95_deg[1] - block.batch.tilt_ci95_deg[0])
        assert block.tilt_deg == pytest.approx(block.batch.tilt_mean_deg, abs=min(0.5, half_deg))
        assert block.tilt_deg == pytest.approx(block.true_deg, abs=1.8)
        assert block.parts_deg is not None
        assert block.batch.tilt_offset_parts_deg is not None
        assert block.parts_deg["instrument"] == pytest.approx(block.batch.tilt_offset_parts_deg["instrument"], rel=0.4)
        if what != "sway":  # Then the last second's is not the block's.
            assert block.rolled_deg == pytest.approx(block.batch_roll_deg, abs=0.5)


def test_without_it_a_lean_counts_as_tilt() -> None:
    leaned = made("lean")
    (first, second), _ = follow(leaned, watched=False)
    assert abs((second.tilt_deg - second.true_deg) - (first.tilt_deg - first.true_deg)) > 4.0
    assert second.parts_deg is not None
    assert "instrument" not in second.parts_deg
    assert second.rolled_deg is None


def test_a_sensor_that_falls_silent_leaves_the_last_that_was_known() -> None:
    """It falls silent before the second block and after the lean: the batch run holds what it knew, too."""
    whole = made("lean")
    at_s = float(whole.truth.performance.blocks[1].turns_s[0]) - 1.0
    blocks, estimator = follow(made("lean", InstrumentSensor(lost_from_s=at_s)))
    assert estimator.rolled_deg is None
    for block in blocks:
        assert block.tilt_deg == pytest.approx(block.batch.tilt_mean_deg, abs=0.6)
    assert blocks[1].parts_deg is not None
    assert "instrument" not in blocks[1].parts_deg


def test_a_sensor_that_comes_back_is_used_again() -> None:
    whole = made("lean").truth.performance.blocks
    between_s = float(whole[0].turns_s[-1] + whole[1].turns_s[0]) / 2 - 2.0
    blocks, _ = follow(made("lean", InstrumentSensor(lost_from_s=between_s, back_at_s=between_s + 1.5)))
    assert blocks[1].rolled_deg == pytest.approx(blocks[1].batch_roll_deg, abs=0.5)
    assert blocks[1].batch.tilt_ci95_deg is not None
    low_deg, high_deg = blocks[1].batch.tilt_ci95_deg
    assert low_deg < blocks[1].tilt_deg < high_deg
    assert blocks[1].tilt_deg == pytest.approx(blocks[1].true_deg, abs=1.8)


def test_exchanged_roles_leave_the_hand_alone_and_are_told() -> None:
    session = made("nothing").session
    (stream,) = session.streams
    assert stream.clock is not None
    ticks = np.rint((stream.clock.offset_s + stream.clock.rate * stream.raw.ticks / 1e6) * 1e6).astype(np.int64)
    raw = replace(stream.raw, ticks=ticks)
    estimator = LiveEstimator(replace(session, raw=part_of(raw, 0, 0), profile=stream.profile, events=(), streams=()))
    described = replace(
        stream, raw=part_of(raw, 0, 0), profile=session.profile, clock=replace(stream.clock, offset_s=0.0, rate=1.0)
    )
    follower = estimator.instrument = InstrumentFollower(lambda: described)
    estimator.take(raw)
    follower.take(session.raw)
    estimator.establish(session.events, ["A"])
    assert "exchanged" in follower.fault
    assert follower.witness is None


def test_without_a_motion_that_both_share_nothing_is_taken_out() -> None:
    """A sensor that lay on a table all the time."""
    session = made("nothing").session
    (stream,) = session.streams
    lying = replace(stream.raw, counts=np.repeat(stream.raw.counts[:1], stream.raw.ticks.size, axis=0))
    estimator = LiveEstimator(replace(session, raw=part_of(session.raw, 0, 0), events=(), streams=()))
    described: Stream = replace(stream, raw=part_of(stream.raw, 0, 0))
    follower = estimator.instrument = InstrumentFollower(lambda: described)
    estimator.take(session.raw)
    follower.take(lying)
    estimator.establish([e for e in session.events if e.kind != "play"], ["A"])
    assert follower.witness is None
    assert follower.fault == NOT_LEARNT
    assert estimator.reference is not None
