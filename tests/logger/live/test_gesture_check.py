"""Whether the sensor sits where it sat is found from the pivot itself, against the simulation's true lever arm.

The remembered lever and the grip leave 4 mm an axis open: less than about 18 mm of moving is not told for sure.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

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
