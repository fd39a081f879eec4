"""Whether the sensor sits where it sat is found from the pivot itself, against the simulation's true lever arm.

The remembered lever and the grip leave 4 mm an axis open: less than about 18 mm of moving is not told for sure.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.records import FACE_DOWN, SOUNDBOARD, Event, RawSamples, SensorProfile, Session
from analysis.synthesis.scenario import PlayBlock
from logger.live.gesture_check import GestureCheck
from logger.live.simulated_player import player_session
from logger.sliding.estimator import LiveEstimator

SHORT_PIVOT_S = 5.0
REMEMBERED_SD_MM = 3.0


@pytest.mark.parametrize("seed", [41, 42, 43])
def test_a_sensor_that_sits_elsewhere_is_told_from_one_that_stayed(seed: int) -> None:
    made = player_session((PlayBlock(duration_s=4.0),), seed)
    session = made.session
    true_mm = np.asarray(made.truth.lever_mm["A"])
    told = []
    for off_mm in ((0.0, 0.0, 0.0), (2.0, -2.0, 2.0), (20.0, 0.0, 0.0), (0.0, 20.0, -15.0)):
        lever = tuple((true_mm + off_mm).tolist())
        estimator = LiveEstimator(replace(session, events=(), lever_mm=lever, lever_sd_mm=REMEMBERED_SD_MM))
        estimator.take(session.raw)
        check = GestureCheck(estimator)
        events = {(event.kind, event.label): event for event in session.events}
        assert check.judge(events["still", "off hand"], 3.0, True).good
        pivot = next(event for event in session.events if event.kind == "pivot")
        verdict = check.judge(replace(pivot, end_s=pivot.start_s + SHORT_PIVOT_S), SHORT_PIVOT_S, True)
        assert verdict.good
        told.append(verdict.moved)
    assert told == [False, False, True, True]


def test_without_a_remembered_lever_nothing_can_have_moved() -> None:
    made = player_session((PlayBlock(duration_s=4.0),), 41)
    estimator = LiveEstimator(replace(made.session, events=(), lever_mm=None, lever_sd_mm=None))
    estimator.take(made.session.raw)
    pivot = next(event for event in made.session.events if event.kind == "pivot")
    assert not GestureCheck(estimator).judge(pivot, 9.0, True).moved


PROFILE = SensorProfile("invented", 200.0, 0.001, 1e-4, tick_hz=1e6)


def estimator_of(gyro_radps: np.ndarray, up: np.ndarray) -> LiveEstimator:
    """A sensor that turns so and reads gravity so, (n, 3) each, at 200 a second, with a little noise."""
    rng, n = np.random.default_rng(1), len(gyro_radps)
    si = np.hstack([9.81 * up + rng.normal(0, 0.02, (n, 3)), gyro_radps + rng.normal(0, 0.001, (n, 3))])
    counts = np.rint(si / ([0.001] * 3 + [1e-4] * 3)).astype(np.int32)
    raw = RawSamples(np.arange(n) * 5000, np.arange(n), np.full(n, np.nan), counts)
    estimator = LiveEstimator(Session(raw, PROFILE))
    estimator.take(raw)
    return estimator


@pytest.mark.parametrize(("axes", "good"), [((20.0, 15.0), True), ((20.0, 0.0), False), ((2.0, 2.0), False)])
def test_rocking_must_be_about_two_axes(axes: tuple[float, float], good: bool) -> None:
    t = np.arange(1600) / 200.0
    gyro = np.radians(np.stack([axes[0] * np.sin(3.0 * t), axes[1] * np.sin(5.0 * t), 0 * t], axis=1))
    check = GestureCheck(estimator_of(gyro, np.tile([0.0, 0.0, 1.0], (t.size, 1))))
    event = Event(1.5, 6.5, "rock")
    verdict = check.judge(event, 5.0, True)
    assert verdict.good is good
    assert ("two axes" in verdict.sentence) is not good
    assert len(verdict.coverage) == 2
    assert check.judge(replace(event, end_s=4.0), 5.0, False).good is None


def test_a_sensor_that_was_not_turned_over_is_told() -> None:
    n = 2400
    up = np.tile([0.0, 0.6, 0.8], (n, 1))
    up[1200:, 2] *= -1.0
    check = GestureCheck(estimator_of(np.zeros((n, 3)), up))
    assert check.judge(Event(1.5, 4.5, "still", SOUNDBOARD), 3.0, True).good
    forgotten = check.judge(Event(2.0, 5.0, "still", FACE_DOWN), 3.0, True)
    assert not forgotten.good
    assert "turned over" in forgotten.sentence
    assert check.judge(Event(7.5, 10.5, "still", FACE_DOWN), 3.0, True).good
