"""How tilts are distributed, with the session offset apart from the scatter; and by how much strokes clear."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from analysis.model.records import FloatArray, SessionResult
from analysis.report.figures import COLOUR, FILL, INK, NAME, PATTERN, Drawing, axis, lay_out, note
from analysis.report.figures_time import dead_band_shapes, tilt_title
from analysis.stroke.block_case import BlockCase

MOST_BINS = 45


def draw_distribution(result: SessionResult, rows: np.ndarray, finding: BlockCase) -> go.Figure:
    """Histogram of tilts; below it, as bars of their own, the session offset and the scatter of single strokes."""
    table = result.strokes.iloc[rows]
    tilt = table["tilt_deg"].to_numpy()
    low, high = _limits(tilt, -3.0, 3.0)
    edges = _edges(low, high, 1.0)
    figure = Drawing()
    for stroke in ("down", "up"):
        _add_bars(figure, stroke, tilt[(table["direction"] == stroke).to_numpy()], edges)
    parts = _error_bars(finding)
    for level, (name, centre, half) in enumerate(parts):
        figure.add_scatter(
            x=[centre],
            y=[level],
            yaxis="y2",
            mode="markers",
            marker={"symbol": "diamond" if level else "line-ns-open", "size": 9, "color": INK},
            error_x={"type": "constant", "value": half, "color": INK, "thickness": 2, "width": 6},
            showlegend=False,
            hovertemplate=f"{name}: {centre - half:.1f}° to {centre + half:.1f}°<extra></extra>",
        )
    foot = 0.0 if not parts else 0.37
    levels = {"domain": [0.0, 0.31], "range": [-0.4, len(parts) - 0.15], "visible": False, "fixedrange": True}
    below: dict[str, Any] = {"yaxis2": levels} if parts else {}
    return figure.finish(
        lay_out(
            430 if parts else 330,
            xaxis=axis(tilt_title(result), range=[low, high], ticksuffix="°", anchor="free", position=0.0),
            yaxis=axis("strokes", domain=[foot, 1.0], rangemode="tozero"),
            **below,
            shapes=dead_band_shapes(result, "y"),
            annotations=[
                note(
                    low,
                    level + 0.28,
                    name,
                    yref="y2",
                    xanchor="left",
                    yanchor="bottom",
                    font={"size": 12, "color": INK},
                )
                for level, (name, _, _) in enumerate(parts)
            ],
            barmode="overlay",
        )
    )


def _error_bars(finding: BlockCase) -> list[tuple[str, float, float]]:
    """Scatter and session offset as (name, centre, half length)."""
    summary = finding.summary
    if summary.tilt_mean_deg is None:
        return []
    parts = []
    if summary.tilt_offset_se_deg is not None:
        offset = 1.96 * summary.tilt_offset_se_deg
        parts.append(("session offset, 95 %: shifts everything", summary.tilt_mean_deg, offset))
    if summary.tilt_sd_deg is not None:
        parts.append(("scatter, 95 % of single strokes", summary.tilt_mean_deg, 1.96 * summary.tilt_sd_deg))
    return parts


def draw_lift(result: SessionResult, rows: np.ndarray) -> go.Figure:
    """Histogram of the height above what the next string needs."""
    table = result.strokes.iloc[rows]
    lift = table["lift_mm"].to_numpy()
    low, high = _limits(lift, -1.0, 1.0)
    edges = _edges(low, high, 0.25)
    figure = Drawing()
    for stroke in ("down", "up"):
        _add_bars(figure, stroke, lift[(table["direction"] == stroke).to_numpy()], edges)
    shapes: list[dict[str, Any]] = [
        {"type": "line", "x0": 0, "x1": 0, "yref": "paper", "y0": 0, "y1": 1, "line": {"color": INK, "width": 2}}
    ]
    return figure.finish(
        lay_out(
            320,
            xaxis=axis("lift, mm", range=[low, high]),
            yaxis=axis("strokes", rangemode="tozero"),
            shapes=shapes,
            annotations=[
                note(0, 1.0, " clears →", yref="paper", xanchor="left", yanchor="top", font={"size": 12, "color": INK}),
                note(
                    0,
                    1.0,
                    "← too low ",
                    yref="paper",
                    xanchor="right",
                    yanchor="top",
                    font={"size": 12, "color": INK},
                ),
            ],
            barmode="overlay",
        )
    )


def _add_bars(figure: Drawing, stroke: str, values: FloatArray, edges: FloatArray) -> None:
    count, _ = np.histogram(np.clip(values, edges[0], edges[-1]), edges)
    figure.add_bar(
        x=(0.5 * (edges[1:] + edges[:-1])).astype(np.float32),
        y=count.astype(np.int32),
        width=float(edges[1] - edges[0]),
        name=NAME[stroke],
        marker={
            "color": FILL[stroke],
            "line": {"color": COLOUR[stroke], "width": 1.2},
            "pattern": {"shape": PATTERN[stroke], "fgcolor": COLOUR[stroke], "size": 6, "solidity": 0.2},
        },
        hovertemplate="%{x:.1f}: %{y} strokes<extra>" + NAME[stroke] + "</extra>",
    )


def _limits(values: FloatArray, least: float, most: float) -> tuple[float, float]:
    """Range of an axis: nearly all values, and what must be in the picture."""
    if not values.size:
        return least, most
    low, high = np.percentile(values, (0.5, 99.5))
    room = 0.08 * max(float(high - low), most - least)
    return min(float(low) - room, least), max(float(high) + room, most)


def _edges(low: float, high: float, step: float) -> FloatArray:
    """Edges of bins of ``step``, or of as many times that as keep their number small."""
    step *= max(1.0, np.ceil((high - low) / step / MOST_BINS))
    return np.asarray(np.arange(np.floor(low / step), np.ceil(high / step) + 1) * step)
