"""Tilt over time, with blocks, postures, rests and gestures; and tilt against speed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from analysis.model.number_words import block_number, clock, degrees, speed
from analysis.model.records import BlockSummary, Event, FloatArray, SessionResult
from analysis.report.figures import (
    COLOUR,
    INK,
    MARKER,
    NAME,
    RULE,
    SHADE,
    SOFT,
    UP_COLOUR,
    Drawing,
    axis,
    lay_out,
    nice_step,
    note,
    single,
)

MOST_MARKS = 2400
"""Single strokes drawn at most; of longer sessions every n-th is shown, the line is of all."""
LINE_STEP_S = 2.0
LEAST_RATE_SPREAD = 1.12
LABEL_SHARE = 0.012
"""Of the picture's width, one letter of a label at 700 px."""


def thin(strokes: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Every n-th stroke of each direction, so that at most ``MOST_MARKS`` are left; and n."""
    step = max(1, -(-len(strokes) // MOST_MARKS))
    if step == 1:
        return strokes, 1
    rank = strokes.groupby("direction").cumcount()
    return strokes[rank % step == 0], step


def draw_tilt_over_time(result: SessionResult) -> go.Figure:
    """Every stroke's tilt against session time, the running median, blocks and what lies between them."""
    strokes = result.strokes
    marks, _ = thin(strokes)
    figure = Drawing()
    low, high = _tilt_range(strokes["tilt_deg"].to_numpy())
    for stroke in ("down", "up"):
        own = marks[marks["direction"] == stroke]
        figure.add_scatter(
            x=single(own["start_s"].to_numpy() - result.start_s),
            y=single(own["tilt_deg"].to_numpy()),
            mode="markers",
            marker={"symbol": MARKER[stroke], "size": 5, "color": COLOUR[stroke], "opacity": 0.8},
            name=NAME[stroke],
            hovertemplate="%{y:.1f}°<extra></extra>",
        )
    time, median = running_median(strokes, result.start_s)
    figure.add_scatter(
        x=single(time), y=single(median), mode="lines", line={"color": INK, "width": 2}, name="running median",
        connectgaps=False, hovertemplate="%{y:.1f}°<extra></extra>",
    )  # fmt: skip
    shapes, notes = _block_marks(result, (low, high))
    more_shapes, more_notes = _event_marks(result, (low, high))
    span = max(1.0, result.duration_s)
    step = nice_step(span / 60.0, 8) * 60.0 if span > 240 else nice_step(span, 8)
    ticks = np.arange(0.0, span + 1e-6, step)
    return figure.finish(
        lay_out(
            380,
            xaxis=axis(
                "time into the session, min:s",
                range=[0, span],
                tickvals=ticks.tolist(),
                ticktext=[clock(t) for t in ticks],
                showgrid=False,
            ),
            yaxis=axis(tilt_title(result), range=[low, high], ticksuffix="°"),
            shapes=[*dead_band_shapes(result, "x"), *shapes, *more_shapes],
            annotations=[*notes, *more_notes],
        )
    )


def tilt_title(result: SessionResult) -> str:
    """Title of a tilt axis; says so where there is no string plane."""
    return "tilt" if result.reference.kind == "gestures" else "tilt against the hand's plane"


def _tilt_range(tilt: FloatArray) -> tuple[float, float]:
    """Range of the tilt axis: nearly all strokes and zero, with room for the blocks' labels."""
    low, high = (np.percentile(tilt, (0.5, 99.5))) if tilt.size else (-20.0, 20.0)
    low, high = min(float(low), -3.0), max(float(high), 3.0)
    room = 0.12 * (high - low)
    return low - 1.2 * room, high + 2.2 * room


def running_median(strokes: pd.DataFrame, start_s: float) -> tuple[FloatArray, FloatArray]:
    """Median tilt of every two seconds of play; NaN between stretches of play, so that lines break there.

    Long sessions get wider steps, 1500 points at most.
    """
    if strokes.empty:
        return np.empty(0), np.empty(0)
    time = strokes["start_s"].to_numpy() - start_s
    step = max(LINE_STEP_S, float(time[-1] - time[0]) / 1500)
    block = strokes["block"].fillna(-1).to_numpy(np.int64)
    cell = np.floor(time / step).astype(np.int64)
    table = pd.DataFrame({"block": block, "cell": cell, "time": time, "tilt": strokes["tilt_deg"].to_numpy()})
    cells = table.groupby(["block", "cell"], sort=False).median().reset_index().sort_values("time")
    x, y, own = cells["time"].to_numpy(), cells["tilt"].to_numpy(), cells["block"].to_numpy()
    breaks = np.flatnonzero((np.diff(own) != 0) | (np.diff(x) > 3 * step)) + 1
    return np.insert(x, breaks, np.nan), np.insert(y, breaks, np.nan)


def dead_band_shapes(result: SessionResult, across: str) -> list[dict[str, Any]]:
    """The dead band as a shaded strip with dashed edges, across the ``x`` or the ``y`` direction."""
    if result.reference.kind == "hand":
        return []
    dead = result.instrument.dead_band_deg
    along, over = ("x", "y") if across == "x" else ("y", "x")
    base = {f"{along}ref": f"{along} domain", f"{along}0": 0, f"{along}1": 1, "layer": "below"}
    strip = {"type": "rect", f"{over}0": -dead, f"{over}1": dead, "fillcolor": SHADE, "line": {"width": 0}}
    pen = {"color": SOFT, "width": 1, "dash": "dash"}
    edges = [{"type": "line", f"{over}0": at, f"{over}1": at, "line": pen} for at in (-dead, dead)]
    zero = {"type": "line", f"{over}0": 0, f"{over}1": 0, "line": {"color": RULE, "width": 1}}
    return [base | strip, *(base | edge for edge in edges), base | zero]


def _block_marks(
    result: SessionResult, limits: tuple[float, float]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """A bar over each block with its posture and speed, and its mean with the interval."""
    low, high = limits
    shapes: list[dict[str, Any]] = []
    level = high - 0.07 * (high - low)
    for block in result.blocks:
        x0, x1 = block.start_s - result.start_s, block.end_s - result.start_s
        pen = {"color": INK, "width": 3}
        shapes.append({"type": "line", "x0": x0, "x1": x1, "y0": level, "y1": level, "line": pen})
        if block.tilt_ci95_deg is not None and block.tilt_mean_deg is not None:
            shapes += _interval(x1 + 0.006 * result.duration_s, block.tilt_ci95_deg, 0.004 * result.duration_s)
    return shapes, _block_labels(result, level)


def _block_labels(result: SessionResult, level: float) -> list[dict[str, Any]]:
    """One label for blocks in a row that share it; left out where it would lie on the one before."""
    notes: list[dict[str, Any]] = []
    whole_s, free_s = max(1.0, result.duration_s), -np.inf
    for posture, run in groupby(result.blocks, key=lambda block: block.posture):
        blocks = list(run)
        x0, x1 = blocks[0].start_s - result.start_s, blocks[-1].end_s - result.start_s
        share = (x1 - x0) / whole_s
        text = block_label(blocks[0]) if share > 0.13 and len({block_label(b) for b in blocks}) == 1 else posture
        middle, half = 0.5 * (x0 + x1), 0.5 * LABEL_SHARE * len(text) * whole_s
        if text and share > 0.02 and middle - half >= free_s:
            look = {"font": {"size": 12, "color": INK}, "name": posture if share > 0.05 else "-"}
            notes.append(note(middle, level, text, yanchor="bottom", **look))
            free_s = middle + half
    return notes


def block_label(block: BlockSummary) -> str:
    """Posture and speed of a block, short."""
    return ", ".join(text for text in (block.posture, speed(block).replace("strokes a second", "/s")) if text)


def _interval(x: float, interval: tuple[float, float], half: float) -> list[dict[str, Any]]:
    """An upright interval with end bars."""
    low, high = interval
    pen = {"color": INK, "width": 1.5}
    lines = [(x, low, x, high), (x - half, low, x + half, low), (x - half, high, x + half, high)]
    return [{"type": "line", "x0": a, "y0": b, "x1": c, "y1": d, "line": pen} for a, b, c, d in lines]


def _event_marks(
    result: SessionResult, limits: tuple[float, float]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Gestures and rests as bars at the foot, discomfort as a line, ratings as numbers."""
    low, high = limits
    foot = low + 0.045 * (high - low)
    shapes: list[dict[str, Any]] = []
    notes = []
    gestures = [event for event in result.events if event.kind in ("still", "across", "along", "pivot")]
    for event in gestures:
        shapes.append(_bar(event, foot, result.start_s, {"color": INK, "width": 5}))
    for event in (event for event in result.events if event.kind == "rest"):
        shapes.append(_bar(event, foot, result.start_s, {"color": SOFT, "width": 1.5, "dash": "dot"}))
    if gestures:
        at = gestures[0].start_s - result.start_s
        notes.append(note(at, foot, "gestures", yanchor="bottom", xanchor="left"))
    for event in (event for event in result.events if event.kind == "hurt"):
        x = event.start_s - result.start_s
        pen = {"color": UP_COLOUR, "width": 2, "dash": "longdash"}
        shapes.append({"type": "line", "x0": x, "x1": x, "y0": low, "y1": high, "line": pen})
        notes.append(note(x, low + 0.1 * (high - low), "discomfort reported", xanchor="right"))
    for event in (event for event in result.events if event.kind == "rating" and event.rating is not None):
        text = f"{event.label or 'rating'} {event.rating:g}"
        notes.append(
            note(event.start_s - result.start_s, foot, text, yanchor="bottom", font={"size": 11, "color": INK})
        )
    return shapes, notes


def _bar(event: Event, level: float, start_s: float, pen: dict[str, Any]) -> dict[str, Any]:
    ends = {"x0": event.start_s - start_s, "x1": event.end_s - start_s}
    return {"type": "line", **ends, "y0": level, "y1": level, "line": pen}


def spans_speeds(blocks: Sequence[BlockSummary]) -> bool:
    """Whether there are at least two blocks of clearly different speed."""
    rates = [block.strokes_per_s for block in blocks if block.strokes_per_s]
    return len(rates) > 1 and max(rates) > LEAST_RATE_SPREAD * min(rates)


def draw_tilt_against_speed(result: SessionResult) -> go.Figure:
    """Tilt of single strokes against strokes a second; each block's mean with its interval."""
    figure = Drawing()
    marks, _ = thin(result.strokes)
    for stroke in ("down", "up"):
        own = marks[marks["direction"] == stroke]
        figure.add_scatter(
            x=single(own["strokes_per_s"].to_numpy()),
            y=single(own["tilt_deg"].to_numpy()),
            mode="markers",
            marker={"symbol": MARKER[stroke], "size": 5, "color": COLOUR[stroke], "opacity": 0.7},
            name=NAME[stroke],
            hoverinfo="skip",
        )
    blocks = [b for b in result.blocks if b.strokes_per_s and b.tilt_mean_deg is not None]
    means = np.array([b.tilt_mean_deg for b in blocks], dtype=np.float64)
    error = None
    if all(b.tilt_ci95_deg is not None for b in blocks):
        half = [0.5 * (b.tilt_ci95_deg[1] - b.tilt_ci95_deg[0]) for b in blocks if b.tilt_ci95_deg is not None]
        error = {"type": "data", "array": half, "color": INK, "thickness": 1.5, "width": 5}
    figure.add_scatter(
        x=single(np.array([b.strokes_per_s for b in blocks], dtype=np.float64)),
        y=single(means),
        error_y=error,
        mode="markers",
        marker={"symbol": "square", "size": 9, "color": INK},
        text=[f"block {block_number(b.index)}, {block_label(b)}" for b in blocks],
        name="block means, 95 % interval",
        hovertemplate="%{text}: %{y:.1f}°<extra></extra>",
    )
    low, high = _tilt_range(result.strokes["tilt_deg"].to_numpy())
    return figure.finish(
        lay_out(
            360,
            xaxis=axis("strokes a second"),
            yaxis=axis(tilt_title(result), range=[low, high], ticksuffix="°"),
            shapes=dead_band_shapes(result, "x"),
        )
    )


def describe_tilt_over_time(result: SessionResult) -> str:
    """Text alternative of tilt over time."""
    parts = [
        f"block {block_number(b.index)} ({block_label(b)}): {degrees(b.tilt_mean_deg)}"
        for b in result.blocks[:12]
        if b.tilt_mean_deg is not None
    ]
    return "Tilt of every stroke over the session. Means: " + ("; ".join(parts) or "no blocks") + "."
