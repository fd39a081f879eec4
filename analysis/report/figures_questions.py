"""Pictures of the player's questions: hold tempo, steadiness, clearing, postures side by side."""

from __future__ import annotations

import itertools
import math
import textwrap
from typing import Any

import numpy as np
import plotly.graph_objects as go

from analysis.model.records import FloatArray
from analysis.questions.clearing import Clearing
from analysis.questions.consistency import Consistency
from analysis.questions.hold import HoldTempo
from analysis.questions.posture import PostureComparison
from analysis.questions.steady_levels import SPEEDS_APART
from analysis.questions.switch_success import SwitchSuccess
from analysis.report.figures import (
    DOWN_COLOUR,
    DOWN_FILL,
    INK,
    PAPER,
    RULE,
    SHADE,
    SOFT,
    UP_COLOUR,
    axis,
    lay_out,
    nice_step,
    note,
    single,
)

HEIGHT = 340
AROUND_MEASURES, A_MEASURE = 170, 48
"""Height of the legend and the axis, and of one measure's two lines of text, in pixels; on paper, too."""
NARROW_CHARS = 26
"""What fits below the plot on a telephone, beside the measures' names."""
FIRST = {"color": DOWN_COLOUR, "symbol": "circle"}
SECOND = {"color": UP_COLOUR, "symbol": "diamond-open"}


def draw_hold(hold: HoldTempo) -> go.Figure:
    """Lower edge of the tilt against speed: blocks, the falling curve with its band, the hold tempo."""
    figure = go.Figure()
    _add_band(figure, hold.curve.strokes_per_s, hold.curve.low_deg, hold.curve.high_deg)
    figure.add_scatter(
        x=single(hold.curve.strokes_per_s),
        y=single(hold.curve.edge_deg),
        mode="lines",
        line={"color": DOWN_COLOUR, "width": 2.5},
        name="falling curve, 95 % band",
        hoverinfo="skip",
    )
    pieces = sorted(hold.pieces, key=lambda piece: piece.strokes_per_s)
    figure.add_scatter(
        x=[p.strokes_per_s for p in pieces],
        y=[p.edge_deg for p in pieces],
        error_y={"array": [1.96 * p.edge_se_deg for p in pieces], "color": SOFT, "thickness": 1, "width": 3},
        mode="markers",
        marker={"color": INK, "symbol": "circle", "size": 8},
        name=f"blocks: what {100 * hold.share:.0f} of 100 strokes reach",
        customdata=[[100 * p.share_held, p.tilt_deg] for p in pieces],
        hovertemplate="%{x:.1f}/s: %{customdata[0]:.0f} of 100 hold, tilt %{customdata[1]:.1f}°<extra></extra>",
    )
    shapes = [_level(0.0, INK, 1.5)]
    # The curve falls: the lower left corner is free on the narrowest screen.
    corner = {"xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom"}
    notes = [note(0.0, 0.0, " holds above 0°, the dead band's edge", **corner)]
    if hold.bound == "inside":
        low, high = hold.low or hold.tested[0], hold.high or hold.tested[1]
        shapes += [_stripe(low, high), _upright(hold.strokes_per_s, UP_COLOUR, "dash")]
        top = {"yref": "paper", "xanchor": "left", "yanchor": "top"}
        notes.append(note(hold.strokes_per_s, 1.0, f" {hold.strokes_per_s:.1f}", **top))
    figure.update_layout(
        lay_out(
            HEIGHT,
            xaxis=axis("strokes a second"),
            yaxis=axis("beyond the dead band", ticksuffix="°"),
            shapes=shapes,
            annotations=notes,
        )
    )
    return figure


