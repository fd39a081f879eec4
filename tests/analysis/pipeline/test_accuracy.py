"""Tilt against the simulated truth: twelve players, one each session, at 4 to 12 strokes a second.

The full tables, on seeds of their own, come from ``benchmarks/bench_accuracy.py``.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from benchmarks.scoring import pooled
from tests.analysis.pipeline.played import Played, play

RATES = (4.0, 6.0, 8.0, 12.0)


@cache
def sessions() -> tuple[Played, ...]:
    return tuple(play(seed, RATES[seed % 4], 15.0) for seed in range(612, 624))


def test_every_stroke_to_two_degrees_and_nothing_else_found() -> None:
    row = pooled([played.score for played in sessions()], beyond_deg=4.0)
    assert row["sessions"] == 12
    assert row["strokes"] > 1200
    assert row["rms_deg"] < 2.0
    assert row["scatter_deg"] < 1.0
    assert row["recall_pct"] > 99.0
    assert row["precision_pct"] > 97.0
    assert row["side_right_pct"] > 97.0


def test_stated_interval_holds_the_truth() -> None:
    """95 % of 12: fewer than ten would happen once in fifty runs of an honest interval."""
    inside = [
        p.block.tilt_ci95_deg[0] < p.true_tilt_deg < p.block.tilt_ci95_deg[1]
        for p in sessions()
        if p.block.tilt_ci95_deg is not None
    ]
    assert len(inside) == 12
    assert sum(inside) >= 10
    # And it is no wider than it has to be.
    widths = [p.block.tilt_ci95_deg[1] - p.block.tilt_ci95_deg[0] for p in sessions() if p.block.tilt_ci95_deg]
    assert np.median(widths) < 5.0


def test_side_is_stated_only_where_it_is_right() -> None:
    stated = [(p.block.tilt_side, p.true_tilt_deg) for p in sessions() if p.block.tilt_side != "none"]
    assert len(stated) >= 9
    assert all((side == "down") == (true > 0) for side, true in stated)


def test_lever_within_its_stated_error() -> None:
    """Errors over stated standard errors: about 1 RMS, none beyond 4."""
    ratio = np.array(
        [(np.array(p.result.lever_mm) - p.simulated.truth.lever_mm["A"]) / p.result.lever_se_mm for p in sessions()]
    )
    assert ratio.shape == (12, 3)
    assert np.abs(ratio).max() < 4.0
    assert 0.3 < np.sqrt((ratio**2).mean()) < 1.6


@pytest.mark.parametrize(("column", "rms_mm"), [("span_mm", 1.0), ("bow_mm", 0.2), ("lift_mm", 0.6)])
def test_lengths_of_every_stroke(column: str, rms_mm: float) -> None:
    true, found = zip(*(p.pairs() for p in sessions()), strict=True)
    error = np.concatenate([(f[column] - t[column]).to_numpy() for t, f in zip(true, found, strict=True)])
    assert np.sqrt((error**2).mean()) < rms_mm


def test_turns_and_contacts_in_time() -> None:
    pairs = [p.pairs() for p in sessions()]
    for column, limit_s in (("start_s", 0.012), ("end_s", 0.012)):
        error = np.concatenate([(found[column] - true[column]).to_numpy() for true, found in pairs])
        assert np.sqrt((error**2).mean()) < limit_s
        assert abs(error.mean()) < 0.002
    struck = [(t[f["attack"]], f[f["attack"]]) for t, f in pairs]
    error = np.concatenate([(found["contact_s"] - true["contact_s"]).to_numpy() for true, found in struck])
    assert error.size > 1100
    assert np.median(np.abs(error)) < 0.01


def test_nothing_between_the_blocks_counts_as_play() -> None:
    """Six knocks and three scratches a minute while the hand rests, and all the gestures."""
    for p in sessions():
        plays = [e for e in p.session.events if e.kind == "play"]
        middle = 0.5 * (p.result.strokes["start_s"] + p.result.strokes["end_s"]).to_numpy()
        inside = np.any([(middle > e.start_s - 0.5) & (middle < e.end_s + 0.5) for e in plays], axis=0)
        assert inside.all()


def test_gestures_are_reported_with_what_they_were_like() -> None:
    for p in sessions():
        assert p.result.reference.kind == "gestures"
        assert p.result.reference.repetitions == {"across": 1, "along": 1, "pivot": 1}
        across = next(g for g in p.result.reference.gestures if g.kind == "across")
        assert across.usable
        assert 45 < across.extent_mm < 75
        assert across.straightness > 0.9
        assert across.cycles >= 4
