"""Levels of repeated looks, against published bounds and against drawn series."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from analysis.statistics.repeated_looks import look_levels


def crossed(bounds: np.ndarray, information: np.ndarray) -> np.ndarray:
    """Share of drawn series (by a generator, not by the recursion) that passed a bound up to each look."""
    steps = np.random.default_rng(7).normal(size=(400_000, len(bounds))) * np.sqrt(np.diff(information, prepend=0.0))
    z = np.cumsum(steps, axis=1) / np.sqrt(information)
    return np.maximum.accumulate(z >= bounds, axis=1).mean(axis=0)


@pytest.mark.parametrize(
    ("looks", "pocock", "obrien_fleming"), [(2, 2.178, 1.977), (5, 2.413, 2.040), (10, 2.555, 2.087)]
)
def test_published_bounds(looks: int, pocock: float, obrien_fleming: float) -> None:
    """Jennison and Turnbull, Group Sequential Methods, 2000, tables 2.1 and 2.3, two-sided 5 % (values from memory).

    With what series drawn at those constants spend, the levels must come back; one-sided, half of it.
    """
    information = np.arange(1, looks + 1) / looks
    for bounds in (np.full(looks, pocock), obrien_fleming / np.sqrt(information)):
        spent = crossed(bounds, information)
        assert spent[-1] == pytest.approx(0.025, abs=0.001)
        last = look_levels(tuple(information), tuple(spent))[-1]
        assert -special.ndtri(last) == pytest.approx(bounds[-1], abs=0.04)


def test_levels_spend_what_they_should() -> None:
    minutes = np.array([20.0, 30, 45, 60, 75, 90, 105, 120])
    information = (minutes / 120) ** 3
    spent = 0.05 * information
    levels = look_levels(tuple(information), tuple(spent))
    found = crossed(-special.ndtri(np.array(levels)), information)
    assert found == pytest.approx(spent, rel=0.06, abs=2e-4)
    assert levels[-1] > 1.3 * (spent[-1] - spent[-2]), "as if each look stood alone would be less"


def test_one_look_alone_has_the_whole_level() -> None:
    assert look_levels((3.0,), (0.05,))[0] == pytest.approx(0.05, rel=1e-3)
    assert look_levels((3.0,), (0.05,), 7)[0] == pytest.approx(0.05, rel=1e-3)
