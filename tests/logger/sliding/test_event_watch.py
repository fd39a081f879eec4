"""Single events as they end: a slip between blocks asks for new gestures once, a first still on a lap is told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.model.records import OFF_HAND, RawSamples, Session
from analysis.reference.mounting import MountingSettings
from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan
from analysis.synthesis.simulate import simulate
from logger.live.gesture_follower import moved_words
from logger.sliding.estimator import LiveEstimator
from logger.sliding.event_watch import EventWatch

SEED, SETTLE_DEG = 81_500, 0.8


@cache
def evening(slips: bool) -> Session:
    """Four blocks of a quiet hand; the sensor slips by 18 deg before the second."""
    scenario = random_scenario(SEED, 8.0, 8.0, blocks=4)
    assert scenario.hand is not None
    hand = replace(scenario.hand, settle_deg=SETTLE_DEG, posture_drift_deg=SETTLE_DEG)
    scenario = replace(scenario, hand=hand, gestures=GesturePlan(repetitions=2))
    slip = (
        (lambda p: Disturbance(at_s=float(p.blocks[1].turns_s[0]) - 3.0, slip_deg=(14.0, 11.0, 0.0))) if slips else None
    )
    return simulate(scenario, SEED, disturbance=slip).session


@pytest.mark.parametrize("slips", [True, False])
def test_a_slip_asks_for_new_gestures_in_the_next_rest_and_once(slips: bool) -> None:
    session = evening(slips)
    estimator = LiveEstimator(replace(session, events=()))
    estimator.store.append(session.raw)
    events = session.events
    first = next(place for place, event in enumerate(events) if event.kind == "play")
    estimator.establish(events[:first], ("A",))
    watch = EventWatch(estimator.context, estimator.store)
    said = [
        moved_words(estimator, watch, events[: place + 1], "A")
        for place, event in enumerate(events)
        if event.kind == "play"
    ]
    assert [bool(words) for words in said].count(True) == int(slips)
    if slips:
        words = next(filter(None, said))
        assert "sits differently" in words
        assert "deg off" in words
        assert said[0] == "", "before the slip there is nothing to say"


@pytest.mark.parametrize("on_lap", [True, False])
def test_a_first_still_on_the_lap_is_told(on_lap: bool) -> None:
    """A lap breathes and sways: a slow turn of a degree a second, in both parts of the sensor."""
    session = evening(False)
    still = next(event for event in session.events if event.label == OFF_HAND)
    counts, profile = session.raw.counts.astype(np.float64), session.profile
    time_s = session.raw.ticks / profile.tick_hz
    inside = (time_s > still.start_s - 1) & (time_s < still.end_s + 1)
    rate = np.radians(1.2) * np.sin(2 * np.pi * 0.4 * time_s[inside])[:, None] * np.array([0.6, -0.5, 0.6])
    angle = np.cumsum(rate, axis=0) / profile.rate_hz
    if on_lap:
        counts[inside, :3] -= np.cross(angle, counts[inside, :3])
        counts[inside, 3:] += rate / profile.gyro_radps_per_count
    raw = session.raw
    estimator = LiveEstimator(replace(session, events=()))
    estimator.store.append(RawSamples(raw.ticks, raw.sequence, raw.host_time_s, np.rint(counts).astype(np.int32)))
    assert EventWatch(estimator.context, estimator.store).moved(still) is on_lap


def test_missing_samples_say_nothing() -> None:
    session = evening(False)
    watch = EventWatch(replace(session, events=()), LiveEstimator(session).store)
    assert not watch.moved(session.events[0])
    assert watch.new_gestures_wanted(session.events, "A", MountingSettings()) is None
