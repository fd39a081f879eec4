"""Picture of a player's progress: one measure, session by session."""

from __future__ import annotations

import numpy as np
import plotly.graph_objects as go

from analysis.questions.progress import MeasureTrend
from analysis.report.figures import DOWN_COLOUR, SOFT, UP_COLOUR, axis, lay_out

HEIGHT = 280


def draw_trend(trend: MeasureTrend) -> go.Figure:
    """One measure over the sessions, its line, and open marks where a session only gave a bound."""
    figure = go.Figure()
    for bound, symbol, name in (
        ("", "circle", "session"),
        ("at least", "triangle-up-open", "session: at least"),
        ("below", "triangle-down-open", "session: below"),
    ):
        points = [p for p in trend.points if p.bound == bound]
        if points:
            known = [p.low is not None and p.high is not None for p in points]
            figure.add_scatter(
                x=[1e3 * p.started_s for p in points],
                y=[p.value for p in points],
                error_y={
                    "array": [(p.high or 0.0) - p.value if k else 0.0 for p, k in zip(points, known, strict=True)],
                    "arrayminus": [p.value - (p.low or 0.0) if k else 0.0 for p, k in zip(points, known, strict=True)],
                    "color": SOFT,
                    "thickness": 1,
                    "width": 3,
                    "visible": any(known),
                },
                mode="markers",
                marker={"color": DOWN_COLOUR, "symbol": symbol, "size": 9},
                name=name,
                hovertemplate="%{y:.1f} " + trend.unit + "<extra></extra>",
            )
    _add_line(figure, trend)
    figure.update_layout(lay_out(HEIGHT, xaxis=axis("", type="date"), yaxis=axis(f"{trend.name}, {trend.unit}")))
    return figure


def _add_line(figure: go.Figure, trend: MeasureTrend) -> None:
    """The fitted line, dashed where the change may be chance."""
    told = [p for p in trend.points if not p.bound]
    if trend.per_week is None or trend.change is None:
        return
    start, end = told[0].started_s, told[-1].started_s
    mean_s = float(np.mean([p.started_s for p in told]))
    middle = float(np.mean([p.value for p in told]))
    rate = trend.change.value / (end - start)
    sure = trend.verdict in ("better", "worse", "changed")
    figure.add_scatter(
        x=[1e3 * start, 1e3 * end],
        y=[middle + rate * (start - mean_s), middle + rate * (end - mean_s)],
        mode="lines",
        line={"color": UP_COLOUR if sure else SOFT, "width": 2, "dash": "solid" if sure else "dot"},
        name="change" if sure else "no change shown",
        hoverinfo="skip",
    )
