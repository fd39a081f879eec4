"""Am I getting better, in sentences and as sections of a page: one for each posture and drill."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.model.number_words import signed
from analysis.questions.progress import MeasureTrend, PlayerProgress, Point
from analysis.report.sections import Choice, Picture, Section
from analysis.statistics.estimate_words import capitalise, say_change, say_interval
from analysis.statistics.estimates import Estimate

NO_NAME = "(no name)"

Day = Callable[[float], str]
"""Seconds since the epoch to a date in words: whoever knows the time zone gives it."""


def utc_day(started_s: float) -> str:
    """The date of a moment, in UTC.

    Parameters
    ----------
    started_s : float
        Seconds since the epoch.

    Returns
    -------
    str

    Examples
    --------
    >>> utc_day(1.75e9)
    '2025-06-15'
    """
    return str(np.datetime64(int(started_s), "s").astype("datetime64[D]"))


def show_name(name: str) -> str:
    """A player's name exactly as typed; in quotation marks where it would not be seen whole, or reads like none.

    Parameters
    ----------
    name : str

    Returns
    -------
    str

    Examples
    --------
    >>> show_name("ada"), show_name(" ada"), show_name(""), show_name("(no name)")
    ('ada', '" ada"', '(no name)', '"(no name)"')
    """
    if not name:
        return NO_NAME
    return f'"{name}"' if name != " ".join(name.split()) or name == NO_NAME else name


def progress_sections(player: PlayerProgress, id_stem: str, pictures: bool, day: Day = utc_day) -> tuple[Section, ...]:
    """One section a posture and drill, a sentence and a picture a measure.

    Parameters
    ----------
    player : PlayerProgress
    id_stem : str
        Start of the sections' ids.
    pictures : bool
        False: sentences only, which spares loading the plotting library.
    day : callable, optional
        Gives a moment's date.

    Returns
    -------
    tuple of Section
    """
    groups: dict[tuple[str, str, str], list[MeasureTrend]] = {}
    for trend in player.trends:
        groups.setdefault((trend.drill, trend.posture, trend.setup), []).append(trend)
    found = []
    for number, ((drill, posture, setup), own) in enumerate(groups.items()):
        trends = [in_bpm(trend) for trend in own]
        title = ", ".join(
            (
                f"Drill {drill}" if drill else "All play",
                *([f"posture {posture}"] if posture else []),
                *([setup] if setup else []),
            )
        )
        first, *others = [say_trend(trend, day) for trend in trends]
        choices = tuple(_choice(trend, day) for trend in trends) if pictures else ()
        found.append(Section(f"{id_stem}-{number}", title, first, choices, notes=tuple(others)))
    return tuple(found)


def _choice(trend: MeasureTrend, day: Day) -> Choice:
    from analysis.report.figures_progress import draw_trend

    return Choice(trend.name, (Picture(draw_trend(trend), say_trend(trend, day)),))


def in_bpm(trend: MeasureTrend) -> MeasureTrend:
    """A tempo in beats a minute, where all its sessions have the same notes a beat; any other measure as it is.

    Parameters
    ----------
    trend : MeasureTrend

    Returns
    -------
    MeasureTrend
    """
    notes = {point.notes_per_beat for point in trend.points}
    if trend.unit != "strokes/s" or None in notes or len(notes) > 1:
        return trend
    notes_per_beat = notes.pop() or 1.0
    factor = 60.0 / notes_per_beat
    change = trend.change
    if change is not None:
        value, low, high, se = (factor * end for end in (change.value, change.low, change.high, change.se))
        change = Estimate(value, low, high, se, change.df)
    return replace(
        trend,
        unit=f"BPM at {say_notes(notes_per_beat)}",
        points=tuple(_scaled(point, factor) for point in trend.points),
        change=change,
        per_week=_times(trend.per_week, factor),
        session_sd=_times(trend.session_sd, factor),
        smallest_change=_times(trend.smallest_change, factor),
    )


def _scaled(point: Point, factor: float) -> Point:
    return replace(point, value=factor * point.value, low=_times(point.low, factor), high=_times(point.high, factor))


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else factor * value


def say_notes(notes_per_beat: float) -> str:
    """Notes a beat in words.

    Parameters
    ----------
    notes_per_beat : float

    Returns
    -------
    str

    Examples
    --------
    >>> say_notes(4.0), say_notes(1.0)
    ('4 notes a beat', '1 note a beat')
    """
    return f"{notes_per_beat:g} note{'s' * (notes_per_beat != 1)} a beat"


def say_trend(trend: MeasureTrend, day: Day = utc_day) -> str:
    """One measure over the sessions in a sentence, below a title that names drill and posture.

    Parameters
    ----------
    trend : MeasureTrend
    day : callable, optional
        Gives a moment's date.

    Returns
    -------
    str
    """
    what = capitalise(trend.name)
    last = trend.points[-1]
    bound = f"{last.bound} " if last.bound else ""
    now = f"{bound}{signed(last.value)} {trend.unit} on {day(last.started_s)}"
    if trend.verdict == "beyond the ladder":
        reach = "faster" if last.bound == "at least" else "slower"
        return f"{what}: {now}, beyond the tempi played; add {reach} ones to the ladder, so that a change can be told."
    if trend.change is None or trend.smallest_change is None or trend.session_sd is None:
        count = len(trend.points)
        few = "1 session is" if count == 1 else f"{count} sessions are"
        return f"{what}: {now}; {few} too few to tell a change: play on four days or more."
    told = [point for point in trend.points if not point.bound]
    change = f"{say_change(trend.change.value)} since {day(told[0].started_s)} ({say_interval(trend.change)})"
    return (
        f"{what}: {trend.verdict}; {now}, {change}; sessions differ by {signed(trend.session_sd)} anyway, so two "
        f"of them cannot show a change below {signed(trend.smallest_change)}."
    )


def say_progress(progress: PlayerProgress, day: Day = utc_day) -> str:
    """The one thing to do for a player, why, and what was played since when.

    Parameters
    ----------
    progress : PlayerProgress
    day : callable, optional
        Gives a moment's date.

    Returns
    -------
    str
        Two sentences.
    """
    attention = progress.attention
    count = len(progress.sessions)
    minutes = sum(s.minutes_played for s in progress.sessions)
    dated = [s.started_s for s in progress.sessions if s.started_s is not None]
    since = f" since {day(dated[0])}" if dated else ""
    reasons = f" ({'; '.join(attention.reasons)})" if attention.reasons else ""
    return (
        f"{show_name(progress.player)}: {attention.word}{reasons}. Next: {attention.next_step}. "
        f"{count} session{'s' * (count != 1)}, {minutes:.0f} minute{'s' * (round(minutes) != 1)} played{since}."
    )
