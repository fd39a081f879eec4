"""What device and host say to each other in the wire protocol of ``firmware_docs/PROTOCOL.md``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

PROTOCOL_VERSION = 1


@dataclass(frozen=True)
class Hello:
    """Who the device is and what its counts and ticks mean."""

    tick_bits: int
    tick_hz: int
    rate_hz: float
    accel_range_g: int
    gyro_range_dps: int
    accel_g_per_count: float
    gyro_dps_per_count: float
    axes: tuple[int, int, int]
    boot: int
    id: str
    part: str
    firmware: str
    version: int = PROTOCOL_VERSION


@dataclass(frozen=True, eq=False)
class SampleFrame:
    """Samples as sent: ``sample`` and ``tick`` still wrapped, counts in the part's axes.

    Attributes
    ----------
    offsets : uint16 (n,)
        Ticks from ``tick`` to each sample.
    counts : int16 (n, 6)
    """

    sample: int
    tick: int
    offsets: NDArray[np.uint16]
    counts: NDArray[np.int16]


@dataclass(frozen=True)
class Battery:
    """Cell voltage; ``percent`` is None where the device cannot tell.

    Attributes
    ----------
    millivolts : int
    percent : int or None
    charging : bool
    powered : bool
    """

    millivolts: int
    percent: int | None
    charging: bool
    powered: bool


@dataclass(frozen=True)
class Status:
    """What the device counted since power-up; ``temperature_degc`` is None where unknown."""

    running: bool
    tick: int
    missed: int
    bus_errors: int
    temperature_degc: float | None


@dataclass(frozen=True)
class Answer:
    """The device's answer to one command; ``result`` 0 is done."""

    command: int
    number: int
    result: int


@dataclass(frozen=True)
class Identify:
    """Ask for a hello."""


@dataclass(frozen=True)
class Start:
    """Ask for samples."""


@dataclass(frozen=True)
class Stop:
    """Ask for silence."""


@dataclass(frozen=True)
class SetRate:
    """Ask for a sample rate."""

    rate_hz: float


@dataclass(frozen=True)
class SetRange:
    """Ask for full scales."""

    accel_range_g: int
    gyro_range_dps: int


Command: TypeAlias = Identify | Start | Stop | SetRate | SetRange
DeviceMessage: TypeAlias = Hello | SampleFrame | Battery | Status | Answer
Message: TypeAlias = DeviceMessage | Command

RESULTS = ("done", "command not known", "value not possible on this device", "failed")
