"""What every source of samples offers, and how patient a real one is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from logger.sources.clock import DeviceClock
from logger.sources.stream import Arrival, DeviceInfo, Item, Losses

Sink: TypeAlias = Callable[[Sequence[Item]], None]
"""Takes items in order, on the source's own thread; must not block."""

_HOST_ZERO_S = time.time() - time.monotonic()


def steady_time_s() -> float:
    """Seconds since the epoch on a clock that never steps, whatever happens to the computer's date.

    Returns
    -------
    float
        Seconds.
    """
    return _HOST_ZERO_S + time.monotonic()


class Source(Protocol):
    """Samples from somewhere.

    Attributes
    ----------
    name : str
        What the player knows it by.
    finished : Event
        Set when no more samples will ever come, as at the end of a replay.
    losses : Losses
        Up to the hand-over to the sink.
    clock : DeviceClock
        Device seconds (``ticks / tick_hz``) against :func:`steady_time_s`.
    """

    name: str
    finished: threading.Event

    @property
    def losses(self) -> Losses:
        """Losses so far."""
        ...

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        ...

    @property
    def arrivals(self) -> Sequence[Arrival]:
        """The last pieces that a radio handed over, as it did; empty where a link has no pieces of its own."""
        ...

    def start(self, sink: Sink) -> DeviceInfo:
        """Open the link, wait for the device, deliver from then on, reconnecting as needed.

        Raises
        ------
        DeviceError
            If the device cannot be found, opened or understood now.

        Parameters
        ----------
        sink : Sink

        Returns
        -------
        DeviceInfo
        """
        ...

    def stop(self) -> None:
        """End delivery and release the link; after it returns the sink is not called again."""
        ...


@dataclass(frozen=True)
class LinkSettings:
    """How patient a source is, and what it asks of the device.

    ``rate_hz`` and ``ranges`` (g, deg/s) are asked of a device that speaks the wire protocol; None leaves its own.

    Attributes
    ----------
    ready_s : float
        How long to wait for the first answer.
    ask_again_s : float
        How often to ask meanwhile.
    silence_s : float
        After which the link counts as lost.
    backoff_first_s, backoff_last_s : float
        Shortest and longest wait between attempts.
    rate_hz : float or None
    ranges : (int, int) or None
    host_time_s : callable
        The computer's clock.
    """

    ready_s: float = 6.0
    ask_again_s: float = 1.0
    silence_s: float = 3.0
    backoff_first_s: float = 0.05
    backoff_last_s: float = 2.0
    rate_hz: float | None = None
    ranges: tuple[int, int] | None = None
    host_time_s: Callable[[], float] = steady_time_s

    def backoff_s(self, failures: int) -> float:
        """How long to wait before the next try, after this many failures in a row.

        Parameters
        ----------
        failures : int

        Returns
        -------
        float
        """
        return min(self.backoff_first_s * 2.0 ** min(failures, 20), self.backoff_last_s)
