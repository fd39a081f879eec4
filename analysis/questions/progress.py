r"""Am I getting better? Sessions over weeks: what changed beyond the error from one session to the next.

Every measure of a posture on a drill gets a straight line over time. How far sessions lie about that line is the
measured session-to-session error ``SD``: it holds the frame's error of each session, the day's form, everything. The
change is the line's, first to last session, with its t interval. It is called better or worse where that interval
excludes zero, so that five in a hundred players who do not change are called so, however many sessions there are, and
every session more finds smaller changes. For whoever compares two single sessions, the smallest change that these two
could show stands beside it:

.. math:: \text{smallest change} = 1.96 \sqrt{2}\, SD                                                       (1)

Sessions of one day share that day's form, which the line's error must hold: they count as one, by their mean. Sessions
are one series only on one instrument and with the sensor in one place (its lever to the tip within 15 mm). Where the
newest hold tempo lies beyond the tempi played, no line through the others says what has become of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray
from analysis.questions.attention import Attention, judge_attention
from analysis.questions.session_summary import GroupSummary, SessionSummary
from analysis.statistics.estimates import Estimate, adjusted_slope

DAY_S = 86_400.0
WEEK_S = 7 * DAY_S
FEWEST_SESSIONS = 4
SAME_DAY_S = 0.5 * DAY_S
SAME_PLACE_MM = 15.0
"""Strapped on again in the same place, a sensor comes to lie within about a centimetre (common practice, no source)."""

Change = Literal["better", "worse", "changed", "no change shown", "too few sessions", "beyond the ladder"]


@dataclass(frozen=True)
class Point:
    """One session's value of a measure.

    Attributes
    ----------
    started_s : float
        Seconds since the epoch.
    value : float
    low, high : float or None
        Ends of the 95 % interval.
    bound : str
        ``at least`` or ``below`` for a hold tempo beyond the ladder, else empty.
    notes_per_beat : float or None
        Of the session's play, where all of it has one.
    """

    started_s: float
    value: float
    low: float | None
    high: float | None
    bound: str = ""
    notes_per_beat: float | None = None


@dataclass(frozen=True)
class MeasureTrend:
    """One measure over the sessions: of one posture on one drill, or, with neither, of whole sessions.

    Attributes
    ----------
    name : str
    unit : str
    drill, posture : str
        Empty for whole sessions.
    points : tuple of Point
        One a session, in order of time.
    change : Estimate or None
        Of the line, first to last session; None with fewer than four sessions.
    per_week : float or None
    session_sd : float or None
        Session-to-session error.
    smallest_change : float or None
        Equation (1).
    verdict : str
    setup : str
        Instrument and place of the sensor, where the player used several.
    """

    name: str
    unit: str
    drill: str
    posture: str
    points: tuple[Point, ...]
    change: Estimate | None
    per_week: float | None
    session_sd: float | None
    smallest_change: float | None
    verdict: Change
    setup: str = ""


@dataclass(frozen=True)
class PlayerProgress:
    """One player. ``undated`` sessions hold no date and are in no trend.

    Attributes
    ----------
    player : str
        Name, empty where none was given.
    sessions : tuple of SessionSummary
        In order of time.
    trends : tuple of MeasureTrend
        One a measure.
    attention : Attention
        What a teacher should look at, and why.
    undated : int
    """

    player: str
    sessions: tuple[SessionSummary, ...]
    trends: tuple[MeasureTrend, ...]
    attention: Attention
    undated: int


@dataclass(frozen=True)
class _Measure:
    name: str
    unit: str
    better: int
    take: Callable[[GroupSummary], tuple[float | None, float | None, float | None]]
    in_frame: bool = False
    """Whether it says nothing of a session without reference gestures."""


@dataclass(frozen=True)
class _SessionMeasure:
    name: str
    unit: str
    better: int
    take: Callable[[SessionSummary], float | None]


def _around(value: float | None, se: float | None) -> tuple[float | None, float | None, float | None]:
    if value is None or se is None:
        return value, None, None
    return value, value - 1.96 * se, value + 1.96 * se


MEASURES = (
    _Measure("hold tempo", "strokes/s", 1, lambda g: (g.hold_strokes_per_s, g.hold_low, g.hold_high)),
    _Measure("share clearing", "%", 1, lambda g: _around(_percent(g.share_clearing), None), True),
    _Measure("spread of tilt", "deg", -1, lambda g: _around(g.spread_deg, None)),
    _Measure("mean tilt", "deg", 0, lambda g: _around(g.tilt_deg, g.tilt_se_deg), True),
    _Measure("span", "mm", 0, lambda g: _around(g.span_mm, None)),
    _Measure("unevenness of timing", "%", -1, lambda g: _around(g.timing_pct, None)),
)


SESSION_MEASURES = (
    _SessionMeasure("minutes played", "min", 0, lambda s: s.minutes_played),
    _SessionMeasure("longest play without a break", "min", 0, lambda s: s.longest_play_min),
    _SessionMeasure("highest rating", "of 10", -1, lambda s: max((value for _, value in s.ratings), default=None)),
)


def follow_progress(summaries: Sequence[SessionSummary], now_s: float | None = None) -> tuple[PlayerProgress, ...]:
    """Follow every player over the sessions, who needs attention first.

    Parameters
    ----------
    summaries : sequence of SessionSummary
        Of any players, in any order.
    now_s : float, optional
        Today, seconds since the epoch; else the newest session's time.

    Returns
    -------
    tuple of PlayerProgress

    Raises
    ------
    NotEnoughDataError
        No session.
    """
    if not summaries:
        raise NotEnoughDataError(
            expected="sessions of play",
            found="none",
            next_step="name a folder that holds session files (.mcap)",
        )
    dated = [s.started_s for s in summaries if s.started_s is not None]
    now = now_s if now_s is not None else max(dated, default=0.0)
    players = []
    for player in sorted({s.player for s in summaries}):
        own = sorted((s for s in summaries if s.player == player), key=lambda s: (s.started_s or 0.0, s.name))
        known = tuple(s for s in own if s.started_s is not None)
        trends = _trends(known)
        attention = judge_attention(own, trends, now)
        players.append(PlayerProgress(player, tuple(own), trends, attention, len(own) - len(known)))
    return tuple(sorted(players, key=lambda p: (-p.attention.urgency, p.player)))


def _trends(sessions: Sequence[SessionSummary]) -> tuple[MeasureTrend, ...]:
    found = []
    for setup, alike in _by_setup(sessions):
        for drill, posture in dict.fromkeys((g.drill, g.posture) for s in alike for g in s.groups):
            for measure in MEASURES:
                points = _points(alike, drill, posture, measure)
                if points:
                    found.append(replace(_trend(measure, drill, posture, points), setup=setup))
    for whole in SESSION_MEASURES:
        points = tuple(
            Point(session.started_s, value, None, None)
            for session in sessions
            if session.started_s is not None and (value := whole.take(session)) is not None
        )
        if points:
            found.append(_trend(whole, "", "", points))
    return tuple(found)


def _by_setup(sessions: Sequence[SessionSummary]) -> list[tuple[str, list[SessionSummary]]]:
    """Sessions of one instrument with the sensor in one place, and how to name them where there are several."""
    series: list[list[SessionSummary]] = []
    for session in sessions:
        own = next((alike for alike in series if _same_setup(alike[0], session)), None)
        if own is None:
            series.append([session])
        else:
            own.append(session)
    if len(series) == 1:
        return [("", series[0])]
    many = len({alike[0].instrument for alike in series}) > 1
    named = []
    for alike in series:
        places = [other for other in series if other[0].instrument == alike[0].instrument]
        place = f"sensor placed as in {alike[0].name}" if len(places) > 1 else ""
        named.append((", ".join(part for part in (alike[0].instrument if many else "", place) if part), alike))
    return named


def _same_setup(one: SessionSummary, other: SessionSummary) -> bool:
    if one.instrument != other.instrument:
        return False
    if one.lever_mm is None or other.lever_mm is None:
        return one.lever_mm is other.lever_mm
    return math.dist(one.lever_mm, other.lever_mm) <= SAME_PLACE_MM


def _points(sessions: Sequence[SessionSummary], drill: str, posture: str, measure: _Measure) -> tuple[Point, ...]:
    found = []
    for session in sessions:
        for group in session.groups:
            if measure.in_frame and not session.frame_known:
                continue
            value, low, high = measure.take(group)
            if (group.drill, group.posture) == (drill, posture) and value is not None and session.started_s is not None:
                bound = group.hold_bound if measure.name == "hold tempo" and group.hold_bound != "inside" else ""
                found.append(Point(session.started_s, value, low, high, bound, group.notes_per_beat))
    return tuple(found)


def _trend(measure: _Measure | _SessionMeasure, drill: str, posture: str, points: tuple[Point, ...]) -> MeasureTrend:
    """Fit the line; values that are only bounds are shown, not fitted."""
    started_s, values = _by_day([p for p in points if not p.bound])
    beyond = bool(points[-1].bound)
    if beyond or values.size < FEWEST_SESSIONS:
        verdict: Change = "beyond the ladder" if beyond else "too few sessions"
        return MeasureTrend(measure.name, measure.unit, drill, posture, points, None, None, None, None, verdict)
    weeks = (started_s - points[0].started_s) / WEEK_S
    slope = adjusted_slope(values, weeks)
    length = float(np.ptp(weeks))
    change = Estimate(slope.value * length, slope.low * length, slope.high * length, slope.se * length, slope.df)
    sd = _residual_sd(values, weeks)
    smallest = 1.96 * math.sqrt(2) * sd
    verdict = "no change shown"
    # Values that are all alike differ by rounding, which no session error holds back.
    rounding = 1e-9 * float(np.abs(values).max())
    if (change.low > 0 or change.high < 0) and abs(change.value) > rounding:
        gained = measure.better * change.value
        verdict = "changed" if measure.better == 0 else "better" if gained > 0 else "worse"
    return MeasureTrend(measure.name, measure.unit, drill, posture, points, change, slope.value, sd, smallest, verdict)


def _by_day(points: Sequence[Point]) -> tuple[FloatArray, FloatArray]:
    """When each day's first session began, and the mean of its sessions."""
    days: list[list[Point]] = []
    for point in points:
        if days and point.started_s - days[-1][0].started_s < SAME_DAY_S:
            days[-1].append(point)
        else:
            days.append([point])
    means = [float(np.mean([point.value for point in day])) for day in days]
    return np.array([day[0].started_s for day in days]), np.array(means)


def _residual_sd(values: FloatArray, weeks: FloatArray) -> float:
    residual = values - np.polyval(np.polyfit(weeks - weeks.mean(), values, 1), weeks - weeks.mean())
    return float(np.sqrt(residual @ residual / (values.size - 2)))


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share
