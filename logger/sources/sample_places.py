"""Where samples without a protocol belong: their numbers and ticks, from whatever counter and clock a sensor has.

Wrapped counters and clocks are carried on, repetitions left out, losses counted by cause. Where a counter is there and
no clock, the counter is the clock; with neither, samples are timed by their arrival.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import IntArray, SensorProfile
from logger.sources.clock import DeviceClock
from logger.sources.stream import Losses

LEARNING = 0.02
"""By so much of its surprise the estimate of the ticks from sample to sample moves with each packet."""
MOST_OFF = 0.1
"""A distance between stamps that is further than this from what was expected is no measure of the rate."""


@dataclass(frozen=True)
class Counter:
    """A counter that wraps.

    Attributes
    ----------
    bits : int
    samples : int
        How many samples one count stands for.
    """

    bits: int
    samples: int = 1


@dataclass(frozen=True)
class Placed:
    """Ticks and numbers (n,) of samples that came together, both rising.

    Attributes
    ----------
    ticks : int64 (n,)
    numbers : int64 (n,)
    """

    ticks: IntArray
    numbers: IntArray


class SamplePlaces:
    """Number and time samples as they come.

    Parameters
    ----------
    sensor : SensorProfile
        With rate and clock.
    losses : Losses
        What is missing or came twice is counted there.
    counter : Counter or None
    clocked : bool
        Whether samples bring ticks of the sensor's own.

    Attributes
    ----------
    clock : DeviceClock
    ticks_per_sample : float
        Learnt from the stamps of packets that follow each other.
    """

    def __init__(self, sensor: SensorProfile, losses: Losses, counter: Counter | None, clocked: bool) -> None:
        self.clock = DeviceClock()
        self.ticks_per_sample = sensor.tick_hz / sensor.rate_hz
        self._sensor = sensor
        self._losses = losses
        self._counter = counter
        self._clocked = clocked
        self._link_lost = False
        self._unread_before = 0
        self._last_number = -1
        self._last_tick = -1
        self._last_base: tuple[int, int] | None = None  # Unwrapped tick and number of the sample that was stamped.
        self._last_raw: tuple[int | None, int | None] = (None, None)
        self._last_host_s = 0.0
        self._last_samples = 1

    def link_lost(self) -> None:
        """Note that the link went away: what is missing next is missing for that."""
        self._link_lost = True

    def place(
        self, raw_number: int | None, raw_tick: int | None, host_s: float, offsets: IntArray, stamped: int = 0
    ) -> Placed | None:
        """Place samples that arrived together; None, counted, where they came before or the clock stands still.

        Parameters
        ----------
        raw_number : int or None
            The counter at the first of them; None without a counter.
        raw_tick : int or None
            The clock at the sample ``stamped``; None without a clock.
        host_s : float
            Of their arrival.
        offsets : int64 (n,)
            Ticks from the stamped sample to each.
        stamped : int
            Which sample the clock was read at.

        Returns
        -------
        Placed or None
        """
        count = len(offsets)
        first = self._number(raw_number, host_s)
        # A coarse clock may stand still from one sample to the next; a counter then tells them apart.
        stands = raw_tick is not None and self._counter is None and raw_tick == self._last_raw[1]
        if first is None or stands:
            self._losses.repeated += count
            return None
        first = max(first, self._last_number + 1)
        numbers = first + np.arange(count, dtype=np.int64)
        ticks = np.maximum(self._ticks(raw_tick, numbers, host_s, offsets, stamped), self._last_tick + 1)
        ticks = np.maximum.accumulate(ticks - np.arange(count)) + np.arange(count)
        if self._last_number >= 0:
            self._count_missing(first - self._last_number - 1)
        self._last_raw = (raw_number, raw_tick)
        self._last_number, self._last_tick, self._last_host_s = int(numbers[-1]), int(ticks[-1]), host_s
        self._last_samples = count
        self._link_lost = False
        self._unread_before = self._losses.unread
        self.clock.observe(float(ticks[-1]) / self._sensor.tick_hz, host_s)
        return Placed(ticks, numbers)

    def _number(self, raw: int | None, host_s: float) -> int | None:
        """Number of the first sample; None for one that came before."""
        last_raw = self._last_raw[0]
        if raw is None or self._counter is None:
            return self._last_number + 1
        unit, wrap = self._counter.samples, 1 << self._counter.bits
        if last_raw is None:
            return raw * unit
        step, rate_hz = (raw - last_raw) % wrap, self._sensor.rate_hz / unit
        if step == 0 or wrap - step <= min(wrap // 4, 2.0 * rate_hz):
            return None
        elapsed = (host_s - self._last_host_s) * rate_hz
        if raw < last_raw and step > wrap // 2:  # Far back: the device counts from its start again.
            return self._last_number + max(1, round(elapsed * unit))
        if elapsed > wrap // 2:
            step += max(0, round((elapsed - step) / wrap)) * wrap
        return self._last_number - self._last_samples + 1 + step * unit

    def _ticks(self, raw: int | None, numbers: IntArray, host_s: float, offsets: IntArray, stamped: int) -> IntArray:
        if raw is None:
            if self._counter is not None:
                return numbers
            return np.asarray(round(host_s * self._sensor.tick_hz) + offsets, dtype=np.int64)
        number, last_raw = int(numbers[stamped]), self._last_raw[1]
        if self._last_base is None or last_raw is None:
            base = raw
        else:
            base = self._last_base[0] + self._step(raw, last_raw, host_s - self._last_host_s)
            self._learn(base - self._last_base[0], number - self._last_base[1])
        self._last_base = (base, number)
        return np.asarray(base + offsets, dtype=np.int64)

    def _learn(self, ticks: int, samples: int) -> None:
        """Follow the sensor's true rate, from one stamp to the next."""
        expected = self.ticks_per_sample * samples
        if samples > 0 and abs(ticks - expected) < MOST_OFF * expected:
            self.ticks_per_sample += LEARNING * (ticks - expected) / samples

    def _step(self, raw: int, last_raw: int, elapsed_s: float) -> int:
        """How far the device's clock went, by its wrapped reading and the time that passed on the host's."""
        wrap, tick_hz = 1 << self._sensor.tick_bits, self._sensor.tick_hz
        step = (raw - last_raw) % wrap
        if elapsed_s > 0.25:
            step += max(0, round((elapsed_s * tick_hz - step) / wrap)) * wrap
        if abs(step / tick_hz - elapsed_s) > 1.0 + 0.05 * elapsed_s:
            self._losses.restarts += 1
            self.clock.restart()
            return max(1, round(elapsed_s * tick_hz))
        return step

    def _count_missing(self, missing: int) -> None:
        if missing <= 0:
            return
        if self._link_lost:
            self._losses.link += missing
        elif self._losses.unread > self._unread_before:
            self._losses.damaged += missing
        else:
            self._losses.device += missing
