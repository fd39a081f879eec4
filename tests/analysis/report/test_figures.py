"""Figures: to scale, true to the result, told apart without colour; contrasts as the accessibility standard asks."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import pytest

from analysis.model.records import Instrument, SessionResult
from analysis.report import figures
from analysis.report.figures_end_view import draw_end_view
from analysis.report.figures_spread import draw_distribution, draw_lift
from analysis.report.figures_strokes import draw_stroke, draw_stroke_in_space, pick_strokes
from analysis.report.figures_time import (
    MOST_MARKS,
    draw_tilt_against_speed,
    draw_tilt_over_time,
    running_median,
    spans_speeds,
    thin,
)
from analysis.report.verdict import judge_session
from analysis.stroke.mean_paths import measure_band, paths_from_contact, string_places
from tests.analysis.report.make_result import START_S, Made, Play, make_result, straight_paths

INSTRUMENT = Instrument(spacing_mm=(12.0,) * 5, radius_mm=241.0, plectrum_depth_mm=2.5)


@pytest.fixture(scope="module")
def result() -> SessionResult:
    return make_result(Play(tilt_deg=18), Play(tilt_deg=-14, posture="B", rate=10.0), made=Made(instrument=INSTRUMENT))


def rows(result: SessionResult, block: int) -> np.ndarray:
    return np.flatnonzero((result.strokes["block"] == block).to_numpy())


def trace(figure: go.Figure, name: str) -> go.Scatter:
    return next(trace for trace in figure.data if trace.name == name)


def test_strings_stand_to_scale_on_their_arch() -> None:
    """Sagitta of a circle: radius - sqrt(radius^2 - spacing^2)."""
    places = string_places(INSTRUMENT)
    assert [y for y, _ in places] == [-12.0, 0.0, 12.0]
    assert places[2][1] == pytest.approx(-(241.0 - np.sqrt(241.0**2 - 144.0)))
    assert string_places(replace(INSTRUMENT, radius_mm=None))[0][1] == 0.0


def test_the_end_view_has_one_scale_and_the_strings_at_their_places(result: SessionResult) -> None:
    figure = draw_end_view(result, rows(result, 0))
    assert figure.layout.yaxis.scaleanchor == "x"
    circles = [shape for shape in figure.layout.shapes if shape.type == "circle"]
    assert [0.5 * (c.x0 + c.x1) for c in circles] == pytest.approx([-12.0, 0.0, 12.0])
    assert [c.y1 for c in circles] == pytest.approx([z for _, z in string_places(INSTRUMENT)])
    assert figure.layout.xaxis.range[1] > 12.0


@pytest.mark.parametrize(("block", "tilt"), [(0, 18.0), (1, -14.0)])
def test_the_mean_path_runs_through_the_contact_at_the_given_tilt(
    result: SessionResult, block: int, tilt: float
) -> None:
    figure = draw_end_view(result, rows(result, block))
    for name in ("downstrokes", "upstrokes"):
        y, z = np.asarray(trace(figure, name).x), np.asarray(trace(figure, name).y)
        assert np.interp(0.0, y, z) == pytest.approx(-2.5, abs=0.05)
        slope = np.degrees(np.arctan2(z[-1] - z[0], y[-1] - y[0]))
        assert slope == pytest.approx(tilt, abs=0.3)


def test_the_band_holds_four_of_five_strokes() -> None:
    rng = np.random.default_rng(3)
    paths = straight_paths(15 + 3 * rng.normal(size=1000), np.ones(1000), np.full(1000, 20.0))[:, :, 1:]
    band = measure_band(paths)
    assert band is not None
    end = paths[:, -1]
    mean_slope = np.gradient(band.mean_mm, band.y_mm)[-1]
    over = end[:, 1] - band.mean_mm[-1] - mean_slope * (end[:, 0] - band.y_mm[-1])
    inside = (over >= band.low_mm[-1] - band.mean_mm[-1]) & (over <= band.high_mm[-1] - band.mean_mm[-1])
    assert inside.mean() == pytest.approx(0.8, abs=0.005)
    assert measure_band(paths[:2]) is None


def test_contact_lies_at_the_plectrums_depth(result: SessionResult) -> None:
    paths = paths_from_contact(result, rows(result, 0))
    middle = paths[:, paths.shape[1] // 2]
    assert np.allclose(middle, [0.0, -2.5], atol=1e-5)


def test_tilt_over_time_shows_every_stroke_of_a_short_session(result: SessionResult) -> None:
    figure = draw_tilt_over_time(result)
    down = trace(figure, "downstrokes")
    own = result.strokes[result.strokes["direction"] == "down"]
    assert np.allclose(np.asarray(down.x), own["start_s"] - START_S, atol=1e-3)
    assert np.allclose(np.asarray(down.y), own["tilt_deg"], atol=1e-4)
    labels = [note.text for note in figure.layout.annotations]
    assert {"A, 8.0 /s", "B, 10.0 /s", "gestures"} <= set(labels)
    dead = INSTRUMENT.dead_band_deg
    strips = [s for s in figure.layout.shapes if s.type == "rect" and s.y0 == pytest.approx(-dead)]
    assert [s.y1 for s in strips] == pytest.approx([dead])


def test_the_line_breaks_between_blocks(result: SessionResult) -> None:
    time, median = running_median(result.strokes, START_S)
    assert np.isnan(median).sum() == 1
    first, second = np.split(median, np.flatnonzero(np.isnan(median)))
    assert np.nanmedian(first) == pytest.approx(18.0, abs=0.3)
    assert np.nanmedian(second) == pytest.approx(-14.0, abs=0.3)
    assert np.nanmax(np.diff(time)) < 10.0


def test_long_sessions_are_thinned_evenly_in_both_directions() -> None:
    result = make_result(Play(rate=12.0, seconds=600.0))
    shown, step = thin(result.strokes)
    assert step == 3
    assert len(shown) <= MOST_MARKS + 2
    counts = shown["direction"].value_counts()
    assert abs(counts["down"] - counts["up"]) <= 1


def test_speed_is_drawn_only_where_speeds_differ(result: SessionResult) -> None:
    assert spans_speeds(result.blocks)
    assert not spans_speeds(make_result(Play(), Play()).blocks)
    means = trace(draw_tilt_against_speed(result), "block means, 95 % interval")
    assert np.asarray(means.y).tolist() == pytest.approx([b.tilt_mean_deg for b in result.blocks], abs=1e-4)
    half = [0.5 * (b.tilt_ci95_deg[1] - b.tilt_ci95_deg[0]) for b in result.blocks if b.tilt_ci95_deg]
    assert list(means.error_y.array) == pytest.approx(half)
    assert [text.split(",")[0] for text in means.text] == [f"block {k}" for k in range(1, len(result.blocks) + 1)]


def test_the_histograms_count_every_stroke(result: SessionResult) -> None:
    finding = judge_session(result).blocks[0]
    for figure in (draw_distribution(result, rows(result, 0), finding), draw_lift(result, rows(result, 0))):
        assert sum(int(np.sum(trace(figure, name).y)) for name in ("downstrokes", "upstrokes")) == 160


def test_offset_and_scatter_stand_apart_in_the_distribution(result: SessionResult) -> None:
    finding = judge_session(result).blocks[0]
    figure = draw_distribution(result, rows(result, 0), finding)
    bars = [t for t in figure.data if t.yaxis == "y2"]
    assert [t.error_x.value for t in bars] == pytest.approx(
        [1.96 * finding.summary.tilt_offset_se_deg, 1.96 * finding.summary.tilt_sd_deg]
    )
    without = draw_distribution(
        result, rows(result, 0), replace(finding, summary=replace(finding.summary, tilt_offset_se_deg=None))
    )
    assert len([t for t in without.data if t.yaxis == "y2"]) == 1


def test_single_strokes_go_from_the_lowest_to_the_highest(result: SessionResult) -> None:
    picked = pick_strokes(result)
    for stroke in ("down", "up"):
        lift = [
            result.strokes["lift_mm"].iloc[p.row] for p in picked if result.strokes["direction"].iloc[p.row] == stroke
        ]
        assert len(lift) == 5
        assert lift == sorted(lift)
    space = draw_stroke_in_space(result, picked[0])
    path = next(t for t in space.data if t.name)
    scene = space.layout.scene
    scales = [getattr(scene.aspectratio, a) / np.ptp(getattr(scene, f"{a}axis").range) for a in "xyz"]
    assert scales == pytest.approx([scales[0]] * 3)
    assert np.allclose(np.asarray(path.x), result.paths_mm[picked[0].row][:, 0], atol=1e-5)
    flat = draw_stroke(result, picked[0])
    assert np.allclose(np.asarray(flat.data[0].y), np.asarray(path.z), atol=1e-5)


def test_without_a_string_plane_no_string_and_no_dead_band_is_drawn() -> None:
    result = make_result(Play(), made=Made(hand=True))
    figure = draw_end_view(result, np.arange(160))
    assert not [shape for shape in figure.layout.shapes if shape.type == "circle"]
    assert "hand's own mean plane" in figure.layout.annotations[0].text
    over_time = draw_tilt_over_time(result)
    assert not [shape for shape in over_time.layout.shapes if shape.type == "rect"]
    assert "against the hand" in over_time.layout.yaxis.title.text


def test_strokes_differ_in_more_than_colour() -> None:
    for look in (figures.DASH, figures.MARKER, figures.PATTERN, figures.NAME):
        assert look["down"] != look["up"]


def test_the_accents_are_the_published_ones() -> None:
    """Okabe & Ito (2008): blue (0, 114, 178), vermilion (213, 94, 0)."""
    assert [rgb(figures.DOWN_COLOUR), rgb(figures.UP_COLOUR)] == [(0, 114, 178), (213, 94, 0)]


def rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2 (W3C Recommendation, 2023), from relative luminance."""

    def luminance(colour: str) -> float:
        parts = [c / 255 for c in rgb(colour)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula() -> None:
    """WCAG's own extremes: black on white is 21, a colour on itself 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#0072b2", "#0072b2") == pytest.approx(1.0)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_contrasts_of_text_and_lines(theme: str) -> None:
    """WCAG 2.2, 1.4.3 and 1.4.11: 4.5 for text, 3 for graphics."""
    swap = {} if theme == "light" else figures.DARK
    paper, shade = (swap.get(c, c) for c in (figures.PAPER, figures.SHADE))
    for text, ground in itertools.product((figures.INK, figures.SOFT), (paper, shade)):
        assert contrast(swap.get(text, text), ground) >= 4.5
    for accent in (figures.DOWN_COLOUR, figures.UP_COLOUR):
        assert contrast(swap.get(accent, accent), paper) >= 3.0


def test_every_colour_of_a_figure_changes_with_the_theme(result: SessionResult) -> None:
    known = set(figures.DARK)
    drawn = [
        draw_end_view(result, rows(result, 0)),
        draw_tilt_over_time(result),
        draw_tilt_against_speed(result),
        draw_distribution(result, rows(result, 0), judge_session(result).blocks[0]),
        draw_lift(result, rows(result, 0)),
        draw_stroke_in_space(result, pick_strokes(result)[0]),
    ]
    for figure in drawn:
        plain = figure.to_dict()
        plain["layout"].pop("template", None)
        used = set(re.findall(r"'(#[0-9a-fA-F]{6}|rgba?\([^']*\))'", repr(plain)))
        assert used <= known, used - known
