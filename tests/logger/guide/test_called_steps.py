"""Steps in the player's own order, as at the terminal."""

from __future__ import annotations

import pytest

from logger.guide.phases import Paused
from tests.logger.guide.driving import Driven


def driven_by_keys() -> Driven:
    return Driven(led=False, postures=("resting", "free"))


def test_gestures_and_blocks_follow_at_once_and_in_any_order() -> None:
    driven = driven_by_keys()
    driven.press("gesture")
    driven.wait(0.3)
    for command in ("block", "block"):
        driven.wait(2.0)
        driven.press(command)
    driven.press("posture", 1)
    driven.press("block")
    driven.press("pause")
    assert isinstance(driven.guide.phase, Paused)
    driven.press("pause")
    driven.press("tension")
    driven.press("rate", 10)
    driven.press("hurt")
    driven.press("finish")
    assert [(e.kind, e.label, e.posture) for e in driven.events] == [
        ("still", "off hand", ""),
        ("play", "block 1", "resting"),
        ("rest", "", "resting"),
        ("play", "block 2", "free"),
        ("rest", "paused", "free"),
        ("rating", "tension", "free"),
        ("play", "block 3", "free"),
        ("hurt", "", "free"),
    ]
    assert [e.rating for e in driven.events if e.kind == "rating"] == [10.0]


def test_all_gestures_one_after_the_other_each_ends_by_itself() -> None:
    driven = driven_by_keys()
    for seconds in (3.0, 3.0, 6.0, 6.0, 9.0):
        driven.press("gesture")
        driven.wait(seconds + 0.1)
        assert driven.events[-1].end_s - driven.events[-1].start_s == pytest.approx(seconds)
    assert driven.step == "ready"
    driven.press("again")
    driven.wait(9.1)
    assert driven.kinds()[-2:] == ["pivot", "pivot"]
    driven.press("gesture")
    assert driven.open is not None
    assert (driven.open.kind, driven.open.label) == ("still", ""), "a new round leaves the sensor on the hand"


def test_a_posture_has_its_gestures_once() -> None:
    driven = driven_by_keys()
    for _ in range(5):
        driven.press("gesture")
        driven.wait(9.1)
    driven.press("posture", 1)
    assert driven.step == "gestures"
    driven.press("gesture")
    driven.wait(9.1)
    assert driven.events[-1].posture == "free"
    driven.press("posture", 0)
    assert driven.step == "ready"
    driven.press("posture", 7)
    assert driven.guide.free.posture == "resting"
    driven.press("block")
    assert "posture" not in driven.keys, "a block has one posture"


def test_after_a_hurt_no_key_goes_on() -> None:
    driven = driven_by_keys()
    driven.press("block")
    driven.press("hurt")
    for command in ("block", "gesture", "pause", "skip"):
        driven.press(command)
    driven.wait(600.0)
    assert driven.keys == ["finish"]
    driven.press("finish")
    assert driven.kinds() == ["play", "hurt"]


def test_discomfort_rated_during_a_block_ends_it() -> None:
    driven = driven_by_keys()
    driven.press("block")
    driven.press("discomfort")
    driven.press("rate", 3)
    assert driven.keys == ["again", "finish"]
    driven.wait(11.0)
    assert driven.keys == ["finish"]
    assert sorted(driven.kinds()) == ["play", "rating"]
    assert driven.open is None


def test_a_slip_during_a_block_ends_it_all_the_same() -> None:
    driven = driven_by_keys()
    driven.press("block")
    driven.press("discomfort")
    driven.press("rate", 3)
    driven.press("again")
    driven.press("rate", 0)
    assert driven.kinds() == ["play", "rating"]
    assert driven.step == "ready"
    driven.press("block")
    assert driven.step == "play"
