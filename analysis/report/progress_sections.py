"""Am I getting better, in sentences and as sections of a page: one a posture and drill."""

from __future__ import annotations

from analysis.model.number_words import signed
from analysis.questions.progress import MeasureTrend, PlayerProgress
from analysis.report.sections import Choice, Picture, Section
from analysis.statistics.estimate_words import capitalise, say_change, say_interval


def progress_sections(player: PlayerProgress, id_stem: str, pictures: bool) -> tuple[Section, ...]:
    """One section a posture and drill, a sentence and a picture a measure.

    Parameters
    ----------
    player : PlayerProgress
    id_stem : str
        Start of the sections' ids.
    pictures : bool
        False: sentences only, which spares loading the plotting library.

    Returns
    -------
    tuple of Section
    """
    groups: dict[tuple[str, str, str], list[MeasureTrend]] = {}
    for trend in player.trends:
        groups.setdefault((trend.drill, trend.posture, trend.setup), []).append(trend)
    found = []
    for number, ((drill, posture, setup), trends) in enumerate(groups.items()):
        title = ", ".join(
            (
                f"Drill {drill}" if drill else "All play",
                *([f"posture {posture}"] if posture else []),
                *([setup] if setup else []),
            )
        )
        first, *others = [say_trend(trend) for trend in trends]
        choices = tuple(_choice(trend) for trend in trends) if pictures else ()
        found.append(Section(f"{id_stem}-{number}", title, first, choices, notes=tuple(others)))
    return tuple(found)


def _choice(trend: MeasureTrend) -> Choice:
    from analysis.report.figures_progress import draw_trend

    return Choice(trend.name, (Picture(draw_trend(trend), say_trend(trend)),))


def say_trend(trend: MeasureTrend) -> str:
    """One measure over the sessions in a sentence."""
    what = " ".join(part for part in (capitalise(trend.name), _where(trend.drill, trend.posture)) if part)
    last = trend.points[-1]
    bound = f"{last.bound} " if last.bound else ""
    now = f"{bound}{signed(last.value)} {trend.unit} in the last session"
    if trend.change is None or trend.smallest_change is None or trend.session_sd is None:
        return f"{what}: {now}; {len(trend.points)} sessions are too few to tell a change, play four or more."
    change = f"{say_change(trend.change.value)} {trend.unit} since the first ({say_interval(trend.change)})"
    return (
        f"{what}: {trend.verdict}; {now}, {change}; sessions differ by {signed(trend.session_sd)} anyway, so that two "
        f"of them show no change below {signed(trend.smallest_change)}."
    )


def say_progress(progress: PlayerProgress) -> str:
    """One player in a sentence.

    Parameters
    ----------
    progress : PlayerProgress

    Returns
    -------
    str
    """
    count = len(progress.sessions)
    minutes = sum(s.minutes_played for s in progress.sessions)
    name = progress.player or "(no name)"
    played = f"{count} session{'s' * (count != 1)}, {minutes:.0f} minutes played"
    reasons = "; ".join(progress.attention.reasons)
    step = f" Next: {progress.attention.next_step}." if progress.attention.next_step else ""
    return f"{name}: {progress.attention.word}{f' ({reasons})' if reasons else ''}; {played}.{step}"


def _where(drill: str, posture: str) -> str:
    parts = ([f"on {drill}"] if drill else []) + ([f"in posture {posture}"] if posture else [])
    return " ".join(parts)
