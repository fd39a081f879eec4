"""Which player needs a teacher's attention first, and why. A report of discomfort outranks every number.

A tilt that falls toward the dead band, or turns over to the other side, is never on course. Two signs, either of which
is enough: the line through the sessions changed beyond the session-to-session error, toward level; or the newest
session's 95 % interval lies nearer to level than that of every session before it, which needs no more than two sessions
and sees a sudden fall that a line does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.model.number_words import degrees, of_100
from analysis.questions.session_summary import SessionSummary

if TYPE_CHECKING:
    from analysis.questions.progress import MeasureTrend

DAY_S = 86_400.0
RECENT_DAYS = 14.0
HIGH_RATING = 7.0
RISE = 3.0
LONG_PLAY_MIN = 30.0
LOST_SHARE = 0.05
PLATEAU_SESSIONS = 8

ASK = "ask how the hand feels, and play softer and shorter"
LARGER = "practise one string change slowly, with a larger tilt"
SET_ANEW = "watch the tilt at an easy tempo, and set it again there"


@dataclass(frozen=True)
class Reason:
    """Why to look at a player, how soon, and what to do about it: a few plain words each."""

    urgency: int
    words: str
    next_step: str


@dataclass(frozen=True)
class Attention:
    """How soon to look at a player.

    Attributes
    ----------
    urgency : int
        4 at once, 3 soon, 2 look, 1 remind, 0 nothing.
    word : str
        The same in a word.
    reasons : tuple of str
        The most urgent first, a few plain words each.
    next_step : str
        The one thing to do, for the most urgent of them.
    """

    urgency: int
    word: str
    reasons: tuple[str, ...]
    next_step: str


WORDS = ("on course", "remind", "look", "soon", "at once")
GO_ON = "carry on as you are"


def judge_attention(sessions: Sequence[SessionSummary], trends: Sequence[MeasureTrend], now_s: float) -> Attention:
    """Give the reasons why a player needs attention.

    Parameters
    ----------
    sessions : sequence of SessionSummary
        Of one player, oldest first.
    trends : sequence of MeasureTrend
        Of the same player.
    now_s : float
        Seconds since the epoch.

    Returns
    -------
    Attention
    """
    worse, better = (list(dict.fromkeys(t.name for t in trends if t.verdict == v)) for v in ("worse", "better"))
    tilts = _falling_tilts(trends, sessions[-1].dead_band_deg)
    found = [*_discomfort(sessions, now_s), *_ratings(sessions)]
    found += [_getting_worse(name) for name in worse]
    found += tilts
    checks = (_too_flat, _no_frame, _long_play, _lossy)
    found += [reason for check in checks if (reason := check(sessions[-1])) is not None]
    found += _away(sessions[-1], now_s)
    found += _beyond(trends)
    still = not any(trend.verdict in ("better", "worse", "changed", "beyond the ladder") for trend in trends)
    if len(sessions) >= PLATEAU_SESSIONS and still and not tilts:
        found.append(Reason(1, f"no change shown over {len(sessions)} sessions", "change the drill or its tempo"))
    found.sort(key=lambda reason: -reason.urgency)
    if found:
        words = tuple(reason.words for reason in found)
        return Attention(found[0].urgency, WORDS[found[0].urgency], words, found[0].next_step)
    return Attention(0, WORDS[0], tuple(f"{name} is getting better" for name in better), GO_ON)


def _getting_worse(name: str) -> Reason:
    """A measure that gets worse, and what to do: of ratings as of the body, of the others as of the stroke."""
    steps = {
        "highest rating": ASK,
        "share clearing": LARGER,
        "hold tempo": "go back to the last tempo that held",
    }
    return Reason(3, f"{name} is getting worse", steps.get(name, "go back to an easy tempo until it is even again"))


def _discomfort(sessions: Sequence[SessionSummary], now_s: float) -> list[Reason]:
    # A player who stopped coming after a report is still to be asked.
    recent = [
        s
        for s in sessions
        if s.hurt and (s is sessions[-1] or s.started_s is None or now_s - s.started_s <= RECENT_DAYS * DAY_S)
    ]
    if not recent:
        return []
    times = f" in {len(recent)} sessions" if len(recent) > 1 else ""
    said = f"discomfort was reported{times}: no more playing until a clinician has been seen"
    return [Reason(4, said, "talk with the player before anything else is played")]


def _ratings(sessions: Sequence[SessionSummary]) -> list[Reason]:
    highest = [max(value for _, value in s.ratings) for s in sessions if s.ratings]
    if not highest or not sessions[-1].ratings:
        return []
    if highest[-1] >= HIGH_RATING:
        return [Reason(3, f"rated {highest[-1]:g} of 10 in the last session", ASK)]
    before = float(np.median(highest[:-1])) if len(highest) > 1 else highest[-1]
    if highest[-1] - before >= RISE:
        return [Reason(3, f"ratings rose from {before:g} to {highest[-1]:g} of 10", ASK)]
    return []


def _too_flat(session: SessionSummary) -> Reason | None:
    """Too few strokes clear, or, where that cannot be told, every tilt lies in the dead band."""
    shares = [g.share_clearing for g in session.groups if g.share_clearing is not None]
    if shares and max(shares) < 0.5:
        said = f"the stroke clears too seldom: {of_100(max(shares))} in the last session"
        return Reason(2, said, LARGER)
    band = session.dead_band_deg
    if not shares and band is not None and session.frame_known and session.groups:
        steepest = max(abs(group.tilt_deg) for group in session.groups)
        if steepest < band:
            said = f"the tilt lay in the dead band in the last session: {steepest:.0f} of {band:.0f} deg"
            return Reason(2, said, LARGER)
    return None


def _no_frame(session: SessionSummary) -> Reason | None:
    if session.frame_known:
        return None
    step = "repeat the reference gestures at the start of the next session"
    return Reason(2, "no usable reference gestures in the last session", step)


def _long_play(session: SessionSummary) -> Reason | None:
    if session.longest_play_min <= LONG_PLAY_MIN:
        return None
    said = f"{session.longest_play_min:.0f} minutes without a break of two minutes in the last session"
    return Reason(2, said, "plan a break every half hour")


def _lossy(session: SessionSummary) -> Reason | None:
    if session.lost_share <= LOST_SHARE:
        return None
    said = f"{100 * session.lost_share:.0f} % of samples were lost in the last session"
    return Reason(1, said, "bring sensor and computer closer together")


def _away(session: SessionSummary, now_s: float) -> list[Reason]:
    if session.started_s is None or now_s - session.started_s <= RECENT_DAYS * DAY_S:
        return []
    days = (now_s - session.started_s) / DAY_S
    return [Reason(1, f"last played {days:.0f} days ago", "ask for one short session this week")]


def _beyond(trends: Sequence[MeasureTrend]) -> list[Reason]:
    """A hold tempo beyond the tempi played, which nobody can follow."""
    bounds = {trend.points[-1].bound for trend in trends if trend.verdict == "beyond the ladder"}
    found = []
    if "below" in bounds:
        found.append(Reason(1, "hold tempo lies below the slowest tempo played", "add slower tempi to the ladder"))
    if "at least" in bounds:
        found.append(Reason(1, "hold tempo lies beyond the fastest tempo played", "add faster tempi to the ladder"))
    return found


def _falling_tilts(trends: Sequence[MeasureTrend], dead_band_deg: float | None) -> list[Reason]:
    """Tilts that fall or turn over, each said once."""
    found = []
    for trend in trends:
        if trend.name != "mean tilt" or len(trend.points) < 2:
            continue
        first, last = _before_and_now(trend)
        moved = trend.verdict == "changed" or _apart(trend)
        tilt = f"the tilt {name_where(trend.drill, trend.posture)}".strip()
        if moved and first * last < 0:
            found.append(Reason(2, f"{tilt} turned over to the other side, {_from_to(first, last)}", SET_ANEW))
        elif moved and abs(last) < abs(first):
            found.append(Reason(2, _say_fall(tilt, first, last, dead_band_deg), SET_ANEW))
    return list(dict.fromkeys(found))


def name_where(drill: str, posture: str) -> str:
    """On which drill and in which posture, in words.

    Parameters
    ----------
    drill, posture : str
        May be empty.

    Returns
    -------
    str
        Empty for neither.

    Examples
    --------
    >>> name_where("tune", "A"), name_where("", "")
    ('on tune in posture A', '')
    """
    return " ".join(([f"on {drill}"] if drill else []) + ([f"in posture {posture}"] if posture else []))


def _before_and_now(trend: MeasureTrend) -> tuple[float, float]:
    """The ends of the line where it tells of a change; else what was nearest to level before, and the newest."""
    values = np.array([point.value for point in trend.points])
    if trend.verdict == "changed" and trend.change is not None:
        times = np.array([point.started_s for point in trend.points])
        last = float(values.mean() + trend.change.value * (times[-1] - times.mean()) / np.ptp(times))
        return last - trend.change.value, last
    return float(min(values[:-1], key=abs)), float(values[-1])


def _apart(trend: MeasureTrend) -> bool:
    """Whether the newest interval overlaps none before it."""
    ends = [(p.low, p.high) for p in trend.points if p.low is not None and p.high is not None]
    if len(ends) < len(trend.points):
        return False
    (*before, (low, high)) = ends
    return all(high < other_low or other_high < low for other_low, other_high in before)


def _say_fall(tilt: str, first: float, last: float, dead_band_deg: float | None) -> str:
    inside = dead_band_deg is not None and abs(last) < dead_band_deg
    said = f"{tilt} {'has fallen into' if inside else 'falls toward'} the dead band, {_from_to(first, last)}"
    return said if dead_band_deg is None else f"{said}, where a straight stroke clears from {degrees(dead_band_deg)}"


def _from_to(first: float, last: float) -> str:
    return f"from {degrees(first)} to {degrees(last)}"
