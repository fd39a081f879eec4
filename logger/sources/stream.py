"""What a source hands on: samples, news of the link, news of the device; and the count of every loss, by cause."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TypeAlias

import numpy as np

from analysis.model.records import RawSamples
from analysis.model.session_parts import SensorIdentity
from logger.sources.device_profile import DeviceProfile
from logger.sources.messages import Answer, Battery, Hello, Status


@dataclass(frozen=True)
class LinkChange:
    """The link came up or went down; ``reason`` is a sentence where it went down.

    Attributes
    ----------
    up : bool
    host_s : float
        The computer's time.
    reason : str
    """

    up: bool
    host_s: float
    reason: str = ""


@dataclass(frozen=True)
class DeviceInfo:
    """What the device is and sends; comes before its first samples.

    Attributes
    ----------
    profile : DeviceProfile
    hello : Hello or None
        What the device said of itself; None where it cannot.
    known : SensorIdentity or None
        What is known of it otherwise, as of a recording that is played again.
    """

    profile: DeviceProfile
    hello: Hello | None = None
    known: SensorIdentity | None = None

    @property
    def identity(self) -> SensorIdentity:
        """Which one it is and what runs on it, as far as it said so; the protocol puts the controller's name first."""
        if self.hello is None:
            return self.known or SensorIdentity()
        controller, _, rest = self.hello.firmware.partition(" ")
        if not rest or not controller[:1].isalpha():
            controller, rest = "", self.hello.firmware
        return SensorIdentity(self.hello.id, controller, rest)


@dataclass(frozen=True)
class Arrival:
    """One piece that a radio handed over.

    Attributes
    ----------
    host_s : float
        The computer's time.
    size : int
        Bytes.
    """

    host_s: float
    size: int


Item: TypeAlias = RawSamples | LinkChange | DeviceInfo | Battery | Status | Answer


@dataclass
class Losses:
    """Samples (and frames) that did not arrive whole, by cause.

    ``link``: missing across a lost link. ``damaged``: missing where damaged bytes were seen. ``device``: missing
    without either, so never taken or never sent. ``repeated``: came twice, kept once. ``unread``: lines or frames that
    could not be read. ``restarts``: the device's clock started anew. ``queue``: the computer was too slow.
    ``disk``: could not be written.

    Attributes
    ----------
    link : int
    damaged : int
    device : int
    repeated : int
    unread : int
    restarts : int
    queue : int
    disk : int
    """

    link: int = 0
    damaged: int = 0
    device: int = 0
    repeated: int = 0
    unread: int = 0
    restarts: int = 0
    queue: int = 0
    disk: int = 0

    @property
    def samples(self) -> int:
        """All samples that are missing from the file."""
        return self.link + self.damaged + self.device + self.queue + self.disk

    def __add__(self, other: Losses) -> Losses:
        return Losses(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))

    def sentence(self) -> str:
        """Say what was lost, causes with a count only.

        Returns
        -------
        str
        """
        words = {
            "link": "while the link was away",
            "damaged": "damaged on the way",
            "device": "not sent by the sensor",
            "queue": "because the computer was too slow",
            "disk": "not written to the disk",
        }
        causes = [f"{getattr(self, name)} {text}" for name, text in words.items() if getattr(self, name)]
        return (
            f"{self.samples} sample{'s' * (self.samples != 1)} lost ({', '.join(causes)})"
            if causes
            else "no sample lost"
        )


def empty_samples() -> RawSamples:
    """Return no samples.

    Returns
    -------
    RawSamples
    """
    none = np.empty(0, np.int64)
    return RawSamples(none, none.copy(), np.empty(0), np.empty((0, 6), np.int32))


def join_samples(parts: list[RawSamples]) -> RawSamples:
    """Return the samples of several stretches as one.

    Parameters
    ----------
    parts : list of RawSamples
        In order of time.

    Returns
    -------
    RawSamples
    """
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return empty_samples()
    return RawSamples(
        np.concatenate([p.ticks for p in parts]),
        np.concatenate([p.sequence for p in parts]),
        np.concatenate([p.host_time_s for p in parts]),
        np.concatenate([p.counts for p in parts]),
    )
