"""Spectral arc length and dimensionless jerk, against published values and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.stroke.smoothness import log_dimensionless_jerk, spectral_arc_length
from tests.analysis.tension.played import long_result

T = np.arange(-100, 101) / 100


def minimum_jerk(points: int) -> np.ndarray:
    t = np.linspace(0, 1, points)
    return 30 * t**2 - 60 * t**3 + 30 * t**4


def test_the_published_example() -> None:
    """Speed exp(-5 t^2), 100 Hz: Balasubramanian et al., J. NeuroEng. Rehab. 12:112, 2015; the first
    figure as the authors' open program states it, the second found with that program."""
    speed = np.exp(-5 * T[None] ** 2)
    assert spectral_arc_length(speed, 100.0, 10.0)[0] == pytest.approx(-1.41403, abs=1e-4)
    assert log_dimensionless_jerk(speed, 100.0)[0] == pytest.approx(-5.81636, abs=1e-5)


def test_minimum_jerk_over_a_second() -> None:
    """The same source's program at 100 Hz; the dimensionless jerk at 100 and 1000 Hz; the integral done by hand."""
    slow, fine = minimum_jerk(101)[None], minimum_jerk(1001)[None]
    assert spectral_arc_length(slow, 100.0, 10.0)[0] == pytest.approx(-1.40583, abs=1e-5)
    assert np.exp(-log_dimensionless_jerk(slow, 100.0)[0]) == pytest.approx(185.7, abs=0.05)
    assert np.exp(-log_dimensionless_jerk(fine, 1000.0)[0]) == pytest.approx(202.8, abs=0.05)
    # v'' = 60 - 360 t + 360 t^2; its square integrates to 720, v peaks at 1.875: ln(720 / 1.875^2).
    assert np.log(720 / 1.875**2) == pytest.approx(5.322034, abs=1e-5)
    finest = minimum_jerk(100_001)[None]
    assert log_dimensionless_jerk(finest, 1e5)[0] == pytest.approx(-5.322034, abs=2e-4)


def test_cut_off_that_grows_with_tempo_gives_one_value_for_one_shape() -> None:
    shape = minimum_jerk(101)[None]
    whole = spectral_arc_length(shape, 100.0, 20.0)[0]
    for seconds in (0.5, 0.1, 0.06):
        rate = 100.0 / seconds
        assert spectral_arc_length(shape, rate, 20.0 / seconds)[0] == pytest.approx(whole, abs=1e-9)
    # The usual ten hertz would cut most of a stroke of a twentieth of a second off.
    assert abs(spectral_arc_length(shape, 100.0 / 0.05, 10.0)[0] - whole) > 0.3


def test_less_smooth_is_further_below_zero() -> None:
    smooth = minimum_jerk(101)
    halting = smooth * (1 + 0.4 * np.cos(2 * np.pi * 5 * np.linspace(0, 1, 101)))
    for measure in (lambda v: spectral_arc_length(v, 100.0, 20.0), lambda v: log_dimensionless_jerk(v, 100.0)):
        a, b = measure(np.array([smooth, halting]))
        assert b < a < 0


def test_strokes_of_a_session_have_the_smoothness_of_their_shape() -> None:
    strokes = long_result(1.0).strokes
    medians = strokes.assign(pace=strokes["strokes_per_s"].round()).groupby("pace")["sparc"].median()
    medians = medians[[7.0, 8.0, 9.0]]
    # Between a sinusoid's half wave and minimum jerk, whatever the tempo.
    t = np.linspace(0, 1, 100)
    ends = spectral_arc_length(np.array([np.sin(np.pi * t), minimum_jerk(100)]), 99.0, 20.0)
    assert (medians > ends.min() - 0.08).all()
    assert (medians < ends.max() + 0.08).all()
    assert np.ptp(medians) < 0.03
