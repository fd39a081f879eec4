"""A few single strokes, each in end view and in space."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from analysis.model.number_words import block_number, clock, degrees, millimetres, signed
from analysis.model.records import FloatArray, SessionResult
from analysis.report.figures import COLOUR, DASH, FONT, INK, MARKER, RULE, SHADE, SOFT, Drawing, lay_out, single
from analysis.report.figures_end_view import finish_end_view
from analysis.stroke.mean_paths import PathBand, paths_from_contact, string_places

RANKS = {"lowest": 0.02, "low": 0.25, "typical": 0.5, "high": 0.75, "highest": 0.98}
STRING_HALF_MM = 8.0
SCENE_SIZE = 1.7
"""Longest side of the box in space, in the plotting library's units: 1 fills a square picture seen end on."""


@dataclass(frozen=True)
class PickedStroke:
    """One stroke to look at: its row and why it was picked."""

    row: int
    rank: str


def pick_strokes(result: SessionResult) -> list[PickedStroke]:
    """Strokes of either direction from the lowest lift to the highest; without a string plane, by tilt."""
    measure = "lift_mm" if result.reference.kind == "gestures" else "tilt_deg"
    picked = []
    for stroke in ("down", "up"):
        own = result.strokes[result.strokes["direction"] == stroke]
        if own.empty:
            continue
        order = own[measure].sort_values(kind="stable").index.to_numpy()
        for rank, share in RANKS.items():
            picked.append(PickedStroke(int(order[round(share * (len(order) - 1))]), rank))
    return picked


def label_stroke(result: SessionResult, picked: PickedStroke) -> str:
    """A stroke as the list names it."""
    row = result.strokes.iloc[picked.row]
    rank = {"typical": "typical"}.get(picked.rank, f"{picked.rank} lift")
    if result.reference.kind == "hand":
        rank = {"typical": "typical"}.get(picked.rank, f"{picked.rank} tilt")
    return f"{str(row['direction']).capitalize()}stroke at {clock(row['start_s'] - result.start_s)}, {rank}"


def note_stroke(result: SessionResult, picked: PickedStroke) -> str:
    """What is measured of a stroke, one sentence."""
    row = result.strokes.iloc[picked.row]
    facts = f"Tilt {degrees(row['tilt_deg'])}, length {millimetres(row['span_mm'])}, bow {millimetres(row['bow_mm'])}"
    block = "" if pd.isna(row["block"]) else f", block {block_number(int(row['block']))}"
    if result.reference.kind == "gestures":
        ends = "clears" if row["lift_mm"] > 0 else "does not clear"
        facts += f", lift {signed(row['lift_mm'])} mm: it {ends}"
    contact = "" if row["attack"] else " String contact was not felt and is taken at mid-stroke."
    return f"{facts}{block}.{contact}"


def draw_stroke(result: SessionResult, picked: PickedStroke) -> go.Figure:
    """One stroke's path in the end view, with its contact and its end."""
    row = result.strokes.iloc[picked.row]
    path = paths_from_contact(result, np.array([picked.row]))[0]
    stroke = str(row["direction"])
    figure = Drawing()
    size = [0.0] * (len(path) - 1) + [13.0]
    figure.add_scatter(
        x=single(path[:, 0]),
        y=single(path[:, 1]),
        mode="lines+markers",
        line={"color": COLOUR[stroke], "width": 3, "dash": DASH[stroke]},
        marker={
            "symbol": MARKER[stroke],
            "size": size,
            "color": COLOUR[stroke],
            "line": {"width": 2, "color": COLOUR[stroke]},
        },
        name=f"{stroke}stroke",
        showlegend=False,
        hovertemplate="%{x:.1f} mm across, %{y:.1f} mm high<extra></extra>",
    )
    band = PathBand(path[:, 0], path[:, 1], path[:, 1], path[:, 1])
    return finish_end_view(figure, result, [band])


def draw_stroke_in_space(result: SessionResult, picked: PickedStroke) -> go.Figure:
    """One stroke's path in space over the strings; the same scale on all axes."""
    row = result.strokes.iloc[picked.row]
    stroke = str(row["direction"])
    path = paths_from_contact(result, np.array([picked.row]))[0]
    x = result.paths_mm[picked.row][:, 0]
    figure = Drawing()
    points = np.column_stack([x, path])
    if result.reference.kind == "gestures":
        places = [(side * STRING_HALF_MM, y, z) for y, z in string_places(result.instrument) for side in (-1, 1)]
        points = np.concatenate([points, places])
    box = np.stack([points.min(axis=0) - 1.0, points.max(axis=0) + 1.0]).astype(np.float64)
    if result.reference.kind == "gestures":
        for y, z in string_places(result.instrument):
            figure.add_scatter3d(
                x=[-STRING_HALF_MM, STRING_HALF_MM], y=[y, y], z=[z, z], mode="lines",
                line={"color": INK, "width": 4}, hoverinfo="skip", showlegend=False,
            )  # fmt: skip
    figure.add_scatter3d(
        x=single(x), y=single(path[:, 0]), z=single(path[:, 1]), mode="lines",
        line={"color": COLOUR[stroke], "width": 8}, name=f"{stroke}stroke", showlegend=False,
        hovertemplate="%{x:.1f} along, %{y:.1f} across, %{z:.1f} mm high<extra></extra>",
    )  # fmt: skip
    figure.add_scatter3d(
        x=single(x[-1:]), y=single(path[-1:, 0]), z=single(path[-1:, 1]), mode="markers+text", text=["end"],
        textfont={"color": INK, "size": 13, "family": FONT}, textposition="top center", hoverinfo="skip",
        marker={"symbol": "diamond", "size": 6, "color": COLOUR[stroke]}, showlegend=False,
    )  # fmt: skip
    return figure.finish(lay_out(330, margin={"l": 0, "r": 0, "t": 8, "b": 0}, scene=_scene(box), meta={"space": True}))


def _scene(box: FloatArray) -> dict[str, object]:
    """Axes of one scale over a box (2, 3), small enough to stay inside a narrow picture from every side."""
    extent = box[1] - box[0]
    ratio = SCENE_SIZE * extent / extent.max()

    def side(title: str, axis: int) -> dict[str, object]:
        return {
            "range": box[:, axis].tolist(),
            "title": {"text": title, "font": {"size": 12, "color": SOFT}},
            "gridcolor": RULE,
            "showbackground": False,
            "zeroline": False,
            "tickfont": {"size": 11, "color": SOFT},
            "nticks": 5,
            "color": SHADE,
        }

    return {
        "aspectmode": "manual",
        "aspectratio": {"x": float(ratio[0]), "y": float(ratio[1]), "z": float(ratio[2])},
        "xaxis": side("along, mm", 0),
        "yaxis": side("across, mm", 1),
        "zaxis": side("height, mm", 2),
        "camera": {"eye": {"x": 1.8, "y": -0.9, "z": 0.75}, "projection": {"type": "orthographic"}},
        "dragmode": "turntable",
    }
