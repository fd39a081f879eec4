"""Tonight writes tomorrow: the safety rules as properties, and each choice with its reason."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.cautions import HURT
from analysis.model.errors import InputError
from logger.practice.ability import Ability, Burst, Evening, PlayedPosture, PlayedSwitch
from logger.practice.next_plan import LEAST_MIN, Wishes, plan_next
from logger.practice.plan import parse_plan, render_plan

RUNG = 1.05  # written out here: the rule that is held must not come from the code under test

BURSTS = st.builds(
    lambda bpm, share, n: Burst(bpm, round(share * n), n),
    st.floats(25, 390), st.floats(0, 1), st.integers(12, 300),
)  # fmt: skip
POSTURES = st.builds(
    PlayedPosture,
    st.sampled_from(["low", "high", ""]), st.sampled_from(["", "4:5-7 3:4-7"]), st.sampled_from([1.0, 3.0, 4.0]),
    st.sampled_from(["down", "up"]), st.lists(BURSTS, min_size=1, max_size=6).map(tuple), st.floats(3, 60),
    st.none() | st.floats(0.2, 2.0),
)  # fmt: skip
SWITCHED = st.builds(
    lambda pair, bpm, of, share: PlayedSwitch(*pair, bpm, round(of * share), of),
    st.sampled_from([("low", "high"), ("high", "low")]), st.floats(30, 300), st.integers(1, 32), st.floats(0, 1),
)  # fmt: skip
EVENINGS = st.builds(
    Evening, st.just(""), st.floats(0.2, 240), st.sampled_from(["", "you rated tension 8 of 10"]), st.booleans(),
    st.lists(POSTURES, min_size=1, max_size=3, unique_by=lambda p: (p.posture, p.drill)).map(tuple),
    st.lists(SWITCHED, max_size=3).map(tuple),
).map(lambda e: replace(e, worry="you reported discomfort") if e.hurt else e)  # fmt: skip


def live(evenings: list[Evening]) -> Ability:
    ability = Ability()
    for evening in evenings:
        ability = ability.after(evening)
    return ability


@settings(max_examples=40, deadline=None)
@given(st.lists(EVENINGS, min_size=1, max_size=4))
def test_no_plan_jumps_in_tempo_or_in_hours(evenings: list[Evening]) -> None:
    ability = live(evenings)
    plan = plan_next(ability).plan
    last = evenings[-1]
    usual = sorted(e.minutes for e in evenings)
    middle = 0.5 * (usual[(len(usual) - 1) // 2] + usual[len(usual) // 2])
    assert plan.play_s <= 60 * max(LEAST_MIN, min(60.0, 1.1 * middle)) + 1e-6
    bound = {}
    for evening in evenings:
        for played in evening.postures:
            held = [b.tempo_bpm for b in played.bursts if b.held >= 0.95 * b.strokes]
            most = max(held) * RUNG if held else min(b.tempo_bpm for b in played.bursts) / RUNG
            bound[played.posture, played.drill] = most * (0.85 / RUNG if last.worry and held else 1.0)
    for block in plan.blocks:
        if block.kind == "play":
            assert (block.tempo_bpm or 0) <= max(20.0, bound[block.posture, block.drill]) + 1e-6
    if last.worry:
        assert plan.play_s <= 60 * max(LEAST_MIN, 0.6 * last.minutes) + 1e-6
        assert not any(block.rest_beats for block in plan.blocks)
    since = 0.0
    for block in plan.blocks:
        since = 0.0 if block.kind == "rest" else since + block.play_s
        assert since <= 60 * (10 if last.worry else 15) + 1e-6
    assert parse_plan(render_plan(plan), "again") == plan


def evening(log_hash: str = "one", **more: object) -> Evening:
    low = PlayedPosture(
        "low", "", 4.0, "down", (Burst(90, 100, 100), Burst(110, 98, 100), Burst(130, 40, 100)), 20, 0.7
    )
    high = PlayedPosture("high", "", 4.0, "up", (Burst(90, 100, 100), Burst(130, 99, 100)), 18.0, None)
    switches = (PlayedSwitch("low", "high", 90.0, 8, 8), PlayedSwitch("high", "low", 90.0, 7, 8))
    return replace(Evening(log_hash, 20.0, "", False, (low, high), switches), **more)  # type: ignore[arg-type]


def test_each_choice_follows_from_tonight() -> None:
    found = plan_next(Ability().after(evening()))
    said = " ".join(found.reasons)
    assert "Posture low: of the postures you played last, it has the lowest hold tempo" in said
    assert "the 110 that held" in said
    assert "Strokes of 18 mm instead of 20: the tilt holds, and 14 mm still clear." in said
    assert "16 switches between high and low: from high to low 7 of 8 were made, the fewest. At 94 BPM" in said
    assert "22 minutes of play" in said
    switches = [b for b in found.plan.blocks if b.rest_beats]
    assert len(switches) % 16 == 0
    assert switches


def test_worry_makes_an_easier_day_and_hurt_says_stop_first() -> None:
    found = plan_next(Ability().after(evening(worry="you reported discomfort", hurt=True)))
    assert found.reasons[0] == HURT
    assert found.plan.play_s <= 12 * 60
    assert max(b.tempo_bpm or 0 for b in found.plan.blocks) <= 0.85 * 110


def test_every_choice_can_be_overruled() -> None:
    ability = Ability().after(evening())
    wishes = Wishes(posture="high", pair=("low", "high"), tempo_bpm=180.0, minutes=6.0, span_mm=25.0, switches=True)
    found = plan_next(ability, wishes)
    assert sum("as you said" in reason for reason in found.reasons) == 5
    assert "more than one rung above the 130 that held" in " ".join(found.reasons)
    assert found.plan.blocks[0].posture == "high"
    assert max(b.tempo_bpm or 0 for b in found.plan.blocks) == 180.0
    without = plan_next(ability, Wishes(switches=False))
    assert not any(b.rest_beats for b in without.plan.blocks)
    with pytest.raises(InputError, match=r"low, high.*found 'side'"):
        plan_next(ability, Wishes(posture="side"))


def test_nothing_known_and_the_same_evening_twice() -> None:
    with pytest.raises(InputError, match="play one first"):
        plan_next(Ability())
    once = Ability().after(evening())
    assert once.after(evening()) == once
