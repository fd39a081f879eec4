"""The two strokes of the plectrum: which is the other one, which one counts, from which tilt on one clears."""

from __future__ import annotations

from math import atan2, degrees
from typing import Literal, TypeAlias

Stroke: TypeAlias = Literal["down", "up"]


def other_stroke(stroke: Stroke) -> Stroke:
    """The stroke that alternates with this one.

    Parameters
    ----------
    stroke : {"down", "up"}

    Returns
    -------
    {"down", "up"}
    """
    return "up" if stroke == "down" else "down"


def counted_stroke(wanted: Stroke | None, down: float, up: float, tilt_mean_deg: float | None) -> Stroke:
    """The stroke whose clearing counts: the wanted one, else the one that clears more often, else the higher one.

    Parameters
    ----------
    wanted : str or None
    down, up : float
        Share of the downstrokes, of the upstrokes that clear.
    tilt_mean_deg : float or None
        Positive where the downstroke ends clear.

    Returns
    -------
    {"down", "up"}

    Examples
    --------
    >>> counted_stroke(None, 0.2, 0.9, 12.0), counted_stroke(None, 0.0, 0.0, 3.0), counted_stroke("up", 1.0, 0.0, 9.0)
    ('up', 'down', 'up')
    """
    if wanted is not None:
        return wanted
    if down == up:
        return "down" if (tilt_mean_deg or 0.0) >= 0 else "up"
    return "down" if down > up else "up"


def dead_band_deg(depth_mm: float, spacing_mm: float) -> float:
    """Smallest tilt (degrees) at which a straight path clears: ``atan(depth / spacing)``.

    Parameters
    ----------
    depth_mm : float
        Depth of the plectrum below the string tops.
    spacing_mm : float
        From string to string.

    Returns
    -------
    float
        Degrees.

    Examples
    --------
    >>> round(dead_band_deg(2.0, 10.5), 1)
    10.8
    """
    return degrees(atan2(depth_mm, spacing_mm))
