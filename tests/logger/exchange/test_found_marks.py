"""Events of a session that nobody marked, as the signals show them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.synthesis.draw import random_scenario
from analysis.synthesis.simulate import simulate
from logger.exchange.find_marks import find_marks


@pytest.mark.parametrize(("seed", "rate_hz"), [(61803, 200.0), (61807, 100.0)])
def test_two_blocks_are_not_taken_for_one_although_the_hand_moves_on_between(seed: int, rate_hz: float) -> None:
    """Two tilts, 16 and 5 deg apart: as one block they would make a mean that nobody played."""
    made = simulate(random_scenario(seed, 8.0, 20.0, rate_hz=rate_hz, blocks=2), seed)
    marked = find_marks(replace(made.session, events=()))
    true = [event for event in made.session.events if event.kind == "play"]
    found = [event for event in marked.session.events if event.kind == "play"]
    assert len(found) == len(true) == 2
    for mine, theirs in zip(found, true, strict=True):
        assert mine.start_s == pytest.approx(theirs.start_s, abs=1.0)
        assert mine.end_s == pytest.approx(theirs.end_s, abs=1.0)
    assert marked.found is not None
    assert marked.found.events == marked.session.events
