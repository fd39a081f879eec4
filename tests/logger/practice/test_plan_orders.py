"""Built-in plans: the balanced order against an exhaustive count and the comparison that it serves."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from analysis.drills.phrases import make_twin, read_phrase
from analysis.drills.practice_form import PracticeForm, lay_out, tempo_ladder
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.questions.posture_design import check_design
from logger.practice.plan import Plan, PlanBlock, parse_plan, render_plan
from logger.practice.plan_orders import (
    balanced_order,
    find_remarks,
    plan_ladder,
    plan_long,
    plan_postures,
    plan_practice,
)

BLOCK = PlanBlock(tempo_bpm=93, notes_per_beat=4, seconds=30, rest_s=20)
SEEDS = range(64)


def test_the_orders_are_all_that_an_exhaustive_count_finds() -> None:
    """Of the 70 ways to place four A and four B, those made of A B B A and its mirror, one each."""
    found = set()
    for places in combinations(range(8), 4):
        order = tuple(int(place not in places) for place in range(8))
        halves = (order[:4], order[4:])
        palindromes = all(half == half[::-1] and sum(half) == 2 for half in halves)
        if palindromes and tuple(1 - place for place in halves[0]) == halves[1] and halves[0][1] == halves[0][2]:
            found.add(order)
    assert {balanced_order(1, seed) for seed in SEEDS} == found
    assert len(found) == 2
    # Each posture opens in one of the two, and each is the other's mirror, by exchange of postures and in time.
    first, second = found
    assert first[0] != second[0]
    assert tuple(1 - place for place in first) == second == first[::-1]


def test_only_these_orders_balance_straight_and_bent_trends() -> None:
    """Prouhet's split of 1..8 (1851): sums and sums of squares agree for {1, 4, 6, 7} and {2, 3, 5, 8} alone."""
    at = np.arange(1, 9)
    balanced = set()
    for places in combinations(at, 4):
        others = [place for place in at if place not in places]
        if all(sum(p**k for p in places) == sum(p**k for p in others) for k in (1, 2)):
            balanced.add(tuple(int(place not in places) for place in at))
    assert balanced == {balanced_order(1, seed) for seed in SEEDS}


@pytest.mark.parametrize("rounds", [1, 2, 3])
def test_every_round_is_balanced_and_every_start_occurs(rounds: int) -> None:
    orders = {balanced_order(rounds, seed) for seed in range(200)}
    assert len(orders) == 2**rounds
    firsts = [order[0] for order in orders]
    assert sum(firsts) * 2 == len(firsts)  # each posture opens equally often
    for order in orders:
        at = np.arange(len(order))
        second = np.array(order, bool)
        assert second.sum() * 2 == len(order)
        assert at[second].sum() == at[~second].sum()
        for k in range(0, len(order), 8):
            assert order[k : k + 4] == tuple(1 - place for place in order[k + 4 : k + 8])


def test_the_lot_is_fair() -> None:
    starts = [balanced_order(1, seed)[0] for seed in range(1000)]
    assert abs(np.mean(starts) - 0.5) < 4 * 0.5 / np.sqrt(1000)


def table(plan: Plan) -> pd.DataFrame:
    minutes = np.cumsum([0.0] + [(b.count_in_s + b.play_s + b.rest_after_s) / 60 for b in plan.blocks[:-1]])
    return pd.DataFrame(
        {
            "session": 0,
            "minute": minutes,
            "posture": [b.posture for b in plan.blocks],
            "tempo_bpm": [b.tempo_bpm for b in plan.blocks],
            "notes_per_beat": [b.notes_per_beat for b in plan.blocks],
            "drill": [b.drill for b in plan.blocks],
            "strokes_per_s": 6.7,
        }
    )


def test_the_comparison_finds_nothing_of_the_order_explained_by_time() -> None:
    for rounds in (1, 2):
        plan = plan_postures(BLOCK, ("low", "high"), rounds, seed=5)
        assert check_design(table(plan), "low", "high").explained == pytest.approx(0.0, abs=1e-12)
    one_after_the_other = Plan("", tuple(replace(BLOCK, posture=posture) for posture in "AAAABBBB"))
    with pytest.raises(NotEnoughDataError, match="mixed order"):
        check_design(table(one_after_the_other), "A", "B")