def draw_consistency(steady: Consistency) -> go.Figure:
    """Blocks in order of play: mean and scatter of each, and the smallest change that two blocks could show."""
    blocks = steady.blocks
    tilt, scatter = (blocks[name].to_numpy(np.float64) for name in ("tilt_deg", "tilt_sd_deg"))
    # Both tilts of a mixed block stand above each other.
    place = np.cumsum(blocks["part"].to_numpy() == 0)
    figure = go.Figure()
    figure.add_scatter(
        x=place,
        y=single(tilt),
        error_y={"array": single(scatter), "color": SOFT, "thickness": 1.5, "width": 4},
        mode="markers",
        marker={"color": DOWN_COLOUR, "symbol": "circle", "size": 9},
        name="block: mean, and scatter of its strokes (one SD)",
        hovertemplate="block %{x}: %{y:.1f}°<extra></extra>",
        showlegend=True,
    )
    shapes, notes = [], []
    one_speed = blocks["strokes_per_s"].max() <= SPEEDS_APART * blocks["strokes_per_s"].min()
    for level in steady.levels:
        mean = level.axis.mean_deg
        if level.changes:
            continue
        shapes.append(_level(mean, INK, 1.0))
        if steady.smallest_change is not None and one_speed:
            half = 0.5 * steady.smallest_change.between_blocks_deg
            shapes.insert(0, _belt(mean - half, mean + half))
            right = {"xref": "paper", "xanchor": "right", "yanchor": "bottom"}
            notes.append(note(1.0, mean + half, "smallest change between two blocks ", bgcolor=PAPER, **right))
    figure.update_layout(
        lay_out(
            HEIGHT,
            xaxis=axis("block, in order of play", dtick=max(1, place[-1] // 12), range=[0.5, place[-1] + 0.5]),
            yaxis=axis("tilt", ticksuffix="°"),
            shapes=shapes,
            annotations=notes,
        )
    )
    return figure


def draw_clearing(clearing: Clearing) -> go.Figure:
    """Share of strokes that pass against the size of the stroke, at the pair of strings that is hardest."""
    room = clearing.room
    figure = go.Figure()
    figure.add_scatter(
        x=single(100 * room.size),
        y=single(100 * room.share),
        mode="lines+markers",
        line={"color": DOWN_COLOUR, "width": 2.5},
        marker={"color": DOWN_COLOUR, "symbol": "circle", "size": 5},
        showlegend=False,
        hovertemplate="%{x:.0f} % of the size: %{y:.0f} of 100 pass<extra></extra>",
    )
    wanted = 100 * clearing.wanted_share
    shapes = [_level(wanted, SOFT, 1.0, "dot"), _upright(100.0, INK, "solid")]
    notes = [
        note(100.0, 0.0, " as played", yref="paper", xanchor="left", yanchor="bottom"),
        note(0.0, wanted, f" {wanted:.0f} of 100", xref="paper", xanchor="left", yanchor="bottom"),
    ]
    if room.smallest is not None:
        at = 100 * room.smallest.value
        low = room.size[0] if room.smallest.low is None else room.smallest.low
        high = room.size[-1] if room.smallest.high is None else room.smallest.high
        shapes += [_stripe(100 * float(low), 100 * float(high)), _upright(at, UP_COLOUR, "dash")]
        notes.append(note(at, 0.5, f" {at:.0f} %", yref="paper", xanchor="left", yanchor="middle"))
    figure.update_layout(
        lay_out(
            HEIGHT,
            xaxis=axis("size of the stroke, % of what was played"),
            yaxis=axis(f"{clearing.direction}strokes that pass, of 100", range=[-2, 104]),
            shapes=shapes,
            annotations=notes,
        )
    )
    return figure


def draw_posture_blocks(comparison: PostureComparison) -> go.Figure:
    """Blocks in order of play, tilt and scatter of each, the two postures by colour and symbol."""
    design = comparison.design
    place = np.arange(1, len(design.blocks) + 1)
    tilt, sd = (design.blocks[name].to_numpy(np.float64) for name in ("tilt_deg", "tilt_sd_deg"))
    figure = go.Figure()
    for posture, mask, look in (
        (comparison.first, ~design.second, FIRST),
        (comparison.second, design.second, SECOND),
    ):
        figure.add_scatter(
            x=place[mask],
            y=single(tilt[mask]),
            error_y={"array": single(sd[mask]), "color": look["color"], "thickness": 1.2, "width": 4},
            mode="markers",
            marker={**look, "size": 10},
            name=f"posture {posture}",
            hovertemplate="block %{x}: %{y:.1f}°<extra></extra>",
        )
    figure.update_layout(
        lay_out(
            HEIGHT,
            xaxis=axis("block, in order of play", dtick=max(1, len(place) // 12)),
            yaxis=axis("tilt, mean and one SD", ticksuffix="°"),
        )
    )
    return figure


def draw_differences(comparison: PostureComparison) -> go.Figure:
    """Every measure's difference with its interval, in units of its margin; within the belt it does not matter."""
    names = [f"{m.name}<br>(margin {m.equivalence.margin:g} {m.unit})" for m in comparison.measures]
    ends = [(m.difference.value, m.difference.low, m.difference.high) for m in comparison.measures]
    scaled = np.array(ends) / np.array([[m.equivalence.margin] for m in comparison.measures])
    figure = go.Figure()
    for verdict, symbol, colour in (
        ("different", "diamond", UP_COLOUR),
        ("equivalent", "circle", DOWN_COLOUR),
        ("not shown", "circle-open", SOFT),
    ):
        rows = [i for i, m in enumerate(comparison.measures) if m.verdict == verdict]
        if rows:
            figure.add_scatter(
                x=single(scaled[rows, 0]),
                y=[names[i] for i in rows],
                error_x={
                    "array": single(scaled[rows, 2] - scaled[rows, 0]),
                    "arrayminus": single(scaled[rows, 0] - scaled[rows, 1]),
                    "color": colour,
                    "thickness": 1.5,
                    "width": 5,
                },
                mode="markers",
                marker={"color": colour, "symbol": symbol, "size": 10},
                name=verdict,
                hovertemplate="%{x:.2f} margins<extra></extra>",
            )
    title = textwrap.wrap(f"{comparison.second} less {comparison.first}, in margins", NARROW_CHARS)
    figure.update_layout(
        lay_out(
            AROUND_MEASURES + A_MEASURE * len(names),
            xaxis=axis("<br>".join(title), nticks=4),
            yaxis=axis("", categoryorder="array", categoryarray=names[::-1]),
            shapes=[_stripe(-1.0, 1.0), _upright(0.0, INK, "solid")],
        )
    )
    return figure


def draw_switches(found: SwitchSuccess) -> go.Figure:
    """Every switch over the evening: strokes until the new tilt holds; missed ones in a lane of their own above."""
    counts = [t.strokes for t in found.tries if t.strokes is not None]
    step = max(1, int(nice_step(max([4, *counts]), 5)))
    top = step * math.ceil(max([4, *counts]) / step)
    missed_at = top + step
    figure = go.Figure()
    ways = list(dict.fromkeys((t.from_posture, t.to_posture) for t in found.tries))
    for way, symbol, colour in zip(
        ways, itertools.cycle(("circle", "diamond", "square")), itertools.cycle((DOWN_COLOUR, UP_COLOUR, INK))
    ):
        own = [t for t in found.tries if (t.from_posture, t.to_posture) == way]
        figure.add_scatter(
            x=[t.minute for t in own],
            y=[missed_at if t.strokes is None else t.strokes for t in own],
            mode="markers",
            marker={"color": colour, "size": 10, "symbol": [f"{symbol}{'-open' if t.lost else ''}" for t in own]},
            name=" to ".join(way),
            customdata=["missed" if not t.made else "lost again by accident" if t.lost else "made" for t in own],
            hovertemplate="minute %{x:.1f}: %{customdata}<extra></extra>",
            showlegend=True,
        )
    if found.lost.count:
        hollow = {"color": INK, "size": 10, "symbol": "circle-open"}
        figure.add_scatter(x=[None], y=[None], mode="markers", marker=hollow, name="open: lost again", showlegend=True)
    ticks = list(range(0, top + 1, step))
    figure.update_layout(
        lay_out(
            HEIGHT,
            xaxis=axis("minute of the evening"),
            yaxis=axis(
                "strokes until it holds",
                range=[-0.5 * step, missed_at + 1.2 * step],
                tickvals=[*ticks, missed_at],
                ticktext=[*map(str, ticks), "missed"],
            ),
            shapes=[_level(missed_at - 0.5 * step, SOFT, 1.0, "dot"), *_tempo_edges(found)],
            annotations=_tempo_names(found, missed_at + 0.7 * step),
        )
    )
    return figure


def _tempo_starts(found: SwitchSuccess) -> list[tuple[float, float | None]]:
    """Minute and tempo wherever the tempo is another than before; empty where it never changes."""
    starts = [(t.minute, t.tempo_bpm) for t in found.tries]
    starts = [now for k, now in enumerate(starts) if k == 0 or now[1] != starts[k - 1][1]]
    return starts if len(starts) > 1 else []


def _tempo_edges(found: SwitchSuccess) -> list[dict[str, Any]]:
    minutes = [t.minute for t in found.tries]
    halfway = [(minutes[minutes.index(at) - 1] + at) / 2 for at, _ in _tempo_starts(found)[1:]]
    return [_upright(at, RULE, "dash") for at in halfway]


def _tempo_names(found: SwitchSuccess, y: float) -> list[dict[str, Any]]:
    """Tempo over each stretch; where the page is narrow the bare number."""
    return [
        note(at, y, f"{tempo:.0f} BPM", name=f"{tempo:.0f}", xanchor="left", yanchor="middle")
        for at, tempo in _tempo_starts(found)
        if tempo is not None
    ]


def _around(values: list[float]) -> list[float]:
    """Range of an axis about values, wide enough that rounding does not look like change."""
    low, high = min(values), max(values)
    room = max(0.25 * (high - low), 0.1 * abs(high), 0.5)
    return [low - room, high + room]


def _add_band(figure: go.Figure, x: FloatArray, low: FloatArray, high: FloatArray) -> None:
    figure.add_scatter(
        x=single(np.concatenate([x, x[::-1]])),
        y=single(np.concatenate([high, low[::-1]])),
        fill="toself",
        fillcolor=DOWN_FILL,
        line={"width": 0},
        mode="lines",
        hoverinfo="skip",
        showlegend=False,
    )


def _level(y: float, colour: str, width: float, dash: str = "solid") -> dict[str, Any]:
    line = {"color": colour, "width": width, "dash": dash}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": y, "y1": y, "line": line}


def _upright(x: float, colour: str, dash: str) -> dict[str, Any]:
    line = {"color": colour, "width": 1.8, "dash": dash}
    return {"type": "line", "yref": "paper", "x0": x, "x1": x, "y0": 0, "y1": 1, "line": line}


def _stripe(low: float, high: float) -> dict[str, Any]:
    return {
        "type": "rect", "yref": "paper", "x0": low, "x1": high, "y0": 0, "y1": 1,
        "fillcolor": SHADE, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def _belt(low: float, high: float) -> dict[str, Any]:
    return {
        "type": "rect", "xref": "paper", "x0": 0, "x1": 1, "y0": low, "y1": high,
        "fillcolor": SHADE, "line": {"color": RULE, "width": 0}, "layer": "below",
    }  # fmt: skip
