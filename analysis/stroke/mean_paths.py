"""Tip paths over the strings: contact at the plectrum's depth, string tops at height 0; their mean and spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray, Instrument, SessionResult
from analysis.stroke.contact import at_contact, contact_share

LEAST_STROKES = 3
BAND = (10.0, 90.0)


@dataclass(frozen=True)
class PathBand:
    """Mean path of many strokes and the band that holds four of five, over the way across the strings (mm).

    Attributes
    ----------
    y_mm : float64 (k,)
        Across the strings.
    mean_mm, low_mm, high_mm : float64 (k,)
        Off the strings: the mean, and the band's ends.
    """

    y_mm: FloatArray
    mean_mm: FloatArray
    low_mm: FloatArray
    high_mm: FloatArray


def paths_from_contact(result: SessionResult, rows: np.ndarray) -> FloatArray:
    """Paths (n, k, 2) in the end view, the moment of contact at (0, -plectrum depth): string tops stand at 0.

    Parameters
    ----------
    result : SessionResult
    rows : int64 (n,)
        Rows of the strokes table.

    Returns
    -------
    float64 (n, k, 2)
        Millimetres, across the strings and off them.
    """
    yz = result.paths_mm[rows][:, :, 1:].astype(np.float64)
    met = at_contact(yz, contact_share(result.strokes.iloc[rows]))
    return np.asarray(yz - met[:, None] + [0.0, -result.instrument.plectrum_depth_mm])


def measure_band(paths: FloatArray) -> PathBand | None:
    """Mean of paths (n, k, 2) at equal phases, and the band that holds four of five of them; None with too few.

    At each phase the band is that of the heights over the mean path, so that strokes that run a little ahead or
    behind do not widen it.

    Parameters
    ----------
    paths : float64 (n, k, 2)
        Millimetres, across the strings and off them.

    Returns
    -------
    PathBand or None
        Millimetres.
    """
    if len(paths) < LEAST_STROKES:
        return None
    order = np.where((paths[:, -1, 0] > paths[:, 0, 0])[:, None, None], paths, paths[:, ::-1])
    mean = order.mean(axis=0)
    slope = np.gradient(mean[:, 1], mean[:, 0])
    over = order[:, :, 1] - mean[:, 1] - slope * (order[:, :, 0] - mean[:, 0])
    low, high = np.percentile(over, BAND, axis=0)
    return PathBand(mean[:, 0], mean[:, 1], mean[:, 1] + low, mean[:, 1] + high)


def string_places(instrument: Instrument) -> list[tuple[float, float]]:
    """Places (y, z) of the string played and of its neighbours as far as the instrument has them, string tops at 0.

    Parameters
    ----------
    instrument : Instrument

    Returns
    -------
    list[(float, float])
        Millimetres.
    """
    spacing, radius = instrument.mean_spacing_mm, instrument.radius_mm
    steps = (0,) if instrument.courses < 2 else (-1, 0, 1)
    drop = 0.0 if radius is None or radius < spacing else radius - float(np.sqrt(radius**2 - spacing**2))
    return [(step * spacing, -drop * abs(step)) for step in steps]
