"""Sound and motion laid over each other, and when they must not be."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.sound.clock import find_clock, find_raps_heard
from analysis.sound.onsets import find_onsets
from analysis.sound.records import Onsets
from tests.analysis.sound.takes import ACROSS, take


def uneven_strokes(seed: int, seconds: float = 120.0, period_s: float = 0.125, uneven: float = 0.05) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 5.0 + np.cumsum(period_s * (1 + uneven * rng.normal(size=round(seconds / period_s))))


@pytest.mark.parametrize("offset_s", [-20.0, 0.0, 3.7, 400.0])
@pytest.mark.parametrize("drift", [0.0, 150e-6, -250e-6])
def test_offset_and_drift_come_back(offset_s: float, drift: float) -> None:
    rng = np.random.default_rng(7)
    strokes = uneven_strokes(8)
    onsets = offset_s + (1 + drift) * strokes[rng.random(strokes.size) > 0.05] + 0.0005 * rng.normal(size=1)
    onsets = np.sort(np.concatenate([onsets, rng.uniform(0, 120, 30)]))
    onsets = onsets[onsets > 0]
    seen = strokes + 0.0033 * rng.normal(size=strokes.size)
    clock = find_clock(onsets, seen, (0.0, 130.0), float(onsets[-1]) + 5.0)
    assert clock is not None
    for at in (20.0, 100.0):
        assert clock.to_sound(np.array([at]))[0] == pytest.approx(offset_s + (1 + drift) * at, abs=0.002)
    assert clock.to_log(clock.to_sound(strokes)) == pytest.approx(strokes)
    assert clock.rival < 0.9
    assert clock.matched_share > 0.8


def test_perfectly_even_play_without_pauses_has_a_rival() -> None:
    strokes = np.arange(5.0, 125.0, 0.125)
    clock = find_clock(strokes + 2.0, strokes, (0.0, 130.0), 130.0)
    assert clock is not None
    assert clock.rival > 0.9


def test_raps_choose_where_play_cannot() -> None:
    strokes = np.arange(5.0, 125.0, 0.125)
    onsets = np.concatenate([[4.0, 4.3, 4.6], strokes + 2.0])
    raps = ((4.0, 4.6),), ((2.004, 2.603),)
    clock = find_clock(onsets, strokes, (0.0, 130.0), 130.0, raps)
    assert clock is not None
    assert clock.by == "raps"
    assert clock.rival == 0.0
    assert clock.offset_s == pytest.approx(2.0, abs=0.003)


def test_another_take_does_not_match() -> None:
    clock = find_clock(uneven_strokes(9), uneven_strokes(10), (0.0, 130.0), 130.0)
    assert clock is not None
    assert clock.matched_share < 0.8 or clock.rival > 0.9


def test_too_few_of_either_give_none() -> None:
    assert find_clock(np.arange(4.0), uneven_strokes(1), (0.0, 1.0), 1.0) is None


def test_raps_are_heard_in_a_recording() -> None:
    play, _ = take(ACROSS, 8, 13, notes=80, block_notes=80, raps=True)
    found = find_raps_heard(find_onsets(play.sound.astype(np.float32), play.rate_hz))
    assert len(found) == 1
    assert found[0] == pytest.approx((play.raps_s[0], play.raps_s[2]), abs=0.005)


@pytest.mark.parametrize("times", [[1, 1.3, 1.6, 1.9], [1, 1.3, 1.9], [1, 1.1, 1.2], [1, 2, 3], [1, 1.3]])
def test_what_is_no_three_raps(times: list[float]) -> None:
    assert find_raps_heard(Onsets(np.array(times), np.ones(len(times)))) == ()
