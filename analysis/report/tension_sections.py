"""Tension over a session as a section of a page, and its sentences."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.model.cautions import STOP
from analysis.model.number_words import duration
from analysis.report.sections import Choice, Picture, Section, Table
from analysis.statistics.estimate_words import capitalise
from analysis.tension.assessment import MarkerTrend, Tension
from analysis.tension.caution_level import LevelSettings, TensionLevel
from analysis.tension.hand_load import Breaks, HandActivity
from analysis.tension.marker_table import Marker
from analysis.tension.marker_words import change_text, interval_text, value_text

SURE_P = 0.05
NOT_DIAGNOSIS = (
    "This compares you with your own first minutes, and says nothing about health: markers drift for many reasons, and "
    "a hand can be strained while none of them moves."
)


def tension_section(tension: Tension, pictures: bool = True) -> Section:
    """Does tension grow over the session.

    Parameters
    ----------
    tension : Tension
    pictures : bool
        False: words and numbers only, which spares loading the plotting library.

    Returns
    -------
    Section
    """
    ordered = sorted(tension.trends, key=lambda trend: -(trend.drift.z if trend.drift else -9.0))
    choices = tuple(_choice(tension, trend) for trend in ordered) if pictures else ()
    visible = dict(tension.level.visible)
    rows = tuple(_row(trend, visible) for trend in tension.trends)
    more = ("Could show",) if visible else ()
    columns = ("Trend of", "At first", "At last", "Change", "95 % interval", "Step", *more)
    return Section(
        "tension",
        "Is tension building up?",
        say_level(tension.level),
        choices,
        Table("Medians of the first and last ten minutes, and the trend", columns, rows) if rows else None,
        tension_notes(tension),
    )


def say_level(level: TensionLevel) -> str:
    """The level in two or three sentences; a report of discomfort first and, with what to do, alone.

    Parameters
    ----------
    level : TensionLevel

    Returns
    -------
    str
    """
    if level.hurt:
        return f"{level.sentence} ({capitalise('; '.join(level.reasons))}.)"
    since = f" by minute {level.since_min:.0f} of play" if level.since_min is not None else ""
    why = f" What had changed{since}: {'; '.join(level.reasons)}." if level.reasons else ""
    if level.reasons and level.since_min is None:
        why = f" {capitalise('; '.join(level.reasons))}."
    named = f"{capitalise(level.level)}. " if level.level == "steady" else ""
    return f"{named}{level.sentence}{why}"


def say_breaks(breaks: Breaks) -> str:
    """Breaks taken against planned."""
    count = len(breaks.taken)
    lengths = ", ".join(f"{length:.0f} min at minute {at:.0f}" for at, length in breaks.taken)
    taken = f"{count} break{'s' * (count != 1)} taken ({lengths})" if count else "no break taken"
    return (
        f"Breaks: {taken}, {breaks.planned} planned ({breaks.planned_min:g} minutes in every "
        f"{breaks.planned_every_min:g}); longest play without one {duration(60 * breaks.longest_play_min)}. The "
        "minutes are common practice, no study stands behind them."
    )


def say_activity(activity: HandActivity) -> str:
    """Hand activity with its caveat."""
    beyond = " Picking is faster than the work that scale was made for." if activity.beyond_tables else ""
    return (
        f"Context only: hand activity {activity.level:.1f} on a scale of 0 to 10 (strokes in {activity.duty_pct:.0f} % "
        f"of the time, {activity.strokes_per_s:.1f} a second while playing).{beyond} It knows no force, which a motion "
        "sensor cannot see, so it is not comparable with any limit."
    )


def tension_notes(tension: Tension) -> tuple[str, ...]:
    """What is to be said of tension besides its level.

    Parameters
    ----------
    tension : Tension

    Returns
    -------
    tuple of str
        Sentences.
    """
    notes = [f"{capitalise(remark)}." for remark in tension.remarks]
    if not tension.level.hurt and any(look.p is not None for look in tension.level.looks):
        allowed = 100 * tension.level.false_alarms
        hours = LevelSettings().per_min / 60
        notes.append(
            f"The level weighs all markers together, tempo and posture allowed for: at most {allowed:.0f} in 100 "
            f"steady sessions of {hours:.0f} hours raise an alarm. No alarm is no proof that nothing changed."
        )
    notes.append(NOT_DIAGNOSIS)
    if tension.breaks is not None:
        notes.append(say_breaks(tension.breaks))
    if tension.activity is not None:
        notes.append(say_activity(tension.activity))
    if not tension.level.hurt:
        notes.append(STOP)
    return tuple(notes)


def _choice(tension: Tension, trend: MarkerTrend) -> Choice:
    from analysis.report.figures_tension import draw_marker

    return Choice(capitalise(trend.marker.name), (Picture(draw_marker(tension, trend), say_trend(trend)),))


def say_trend(trend: MarkerTrend) -> str:
    """One marker over the session in a sentence."""
    marker = trend.marker
    ends = f"{capitalise(marker.name)}: {_value(marker, trend.first)} at first, {_value(marker, trend.last)} at last"
    if trend.drift is None:
        return f"{ends}; no trend can be told from {trend.rows} blocks."
    change = trend.drift.over_session
    chance = "" if change.low > 0 or change.high < 0 else ", which may be chance"
    said = f"{ends}; trend {change_text(marker, change.value)} ({interval_text(marker, change)}){chance}."
    if trend.change is not None and trend.change.p < SURE_P:
        step = change_text(marker, trend.change.step)
        said += f" Its level changes near minute {trend.change.minute:.0f}, by {step} (p {trend.change.p:.3f})."
    return said


def _row(trend: MarkerTrend, visible: Mapping[Marker, float]) -> tuple[str, ...]:
    marker = trend.marker
    change = trend.drift.over_session if trend.drift else None
    step = trend.change if trend.change is not None and trend.change.p < SURE_P else None
    unit = f" ({marker.unit})" if marker.unit else ""
    return (
        f"{marker.name}{unit}",
        _value(marker, trend.first).split(" ")[0],
        _value(marker, trend.last).split(" ")[0],
        _change(marker, change.value) if change else "",
        interval_text(marker, change) if change else "",
        f"min {step.minute:.0f}" if step else "none",
        *([_change(marker, visible[marker]) if marker in visible else ""] if visible else []),
    )


def _change(marker: Marker, change: float) -> str:
    """A change without its unit where the row's name has it; a share keeps its sign."""
    words = change_text(marker, change)
    return words if marker.relative else words.split(" ")[0]


def _value(marker: Marker, value: float) -> str:
    return "unknown" if value != value else value_text(marker, value)
