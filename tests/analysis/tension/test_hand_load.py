"""Hand activity: its equation as published, typed in twice, which is no outside check; breaks against a plan."""

from __future__ import annotations

import pytest

from analysis.model.errors import InputError
from analysis.tension.hand_load import hand_activity_level, measure_activity, measure_breaks
from tests.analysis.tension.played import long_result


@pytest.mark.parametrize(("exertions", "duty", "level"), [(1.0, 50.0, 6.139), (0.5, 20.0, 3.472), (2.0, 80.0, 8.022)])
def test_hand_activity_level(exertions: float, duty: float, level: float) -> None:
    """HAL = 6.56 ln D [F^1.31 / (1 + 3.18 F^1.31)], Radwin et al., Ergonomics 58, 2015, 173-183 (abstract).

    The expected values were worked out from that equation: they guard its coding and are no outside check.
    """
    assert hand_activity_level(exertions, duty) == pytest.approx(level, abs=5e-4)


def test_hand_activity_stays_on_its_scale() -> None:
    assert hand_activity_level(0.0, 50.0) == 0.0
    assert hand_activity_level(5.0, 0.5) == 0.0
    assert 9 < hand_activity_level(16.0, 100.0) <= 10
    with pytest.raises(InputError, match="duty cycle of 0 to 100"):
        hand_activity_level(1.0, 120.0)


def test_activity_of_a_session_is_that_of_its_strokes() -> None:
    found = measure_activity(long_result(1.0))
    assert found is not None
    assert found.strokes_per_s == pytest.approx(8.0, abs=0.15)
    assert 25 < found.duty_pct < 35  # 12 s of 40
    assert found.beyond_tables


def test_breaks_against_five_minutes_in_thirty() -> None:
    """The plan is common practice, no source."""
    hour = [(0.0, 1500.0), (1800.0, 3300.0), (3330.0, 3500.0)]
    found = measure_breaks(hour)
    assert found.taken == ((25.0, 5.0),)
    assert found.planned == 2
    assert found.longest_play_min == pytest.approx((3500 - 1800) / 60)
    assert measure_breaks([(0.0, 6000.0)]).planned == 3
    assert measure_breaks([(0.0, 1499.0)]).planned == 0
    with pytest.raises(InputError, match="breaks shorter than"):
        measure_breaks(hour, 5.0, 5.0)
