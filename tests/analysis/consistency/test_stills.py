"""The gyroscope's bias followed by gravity: what a gap must not add to it."""

from __future__ import annotations

import numpy as np

from analysis.consistency.stills import follow_bias
from analysis.model.records import OFF_HAND, Event
from analysis.signal.grid import Grid
from analysis.signal.working_grid import Signals
from tests.analysis.consistency.bodies import GRAVITY, turning_body

RATE_HZ = 100.0


def test_a_hand_that_turns_in_a_gap_is_no_drift_of_the_gyroscope() -> None:
    """A straight line over 0.25 s in which the hand rocks: the gyroscope's own attitude is off by degrees after it."""
    force, rate = turning_body(RATE_HZ, 126.0)
    force[:400], rate[:400] = GRAVITY, 0.0
    valid = np.ones(len(force), dtype=bool)
    for start in (3430, 7020, 9565):
        gap = slice(start, start + 25)
        valid[gap] = False
        for values in (force, rate):
            values[gap] = np.linspace(values[start - 1], values[gap.stop], 27)[1:-1]
    found = follow_bias(
        Signals(Grid(0.0, RATE_HZ, valid), force, rate, None, None, 1, 0), (Event("still", 0.0, 4.0, OFF_HAND),)
    )
    assert np.abs(found.bias_radps).max() < np.radians(0.02)
