"""The table that tension is judged on: one row a block of play, or a minute of a longer one.

Markers, each taken within its row only:

- tremor: acceleration from 8 to 12 Hz in the still moments nearest to it;
- smoothness and jerk: medians over its strokes;
- span spread and tilt spread: scatter of its strokes about their slow change;
- clock and motor: the two parts of its timing, as shares of its interval;
- attack: median strength of its pick attacks;
- rating: what the player gave for tension, 0 to 10, after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
import pandas as pd

from analysis.model.cautions import is_discomfort
from analysis.model.records import BlockSummary, Event, FloatArray, SessionResult, StillMoment
from analysis.model.stroke_columns import Column
from analysis.questions.block_table import FEWEST_STROKES
from analysis.questions.summarise_session import check_ratings
from analysis.tension.timing_parts import split_timing

SMOOTHNESS_SHARE = 0.1
"""Of a long series only every third, fifth or seventh stroke is measured for smoothness."""
LONGEST_ROW_S = 60.0
NEAREST_S = 120.0
"""A still moment, or a rating, counts for a row that is no further away than this."""
SLOW_STROKES = 15

Worse = Literal["up", "down", "either"]


@dataclass(frozen=True)
class Marker:
    """One marker: its column, its name for a player, unit, and which way is worse.

    Attributes
    ----------
    key : str
        Column of the marker table.
    name : str
    unit : str
    worse : Worse
    relative : bool
        Its changes are told as shares, and its logarithm is what is compared.
    decimals : int
        To show.
    load : bool
        It may alarm. How loud a player chooses to play is no load, and what the player reports is no marker of the
        hand: both are shown only.
    """

    key: str
    name: str
    unit: str
    worse: Worse
    relative: bool
    decimals: int = 1
    load: bool = True


MARKERS: tuple[Marker, ...] = (
    Marker("tremor_mps2", "tremor at rest", "m/s²", "up", True, 3),
    Marker("sparc", "smoothness", "", "down", False, 3),
    Marker("ldlj", "smoothness by jerk", "", "down", False, 2),
    Marker("span_spread_pct", "spread of span", "%", "up", True),
    Marker("tilt_spread_deg", "spread of tilt", "deg", "up", True, 2),
    Marker("clock_pct", "timing, clock part", "%", "up", False, 2),
    Marker("motor_pct", "timing, hand part", "%", "up", False, 2),
    Marker("attack_mps2", "pick attack", "m/s²", "either", True, load=False),
    Marker("rating", "your rating", "of 10", "up", False, load=False),
)

TENSION_COLUMNS: tuple[Column, ...] = (
    Column("block", "", "int64", "number of the block in the session, from 0"),
    Column("start_s", "s", "float64", "start of the row, log time"),
    Column("end_s", "s", "float64", "end of the row, log time"),
    Column("posture", "", "str", "posture label"),
    Column("drill", "", "str", "drill label"),
    Column("strokes", "", "int64", "strokes outside string changes"),
    Column("strokes_per_s", "1/s", "float64", "median stroke rate"),
    Column("tremor_mps2", "m/s2", "float64", "tremor in still moments, 8 to 12 Hz, RMS; empty without one near"),
    Column("sparc", "", "float64", "median spectral arc length of the strokes' speed"),
    Column("ldlj", "", "float64", "median log dimensionless jerk of the strokes' speed"),
    Column("span_spread_pct", "%", "float64", "scatter of span about its slow change"),
    Column("tilt_spread_deg", "deg", "float64", "scatter of tilt about its slow change"),
    Column("clock_pct", "%", "float64", "clock's part of the timing's SD, of the interval"),
    Column("motor_pct", "%", "float64", "hand's part of the timing's SD, of the interval"),
    Column("attack_mps2", "m/s2", "float64", "median pick attack"),
    Column("rating", "of 10", "float64", "the player's rating of tension after it; empty where none was given"),
)


def tabulate_tension(result: SessionResult) -> pd.DataFrame:
    """The table of a whole session; see :func:`tension_blocks`."""
    return tension_blocks(result.strokes, result.blocks, result.still_moments, result.events)


def tension_blocks(
    strokes: pd.DataFrame,
    blocks: Sequence[BlockSummary | Event],
    still_moments: Sequence[StillMoment] = (),
    events: Sequence[Event] = (),
) -> pd.DataFrame:
    """One row a block so far, or an equal part of at most a minute of a longer one, in time order.

    Parameters
    ----------
    strokes : DataFrame
        Columns of :data:`analysis.model.stroke_columns.STROKE_COLUMNS`; ``block`` counts in ``blocks``.
    blocks : sequence of BlockSummary or Event
        For posture and drill.
    still_moments : sequence of StillMoment
    events : sequence of Event
        For ratings.

    Returns
    -------
    DataFrame
        Columns of :data:`TENSION_COLUMNS`; empty where no block holds twelve strokes.

    Raises
    ------
    InputError
        A rating outside 0 to 10.
    """
    keep = strokes["block"].notna() & (strokes["string_change"] != "true") & np.isfinite(strokes["tilt_deg"])
    rows = []
    for number, own in strokes[keep].groupby("block", sort=True):
        index = int(cast("int", number))
        start, end = own["start_s"].to_numpy(np.float64), own["end_s"].to_numpy(np.float64)
        parts = max(1, int(np.ceil((end[-1] - start[0]) / LONGEST_ROW_S)))
        edges = np.linspace(start[0], end[-1], parts + 1)
        part = np.clip(np.searchsorted(edges, 0.5 * (start + end), side="right") - 1, 0, parts - 1)
        for place in range(parts):
            some = own[part == place]
            if len(some) >= FEWEST_STROKES:
                rows.append(_row(index, blocks[index], some))
    table = pd.DataFrame(rows, columns=[c.name for c in TENSION_COLUMNS if c.name not in ("tremor_mps2", "rating")])
    table = table.sort_values("start_s", ignore_index=True)
    table = table.assign(tremor_mps2=_tremor(still_moments, table), rating=_ratings(events, table))
    return table[[c.name for c in TENSION_COLUMNS]].astype({c.name: c.dtype for c in TENSION_COLUMNS})


def _row(index: int, block: BlockSummary | Event, strokes: pd.DataFrame) -> dict[str, object]:
    span, tilt = strokes["span_mm"].to_numpy(np.float64), strokes["tilt_deg"].to_numpy(np.float64)
    timing = split_timing(_series(strokes))
    return {
        "block": index,
        "start_s": float(strokes["start_s"].iloc[0]),
        "end_s": float(strokes["end_s"].iloc[-1]),
        "posture": block.posture,
        "drill": block.drill,
        "strokes": len(strokes),
        "strokes_per_s": float(np.median(strokes["strokes_per_s"])),
        "sparc": _median(strokes, "sparc", SMOOTHNESS_SHARE),
        "ldlj": _median(strokes, "ldlj", SMOOTHNESS_SHARE),
        "span_spread_pct": 100 * _scatter(span) / float(np.median(span)),
        "tilt_spread_deg": _scatter(tilt),
        "clock_pct": 100 * timing.clock_ms / timing.interval_ms if timing else np.nan,
        "motor_pct": 100 * timing.motor_ms / timing.interval_ms if timing else np.nan,
        "attack_mps2": _median(strokes, "attack_mps2"),
    }


def _median(strokes: pd.DataFrame, column: str, least_share: float = 0.5) -> float:
    """Median of what is known, if that is half of the strokes or more, or another share."""
    if column not in strokes:
        return np.nan
    values = strokes[column].to_numpy(np.float64)
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size >= max(FEWEST_STROKES, least_share * values.size) else np.nan


def _scatter(values: FloatArray) -> float:
    """Robust SD about the running median of fifteen strokes, so that slow wander is none."""
    n = values.size
    width = min(SLOW_STROKES, n)
    first = np.clip(np.arange(n) - width // 2, 0, n - width)
    slow = np.median(values[first[:, None] + np.arange(width)], axis=1)
    return float(1.4826 * np.median(np.abs(values - slow)))


def _series(strokes: pd.DataFrame) -> list[FloatArray]:
    """Moments of the strokes of each unbroken series: of contact, where nearly all have an attack, else midway."""
    start, end = strokes["start_s"].to_numpy(np.float64), strokes["end_s"].to_numpy(np.float64)
    known = strokes["attack"].to_numpy(dtype=bool)
    moment = strokes["contact_s"].to_numpy(np.float64) if known.mean() >= 0.9 else 0.5 * (start + end)
    joined = np.abs(start[1:] - end[:-1]) < 0.25 * (end[:-1] - start[:-1])
    use = known if known.mean() >= 0.9 else np.ones(len(strokes), dtype=bool)
    # A stroke without an attack has no moment of its own: the series ends before it and starts anew after it.
    breaks = np.flatnonzero(~(joined & use[1:] & use[:-1])) + 1
    return [part for part, ok in zip(np.split(moment, breaks), np.split(use, breaks), strict=True) if ok.all()]


def _tremor(still_moments: Sequence[StillMoment], table: pd.DataFrame) -> FloatArray:
    """Tremor near each row: every still moment counts, by its length, for the row that is nearest to it in time."""
    total, weight = np.zeros(len(table)), np.zeros(len(table))
    for moment in still_moments:
        at = _nearest(table, 0.5 * (moment.start_s + moment.end_s))
        if at is not None:
            length = moment.end_s - moment.start_s
            total[at] += length * moment.tremor_mps2**2
            weight[at] += length
    return np.where(weight > 0, np.sqrt(total / np.maximum(weight, 1e-12)), np.nan)


def _ratings(events: Sequence[Event], table: pd.DataFrame) -> FloatArray:
    """Ratings of tension: each counts for the row nearest to it; the highest, where there are several."""
    check_ratings(events)
    found = np.full(len(table), np.nan)
    for event in events:
        if event.kind == "rating" and event.rating is not None and not is_discomfort(event.label):
            at = _nearest(table, event.start_s)
            if at is not None:
                found[at] = np.fmax(found[at], event.rating)
    return found


def _nearest(table: pd.DataFrame, time_s: float) -> int | None:
    if table.empty:
        return None
    away = np.maximum(table["start_s"].to_numpy() - time_s, time_s - table["end_s"].to_numpy())
    at = int(np.argmin(away))
    return at if away[at] <= NEAREST_S else None
