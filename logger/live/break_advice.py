"""The player's body: time played since the last break, ratings and markers that ask for one. Proposes, never forbids.

The minutes are common practice, no source.
"""

from __future__ import annotations

from analysis.model.cautions import STOP
from logger.practice.plan_orders import BREAK_S, LONGEST_PLAY_S

MUCH = 7
"""From this tension on a break is proposed."""
RISE = 3
"""So is a tension that rose by so much since the session's first rating."""


class Body:
    """Keep count, and propose a break where one is due.

    Attributes
    ----------
    proposal : str
        A sentence; empty while no break is due.
    """

    def __init__(self) -> None:
        self.proposal = ""
        self._played_s = 0.0
        self._since_s = 0.0
        self._first_tension: int | None = None

    @property
    def seconds(self) -> tuple[float, float]:
        """Seconds played, in all and since the last break."""
        return self._played_s, self._since_s

    def played(self, seconds: float) -> None:
        """A block was played."""
        self._played_s += seconds
        self._since_s += seconds
        if self._since_s >= LONGEST_PLAY_S:
            minutes = int(self._since_s // 60)
            self.proposal = f"You have played for {minutes} minutes: take a break of a few minutes, hands down."

    def rested(self, seconds: float) -> None:
        """The hands rested for so long."""
        if seconds >= BREAK_S:
            self._since_s, self.proposal = 0.0, ""

    def drifted(self, level: str | None, sentence: str) -> None:
        """The markers of tension were assessed."""
        if level in ("watch", "ease off"):
            self.proposal = sentence

    def rated(self, scale: str, value: int) -> None:
        """The player answered a question."""
        if scale == "discomfort":
            if value > 0:  # As the verdict has it: any discomfort is a reason to stop.
                self.proposal = f"Discomfort {value}: take a break. {STOP}"
            return
        if self._first_tension is None:
            self._first_tension = value
        if value >= MUCH or value >= self._first_tension + RISE:
            self.proposal = f"Tension {value}: take a break, shake out hands and shoulders before you go on."
