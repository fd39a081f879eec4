"""Whatever happens in whatever order, the session keeps its promises."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.guide.guide_state import due_s
from logger.guide.orders import (
    GestureJudged,
    GesturesSolved,
    Happening,
    LoadAssessed,
    Reported,
    SensorChecked,
    SensorMissing,
    TimePassed,
)
from logger.guide.phases import Closed
from logger.guide.shown import GestureLive
from logger.guide.view import keys_of, view
from logger.live.commands import SimpleName
from logger.practice.plan import Plan, PlanBlock
from tests.logger.guide.driving import Driven

BLOCK = PlanBlock(posture="A", tempo_bpm=120.0, notes_per_beat=4.0, bars=2, rest_s=10.0, wanted="down")
QUICK = replace(BLOCK, posture="B", rest_s=None, rest_beats=2, count_in_beats=0)
PLANS = (None, Plan("all", (QUICK, BLOCK, PlanBlock(kind="rest", seconds=130.0), QUICK, QUICK)))
COMMANDS = (*get_args(SimpleName), "rate", "gesture", "block", "posture", "tension", "discomfort")
PRESSES = st.tuples(st.sampled_from(COMMANDS), st.integers(0, 10), st.floats(0.0, 20.0))
STRANGE: list[Happening] = [
    GestureJudged(0.0, GestureLive("across", True, "")),
    GestureJudged(0.0, GestureLive("across", False, "Longer.")),
    GesturesSolved(0.0, frozenset(), (), False),
    SensorMissing(0.0, "Not there."),
    SensorChecked(0.0, ""),
    Reported(0.0, "Done."),
    LoadAssessed(0.0, "ease off", "Rest."),
    TimePassed(0.0),
]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(PLANS), st.booleans(), st.lists(st.one_of(PRESSES, st.sampled_from(STRANGE)), max_size=60))
def test_any_order(plan: Plan | None, led: bool, happenings: list[tuple[str, int, float] | Happening]) -> None:
    driven = Driven(plan if led else None, led, postures=("A", "B"), poor=["across", "pivot"])
    for happening in happenings:
        before = driven.guide
        if isinstance(happening, tuple):
            command, value, seconds = happening
            driven.press(command, value)
            driven.wait(seconds)
        else:
            driven.happen(replace(happening, at_s=driven.now_s))
        shown = view(driven.guide)
        keys = [key.command for key in shown.keys]
        assert len(keys) == len(set(keys)), "a key has one meaning"
        assert driven.guide.number >= before.number
        assert set(keys) == {key.command for key in keys_of(before)} or driven.guide != before
        if shown.step in ("ready", "count_in", "play", "rest", "setup"):
            assert "hurt" in keys, "something hurts is always possible"
        due = due_s(driven.guide)
        assert due is None or due >= driven.now_s - 1e-6 or shown.rest is not None, "nothing that was due is left"
        if driven.open is not None and driven.open.kind == "play":
            assert shown.step == "play"
    driven.press("finish")
    driven.press("finish")
    assert isinstance(driven.guide.phase, Closed), "two presses end it from anywhere"
    assert driven.open is None, "nothing is left open"
    ordered = sorted((e for e in driven.events if e.kind != "rating"), key=lambda e: e.start_s)
    assert all(one.end_s <= two.start_s + 1e-6 for one, two in itertools.pairwise(ordered))
    assert all(event.start_s <= event.end_s + 1e-6 for event in driven.events)
    played_s = sum(event.end_s - event.start_s for event in driven.events if event.kind == "play")
    assert driven.guide.load.played_s == pytest.approx(played_s, abs=1e-6)
