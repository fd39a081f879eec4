"""The tilts that a posture was played with, as found: one, one that changes with tempo, or two that take turns.

A block whose strokes change between two tilts by groups (:mod:`analysis.stroke.mixed_play`) is taken apart, so that
each tilt has its own part of it. Parts fall into two levels where their means, about their smooth change with speed,
leave a gap that is wide against the scatter of strokes and of the parts on either side. Nothing is averaged over a gap,
and where tilt changes along a ladder of tempi both ends are told instead of a mean that was played at none.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.records import FloatArray, IntArray, SessionResult
from analysis.statistics.directional import DirectionalSummary, summarise_axes
from analysis.statistics.estimates import remove_columns

SPEEDS_APART = 1.15
APART_SD = 3.0
APART_DEG = 4.0
FEWEST_PARTS = 2
"""Of a level: one odd block is no second way to play."""


@dataclass(frozen=True)
class SteadyLevel:
    """One tilt that was played.

    Attributes
    ----------
    axis : DirectionalSummary
        Of its strokes.
    blocks : int
        In which it was played.
    slowest, fastest : (float, float)
        Strokes a second, and the mean tilt (deg) of the blocks at that speed.
    changes : bool
        Whether the tilt at both differs by more than blocks lie apart: then the axis is a mean of what was played, and
        was not played itself.
    """

    axis: DirectionalSummary
    blocks: int
    slowest: tuple[float, float]
    fastest: tuple[float, float]
    changes: bool


def split_mixed(strokes: pd.DataFrame, results: Sequence[SessionResult]) -> pd.DataFrame:
    """Strokes with the column ``part``: 0, and 1 for those nearer to the smaller of a mixed block's two tilts.

    Parameters
    ----------
    strokes : DataFrame
        As :func:`analysis.questions.block_table.steady_strokes` gives them.
    results : sequence of SessionResult

    Returns
    -------
    DataFrame
    """
    part = np.zeros(len(strokes), dtype=np.int64)
    for number, result in enumerate(results):
        for block in result.blocks:
            if block.groups:
                own = ((strokes["session"] == number) & (strokes["block"] == block.index)).to_numpy()
                middle = 0.5 * sum(group.tilt_deg for group in block.groups)
                part[own] = strokes["tilt_deg"].to_numpy(np.float64)[own] < middle
    return strokes.assign(part=part)


def speed_columns(speed: FloatArray) -> FloatArray:
    """A constant, and powers of the logarithm of speed if speeds differ and parts suffice.

    Parameters
    ----------
    speed : float64 (n,)
        Strokes a second.

    Returns
    -------
    float64 (n, 1 to 3)
    """
    x = np.log(speed)
    power = 0 if np.ptp(x) < np.log(SPEEDS_APART) else min(2, (x.size - 2) // 2)
    return np.vander((x - x.mean()) / max(float(np.ptp(x)), 1e-9), power + 1)


def level_columns(speed: FloatArray, level: IntArray) -> FloatArray:
    """The same, with a constant for each level."""
    columns = speed_columns(speed)
    return np.column_stack([columns, level]) if level.any() else columns


def find_levels(tilt_deg: FloatArray, speed: FloatArray, within_sd_deg: float) -> IntArray:
    """Level of every part: all 0, or 0 for the larger tilts and 1 for the smaller.

    Parameters
    ----------
    tilt_deg : float64 (n,)
        Means of the parts.
    speed : float64 (n,)
        Strokes a second.
    within_sd_deg : float
        Scatter of strokes within a part.

    Returns
    -------
    int64 (n,)

    Examples
    --------
    >>> find_levels(np.array([15.0, -14.0, 15.5, -15.0]), np.full(4, 8.0), 1.5).tolist()
    [0, 1, 0, 1]
    >>> find_levels(np.array([15.0, 14.0, 15.5, 2.0]), np.full(4, 8.0), 1.5).tolist()
    [0, 0, 0, 0]
    """
    one = np.zeros(tilt_deg.size, dtype=np.int64)
    if tilt_deg.size < 2 * FEWEST_PARTS:
        return one
    left = remove_columns(tilt_deg[:, None], speed_columns(speed))[:, 0]
    ordered = np.sort(left)
    gaps = np.diff(ordered)[FEWEST_PARTS - 1 : tilt_deg.size - FEWEST_PARTS]
    place = int(gaps.argmax()) + FEWEST_PARTS - 1
    lower, upper = ordered[: place + 1], ordered[place + 1 :]
    within = math.sqrt((lower.var() * lower.size + upper.var() * upper.size) / max(1, tilt_deg.size - 2))
    apart = float(upper.mean() - lower.mean())
    if apart < max(APART_DEG, APART_SD * within_sd_deg) or gaps.max() < APART_SD * within:
        return one
    return np.where(left < 0.5 * (ordered[place] + ordered[place + 1]), 1, 0)


def summarise_levels(parts: pd.DataFrame, strokes: pd.DataFrame, between_sd_deg: float) -> tuple[SteadyLevel, ...]:
    """What was played, the larger tilt first.

    Parameters
    ----------
    parts : DataFrame
        One row a part: ``session``, ``block``, ``part``, ``level``, ``tilt_deg``, ``strokes_per_s``.
    strokes : DataFrame
        With ``session``, ``block`` and ``part``.
    between_sd_deg : float
        How far parts of one level lie apart by chance; 0 where that is not known.

    Returns
    -------
    tuple of SteadyLevel
    """
    labelled = strokes.merge(parts[["session", "block", "part", "level"]], on=["session", "block", "part"])
    found = []
    for level, own in parts.groupby("level", sort=True):
        slow, fast = (_at_end(own, end) for end in (False, True))
        error = 1.96 * math.sqrt(2) * math.hypot(between_sd_deg, float(own["tilt_se_deg"].mean()))
        changes = fast[0] > SPEEDS_APART * slow[0] and abs(fast[1] - slow[1]) > error
        tilt = labelled.loc[labelled["level"] == level, "tilt_deg"]
        found.append(
            SteadyLevel(summarise_axes(tilt), len(own[["session", "block"]].drop_duplicates()), slow, fast, changes)
        )
    return tuple(found)


def _at_end(parts: pd.DataFrame, fastest: bool) -> tuple[float, float]:
    """Speed and mean tilt of the parts within 3 % of the slowest or the fastest."""
    speed = parts["strokes_per_s"].to_numpy(np.float64)
    near = speed >= speed.max() / 1.03 if fastest else speed <= speed.min() * 1.03
    return float(speed[near].mean()), float(parts["tilt_deg"].to_numpy(np.float64)[near].mean())
