"""Batches of a phone's readings to samples: one clock through reloads and sleep, its true rate, each reading once.

A page counts time from when it was loaded, and some phones stop that clock while they sleep. Whenever the page is
another one, or its clock has fallen behind by more than any link delays, its time goes on where the computer's clock
says, as with a board that restarts.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.model.records import PHONE, RawSamples, SensorProfile
from analysis.model.session_parts import SensorIdentity
from logger.phone.batches import Batch
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import load_profile
from logger.sources.stream import DeviceInfo, Item, LinkChange, Losses

TICK_HZ = 1e6
NOMINAL_HZ = 60.0
"""What browsers deliver unless they save power."""
BROWSER_MPS2, BROWSER_DPS = 0.1, 0.1
FINE_MPS2, FINE_DPS = 0.001, 0.01
"""For the few that do not round."""
LOOKED_AT = 12
"""So many readings come before it is said how finely they are rounded."""
OFF_RATE = 0.02
RATE_FROM = 120
RECENT_S = 3.0
SLEPT_S = 0.3
"""A page's clock that has fallen behind by so much stood still; a link that is late is late for moments only."""
SILENT_FROM_S = 1.0
FEW_HZ = 25.0
SILENT_S = 2.0


@dataclass(frozen=True)
class PhoneStanding:
    """How the phone stands, for its own page and for the player's.

    Attributes
    ----------
    readings : int
        Taken so far.
    rate_hz : float or None
        Delivered in the last seconds; None before there are enough.
    sentence : str
        What is wrong and what to do; empty where all is well.
    """

    readings: int
    rate_hz: float | None
    sentence: str


