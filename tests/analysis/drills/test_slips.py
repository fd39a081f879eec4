"""Change verdicts of drills played with slips, on drawn strokes: right, told, and as sure as they say.

Outside: the reliability diagram by scikit-learn's ``calibration_curve``.
"""

from __future__ import annotations

import numpy as np
from sklearn.calibration import calibration_curve

from analysis.drills.string_change_path import PathErrors
from analysis.drills.string_changes import learn_depth
from analysis.model.records import Instrument
from benchmarks.drill_slips import PHRASES, judge_players, slip_scores
from tests.analysis.drills.slipping_play import SlippingPlayer, play_slipping


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


def test_strokes_on_one_string_show_how_much_the_depth_differs() -> None:
    """Depths are drawn with the SD that is then to be found; with few such strokes the prior stays."""
    found = []
    for depth_mm in (0.2, 0.7):
        player = SlippingPlayer(notes=400, depth_sd_mm=depth_mm, way_noise_mm=0.7)
        play = play_slipping(PHRASES[4], Instrument(), player, 41050)
        stays = np.flatnonzero(np.diff(play.string) == 0)
        found.append(learn_depth(PathErrors(), play.strokes, play.paths_mm, stays))
        assert learn_depth(PathErrors(), play.strokes, play.paths_mm, stays[:5]) == PathErrors()
    low, high = (errors.depth_sd_mm for errors in found)
    assert 0.18 < low < 0.32
    assert 0.55 < high < 0.8
    assert found[0].depth_df > 100
