"""The look that all figures share: paper, ink, and two accents that also differ in dash, marker and label.

Figures are drawn for light paper; the page swaps the colours in :data:`DARK` when the reader's system is dark. The
accents are blue and vermilion of a palette made to be told apart with colour-blind eyes.

References
----------
Okabe M., Ito K. (2008), Color Universal Design: how to make figures and presentations that are friendly to
colorblind people.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

from analysis.model.records import FloatArray

PAPER, INK, SOFT, RULE, SHADE = "#fdfcf8", "#1d1f21", "#565b61", "#d9d5cb", "#ece8dd"
DOWN_COLOUR, UP_COLOUR = "#0072b2", "#d55e00"
DOWN_FILL, UP_FILL = "rgba(0,114,178,0.16)", "rgba(213,94,0,0.16)"

DARK = {
    PAPER: "#17191b",
    INK: "#ebe8e1",
    SOFT: "#b0b3b6",
    RULE: "#3c4044",
    SHADE: "#2a2d30",
    DOWN_COLOUR: "#2e9bdc",
    UP_COLOUR: "#ee7d2b",
    DOWN_FILL: "rgba(46,155,220,0.22)",
    UP_FILL: "rgba(238,125,43,0.22)",
}
"""Colours on dark paper: the accents keep their hue and are lifted, so that thin lines stay visible."""

COLOUR = {"down": DOWN_COLOUR, "up": UP_COLOUR}
FILL = {"down": DOWN_FILL, "up": UP_FILL}
DASH = {"down": "solid", "up": "6px,4px"}
MARKER = {"down": "triangle-down", "up": "triangle-up-open"}
PATTERN = {"down": "", "up": "/"}
NAME = {"down": "downstrokes", "up": "upstrokes"}

FONT = "ui-sans-serif, system-ui, 'Segoe UI', 'Liberation Sans', sans-serif"


def axis(title: str, **more: Any) -> dict[str, Any]:
    """A plain axis: a hairline, ticks outside, a faint grid, title in the reader's words."""
    settings: dict[str, Any] = {
        "title": {"text": title, "font": {"size": 13, "color": SOFT}, "standoff": 8},
        "gridcolor": RULE,
        "gridwidth": 0.5,
        "zeroline": False,
        "linecolor": SOFT,
        "showline": True,
        "ticks": "outside",
        "tickcolor": SOFT,
        "ticklen": 4,
        "tickfont": {"size": 12, "color": INK},
        "fixedrange": True,
        "automargin": True,
    }
    return settings | more


class Drawing:
    """Traces of a figure in the making. A figure is made once, whole: plotly is slow at changing one."""

    def __init__(self) -> None:
        self._traces: list[Any] = []

    def add_scatter(self, **trace: Any) -> None:
        """Add points or a line."""
        self._traces.append(go.Scatter(**trace))

    def add_bar(self, **trace: Any) -> None:
        """Add bars."""
        self._traces.append(go.Bar(**trace))

    def add_scatter3d(self, **trace: Any) -> None:
        """Add points or a line in space."""
        self._traces.append(go.Scatter3d(**trace))

    def finish(self, layout: go.Layout) -> go.Figure:
        """The figure with this layout."""
        return go.Figure(data=self._traces, layout=layout)


def lay_out(height: int, **more: Any) -> go.Layout:
    """The layout that figures share; ``height`` in pixels at full width."""
    settings: dict[str, Any] = {
        "template": "none",
        "autosize": True,
        "height": height,
        "paper_bgcolor": PAPER,
        "plot_bgcolor": PAPER,
        "font": {"family": FONT, "size": 13, "color": INK},
        "margin": {"l": 54, "r": 14, "t": 36, "b": 46},
        "legend": {
            "orientation": "h",
            "x": 0,
            "y": 1.0,
            "yanchor": "bottom",
            "font": {"size": 12, "color": INK},
            "itemsizing": "constant",
        },
        "hoverlabel": {"bgcolor": PAPER, "bordercolor": INK, "font": {"color": INK, "family": FONT}},
        "dragmode": False,
        "bargap": 0.04,
    }
    return go.Layout(settings | more)


def note(x: float, y: float, text: str, **more: Any) -> dict[str, Any]:
    """An annotation without an arrow."""
    settings: dict[str, Any] = {
        "x": x,
        "y": y,
        "text": text,
        "showarrow": False,
        "font": {"size": 12, "color": SOFT},
    }
    return settings | more


def single(values: FloatArray) -> np.ndarray:
    """Values in the small precision that a picture needs."""
    return np.ascontiguousarray(values, dtype=np.float32)


def nice_step(extent: float, most: int) -> float:
    """Smallest step of 1, 2, 3, 5, 6 or 10 times a power of ten that needs at most ``most`` steps.

    Examples
    --------
    >>> nice_step(95.0, 10)
    10.0
    """
    power = 10.0 ** np.floor(np.log10(max(extent, 1e-9) / most))
    return float(next(f * power for f in (1, 2, 3, 5, 6, 10, 20) if f * power * most >= extent))
