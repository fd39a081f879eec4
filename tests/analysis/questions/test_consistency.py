"""Spread within and between blocks, drift, evenness, the smallest change; against drawn truth."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model.errors import InputError
from analysis.questions.consistency import measure_consistency
from analysis.report.answer_sentences import say_consistency
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

PLAIN = Drawing(block_sd_deg=0.8, wander_deg=0.0, frame_se_deg=0.5, stroke_error_deg=0.3, scatter_block_sd=0.0)


def test_the_parts_of_the_spread_are_told_apart() -> None:
    blocks = [DrawnBlock(scatter_deg=2.0, seconds=30.0)] * 12
    found = measure_consistency([draw_session(blocks, PLAIN, np.random.default_rng(1))])
    within = np.hypot(2.0, 0.3)
    assert found.within_sd_deg.low < within < found.within_sd_deg.high
    assert found.within_sd_deg.value == pytest.approx(within, rel=0.04)
    assert found.error_sd_deg == pytest.approx(0.3)
    assert found.between_sd_deg is not None
    assert found.between_sd_deg.low < 0.8 < found.between_sd_deg.high


def test_the_smallest_change_follows_from_the_blocks_and_the_frame() -> None:
    found = measure_consistency([draw_session([DrawnBlock()] * 9, PLAIN, np.random.default_rng(2))])
    change, between = found.smallest_change, found.between_sd_deg
    assert change is not None
    assert between is not None
    # Weir 2005: 1.96 sqrt(2) SEM.
    assert change.between_blocks_deg == pytest.approx(1.96 * 2**0.5 * between.value)
    assert change.between_sessions_deg == pytest.approx(1.96 * 2**0.5 * np.hypot(0.5, between.value / 3))


def test_one_block_in_twenty_differs_by_more_than_the_smallest_change() -> None:
    rng = np.random.default_rng(3)
    found = measure_consistency([draw_session([DrawnBlock(seconds=8.0)] * 40, PLAIN, rng)])
    assert found.smallest_change is not None
    means = found.blocks["tilt_deg"].to_numpy()
    apart = np.abs(np.subtract.outer(means, means))[np.triu_indices(40, 1)]
    assert np.mean(apart > found.smallest_change.between_blocks_deg) == pytest.approx(0.05, abs=0.03)


def test_drift_and_evenness_are_found_with_their_sign() -> None:
    blocks = [DrawnBlock(slope_deg_per_min=3.0, evenness_deg=-1.5, seconds=30.0)] * 8
    found = measure_consistency([draw_session(blocks, PLAIN, np.random.default_rng(4))])
    assert found.drift_deg_per_min is not None
    assert found.drift_deg_per_min.low < 3.0 < found.drift_deg_per_min.high
    assert found.drift_deg_per_min.low > 0
    tilt = next(e for e in found.evenness if e.name == "tilt")
    assert tilt.difference.low < -1.5 < tilt.difference.high
    assert tilt.difference.high < 0
    assert "drifts by 3" in say_consistency(found) or "drifts by 2" in say_consistency(found)


def test_a_change_with_speed_is_not_taken_for_unsteadiness() -> None:
    blocks = [DrawnBlock(strokes_per_s=v, tilt_deg=30 - 2 * v) for v in np.linspace(5, 12, 10)]
    found = measure_consistency([draw_session(blocks, PLAIN, np.random.default_rng(5))])
    assert found.between_sd_deg is not None
    assert found.between_sd_deg.value < 1.6
    assert any("differ in speed" in remark for remark in found.remarks)


def test_one_block_says_only_what_one_block_can() -> None:
    found = measure_consistency([draw_session([DrawnBlock(scatter_deg=2.0)], PLAIN, np.random.default_rng(6))])
    assert found.between_sd_deg is None
    assert found.smallest_change is None
    assert "one block only" in found.refused["spread between blocks"]
    assert found.within_sd_deg.low < np.hypot(2.0, 0.3) < found.within_sd_deg.high
    assert "from one block nobody can tell" in say_consistency(found)


def test_a_posture_must_be_named_where_there_are_two() -> None:
    session = draw_session([DrawnBlock("A"), DrawnBlock("B")], PLAIN, np.random.default_rng(7))
    with pytest.raises(InputError, match="found A, B"):
        measure_consistency([session])
    assert measure_consistency([session], "B").posture == "B"


def test_two_tilts_by_turns_are_told_apart_and_not_averaged() -> None:
    blocks = [DrawnBlock(tilt_deg=tilt, scatter_deg=1.5) for tilt in (15.0, -12.0, -12.0, 15.0, 15.0, -12.0)]
    found = measure_consistency([draw_session(blocks, PLAIN, np.random.default_rng(8))])
    assert [round(level.axis.mean_deg) for level in found.levels] == pytest.approx([15, -12], abs=1)
    assert [level.blocks for level in found.levels] == [3, 3]
    assert found.between_sd_deg is not None
    assert found.between_sd_deg.low < 0.8 < found.between_sd_deg.high
    assert "two tilts take turns" in say_consistency(found)


def test_a_block_that_changes_by_groups_is_taken_apart() -> None:
    """Groups of six strokes on either side: their own scatter is 1.5, that about the block's mean 15."""
    blocks = [DrawnBlock(scatter_deg=1.5, flipped_share=0.5)] * 4
    found = measure_consistency([draw_session(blocks, PLAIN, np.random.default_rng(9))])
    assert found.mixed == 4
    assert found.within_sd_deg.value == pytest.approx(np.hypot(1.5, 0.3), rel=0.1)
    assert [round(level.axis.mean_deg) for level in found.levels] == pytest.approx([15, -15], abs=1)
    assert "by groups of strokes within 4 blocks" in say_consistency(found)


def test_along_a_ladder_both_ends_are_told_and_no_mean() -> None:
    blocks = [DrawnBlock(strokes_per_s=v, tilt_deg=30 - 2 * v) for v in np.linspace(5, 12, 8)]
    found = measure_consistency([draw_session(blocks, PLAIN, np.random.default_rng(10))])
    (level,) = found.levels
    assert level.changes
    assert (level.slowest[0], level.fastest[0]) == pytest.approx((5, 12), rel=0.02)
    assert (level.slowest[1], level.fastest[1]) == pytest.approx((20, 6), abs=2.5)
    assert f"{level.axis.mean_deg:.1f}" not in say_consistency(found)
    assert "tilt goes from" in say_consistency(found)


def test_one_tilt_is_rarely_called_two() -> None:
    rng = np.random.default_rng(11)
    drawing = Drawing(block_sd_deg=2.0)
    counts = [
        len(measure_consistency([draw_session([DrawnBlock(seconds=6.0)] * n, drawing, rng)]).levels)
        for n in (4, 6, 8, 12)
        for _ in range(25)
    ]
    assert counts.count(2) <= 5
