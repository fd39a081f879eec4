"""The player's load: time played since the last break, ratings and markers that ask for one. Proposes, never forbids.

The minutes are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger.practice.plan_orders import BREAK_S, LONGEST_PLAY_S

MUCH = 7
"""From this tension on a break is proposed."""
RISE = 3
"""So is a tension that rose by so much since the session's first rating."""


@dataclass(frozen=True)
class Load:
    """What the session has come to so far.

    Attributes
    ----------
    proposal : str
        A sentence; empty while no break is due.
    played_s, since_break_s : float
        Seconds played, in all and since the last break.
    first_tension : int or None
        The session's first rating.
    """

    proposal: str = ""
    played_s: float = 0.0
    since_break_s: float = 0.0
    first_tension: int | None = None

    def played(self, seconds: float) -> Load:
        """A block was played."""
        since_s = self.since_break_s + seconds
        load = replace(self, played_s=self.played_s + seconds, since_break_s=since_s)
        if since_s < LONGEST_PLAY_S:
            return load
        minutes = int(since_s // 60)
        return replace(
            load,
            proposal=f"You have played for {minutes} minutes: take a break of a few minutes, and put your hands down.",
        )

    def rested(self, seconds: float) -> Load:
        """The hands rested for so long."""
        return replace(self, since_break_s=0.0, proposal="") if seconds >= BREAK_S else self

    def drifted(self, level: str | None, sentence: str) -> Load:
        """The markers of tension were assessed."""
        return replace(self, proposal=sentence) if level in ("watch", "ease off") else self

    def rated(self, scale: str, value: int) -> Load:
        """The player answered a question; what follows discomfort is for the guide."""
        if scale != "tension":
            return self
        first = value if self.first_tension is None else self.first_tension
        load = replace(self, first_tension=first)
        if value < MUCH and value < first + RISE:
            return load
        words = f"Tension {value}: take a break, and shake out your hands and shoulders before you go on."
        return replace(load, proposal=words)
