r"""Height of the tip at the next string.

For every stroke and every pair of neighbouring strings the end view is turned so that the two strings' tops lie level
(the arch turns every pair by its own angle); then the design's formula holds: ``h`` is the height of the tip where it
has travelled one spacing ``s`` beyond the contact, or at the stroke's end if it ends sooner, less the plectrum's depth
``p``. The stroke passes if ``h > 0``.

A stroke of the same shape at ``c`` times its size, around the same contact, has

.. math:: h(c) = c\, H(s / c) - p                                                                            (1)

with ``H(x)`` the height where the stroke as played has travelled ``x``. An error of the frame turns all paths of a
posture together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analysis.drills.string_change_path import place_strings
from analysis.model.records import FloatArray, Instrument
from analysis.stroke.tilt import lift_mm

Direction = Literal["down", "up"]


@dataclass(frozen=True)
class PlayedPaths:
    """Strokes of one direction: paths (n, k, 3) in mm, sign, contact as a share of the stroke."""

    paths_mm: FloatArray
    sign: FloatArray
    contact: FloatArray
    span_mm: float

    @classmethod
    def of(cls, strokes: pd.DataFrame, paths_mm: FloatArray, direction: Direction) -> PlayedPaths:
        """Take strokes of one direction with their paths, row by row."""
        start, end, contact = (strokes[name].to_numpy(np.float64) for name in ("start_s", "end_s", "contact_s"))
        sign = np.full(len(strokes), 1.0 if direction == "down" else -1.0)
        return cls(paths_mm, sign, (contact - start) / (end - start), float(strokes["span_mm"].median()))

    def heights_mm(self, spacing_mm: float, depth_mm: float, turn_deg: float, size: float = 1.0) -> FloatArray:
        """Height over the next string less the depth (n,), equation (1), in the end view turned by ``-turn_deg``."""
        turned = turn_end_view(self.paths_mm, -turn_deg)
        return size * lift_mm(turned, self.sign, self.contact, spacing_mm / size, 0.0) - depth_mm


def turn_end_view(paths_mm: FloatArray, angle_deg: float) -> FloatArray:
    """Paths (n, k, 3) turned in the end view, from Y towards Z.

    Examples
    --------
    >>> turn_end_view(np.array([[[0.0, 2.0, 0.0]]]), 90.0).round(6).tolist()
    [[[0.0, 0.0, 2.0]]]
    """
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    return np.asarray(paths_mm @ np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]]))


@dataclass(frozen=True)
class Neighbours:
    """Two strings side by side, in the order in which a stroke meets them.

    Attributes
    ----------
    first, second : int
        As in a tab, 1 the one that a downstroke meets last; 0 where all pairs are alike.
    spacing_mm : float
        Distance.
    slope_deg : float
        From Y towards Z.
    """

    first: int
    second: int
    spacing_mm: float
    slope_deg: float


def string_pairs(instrument: Instrument, direction: Direction) -> tuple[Neighbours, ...]:
    """Every pair of neighbours.

    Strings are numbered as in a tab, 1 the one that a downstroke meets last. Where the plane is flat and the spacing
    even, all pairs are alike: one, numbered 0.
    """
    places = place_strings(instrument)
    y, z = places.y_mm, places.z_mm
    if instrument.radius_mm is None and np.ptp(instrument.spacing_mm) < 1e-6:
        return (Neighbours(0, 0, instrument.mean_spacing_mm, 0.0),)
    found = []
    for i in range(len(y) - 1):
        across, rise = float(y[i] - y[i + 1]), float(z[i] - z[i + 1])
        way = (i + 2, i + 1) if direction == "down" else (i + 1, i + 2)
        found.append(Neighbours(*way, math.hypot(across, rise), math.degrees(math.atan2(rise, across))))
    return tuple(found)
