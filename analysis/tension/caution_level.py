r"""One caution level for a session: steady, watch, or ease off.

The markers of all blocks so far are looked at after 20, 30, 45 minutes and every quarter of an hour from then on,
counted from the start of play. At each look the largest drift has a p (:mod:`analysis.tension.marker_drift`); the
allowance of false alarms :math:`\alpha` for two hours is spent late; what is left when the session ends is spent then:

.. math::

   P(\text{alarm up to } t_j) = \alpha \left(\frac{t_j}{120\,\mathrm{min}}\right)^3, \qquad
   p_j \le a_j \;\to\; \text{watch}, \qquad p_j \le \epsilon a_j \;\to\; \text{ease off}                        (1)

The levels :math:`a_j` of the looks follow from it, since looks at one evening hang together
(:mod:`analysis.statistics.repeated_looks`; what is known of a slope grows as :math:`t^3`). A level that was reached
stays for the session. Reports of the player come first and need no statistics; they say nothing of the markers, nor the
markers of them. A session that is steady says how large a change it could have shown
(:func:`analysis.tension.marker_drift.visible_changes`).

References
----------
Lan and DeMets, Biometrika 70, 1983, 659-663 (spending an error rate over looks).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analysis.model.cautions import HURT, STOP, discomfort, is_discomfort
from analysis.model.records import Event, FloatArray
from analysis.questions.summarise_session import check_ratings
from analysis.statistics.repeated_looks import look_levels
from analysis.tension.marker_drift import (
    MarkerDrift,
    drift_chance,
    estimate_drifts,
    prepare_drifts,
    visible_changes,
)
from analysis.tension.marker_table import MARKERS, Marker
from analysis.tension.marker_words import change_text

Level = Literal["steady", "watch", "ease off"]
FALSE_ALARM_RATE = 0.05
HIGH_RATING = 7.0
SHOWN_Z = 2.3
MOST_SPENT = 0.5
"""However long an evening lasts."""


@dataclass(frozen=True)
class LevelSettings:
    """How the level is judged.

    ``looks_min``: minutes of the first looks; then every ``every_min``. ``false_alarms`` is the share of steady
    sessions of ``per_min`` minutes that may be alarmed about; ``ease_share`` the part of them that may reach the
    second alarm. ``draws`` permutations a look.

    Attributes
    ----------
    looks_min, every_min : tuple of float, float
        Minutes of play.
    per_min : float
    false_alarms : float
    ease_share : float
    draws : int
    seed : int
        Of the permutations.
    """

    looks_min: tuple[float, ...] = (20.0, 30.0, 45.0)
    every_min: float = 15.0
    per_min: float = 120.0
    false_alarms: float = FALSE_ALARM_RATE
    ease_share: float = 0.2
    draws: int = 4500
    seed: int = 8


@dataclass(frozen=True)
class Look:
    """One look: minutes from the start of play, p of the largest drift, what was allowed for an alarm.

    ``p`` is None where the blocks could not tell drift from tempo or posture, or were too few.
    """

    minute: float
    p: float | None
    allowed: float


@dataclass(frozen=True)
class TensionLevel:
    """The level of a session so far.

    Attributes
    ----------
    level : {"steady", "watch", "ease off"} or None
        None: no look was possible yet, or the last one could tell nothing.
    hurt : bool
        Discomfort was reported: whatever the markers say, stop.
    sentence : str
        What to tell the player.
    reasons : tuple of str
        The most urgent first.
    since_min : float or None
        When the level was reached, minutes of play; None where it is not an alarm of the markers.
    next_look_min : float
        When the markers are looked at next.
    looks : tuple of Look
    drivers : tuple of MarkerDrift
        What had drifted most when the level was reached.
    false_alarms : float
        Share of steady two-hour sessions in which the markers alone alarm, at most.
    visible : tuple of (Marker, float)
        Of a finished, steady session: the smallest change of each marker from its first minutes to its last that would
        have been found in 80 of 100 such sessions.
    """

    level: Level | None
    hurt: bool
    sentence: str
    reasons: tuple[str, ...]
    since_min: float | None
    next_look_min: float
    looks: tuple[Look, ...]
    drivers: tuple[MarkerDrift, ...]
    false_alarms: float = FALSE_ALARM_RATE
    visible: tuple[tuple[Marker, float], ...] = ()


SENTENCES: dict[Level | None, str] = {
    None: "Too early to tell whether anything changes.",
    "steady": "Nothing has changed since your first minutes, as far as a session of this length can show. What you "
    "feel counts for more than this.",
    "watch": "Watch: your playing has drifted away from your first minutes. Take a break soon, and loosen the hand.",
    "ease off": "Ease off: your playing has drifted clearly. Stop for a good break, then go on slower, or another day.",
}


VISIBLE_DRAWS = 2000
REST = "Your own rating is high: stop for a good break, then go on more softly, or another day."
OF_THE_MARKERS: dict[Level | None, str] = {
    None: "The markers cannot add to that.",
    "steady": "The markers show no change beyond chance, which takes nothing from it.",
    "watch": "The markers have drifted too, and are judged apart from it.",
    "ease off": "The markers have drifted clearly too, and are judged apart from it.",
}
CANNOT_TELL = "Whether anything drifts cannot be told: there are too few blocks, or tempo or posture changed with time."


def assess_tension(
    blocks: pd.DataFrame, events: Sequence[Event] = (), finished: bool = False, settings: LevelSettings | None = None
) -> TensionLevel:
    """Judge the blocks so far. Pure, and quick enough to be called after every block.

    Parameters
    ----------
    blocks : DataFrame
        Columns of :data:`analysis.tension.marker_table.TENSION_COLUMNS`, in time order; may be empty.
    events : sequence of Event
        Of the session so far, for reports of discomfort and ratings.
    finished : bool
        The session is over: one more look at its end.
    settings : LevelSettings, optional

    Returns
    -------
    TensionLevel

    Raises
    ------
    InputError
        A rating outside 0 to 10.
    """
    settings = settings or LevelSettings()
    check_ratings(events)
    looks, upcoming = _looks(blocks, finished, settings)
    level, since = _alarm(looks, settings)
    drivers = _drivers(blocks, since) if since is not None else ()
    reasons = [say_drift(drift, since or 0.0) for drift in drivers]
    high = [e for e in events if e.kind == "rating" and not is_discomfort(e.label) and (e.rating or 0) >= HIGH_RATING]
    sentence = CANNOT_TELL if level is None and looks else SENTENCES[level]
    visible = _visible(blocks, looks, settings) if finished and level == "steady" else ()
    if visible:
        sentence = f"{sentence} {say_visible(visible)}"
    if high:
        sentence = f"{REST} {OF_THE_MARKERS[level]}"
        level, since = "ease off", None
        reasons.insert(0, f"you rated {high[-1].label or 'tension'} {high[-1].rating:g} of 10")
    said = discomfort(events)
    if said:
        level, since, sentence = "ease off", None, f"{HURT} {STOP}"
        reasons = [*said, *reasons]
    return TensionLevel(
        level, bool(said), sentence, tuple(reasons), since, upcoming, looks, drivers, settings.false_alarms, visible
    )


def _visible(blocks: pd.DataFrame, looks: Sequence[Look], settings: LevelSettings) -> tuple[tuple[Marker, float], ...]:
    """What the last look would have found."""
    groups = prepare_drifts(_until(blocks, looks[-1].minute))
    return visible_changes(groups, looks[-1].allowed, VISIBLE_DRAWS, settings.seed) if groups else ()


def say_visible(visible: Sequence[tuple[Marker, float]], most: int = 3) -> str:
    """The smallest changes that could have been shown, in words."""
    named = [f"{marker.name} {change_text(marker, change)}" for marker, change in visible[:most]]
    return f"The smallest change that this session would have shown, four times in five: {', '.join(named)}."


def say_drift(drift: MarkerDrift, minutes: float) -> str:
    """What a drift comes to over some minutes, in words, as ``tremor at rest +40 %``."""
    return f"{drift.marker.name} {change_text(drift.marker, drift.per_hour.value * minutes / 60)}"


def _looks(blocks: pd.DataFrame, finished: bool, settings: LevelSettings) -> tuple[tuple[Look, ...], float]:
    """Looks that are due, and the minute of the next one."""
    if blocks.empty:
        return (), settings.looks_min[0]
    last = float(_end_min(blocks).max())
    times = [minute for minute in settings.looks_min if minute <= last]
    following = next((minute for minute in settings.looks_min if minute > last), None)
    if following is None:
        following = settings.looks_min[-1] + settings.every_min
        while following <= last:
            times.append(following)
            following += settings.every_min
    if finished and last >= settings.looks_min[0] and last - times[-1] > 1.0:
        times.append(last)
    looks = []
    for number, (minute, allowed) in enumerate(zip(times, _allowed(times, finished, settings), strict=True)):
        groups = prepare_drifts(_until(blocks, minute))
        p = drift_chance(groups, settings.draws, settings.seed + number) if groups else None
        looks.append(Look(minute, p, allowed))
    return tuple(looks), following


def _allowed(minutes: Sequence[float], finished: bool, settings: LevelSettings) -> tuple[float, ...]:
    """Level of each look, equation (1); what is left when the session ends is spent then."""
    information = [(minute / settings.per_min) ** 3 for minute in minutes]
    spent = [min(MOST_SPENT, settings.false_alarms * part) for part in information]
    if finished and spent:
        spent[-1] = max(spent[-1], settings.false_alarms)
    markers = sum(marker.load for marker in MARKERS)
    return look_levels(tuple(information), tuple(spent), markers)


def _alarm(looks: Sequence[Look], settings: LevelSettings) -> tuple[Level | None, float | None]:
    """The highest level that any look reached, and when first; equation (1)."""
    judged = [look for look in looks if look.p is not None]
    for level, share in (("ease off", settings.ease_share), ("watch", 1.0)):
        reached = [look.minute for look in judged if look.p is not None and look.p <= share * look.allowed]
        if reached:
            return ("ease off" if level == "ease off" else "watch"), reached[0]
    # What an early look could tell says nothing of a session whose tempo went with time from then on.
    return ("steady" if looks and looks[-1].p is not None else None), None


def _drivers(blocks: pd.DataFrame, minute: float) -> tuple[MarkerDrift, ...]:
    """What drifted most at a look: the largest, and others beyond 2.3 standard scores (1 % one-sided)."""
    ordered = sorted(estimate_drifts(prepare_drifts(_until(blocks, minute))), key=lambda drift: -drift.z)
    return tuple(ordered[:1] + [drift for drift in ordered[1:] if drift.z >= SHOWN_Z])


def _end_min(blocks: pd.DataFrame) -> FloatArray:
    """Minutes from the start of play to the end of each row."""
    return np.asarray((blocks["end_s"] - blocks["start_s"].min()).to_numpy(np.float64) / 60)


def _until(blocks: pd.DataFrame, minute: float) -> pd.DataFrame:
    """The rows that had ended by a minute of play."""
    return blocks[_end_min(blocks) <= minute + 1e-9]
