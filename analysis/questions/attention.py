"""Which player needs a teacher's attention first, and why. A report of discomfort outranks every number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.questions.session_summary import SessionSummary

DAY_S = 86_400.0
RECENT_DAYS = 14.0
HIGH_RATING = 7.0
RISE = 3.0
LONG_PLAY_MIN = 30.0
LOST_SHARE = 0.05
PLATEAU_SESSIONS = 8


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
    next_step: str = ""


NEXT_STEPS = (
    ("discomfort", "talk with the player before anything else is played"),
    ("rat", "ask how the hand feels, and play softer and shorter"),
    ("mean tilt is falling", "watch the tilt at an easy tempo, and set it anew there"),
    ("the stroke clears neither way", "practise one string change slowly, with a larger tilt"),
    ("no usable reference", "repeat the reference gestures at the start of the next session"),
    ("minutes without a break", "plan a break every half hour"),
    ("samples were lost", "bring sensor and computer closer together"),
    ("last played", "ask for one short session this week"),
    ("no change shown", "change the drill or its tempo"),
    ("getting worse", "go back to the last tempo that held"),
    ("getting better", "go on as now"),
)
"""What to do for a reason that holds these words."""


WORDS = ("on course", "remind", "look", "soon", "at once")


def judge_attention(
    sessions: Sequence[SessionSummary],
    worse: Sequence[str],
    better: Sequence[str],
    now_s: float,
    falling: Sequence[str] = (),
) -> Attention:
    """Give the reasons why a player needs attention.

    Parameters
    ----------
    sessions : sequence of SessionSummary
        Of one player, oldest first.
    worse, better : sequence of str
        Measures that changed beyond the session-to-session error.
    now_s : float
        Seconds since the epoch.
    falling : sequence of str
        Tilts that fall toward the dead band, in words.

    Returns
    -------
    Attention
    """
    found = [(4, text) for text in _discomfort(sessions, now_s)]
    found += [(3, text) for text in _ratings(sessions)]
    found += [(3, f"{name} is getting worse") for name in dict.fromkeys(worse)]
    found += [(2, text) for text in falling]
    checks: tuple[tuple[int, Callable[[SessionSummary], str]], ...] = (
        (2, _too_flat),
        (2, _no_frame),
        (2, _long_play),
        (1, _lossy),
    )
    latest = sessions[-1]
    found += [(urgency, text) for urgency, check in checks if (text := check(latest))]
    if latest.started_s is not None and now_s - latest.started_s > RECENT_DAYS * DAY_S:
        found.append((1, f"last played {(now_s - latest.started_s) / DAY_S:.0f} days ago"))
    if len(sessions) >= PLATEAU_SESSIONS and not worse and not better and not falling:
        found.append((1, f"no change shown over {len(sessions)} sessions"))
    found.sort(key=lambda reason: -reason[0])
    urgency = found[0][0] if found else 0
    reasons = tuple(text for _, text in found) or tuple(f"{name} is getting better" for name in dict.fromkeys(better))
    return Attention(urgency, WORDS[urgency], reasons, _next_step(reasons))


def _next_step(reasons: Sequence[str]) -> str:
    """What to do for the first reason."""
    first = reasons[0] if reasons else "getting better"
    return next((step for words, step in NEXT_STEPS if words in first), "look at the last session together")


def _discomfort(sessions: Sequence[SessionSummary], now_s: float) -> list[str]:
    # A player who stopped coming after a report is still to be asked.
    recent = [
        s
        for s in sessions
        if s.hurt and (s is sessions[-1] or s.started_s is None or now_s - s.started_s <= RECENT_DAYS * DAY_S)
    ]
    if not recent:
        return []
    times = f" in {len(recent)} sessions" if len(recent) > 1 else ""
    return [f"discomfort was reported{times}: no more playing until a clinician has been seen"]


def _ratings(sessions: Sequence[SessionSummary]) -> list[str]:
    highest = [max(value for _, value in s.ratings) for s in sessions if s.ratings]
    if not highest or not sessions[-1].ratings:
        return []
    if highest[-1] >= HIGH_RATING:
        return [f"rated {highest[-1]:g} of 10 in the last session"]
    before = float(np.median(highest[:-1])) if len(highest) > 1 else highest[-1]
    if highest[-1] - before >= RISE:
        return [f"ratings rose from {before:g} to {highest[-1]:g} of 10"]
    return []


def _too_flat(session: SessionSummary) -> str:
    shares = [g.share_clearing for g in session.groups if g.share_clearing is not None]
    if shares and max(shares) < 0.5:
        return f"the stroke clears too seldom: {100 * max(shares):.0f} of 100 in the last session"
    return ""


def _no_frame(session: SessionSummary) -> str:
    return "" if session.frame_known else "no usable reference gestures in the last session"


def _long_play(session: SessionSummary) -> str:
    if session.longest_play_min > LONG_PLAY_MIN:
        return f"{session.longest_play_min:.0f} minutes without a break of two minutes"
    return ""


def _lossy(session: SessionSummary) -> str:
    return f"{100 * session.lost_share:.0f} % of samples were lost" if session.lost_share > LOST_SHARE else ""