def test_two_postures_differ_in_nothing_else() -> None:
    plan = plan_postures(BLOCK, ("low", "high"), 1, seed=1)
    assert {replace(block, posture="") for block in plan.blocks} == {BLOCK}
    assert plan.postures[0] in ("low", "high")
    for postures in (("low", "low"), ("", "high")):
        with pytest.raises(InputError, match="different names"):
            plan_postures(BLOCK, postures, 1, 1)
    with pytest.raises(InputError, match="1 to 8 rounds"):
        balanced_order(0, 1)


def test_the_ladder_rises() -> None:
    plan = plan_ladder(BLOCK, tempo_ladder(93, 117, 8))
    assert [block.tempo_bpm for block in plan.blocks] == [93, 101, 109, 117]


def test_switch_over_takes_the_times_of_the_written_practice() -> None:
    """The plan lasts as long as the click of the same practice, whose beats are laid out elsewhere."""
    phrase = read_phrase("4:5-7 3:4-7 2:5-8", 6)
    practice = lay_out(phrase, make_twin(phrase), PracticeForm(tempi_bpm=(93.0, 120.0), rest_beats=2))
    plan = plan_practice(practice, "x")
    assert [block.posture for block in plan.blocks] == ["A", "B", "A", "B"]
    assert [block.wanted for block in plan.blocks] == ["up", "down", "up", "down"]
    assert [block.count_in_beats for block in plan.blocks] == [4, 0, 4, 0]
    assert [block.repeats for block in plan.blocks] == [section.repeats for section in practice.sections]
    assert all(block.rest_beats == 2 for block in plan.blocks)
    end_s = practice.seconds_at(practice.end_beat) - plan.blocks[-1].rest_after_s
    assert plan.total_s == pytest.approx(end_s, abs=1e-3)  # a MIDI file's beat is a whole number of microseconds
    mixed = read_phrase("4x1 3x2 2x1", 6)
    assert (
        plan_practice(lay_out(mixed, make_twin(mixed), PracticeForm(tempi_bpm=(90.0,))), "x").blocks[0].wanted is None
    )


def test_a_long_session_never_goes_without_a_break() -> None:
    plan = plan_long(replace(BLOCK, seconds=120), play_minutes=40, break_every_min=15, break_s=180)
    assert plan.play_s == 40 * 60
    since = 0.0
    for before, block in zip(plan.blocks, plan.blocks[1:], strict=False):
        since = 0.0 if block.kind == "rest" else since + block.play_s
        assert since <= 15 * 60
        assert not (block.kind == "rest" and before.rest_after_s)
    assert find_remarks(plan) == ()
    with pytest.raises(InputError, match="does not fit"):
        plan_long(replace(BLOCK, seconds=1200), 40, 15, 180)


def test_remarks_name_what_a_plan_would_hardly_answer() -> None:
    def remarks(*blocks: PlanBlock) -> str:
        return " ".join(find_remarks(parse_plan(render_plan(Plan("", blocks)), "x")))

    a, b = replace(BLOCK, posture="A"), replace(BLOCK, posture="B")
    assert "Posture A comes earlier than B" in remarks(a, a, b, b)
    assert "Posture B comes earlier than A" in remarks(b, a, b, a)
    assert remarks(a, b, b, a) == ""
    assert remarks(a, replace(b, tempo_bpm=120)) == ""  # never compared: another tempo
    half_an_hour = replace(a, seconds=900)
    assert "30 minutes of play" in remarks(half_an_hour, half_an_hour)
    assert remarks(half_an_hour, PlanBlock(kind="rest", seconds=300), half_an_hour) == ""
    assert "Block 1 wants the downstroke" in remarks(replace(a, drill="4x2 3x2", wanted="down"))
    assert remarks(replace(a, drill="4x2 3x2", wanted="up")) == ""
