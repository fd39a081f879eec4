"""Tilt, span, bow and lift of paths drawn by hand, and against the truth's own lift."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.model.records import FloatArray, Instrument
from analysis.stroke.stroke_paths import TracedStrokes
from analysis.stroke.tilt import bow_mm, lift_mm, measure_strokes
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.simulate import simulate

POINTS = 17


def line(tilt_deg: float, span_mm: float, sign: float = 1.0) -> FloatArray:
    """A straight stroke (1, POINTS, 3), its middle at the origin; ``sign`` -1 for an upstroke."""
    along = sign * np.linspace(-0.5, 0.5, POINTS) * span_mm
    tilt = np.radians(tilt_deg)
    return np.stack([0 * along, along * np.cos(tilt), along * np.sin(tilt)], axis=1)[None]


def lift_of(
    path: FloatArray, sign: float = 1.0, contact: float = 0.5, spacing: float = 10.5, depth: float = 2.0
) -> float:
    return float(lift_mm(path, np.array([sign]), np.array([contact]), spacing, depth)[0])


@given(
    tilt_deg=st.floats(-40, 40),
    span_mm=st.floats(4, 40),
    contact=st.floats(0.1, 0.9),
    sign=st.sampled_from([1.0, -1.0]),
)
def test_lift_of_a_straight_stroke(tilt_deg: float, span_mm: float, contact: float, sign: float) -> None:
    """Height gained over one spacing beyond the contact, or to the stroke's end if that comes first, less the depth."""
    tilt = np.radians(tilt_deg)
    way_left = (1 - contact) * span_mm * np.cos(tilt)
    expected = sign * np.tan(tilt) * min(10.5, way_left) - 2.0
    assert lift_of(line(tilt_deg, span_mm, sign), sign, contact) == pytest.approx(expected, abs=1e-9)


def test_a_straight_path_clears_from_the_angle_whose_tangent_is_depth_over_spacing() -> None:
    """10.8 deg for 2 mm and 10.5 mm, whatever its length beyond."""
    edge = np.degrees(np.arctan2(2.0, 10.5))
    assert edge == pytest.approx(10.78, abs=0.01)
    assert Instrument().dead_band_deg == pytest.approx(edge)
    assert lift_of(line(edge + 0.1, 30.0)) > 0 > lift_of(line(edge - 0.1, 30.0))
    assert lift_of(line(-edge - 0.1, 30.0, -1.0), -1.0) > 0 > lift_of(line(-edge + 0.1, 30.0, -1.0), -1.0)
    # Too short to pass the next string: 14 mm at 12 deg rise by 1.5 mm from its middle on.
    assert lift_of(line(12.0, 14.0)) == pytest.approx(7 * np.sin(np.radians(12.0)) - 2.0)


def test_an_arched_path_clears_on_both_strokes() -> None:
    """y^2 / 50 over 30 mm: at 10.5 mm from its lowest point it stands 2.2 mm high, on either side."""
    y = np.linspace(-15, 15, 4001)
    path = np.stack([0 * y, y, y**2 / 50], axis=1)[None]
    assert lift_of(path) == pytest.approx(10.5**2 / 50 - 2.0, abs=1e-5)
    assert lift_of(path[:, ::-1], -1.0) == pytest.approx(10.5**2 / 50 - 2.0, abs=1e-5)


@given(tilt_deg=st.floats(-30, 30), sagitta_mm=st.floats(-3, 3), span_mm=st.floats(6, 30))
def test_bow_is_the_height_of_the_arch_over_its_chord(tilt_deg: float, sagitta_mm: float, span_mm: float) -> None:
    """Positive where both ends lift: turned by the tilt, unchanged by it, the same for both strokes."""
    along = np.linspace(-0.5, 0.5, POINTS) * span_mm
    height = sagitta_mm * (2 * along / span_mm) ** 2
    c, s = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    path = np.stack([0 * along, c * along - s * height, s * along + c * height], axis=1)[None]
    for stroke in (path, path[:, ::-1]):
        assert bow_mm(stroke)[0] == pytest.approx(sagitta_mm, abs=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("tilt_deg", [-35.0, -3.0, 0.0, 20.0])
def test_tilt_names_the_downstroke_on_both_strokes(tilt_deg: float, sign: float) -> None:
    path = 1e-3 * line(tilt_deg, 15.0, sign)
    one, no = np.array([0.0]), np.array([False])
    strokes = TracedStrokes(one, one + 10, np.array([sign]), one, one + 4, no, path, path[:, 0])
    found = measure_strokes(strokes, Instrument(), np.array([0.5]), no)
    assert found.tilt_deg[0] == pytest.approx(tilt_deg)
    assert found.span_mm[0] == pytest.approx(15.0)
    assert found.bow_mm[0] == pytest.approx(0.0, abs=1e-9)


def test_lift_against_the_simulations_own() -> None:
    """The true tip's path and contact through our formula give the truth's lift, worked out without our code."""
    simulated = simulate(random_scenario(683, 8.0, 5.0), 683)
    true = simulated.truth.strokes
    share = np.linspace(0.0, 1.0, 201)
    start, length = true["start_s"].to_numpy(), (true["end_s"] - true["start_s"]).to_numpy()
    times = start[:, None] + length[:, None] * share
    path = simulated.truth.path(times.ravel()).tip_mm.reshape(len(true), share.size, 3)
    sign = np.where(true["direction"] == "down", 1.0, -1.0)
    contact = (true["contact_s"].to_numpy() - start) / length
    mine = lift_mm(path, sign, contact, 10.5, 2.0)
    steady = ~true["in_change"].to_numpy(dtype=bool)
    assert steady.sum() > 30
    np.testing.assert_allclose(mine[steady], true["lift_mm"][steady], atol=0.05)
