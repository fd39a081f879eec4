"""Missing samples: which gaps a stroke bears, how they are bridged, and what a gap leaves too few of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.signal.place_samples import _cubic_weights
from analysis.stroke.gaps import gap_lengths, is_cut_off, is_whole
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Recording
from tests.analysis.pipeline.played import of_scenario, play


def test_a_stroke_bears_thirty_milliseconds_or_a_tenth_of_itself() -> None:
    valid = np.ones(400, bool)
    valid[50:53] = valid[150:154] = valid[250:257] = False  # 30, 40 and 70 ms at 100 samples a second
    start = np.array([45.0, 140, 140, 240, 210])
    end = start + np.array([10.0, 20, 41, 41, 80])
    whole = is_whole(gap_lengths(valid), start, end, 100.0)
    assert whole.tolist() == [True, False, True, False, True]


def test_few_strokes_beside_a_gap_are_none() -> None:
    valid = np.ones(300, bool)
    valid[120:140] = False
    start = np.array([90.0, 100, 110, 140, 150, 160, 170, 260])
    run = np.array([0, 0, 0, 1, 1, 1, 1, 2])
    cut = is_cut_off(gap_lengths(valid), start, start + 10, run, 4)
    assert cut.tolist() == [True] * 3 + [False] * 5


@pytest.mark.parametrize(("size", "sides"), [(2, 3), (5, 5), (12, 12)])
def test_a_bridge_is_exact_for_a_cubic(size: int, sides: int) -> None:
    t = np.arange(2 * sides + size) / 10
    cubic = 1 - 2 * t + 0.5 * t**2 + 3 * t**3
    inside = slice(sides, sides + size)
    beside = np.delete(cubic, np.arange(sides, sides + size))
    np.testing.assert_allclose(beside @ _cubic_weights(size, sides), cubic[inside])


def test_packets_lost_all_over_cost_few_strokes() -> None:
    """Three of a hundred packets of two to eight samples: a third of the strokes were lost, runs of two 10 deg off."""
    scenario = replace(random_scenario(640, 8.0, 20.0), recording=Recording(lost_packets_share=0.03))
    played = of_scenario(scenario, 640)
    table = played.result.strokes
    assert played.score.matched > 0.96 * played.score.true_strokes
    assert np.sqrt((played.score.error_deg**2).mean()) < 2.0
    assert 0.2 < table["bridged"].mean() < 0.8


def test_two_packets_lost_together_spoil_no_gesture() -> None:
    """Sixteen samples in a row, 40 ms, lost every 1.3 s: every pivot used to be left out, and with it the strings."""
    whole = play(641, 8.0, 12.0)
    raw = whole.session.raw
    kept = (np.arange(len(raw.ticks)) % 520) >= 16
    thinned = replace(
        raw,
        ticks=raw.ticks[kept],
        sequence=raw.sequence[kept],
        host_time_s=raw.host_time_s[kept],
        counts=raw.counts[kept],
    )
    lossy = whole.spoilt(lambda session: replace(session, raw=thinned))
    usable = {gesture.kind for gesture in lossy.result.reference.gestures if gesture.usable}
    assert usable >= {"across", "along", "pivot"}
    assert lossy.block.tilt_mean_deg == pytest.approx(whole.block.tilt_mean_deg, abs=1.0)
    assert not any("tested" in doubt.fault for doubt in lossy.result.doubts)
