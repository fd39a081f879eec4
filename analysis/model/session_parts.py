"""What a session file says of a sensor, of clocks, and of files that belong to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class SensorIdentity:
    """Which one of its kind a sensor is, and what runs on it; empty where it did not say.

    Attributes
    ----------
    id : str
    microcontroller : str
    firmware_version : str
    """

    id: str = ""
    microcontroller: str = ""
    firmware_version: str = ""


@dataclass(frozen=True)
class ClockRelation:
    """A stream's own time on the hand's: ``hand_s = offset_s + rate * own_s``, right to about ``residual_s``."""

    offset_s: float
    rate: float = 1.0
    residual_s: float | None = None


@dataclass(frozen=True)
class Attachment:
    """A file that belongs to the session and lies beside it, known by its bytes' SHA-256 whatever it is called.

    ``clock`` ties its own time, from its first sample on, to the hand's.

    Attributes
    ----------
    kind : {"sound"}
    name : str
        Of the file, beside the session's.
    sha256 : str
    size_bytes : int
    clock : ClockRelation or None
    """

    kind: Literal["sound"]
    name: str
    sha256: str
    size_bytes: int
    clock: ClockRelation | None = None
