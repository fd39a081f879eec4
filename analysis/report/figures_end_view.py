"""The end view: strings to scale, mean path and spread of both strokes, the height needed at the next string."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from analysis.model.records import BoolArray, SessionResult
from analysis.model.strokes import Stroke
from analysis.report.figures import (
    COLOUR,
    DASH,
    FILL,
    INK,
    MARKER,
    NAME,
    RULE,
    SHADE,
    SOFT,
    Drawing,
    axis,
    lay_out,
    note,
    single,
)
from analysis.stroke.mean_paths import LEAST_STROKES, PathBand, measure_band, paths_from_contact, string_places


def draw_end_view(result: SessionResult, rows: np.ndarray) -> go.Figure:
    """End view of some strokes.

    Parameters
    ----------
    result : SessionResult
    rows : int (m,)
        Rows of the strokes table.

    Returns
    -------
    Figure
    """
    paths = paths_from_contact(result, rows)
    down = (result.strokes["direction"].iloc[rows] == "down").to_numpy(np.bool_)
    figure = Drawing()
    bands = {stroke: measure_band(paths[_of(stroke, down)]) for stroke in ("down", "up")}
    for stroke, band in bands.items():
        if band is not None:
            _add_band(figure, stroke, band)
    for stroke, band in bands.items():
        if band is not None:
            _add_mean(figure, stroke, band)
    return finish_end_view(figure, result, [b for b in bands.values() if b is not None])


def _of(stroke: str, down: BoolArray) -> BoolArray:
    return down if stroke == "down" else ~down


def _add_band(figure: Drawing, stroke: str, band: PathBand) -> None:
    outline = {"color": COLOUR[stroke], "width": 0.75, "dash": "solid" if stroke == "down" else "2px,3px"}
    figure.add_scatter(
        x=single(np.concatenate([band.y_mm, band.y_mm[::-1]])),
        y=single(np.concatenate([band.low_mm, band.high_mm[::-1]])),
        fill="toself",
        fillcolor=FILL[stroke],
        line=outline,
        mode="lines",
        hoverinfo="skip",
        showlegend=False,
    )


def _add_mean(figure: Drawing, stroke: str, band: PathBand) -> None:
    """The mean path with its marker where the stroke ends."""
    size = [0.0] * len(band.y_mm)
    size[-1 if stroke == "down" else 0] = 13.0
    figure.add_scatter(
        x=single(band.y_mm),
        y=single(band.mean_mm),
        mode="lines+markers",
        line={"color": COLOUR[stroke], "width": 3, "dash": DASH[stroke]},
        marker={
            "symbol": MARKER[stroke],
            "size": size,
            "color": COLOUR[stroke],
            "line": {"width": 2, "color": COLOUR[stroke]},
        },
        name=NAME[stroke],
        hovertemplate="%{x:.1f} mm across, %{y:.1f} mm high<extra></extra>",
    )


def finish_end_view(figure: Drawing, result: SessionResult, bands: list[PathBand]) -> go.Figure:
    """Add the strings (or the hand's plane), what height is needed, equal scales on both axes."""
    known = result.reference.kind == "gestures"
    spacing = result.instrument.mean_spacing_mm
    reach = max([1.3 * spacing if known else 4.0] + [1.1 * float(np.abs(band.y_mm).max()) for band in bands])
    top = max([4.5] + [float(band.high_mm.max()) + 1.0 for band in bands])
    bottom = min([-4.5] + [float(band.low_mm.min()) - 1.0 for band in bands])
    shapes, notes = _strings(result, top) if known else _hand_plane(reach)
    return figure.finish(
        lay_out(
            400,
            xaxis=axis("across the strings, mm (downstroke →)", range=[-reach, reach], showgrid=False),
            yaxis=axis(
                "height, mm",
                range=[bottom, top],
                scaleanchor="x",
                showgrid=False,
            ),
            shapes=shapes,
            annotations=notes,
            meta={"aspect": (top - bottom) / (2 * reach), "extra": 118},
        )
    )


def _strings(result: SessionResult, top: float) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    places = string_places(result.instrument)
    shapes: list[dict[str, Any]] = []
    notes = []
    radius = 0.45
    for y, z in places:
        shapes.append(
            {
                "type": "circle", "x0": y - radius, "x1": y + radius, "y0": z - 2 * radius, "y1": z,
                "fillcolor": INK, "line": {"color": INK, "width": 1},
            }
        )  # fmt: skip
        if y:
            shapes += _gate(y, z, top - 1.2)
    if len(places) > 1:
        shapes.append(_arch(places))
        right = max(places)
        notes += [note(side * right[0], top, "next string", yanchor="top") for side in (-1, 1)]
    notes.append(note(0, 0.4, "string played", yanchor="bottom"))
    depth = result.instrument.plectrum_depth_mm
    shapes.append(_line(-1.6, -depth, 1.6, -depth, {"color": SOFT, "width": 1, "dash": "dot"}))
    return shapes, notes


def _gate(y: float, z: float, top: float) -> list[dict[str, Any]]:
    """Where the tip has to pass the next string: above the bar on its top."""
    pen = {"color": INK, "width": 2}
    return [_line(y - 1.3, z, y + 1.3, z, pen), _line(y, z, y, top, {"color": INK, "width": 1, "dash": "dot"})]


def _arch(places: list[tuple[float, float]]) -> dict[str, Any]:
    path = "M " + " L ".join(f"{y:.3f},{z:.3f}" for y, z in places)
    return {"type": "path", "path": path, "line": {"color": RULE, "width": 1}, "layer": "below"}


def _line(x0: float, y0: float, x1: float, y1: float, pen: dict[str, Any]) -> dict[str, Any]:
    return {"type": "line", "x0": x0, "y0": y0, "x1": x1, "y1": y1, "line": pen}


def _hand_plane(reach: float) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    shade = {"type": "rect", "x0": -reach, "x1": reach, "y0": -0.15, "y1": 0.15, "fillcolor": SHADE, "layer": "below"}
    shade["line"] = {"width": 0}
    words = "the hand's own mean plane; where the strings are is not known"
    return [shade], [note(0, 0.4, words, yanchor="bottom")]


def describe_end_view(result: SessionResult, rows: np.ndarray) -> str:
    """Text alternative of the end view."""
    table = result.strokes.iloc[rows]
    parts: list[str] = []
    strokes: tuple[Stroke, Stroke] = ("down", "up")
    for stroke in strokes:
        own = table[table["direction"] == stroke]
        if len(own) < LEAST_STROKES:
            continue
        text = f"{len(own)} {stroke}strokes, {own['span_mm'].median():.1f} mm long"
        if result.reference.kind == "gestures":
            lift = own["lift_mm"].median()
            text += f", pass {abs(lift):.1f} mm {'above' if lift > 0 else 'below'} the height needed"
        parts.append(text)
    words = "; ".join(parts) if parts else "too few strokes to draw"
    return f"End view, seen along the strings: {words}."
