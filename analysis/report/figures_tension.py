"""Pictures of a long session: each marker over the minutes, with its trend and its change of level."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from analysis.report.figures import DOWN_COLOUR, RULE, SHADE, SOFT, UP_COLOUR, Drawing, axis, lay_out, note, single
from analysis.tension.assessment import MarkerTrend, Tension

HEIGHT = 300
SURE_P = 0.05


def draw_marker(tension: Tension, trend: MarkerTrend) -> go.Figure:
    """One marker: blocks over minutes of the session, rests shaded, the trend, the change of level if there is one."""
    blocks = tension.blocks
    start_s = float(blocks["start_s"].min())
    minute = ((0.5 * (blocks["start_s"] + blocks["end_s"]) - start_s) / 60).to_numpy(np.float64)
    values = blocks[trend.marker.key].to_numpy(np.float64)
    known = np.isfinite(values)
    drawing = Drawing()
    drawing.add_scatter(
        x=single(minute[known]),
        y=single(values[known]),
        mode="markers",
        marker={"color": DOWN_COLOUR, "symbol": "circle", "size": 6, "opacity": 0.75},
        name="block, or minute of one",
        hovertemplate="minute %{x:.0f}: %{y:.3g}<extra></extra>",
        showlegend=True,
    )
    _add_trend(drawing, trend, minute[known], values[known])
    rests = [] if tension.breaks is None else [_rest(at, at + length) for at, length in tension.breaks.taken]
    notes = []
    if trend.change is not None and trend.change.p < SURE_P:
        rests.append(_upright(trend.change.minute))
        notes.append(
            note(trend.change.minute, 1.0, " level changes", yref="paper", xanchor="left", yanchor="top")
        )  # fmt: skip
    unit = f", {trend.marker.unit}" if trend.marker.unit else ""
    return drawing.finish(
        lay_out(
            HEIGHT,
            xaxis=axis("minutes from the start of play", rangemode="tozero"),
            yaxis=axis(f"{trend.marker.name}{unit}", range=_around(values[known])),
            shapes=rests,
            annotations=notes,
        )
    )


def _add_trend(drawing: Drawing, trend: MarkerTrend, minute: np.ndarray, values: np.ndarray) -> None:
    """The trend through the middle of the blocks: solid where its interval excludes zero, dotted where not."""
    if trend.drift is None:
        return
    slope = trend.drift.per_hour
    sure = slope.low > 0 or slope.high < 0
    hours = np.linspace(minute.min(), minute.max(), 25) / 60
    rise = slope.value * (hours - minute.mean() / 60)
    line = np.exp(np.log(values).mean() + rise) if trend.marker.relative else values.mean() + rise
    drawing.add_scatter(
        x=single(60 * hours),
        y=single(line),
        mode="lines",
        line={"color": UP_COLOUR if sure else SOFT, "width": 2, "dash": "solid" if sure else "dot"},
        name="trend" if sure else "trend, may be chance",
        hoverinfo="skip",
        showlegend=True,
    )


def _around(values: np.ndarray) -> list[float]:
    """Range of an axis that does not make a fourteenth of a value look like a collapse."""
    low, high = float(values.min()), float(values.max())
    room = max(0.25 * (high - low), 0.04 * max(abs(low), abs(high)), 1e-6)
    return [low - room, high + room]


def _rest(start_min: float, end_min: float) -> dict[str, object]:
    return {
        "type": "rect", "yref": "paper", "x0": start_min, "x1": end_min, "y0": 0, "y1": 1,
        "fillcolor": SHADE, "line": {"color": RULE, "width": 0}, "layer": "below",
    }  # fmt: skip


def _upright(minute: float) -> dict[str, object]:
    line = {"color": UP_COLOUR, "width": 1.5, "dash": "dash"}
    return {"type": "line", "yref": "paper", "x0": minute, "x1": minute, "y0": 0, "y1": 1, "line": line}
