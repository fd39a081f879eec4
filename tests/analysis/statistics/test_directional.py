"""Directional statistics against a handbook's worked examples, scipy and astropy."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import circstats
from scipy import stats

from analysis.model.errors import InputError
from analysis.statistics.directional import (
    axial_difference_deg,
    rayleigh_test,
    summarise_axes,
    summarise_directions,
    v_test,
)

# Zar, Biostatistical Analysis, 5th ed. 2010. The data of all four examples and the mean of 26.2 were compared with open
# implementations that quote them; the other digits are from memory. scipy and astropy check the same below.
EXAMPLE_26_2 = (45, 55, 81, 96, 110, 117, 132, 154)
EXAMPLE_26_5 = (range(15, 360, 30), (0, 6, 9, 13, 15, 22, 17, 12, 8, 3, 0, 0))
EXAMPLE_26_7 = (35, 40, 40, 45, 45, 55, 60, 215, 220, 225, 225, 235, 235, 240, 245)
EXAMPLE_27_2 = (66, 75, 86, 88, 88, 93, 97, 101, 118, 130)


def test_directions_of_zars_example_26_2() -> None:
    found = summarise_directions(EXAMPLE_26_2)
    assert found.mean_deg == pytest.approx(98.98775, abs=5e-6)
    assert found.resultant == pytest.approx(0.8252177, abs=5e-8)
    # Example 26.4, both spreads.
    assert found.angular_deviation_deg == pytest.approx(33.8755, abs=1e-4)
    assert found.circular_sd_deg == pytest.approx(35.5149, abs=1e-4)


def test_grouped_directions_of_zars_example_26_5() -> None:
    found = summarise_directions(EXAMPLE_26_5[0], EXAMPLE_26_5[1])
    assert found.mean_deg == pytest.approx(161.56505, abs=1e-5)
    assert found.resultant == pytest.approx(0.550635, abs=1e-6)
    assert found.count == 105


def test_axes_of_zars_example_26_7() -> None:
    found = summarise_axes(EXAMPLE_26_7)
    assert found.mean_deg == pytest.approx(47.953, abs=5e-4)
    assert found.resultant == pytest.approx(0.948433, abs=1e-6)


def test_rayleigh_of_zars_example_27_1() -> None:
    found = rayleigh_test(EXAMPLE_26_2)
    assert found.statistic == pytest.approx(5.447875, abs=1e-6)
    assert found.p == pytest.approx(0.0018516, abs=5e-8)


def test_v_test_of_zars_example_27_2() -> None:
    found = v_test(EXAMPLE_27_2, 90.0)
    assert found.statistic == pytest.approx(4.248, abs=1e-3)
    assert found.statistic / np.sqrt(2 / 10) == pytest.approx(9.498, abs=1e-3)


@pytest.mark.parametrize("spread_deg", [3.0, 40.0, 150.0])
def test_against_scipy_and_astropy(spread_deg: float) -> None:
    angles = np.random.default_rng(int(spread_deg)).normal(200.0, spread_deg, 57)
    found, rad = summarise_directions(angles), np.radians(angles)
    assert found.mean_deg == pytest.approx(np.degrees(stats.circmean(rad)))
    assert found.circular_sd_deg == pytest.approx(np.degrees(stats.circstd(rad)))
    assert found.mean_deg == pytest.approx(np.degrees(circstats.circmean(rad)) % 360)
    assert found.angular_deviation_deg == pytest.approx(np.degrees(circstats.circstd(rad, method="angular")))
    # astropy's Rayleigh p is another approximation (Wilkie 1983): close, not equal.
    assert rayleigh_test(angles).p == pytest.approx(float(circstats.rayleightest(rad)), abs=0.02)


def test_v_test_against_astropy() -> None:
    angles = np.random.default_rng(5).normal(40.0, 70.0, 30)
    assert v_test(angles, 60.0).p == pytest.approx(
        float(circstats.vtest(np.radians(angles), mu=np.radians(60))), abs=0.01
    )


def test_axes_are_the_same_whichever_way_each_is_read() -> None:
    rng = np.random.default_rng(2)
    tilt = rng.normal(15.0, 20.0, 80)
    turned = tilt + 180.0 * rng.integers(-2, 3, 80)
    one, other = summarise_axes(tilt), summarise_axes(turned)
    assert one.mean_deg == pytest.approx(other.mean_deg)
    assert one.circular_sd_deg == pytest.approx(other.circular_sd_deg)
    # Of narrow scatter, the axial spread is the plain one.
    narrow = rng.normal(15.0, 2.0, 2000)
    assert summarise_axes(narrow).circular_sd_deg == pytest.approx(narrow.std(), rel=0.01)


def test_a_turned_frame_turns_the_mean_and_keeps_the_spread() -> None:
    tilt = np.random.default_rng(3).normal(80.0, 15.0, 50)
    one, other = summarise_axes(tilt), summarise_axes(tilt + 25.0)
    assert float(axial_difference_deg(other.mean_deg, one.mean_deg)) == pytest.approx(25.0)
    assert -90 < other.mean_deg <= 90
    assert one.angular_deviation_deg == pytest.approx(other.angular_deviation_deg)


@pytest.mark.parametrize("angles", [[], [1.0, float("nan")]])
def test_angles_that_are_none_are_refused(angles: list[float]) -> None:
    with pytest.raises(InputError, match="expected at least one angle"):
        summarise_axes(angles)
