"""When a break is proposed."""

from __future__ import annotations

import pytest

from logger.guide.load import Load
from logger.practice.plan_orders import BREAK_S, LONGEST_PLAY_S


def test_a_break_is_proposed_by_time_played_and_gone_after_it() -> None:
    load = Load().played(LONGEST_PLAY_S - 1.0)
    assert load.proposal == ""
    load = load.played(2.0)
    assert "20 minutes" in load.proposal
    load = load.rested(BREAK_S - 1.0)
    assert load.proposal
    load = load.rested(BREAK_S)
    assert load.proposal == ""
    assert (load.played_s, load.since_break_s) == (LONGEST_PLAY_S + 1.0, 0.0)


@pytest.mark.parametrize(
    ("ratings", "proposed"),
    [
        ([("tension", 2), ("tension", 4)], ""),
        ([("tension", 2), ("tension", 5)], "Tension 5"),
        ([("tension", 7)], "Tension 7"),
        ([("discomfort", 1)], ""),
    ],
)
def test_a_break_is_proposed_by_ratings(ratings: list[tuple[str, int]], proposed: str) -> None:
    load = Load()
    for scale, value in ratings:
        load = load.rated(scale, value)
    assert load.proposal.startswith(proposed)
    assert bool(load.proposal) == bool(proposed)
