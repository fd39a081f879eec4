"""A strap that gives, against the textbook's single mass on a moving base."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis.model.records import FloatArray
from analysis.synthesis.disturbance import hang
from analysis.synthesis.grades import SoftMount

STEP_S = 1 / 1600
NONE = np.empty(0)


def mount(hz: float, damping: float) -> SoftMount:
    """All six alike, the centre of mass where the strap holds: nothing couples."""
    return SoftMount((1.0, 0.0, 0.0, 0.0), (hz,) * 3, (hz,) * 3, (damping,) * 3, (damping,) * 3, (0.0,) * 3, 10.0)


def shaken(t_s: FloatArray, hz: float) -> tuple[FloatArray, FloatArray]:
    """A hand that shakes along Y, 1 mm, and turns about Z, 0.01 rad."""
    way = np.sin(2 * np.pi * hz * t_s)
    place = np.zeros((3, t_s.size))
    place[1] = 1e-3 * way
    quat = np.zeros((4, t_s.size))
    quat[0], quat[3] = np.cos(0.005 * way), np.sin(0.005 * way)
    return place, quat


@pytest.mark.parametrize("damping", [0.05, 0.15, 0.3])
@pytest.mark.parametrize("ratio", [0.3, 1.0, np.sqrt(2.0), 2.5])
def test_case_follows_a_shaken_base_by_the_textbook_transmissibility(ratio: float, damping: float) -> None:
    """``T^2 = (1 + (2 z r)^2) / ((1 - r^2)^2 + (2 z r)^2)``; at ``r = sqrt 2`` it is 1 whatever the damping.

    Base excitation of a single mass as in every textbook of vibration, say Rao, Mechanical Vibrations; from memory.
    """
    natural_hz = 20.0
    t = np.arange(int(1.0 / STEP_S)) * STEP_S + 3.0
    place, quat = hang(lambda at: shaken(at, ratio * natural_hz), mount(natural_hz, damping), 0.0, NONE)(t)
    wave = np.exp(-2j * np.pi * ratio * natural_hz * t)
    expected = np.sqrt((1 + (2 * damping * ratio) ** 2) / ((1 - ratio**2) ** 2 + (2 * damping * ratio) ** 2))
    # Loads run straight from sample to sample, which takes (w h)^2 / 12 of them: 0.003 at 50 Hz.
    assert 2 * abs(np.mean(place[1] * wave)) / 1e-3 == pytest.approx(expected, rel=0.01, abs=0.005)
    assert 2 * abs(np.mean(2 * quat[3] * wave)) / 1e-2 == pytest.approx(expected, rel=0.01, abs=0.005)
    if ratio == np.sqrt(2.0):
        assert expected == pytest.approx(1.0)


def at_rest(t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A hand at rest."""
    return np.zeros((3, t_s.size)), np.tile([[1.0], [0.0], [0.0], [0.0]], t_s.size)


def test_a_case_sags_under_its_weight_by_g_over_omega_squared() -> None:
    t = np.arange(100) * STEP_S
    place, _ = hang(at_rest, mount(25.0, 0.15), 9.81, NONE)(t)
    np.testing.assert_allclose(place[2], -9.81 / (2 * np.pi * 25.0) ** 2, rtol=1e-6)
    np.testing.assert_allclose(place[:2], 0.0, atol=1e-12)


def test_a_rap_rings_down_at_the_natural_frequency() -> None:
    """The logarithmic decrement of neighbouring swings is ``2 pi z / sqrt(1 - z^2)``: textbook, as above."""
    t = np.arange(int(0.5 / STEP_S)) * STEP_S + 1.0
    place, _ = hang(at_rest, mount(20.0, 0.1), 0.0, np.array([1.05]))(t)
    way = place[np.argmax(np.ptp(place, axis=1))]
    rises = np.flatnonzero((way[:-1] < 0) & (way[1:] >= 0) & (t[:-1] > 1.06))
    period = np.diff(t[rises]).mean()
    assert 1 / period == pytest.approx(20.0 * np.sqrt(1 - 0.1**2), rel=0.01)
    peaks = [np.abs(way[a:b]).max() for a, b in pairwise(rises)]
    assert np.log(peaks[0] / peaks[1]) == pytest.approx(2 * np.pi * 0.1 / np.sqrt(1 - 0.01), rel=0.02)
