"""Change verdicts of drills played with slips, on drawn strokes: right, told, and as sure as they say.

Outside: the reliability diagram by scikit-learn's ``calibration_curve``.
"""

from __future__ import annotations

import numpy as np
from sklearn.calibration import calibration_curve

from benchmarks.drill_slips import judge_players, slip_scores


def test_verdicts_of_drills_with_slips() -> None:
    """One note in thirty doubled or skipped, one drill in five begun on the other side; fresh seeds."""
    changes = judge_players(range(41000, 41016))
    scores = slip_scores(changes)
    assert scores["changes"] > 700
    assert scores["right"] >= 0.9
    assert scores["not known"] <= 0.18
    told = changes[changes["verdict"] != "not known"]
    found, said = calibration_curve(told["right"].astype(int), told["probability"], n_bins=3, strategy="quantile")
    assert np.abs(found - said).max() < 0.07


def test_counting_alone_would_go_wrong() -> None:
    """The same players without the hand's travel: the strings are lost, and that is known."""
    with_travel, without = (judge_players(range(41020, 41026), travel=use) for use in (True, False))
    assert slip_scores(with_travel)["strings right"] > slip_scores(without)["strings right"] + 0.05
