"""The sensor on the instrument, beside the hand's in one recording: its samples, its link, its losses, its clock.

It may come late, go, and come back: what it sent stays, and the hand's recording does not wait for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from analysis.model.errors import DeviceError
from analysis.model.records import PHONE, Calibration, RawSamples, SensorProfile
from analysis.model.session_parts import ClockRelation, SensorIdentity
from logger.session.session_records import StreamHead
from logger.sources.base import Source
from logger.sources.clock import ClockFit, relate_clocks
from logger.sources.stream import DeviceInfo, Item, LinkChange, Losses

PHONE_STAMPS_S = 0.02
"""A browser stamps a reading up to so much later than it was taken, which no arrival shows."""
MOVED_S = 2e-4
"""The head is written anew where the clocks' relation has moved by so much."""


@dataclass(frozen=True)
class SecondState:
    """How the instrument's sensor stands, for a screen.

    Attributes
    ----------
    name : str
    samples : int
    losses : Losses
    linked : bool
    reason : str
        Why it is not there.
    gaps : int
        Times the link was lost.
    last_host_s : float or None
        Arrival of the newest samples, seconds since the epoch.
    """

    name: str
    samples: int
    losses: Losses
    linked: bool
    reason: str
    gaps: int
    last_host_s: float | None


class SecondSensor:
    """One more source in a recording.

    Parameters
    ----------
    source : Source
    keep : callable
        Takes samples for the file; says whether there was room.
    calibration : callable
        Gives the one that holds for a sensor.

    Attributes
    ----------
    info : DeviceInfo or None
        The latest that the device said of itself.
    changed : callable
        Called when the device says something new of itself, before the samples that it holds for.
    heard : callable
        Gets every batch of samples, on the source's thread; must not block.
    """

    def __init__(
        self,
        source: Source,
        keep: Callable[[RawSamples], bool],
        calibration: Callable[[SensorProfile], Calibration],
    ) -> None:
        self.info: DeviceInfo | None = None
        self.changed: Callable[[], None] = lambda: None
        self.heard: Callable[[RawSamples], None] = lambda _samples: None
        self._source = source
        self._keep = keep
        self._calibration = calibration
        self._lost = Losses()
        self._samples = self._gaps = 0
        self._link = LinkChange(False, 0.0)
        self._last_host_s: float | None = None
        self._written: StreamHead | None = None

    def start(self) -> DeviceInfo:
        """Meet the device.

        Raises
        ------
        DeviceError
            It cannot be found, opened or understood.
        """
        try:
            self.info = self._source.start(self._take)
        except DeviceError as error:
            raise DeviceError(f"the instrument's sensor: {error.problem}", **error.facts) from error
        return self.info

    def stop(self) -> None:
        """Release the link."""
        self._source.stop()

    def head(self, hand: ClockFit | None) -> StreamHead:
        """What the file says of it, its clock by the hand's as it is known now."""
        info = self.info
        if info is None:
            raise DeviceError("the instrument's sensor was not met", next_step="start it first")
        own = self._source.clock.fit()
        clock = None if own is None or hand is None else relate_clocks(hand, own)
        sensor = info.profile.sensor
        if clock is not None and sensor.part == PHONE:
            clock = replace(clock, residual_s=max(clock.residual_s or 0.0, PHONE_STAMPS_S))
        return StreamHead("instrument", sensor, self._calibration(sensor), clock, info.identity)

    def changed_head(self, hand: ClockFit | None) -> StreamHead | None:
        """The head if it says something new, as it does once a clock, an identity or a true rate is known."""
        head = self.head(hand)
        if self._written is not None and _alike(head, self._written, self._source.clock.fit()):
            return None
        self._written = head
        return head

    def state(self) -> SecondState:
        """How it stands now."""
        losses = self._source.losses + self._lost
        link = self._link
        return SecondState(
            self._source.name, self._samples, losses, link.up, link.reason, self._gaps, self._last_host_s
        )

    def lost_at_disk(self, samples: int) -> None:
        """Count samples that could not be written."""
        self._lost.disk += samples

    def _take(self, items: Sequence[Item]) -> None:
        for item in items:
            if isinstance(item, RawSamples):
                self._samples += item.ticks.size
                if item.ticks.size:
                    self._last_host_s = float(item.host_time_s[-1])
                if not self._keep(item):
                    self._lost.queue += item.ticks.size
                self.heard(item)
            elif isinstance(item, LinkChange):
                self._gaps += self._link.up and not item.up
                self._link = item
            elif isinstance(item, DeviceInfo) and item != self.info:
                self.info = item
                self.changed()


def _alike(head: StreamHead, before: StreamHead, own: ClockFit | None) -> bool:
    """Whether two heads say the same, the clocks' relation where the sensor's clock is now."""
    fixed: tuple[tuple[SensorProfile, SensorIdentity, Calibration], ...] = tuple(
        (each.profile, each.sensor, each.calibration) for each in (head, before)
    )
    if fixed[0] != fixed[1] or (head.clock is None) != (before.clock is None):
        return False
    if head.clock is None or before.clock is None or own is None:
        return True
    return abs(_on_hand_s(head.clock, own.device0_s) - _on_hand_s(before.clock, own.device0_s)) < MOVED_S


def _on_hand_s(clock: ClockRelation, own_s: float) -> float:
    return clock.offset_s + clock.rate * own_s
