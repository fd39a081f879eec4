"""How even a series of notes is, from moments alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from analysis.sound.records import FloatArray

FEWEST = 12


@dataclass(frozen=True)
class Evenness:
    """Median interval and scatter of the intervals about their running median (robust SD), both in ms.

    Attributes
    ----------
    interval_ms : float
    scatter_ms : float
    """

    interval_ms: float
    scatter_ms: float


def measure_evenness(moment_s: FloatArray) -> Evenness | None:
    """Measure evenness; None below a dozen intervals of play.

    Parameters
    ----------
    moment_s : float64 (k,)
        Ascending. Intervals below half or above one and a half times the median are missed or extra notes, and left
        out.

    Examples
    --------
    >>> even = measure_evenness(np.arange(20) / 8)
    >>> even.interval_ms, round(even.scatter_ms, 6)
    (125.0, 0.0)
    """
    interval = 1e3 * np.diff(moment_s)
    if interval.size < FEWEST:
        return None
    usual = float(np.median(interval))
    single = interval[(interval > 0.5 * usual) & (interval < 1.5 * usual)]
    if single.size < FEWEST:
        return None
    off = single - ndimage.median_filter(single, 15, mode="nearest")
    return Evenness(usual, float(1.4826 * np.median(np.abs(off))))
