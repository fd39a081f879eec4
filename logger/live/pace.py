"""The clock of a session, which tests may run faster."""

from __future__ import annotations

import math
import threading
import time

from logger.sources.base import steady_time_s

LEAD_S = 0.3
"""How far quickened time may be ahead of samples, and samples of the session that takes them."""


class Pace:
    """Seconds since the epoch on a clock that never steps, from now on ``speed`` times as quick.

    Where time is made quicker, it also waits: it never runs ahead of the samples that the session has taken, so that a
    busy computer makes a simulated session longer, not wrong.

    Parameters
    ----------
    speed : float
        1 but for simulation.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._zero_s = steady_time_s()
        self._begun_s = time.monotonic()
        self._limit_s = math.inf
        self._taken_s = math.inf
        self._lock = threading.Lock()

    def now_s(self) -> float:
        """Return the time.

        Returns
        -------
        float
        """
        with self._lock:
            now_s = self._zero_s + (time.monotonic() - self._begun_s) * self.speed
            if now_s > self._limit_s:
                self._begun_s += (now_s - self._limit_s) / self.speed
                return self._limit_s
            return now_s

    def real_s(self, seconds: float) -> float:
        """Return how long to sleep for so many seconds to pass; never negative.

        Parameters
        ----------
        seconds : float

        Returns
        -------
        float
        """
        return max(0.0, seconds / self.speed)

    def sampled(self, sample_s: float) -> bool:
        """A simulated sensor has samples up to here; False: wait, the session has not taken those before.

        Parameters
        ----------
        sample_s : float

        Returns
        -------
        bool
        """
        if self.speed == 1.0:
            return True
        self._limit_s = sample_s + LEAD_S
        return sample_s - self._taken_s < LEAD_S

    def taken(self, sample_s: float) -> None:
        """Note that the session has taken the samples up to here (or that they are lost).

        Parameters
        ----------
        sample_s : float
        """
        self._taken_s = sample_s

    def free(self) -> None:
        """No samples will come any more, or those of another source: wait for none."""
        with self._lock:
            self._limit_s = self._taken_s = math.inf
