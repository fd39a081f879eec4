"""Tension over a session: every marker's trend and change point, one caution level, load and breaks as context.

Everything is against the player's own first minutes. Nothing here is a diagnosis: markers drift for many reasons, and
a hand may be strained while none of them moves. What the player reports outranks them all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.cautions import discomfort
from analysis.model.errors import NotEnoughDataError
from analysis.model.records import SessionResult
from analysis.tension.caution_level import LevelSettings, TensionLevel, assess_tension
from analysis.tension.change_point import ChangePoint, adjust_for_many, find_change_point
from analysis.tension.hand_load import (
    PLANNED_BREAK_MIN,
    PLANNED_EVERY_MIN,
    Breaks,
    HandActivity,
    measure_activity,
    measure_breaks,
)
from analysis.tension.marker_drift import FEWEST_ROWS, DriftGroup, MarkerDrift, estimate_drifts, prepare_drifts
from analysis.tension.marker_table import MARKERS, Marker, tabulate_tension

SHORTEST_MIN = 20.0
ENDS_MIN = 10.0

NO_STILL = (
    "tremor cannot be told: no still moment was found with the hand at rest and the sensor on it; rest the hand on the "
    "strings for three seconds between blocks"
)
CONFOUNDED = (
    "tempo, posture or drill changed along with time, so a drift cannot be told from them; come back to the first "
    "tempo and posture now and then"
)


@dataclass(frozen=True)
class MarkerTrend:
    """One marker over the session.

    ``first`` and ``last``: medians of the first and last ten minutes. ``drift`` and ``change`` are None where there
    are too few rows, or where tempo and posture explain them. ``change`` is a step in the marker's unit (of its
    logarithm, for a relative one); its p counts all markers together.

    Attributes
    ----------
    marker : Marker
    rows : int
        Number of them.
    first : float
    last : float
    drift : MarkerDrift or None
    change : ChangePoint or None
    """

    marker: Marker
    rows: int
    first: float
    last: float
    drift: MarkerDrift | None
    change: ChangePoint | None


@dataclass(frozen=True)
class Tension:
    """The answer for one session.

    Attributes
    ----------
    level : TensionLevel
    trends : tuple of MarkerTrend
        Of every marker that is known on a row or more.
    blocks : DataFrame
        Columns of :data:`analysis.tension.marker_table.TENSION_COLUMNS`.
    activity : HandActivity or None
        Context only.
    breaks : Breaks or None
    remarks : tuple of str
        What could not be told, and what would change that.
    """

    level: TensionLevel
    trends: tuple[MarkerTrend, ...]
    blocks: pd.DataFrame
    activity: HandActivity | None
    breaks: Breaks | None
    remarks: tuple[str, ...]


def measure_tension(
    result: SessionResult,
    break_every_min: float = PLANNED_EVERY_MIN,
    break_min: float = PLANNED_BREAK_MIN,
    settings: LevelSettings | None = None,
) -> Tension:
    """Follow the markers of tension over one session.

    Parameters
    ----------
    result : SessionResult
    break_every_min, break_min : float
        The plan that breaks are compared with.
    settings : LevelSettings, optional

    Returns
    -------
    Tension

    Raises
    ------
    NotEnoughDataError
        No blocks with strokes, or play of less than twenty minutes or eight blocks; not where discomfort was reported.
    InputError
        A rating outside 0 to 10, or a plan of breaks that leaves no time to play.
    """
    blocks = tabulate_tension(result)
    level = assess_tension(blocks, result.events, finished=True, settings=settings)
    if not level.hurt:
        _check_long_enough(blocks)
    groups = prepare_drifts(blocks) if len(blocks) else ()
    played = [(block.start_s, block.end_s) for block in result.blocks if block.strokes]
    shown = prepare_drifts(blocks, load=False) if len(blocks) else ()
    trends = _trends(blocks, (*groups, *shown))
    return Tension(
        level=level,
        trends=trends,
        blocks=blocks,
        activity=measure_activity(result),
        breaks=measure_breaks(played, break_every_min, break_min) if played else None,
        remarks=_remarks(blocks, groups),
    )


def is_long(result: SessionResult) -> bool:
    """Whether a session is long enough to ask, or holds a report of discomfort that must be answered.

    Parameters
    ----------
    result : SessionResult

    Returns
    -------
    bool
    """
    starts = [block.start_s for block in result.blocks if block.strokes]
    ends = [block.end_s for block in result.blocks if block.strokes]
    return bool(discomfort(result.events)) or bool(starts and max(ends) - min(starts) >= 60 * SHORTEST_MIN)


def _check_long_enough(blocks: pd.DataFrame) -> None:
    if blocks.empty:
        raise NotEnoughDataError(
            expected="blocks of play with at least 12 strokes outside string changes",
            found="none",
            next_step="mark stretches of play as blocks (kind play in the events) of 10 s or more",
        )
    minutes = float(blocks["end_s"].max() - blocks["start_s"].min()) / 60
    if minutes < SHORTEST_MIN or len(blocks) < FEWEST_ROWS:
        raise NotEnoughDataError(
            expected=f"at least {SHORTEST_MIN:.0f} minutes from the first block to the last with {FEWEST_ROWS} "
            "blocks or minutes of play in them",
            found=f"{minutes:.0f} minute{'s' * (round(minutes) != 1)} with {len(blocks)}",
            next_step="record a longer session",
        )


def _trends(blocks: pd.DataFrame, groups: tuple[DriftGroup, ...]) -> tuple[MarkerTrend, ...]:
    drifts = {drift.marker.key: drift for drift in estimate_drifts(groups)}
    changes = _changes(groups)
    minute = ((blocks["end_s"] - blocks["start_s"].min()) / 60).to_numpy(np.float64)
    found = []
    for marker in MARKERS:
        values = blocks[marker.key].to_numpy(np.float64)
        known = np.isfinite(values)
        if known.any():
            first, last = (
                _usual(values, known & near) for near in (minute <= ENDS_MIN, minute >= minute.max() - ENDS_MIN)
            )
            drift, change = drifts.get(marker.key), changes.get(marker.key)
            found.append(MarkerTrend(marker, int(known.sum()), first, last, drift, change))
    return tuple(found)


def _usual(values: np.ndarray[tuple[int], np.dtype[np.float64]], chosen: np.ndarray) -> float:
    return float(np.median(values[chosen])) if chosen.any() else np.nan


def _changes(groups: tuple[DriftGroup, ...]) -> dict[str, ChangePoint]:
    found: dict[str, ChangePoint] = {}
    for group in groups:
        for column, marker in enumerate(group.markers):
            values = group.source.values[:, column]
            point = find_change_point(group.minute, values, group.source.nuisance, group.wander)
            if point is not None:
                sign = -1.0 if marker.worse == "down" else 1.0
                found[marker.key] = ChangePoint(point.after, point.minute, sign * point.step, point.p)
    adjusted = adjust_for_many([point.p for point in found.values()])
    return {
        key: ChangePoint(point.after, point.minute, point.step, p)
        for (key, point), p in zip(found.items(), adjusted, strict=True)
    }


def _remarks(blocks: pd.DataFrame, groups: tuple[DriftGroup, ...]) -> tuple[str, ...]:
    remarks = []
    if not np.isfinite(blocks["tremor_mps2"].to_numpy(np.float64)).any():
        remarks.append(NO_STILL)
    elif groups and not any(marker.key == "tremor_mps2" for group in groups for marker in group.markers):
        seen = int(blocks["tremor_mps2"].notna().sum())
        remarks.append(
            f"tremor was seen near {seen} blocks only, a trend needs {FEWEST_ROWS}; "
            "rest the hand on the strings for three seconds between blocks"
        )
    if len(blocks) >= FEWEST_ROWS and not groups:
        remarks.append(CONFOUNDED)
    return tuple(remarks)