class PhoneReader:
    """Readings to samples. Not safe to share between threads.

    Attributes
    ----------
    losses : Losses
    clock : DeviceClock
    info : DeviceInfo
        As it is known now; the rate and the size of a count may change once readings have come.
    """

    def __init__(self, browser: str = "") -> None:
        self.losses = Losses()
        self.clock = DeviceClock()
        self.info = _info(NOMINAL_HZ, False, SensorIdentity("", "", browser[:64]))
        self._waiting: list[tuple[Batch, float]] | None = []
        self._doubtful: tuple[Batch, float] | None = None
        self._page = ""
        self._up = False
        self._heard_s = -np.inf
        self._next = 0  # Number that the page's next reading has.
        self._shift_s = 0.0  # From the page's clock to this stream's.
        self._offset = 0  # From the page's numbers to this stream's.
        self._last_tick = -1
        self._last_number = -1
        self._taken = 0
        self._begun_tick: int | None = None
        self._recent: deque[tuple[float, int]] = deque()

    def take(self, batch: Batch, host_s: float) -> list[Item]:
        """Take a batch that arrived at ``host_s``; what comes of it for the recording."""
        items: list[Item] = []
        if not self._up:
            self._up = True
            items.append(LinkChange(True, host_s))
        self._heard_s = host_s
        if self._waiting is not None:
            self._waiting.append((batch, host_s))
            if sum(len(each.taken_s) for each, _ in self._waiting) < LOOKED_AT:
                return items
            waiting, self._waiting = self._waiting, None
            self.info = _info(NOMINAL_HZ, not _is_rounded([each for each, _ in waiting]), self.info.identity)
            items.append(self.info)
            for each, at_s in waiting:
                items += self._settle(each, at_s)
        else:
            items += self._settle(batch, host_s)
        measured = self._measured_rate()
        if measured is not None and abs(measured / self.info.profile.sensor.rate_hz - 1.0) > OFF_RATE:
            sensor = replace(self.info.profile.sensor, rate_hz=measured)
            self.info = replace(self.info, profile=replace(self.info.profile, sensor=sensor))
            items.append(self.info)
        return items

    def silence(self, host_s: float) -> list[Item]:
        """News of the link where nothing has come for some seconds."""
        if not self._up or host_s - self._heard_s < SILENT_S:
            return []
        self._up = False
        return [LinkChange(False, host_s, SLEEPING)]

    def standing(self, host_s: float) -> PhoneStanding:
        """How the phone stands now."""
        while len(self._recent) > 1 and self._recent[0][0] < host_s - RECENT_S:
            self._recent.popleft()
        span_s = min(RECENT_S, host_s - self._recent[0][0]) if self._recent else 0.0
        rate = sum(count for _, count in self._recent) / span_s if span_s > 0.5 * RECENT_S else None
        if self._taken == 0:
            return PhoneStanding(0, None, "")
        if host_s - self._heard_s >= SILENT_S:
            return PhoneStanding(self._taken, 0.0, SLEEPING)
        if rate is not None and rate < FEW_HZ:
            return PhoneStanding(self._taken, rate, few_words(rate))
        return PhoneStanding(self._taken, rate, "")

    def _settle(self, batch: Batch, host_s: float) -> list[Item]:
        """Samples of a batch, and of the one that was kept back because its page seemed to have slept."""
        kept, self._doubtful = self._doubtful, None
        if (
            batch.page == self._page
            and kept is None
            and self._was_silent(host_s)
            and self._late_s(batch, host_s) > SLEPT_S
        ):
            # A batch that was held up on its way looks alike; the next one tells.
            self._doubtful = (batch, host_s)
            return []
        items: list[Item] = []
        for each, at_s in ((kept,) if kept is not None else ()) + ((batch, host_s),):
            slept = kept is not None and each is kept[0] and self._late_s(batch, host_s) > SLEPT_S
            if each.page != self._page or slept:
                self._go_on(each, at_s)
            items += self._samples(each, at_s)
        return items

    def _samples(self, batch: Batch, host_s: float) -> list[Item]:
        fresh = np.arange(batch.first, batch.first + batch.taken_s.size) >= self._next
        self.losses.repeated += int((~fresh).sum())
        if not fresh.any():
            return []
        self.losses.link += max(0, batch.first - self._next)
        self._next = batch.first + batch.taken_s.size
        number = batch.first + self._offset + np.flatnonzero(fresh).astype(np.int64)
        ticks = np.rint((batch.taken_s[fresh] + self._shift_s) * TICK_HZ).astype(np.int64)
        # Two readings of one moment keep their order.
        steps = np.arange(ticks.size)
        ticks = np.maximum.accumulate(np.maximum(ticks - steps, self._last_tick + 1)) + steps
        self._begun_tick = int(ticks[0]) if self._begun_tick is None else self._begun_tick
        self._last_tick, self._last_number = int(ticks[-1]), int(number[-1])
        self._taken += ticks.size
        self._recent.append((host_s, ticks.size))
        self.clock.observe(batch.sent_s + self._shift_s, host_s)
        return [RawSamples(ticks, number, np.full(ticks.size, host_s), self._counts(batch)[fresh])]

    def _late_s(self, batch: Batch, host_s: float) -> float:
        """By how much a batch comes later than the page's clock and the computer's have it."""
        fit = self.clock.fit()
        return 0.0 if fit is None else host_s - fit.host_s(batch.sent_s + self._shift_s)

    def _was_silent(self, host_s: float) -> bool:
        return bool(self._recent) and host_s - self._recent[-1][0] > SILENT_FROM_S

    def _go_on(self, batch: Batch, host_s: float) -> None:
        """Let the page's clock and numbers go on from what came before."""
        if self._page:
            self.losses.restarts += 1
            fit = self.clock.fit()
            sent_s = batch.sent_s if fit is None else fit.device_s(host_s - fit.delay_p50_s)
            first_s = sent_s - (batch.sent_s - float(batch.taken_s[0]))
            last_s = self._last_tick / TICK_HZ
            self._shift_s = max(sent_s - batch.sent_s, last_s + 1.0 / TICK_HZ - float(batch.taken_s[0]))
            gone = max(1, round((first_s - last_s) * self.info.profile.sensor.rate_hz))
            self._offset = self._last_number + gone - batch.first
        else:
            self._offset = -batch.first
        if batch.page != self._page:
            self._page, self._next = batch.page, batch.first

    def _counts(self, batch: Batch) -> NDArray[np.int32]:
        sensor = self.info.profile.sensor
        accel = batch.accel_mps2 / sensor.accel_mps2_per_count
        gyro = np.radians(batch.gyro_dps) / sensor.gyro_radps_per_count
        return np.rint(np.hstack([accel, gyro])).astype(np.int32)

    def _measured_rate(self) -> float | None:
        """Readings a second by the page's own clock and count, once there are enough."""
        if self._begun_tick is None or self._last_number < RATE_FROM:
            return None
        return self._last_number * TICK_HZ / (self._last_tick - self._begun_tick)


SLEEPING = (
    "nothing has come from the phone for two seconds: wake its screen, bring its page to the front, and press Start "
    "there"
)


def few_words(rate_hz: float) -> str:
    """One sentence on a phone that sends too few readings.

    Parameters
    ----------
    rate_hz : float

    Returns
    -------
    str
    """
    return (
        f"the phone sends {rate_hz:.0f} readings a second, where 60 are usual: end its battery saver, or open the page "
        "in another browser"
    )


def _is_rounded(batches: Sequence[Batch]) -> bool:
    """Whether the browser rounds as the standard asks for."""
    for values, step in (
        (np.concatenate([batch.accel_mps2 for batch in batches]), BROWSER_MPS2),
        (np.concatenate([batch.gyro_dps for batch in batches]), BROWSER_DPS),
    ):
        steps = values / step
        if np.abs(steps - np.rint(steps)).max() > 1e-3:
            return False
    return True


def _info(rate_hz: float, fine: bool, identity: SensorIdentity) -> DeviceInfo:
    accel, gyro = (FINE_MPS2, FINE_DPS) if fine else (BROWSER_MPS2, BROWSER_DPS)
    sensor = SensorProfile("phone", rate_hz, accel, float(np.radians(gyro)), tick_hz=TICK_HZ, part=PHONE)
    return DeviceInfo(replace(load_profile("frames"), sensor=sensor), known=identity)
