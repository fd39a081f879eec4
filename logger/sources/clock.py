"""Device time against host time.

A sample's tick says when it was taken on the device's clock; its arrival says when the host had it, later by a delay
that is never negative and often long (a radio sends in bursts). The straight line under all arrivals, as high as it
can lie, is therefore the host time of a tick plus the link's shortest delay. Its slope is the device's rate error.

The shortest delay itself cannot be seen from one side of the link.

References
----------
Moon, Skelly, Towsley (1999), Estimation and removal of clock skew from network delay measurements, IEEE INFOCOM:
the line under the delays that lies closest to them is an edge of their lower convex hull.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import IntArray
from analysis.model.session_parts import ClockRelation

SAME_S = 1e-9
"""Heights that differ by less are one height."""


@dataclass(frozen=True)
class ClockSettings:
    """How much of the past the fit looks at.

    ``block_s`` is the stretch of which only the least delayed arrival is kept, ``memory_s`` the stretch of the past
    that the line is laid under, ``max_rate_error`` the largest slope error that a real clock can have.
    """

    block_s: float = 0.25
    memory_s: float = 600.0
    max_rate_error: float = 0.03
    slope_from_s: float = 2.0


@dataclass(frozen=True)
class ClockFit:
    """``host_s = host0_s + (device_s - device0_s) * rate``; ``residual_s`` says how well.

    Attributes
    ----------
    rate : float
        Host seconds in one device second. ``rate - 1`` is the device's clock error, slow when positive.
    residual_s : float
        Median height of the kept arrivals above the line: what a single conversion may be off, besides the link's
        shortest delay, which no one-sided measurement shows.
    delay_p50_s, delay_p99_s : float
        Arrival delay beyond the shortest, over the recent arrivals.
    """

    device0_s: float
    host0_s: float
    rate: float
    residual_s: float
    delay_p50_s: float
    delay_p99_s: float

    def host_s(self, device_s: float) -> float:
        """Host time at which the device's clock showed this.

        Parameters
        ----------
        device_s : float

        Returns
        -------
        float
        """
        return self.host0_s + (device_s - self.device0_s) * self.rate

    def device_s(self, host_s: float) -> float:
        """What the device's clock showed at this host time.

        Parameters
        ----------
        host_s : float

        Returns
        -------
        float
        """
        return self.device0_s + (host_s - self.host0_s) / self.rate


LEAST_DELAY_S = 1e-3
"""No link is quicker than this beyond doubt."""


def relate_clocks(hand: ClockFit, other: ClockFit) -> ClockRelation:
    """A sensor's own time on the hand's, by way of the host's clock, which both are laid against.

    The shortest delay of either link is not seen, only how far the usual delay lies above it; about that much the two
    may be apart.

    Parameters
    ----------
    hand, other : ClockFit

    Returns
    -------
    ClockRelation

    Examples
    --------
    >>> relate_clocks(ClockFit(0.0, 100.0, 1.0, 0.0, 0.003, 0.01), ClockFit(50.0, 101.0, 1.0, 0.0, 0.004, 0.02))
    ClockRelation(offset_s=-49.0, rate=1.0, residual_s=0.005)
    """
    rate = other.rate / hand.rate
    # Epochs are taken from each other first: as single numbers they keep a fifth of a microsecond.
    at_zero_s = hand.device0_s + (other.host0_s - hand.host0_s) / hand.rate - other.device0_s * rate
    unseen = [max(fit.residual_s, fit.delay_p50_s, LEAST_DELAY_S) for fit in (hand, other)]
    return ClockRelation(at_zero_s, rate, math.hypot(*unseen))


class DeviceClock:
    """Collect arrivals and fit device time to host time, from any thread. Memory does not grow with the recording.

    Parameters
    ----------
    settings : ClockSettings, optional
    """

    def __init__(self, settings: ClockSettings | None = None) -> None:
        self._settings = settings or ClockSettings()
        kept = int(self._settings.memory_s / self._settings.block_s) + 1
        self._blocks: deque[tuple[float, float]] = deque(maxlen=kept)
        self._recent: deque[tuple[float, float]] = deque(maxlen=2048)
        self._block_end_s = -np.inf
        self._lock = threading.Lock()

    def observe(self, device_s: float, host_s: float) -> None:
        """Note that the sample taken at ``device_s`` arrived at ``host_s`` (both in seconds, rising).

        Parameters
        ----------
        device_s : float
        host_s : float
        """
        with self._lock:
            self._recent.append((device_s, host_s))
            if device_s >= self._block_end_s:
                self._blocks.append((device_s, host_s))
                self._block_end_s = device_s + self._settings.block_s
            elif host_s - device_s < self._blocks[-1][1] - self._blocks[-1][0]:
                self._blocks[-1] = (device_s, host_s)

    def restart(self) -> None:
        """Forget the past: the device's clock jumped."""
        with self._lock:
            self._blocks.clear()
            self._recent.clear()
            self._block_end_s = -np.inf

    def fit(self) -> ClockFit | None:
        """Return the best line so far, or None before the first arrival.

        Returns
        -------
        ClockFit or None
        """
        with self._lock:
            blocks, recent = np.array(self._blocks), np.array(self._recent)
        if not len(blocks):
            return None
        blocks = blocks[blocks[:, 0] >= blocks[-1, 0] - self._settings.memory_s]
        # Delays, not host times, keep the numbers small: epochs of 1.8e9 s would cost microseconds.
        device0, host0 = float(blocks[0, 0]), float(blocks[0, 1])
        x = blocks[:, 0] - device0
        y = blocks[:, 1] - host0 - x
        slope, offset = self._line_under(x, y)
        delays = recent[:, 1] - host0 - (recent[:, 0] - device0) * (1.0 + slope) - offset
        p50, p99 = np.percentile(delays, [50.0, 99.0])
        residual = float(np.median(y - offset - slope * x))
        return ClockFit(device0, host0 + offset, 1.0 + slope, residual, float(p50), float(p99))

    def _line_under(self, x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
        """Slope and offset of the highest line below all points, seen from their centre."""
        slope = 0.0
        if x[-1] >= self._settings.slope_from_s:
            left, right = edge_below(x, y, float(np.mean(x)))
            slope = float((y[right] - y[left]) / (x[right] - x[left]))
            limit = self._settings.max_rate_error
            slope = min(max(slope, -limit), limit)
        return slope, float(np.min(y - slope * x))


def edge_below(x: np.ndarray, y: np.ndarray, middle: float) -> tuple[int, int]:
    """Indices of the two points that the highest line under all points touches on either side of a place.

    An edge of their lower convex hull. ``x`` must rise, from ``middle`` or less to more than that.
    """
    split = int(np.searchsorted(x, middle, side="right"))
    left, right = int(np.argmin(y[:split])), split + int(np.argmin(y[split:]))
    while True:
        height = y - y[left] - (y[right] - y[left]) / (x[right] - x[left]) * (x - x[left])
        lowest = int(np.argmin(height))
        if height[lowest] > -SAME_S:
            return left, right
        # Through the point that lies deepest under it, the line is lower at the middle: so this comes to an end.
        left, right = (lowest, right) if lowest < split else (left, lowest)


class SequenceUnwrapper:
    """Turn wrapped sample numbers into ever-rising ones; a number from the recent past is a repetition."""

    def __init__(self, bits: int = 32) -> None:
        self._wrap = 1 << bits
        self.last: int | None = None

    def unwrap(self, number: int) -> int:
        """Return the unwrapped number nearest to the last one (which may lie before it)."""
        if self.last is None:
            self.last = number
            return number
        step = (number - self.last) % self._wrap
        if step >= self._wrap // 2:
            step -= self._wrap
        unwrapped = self.last + step
        self.last = max(self.last, unwrapped)
        return unwrapped


class TickUnwrapper:
    """Turn a wrapping device clock into an ever-rising one.

    A short clock wraps many times in a long gap; the sample numbers then say how many times. The ticks of one sample
    are learnt from the stream, so that the count stays right far beyond what the nominal rate allows.
    """

    def __init__(self, bits: int, ticks_per_sample: float) -> None:
        self._wrap = 1 << bits
        self._nominal = ticks_per_sample
        self._first: tuple[int, int] | None = None
        self._last: tuple[int, int] | None = None

    @property
    def last_tick(self) -> int | None:
        """The newest unwrapped tick."""
        return None if self._last is None else self._last[0]

    @property
    def ticks_per_sample(self) -> float:
        """Learnt from the stream; the nominal value until 200 samples have passed."""
        if self._first is None or self._last is None or self._last[1] - self._first[1] < 200:
            return self._nominal
        return (self._last[0] - self._first[0]) / (self._last[1] - self._first[1])

    def unwrap(self, tick: int, number: int, offsets: Sequence[int] | np.ndarray = (0,)) -> IntArray:
        """Return the unwrapped ticks of one frame's samples.

        Parameters
        ----------
        tick, number : int
            Wrapped tick and unwrapped number of the frame's first sample.
        offsets : int (n,)
            Ticks from ``tick`` to each sample.
        """
        if self._last is None:
            base = tick
            self._first = (base, number)
        else:
            last_tick, last_number = self._last
            step = (tick - last_tick) % self._wrap
            expected = (number - last_number) * self.ticks_per_sample
            wraps = max(0, round((expected - step) / self._wrap))
            base = last_tick + step + wraps * self._wrap
        ticks = base + np.asarray(offsets, dtype=np.int64)
        self._last = (int(ticks[-1]), number + len(ticks) - 1)
        return ticks
