"""The clock of a session, which tests may run faster, and the cues by which a simulated player follows the session."""

from __future__ import annotations

import time
from dataclasses import dataclass

from analysis.model import EventKind
from logger.sources.base import steady_time_s


class Pace:
    """Seconds since the epoch on a clock that never steps, from now on ``speed`` times as quick.

    Parameters
    ----------
    speed : float
        1 but for simulation.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._zero_s = steady_time_s()
        self._begun_s = time.monotonic()

    def now_s(self) -> float:
        """Return the time."""
        return self._zero_s + (time.monotonic() - self._begun_s) * self.speed

    def real_s(self, seconds: float) -> float:
        """Return how long to sleep for so many seconds to pass; never negative."""
        return max(0.0, seconds / self.speed)


@dataclass(frozen=True)
class Cue:
    """What the player is asked to do, from when on, for how long; ``until_s`` None: until the next cue.

    ``number`` is the block's place in the plan, 0 for free play.
    """

    kind: EventKind
    at_s: float
    until_s: float | None = None
    posture: str = ""
    off_hand: bool = False
    number: int = 0
