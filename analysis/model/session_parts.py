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


@dataclass(frozen=True)
class WitnessedBlock:
    """What the sensor on the instrument tells of one block; degrees of tilt or of the instrument's roll.

    Attributes
    ----------
    index : int
        Of the block.
    known : bool
        False where the instrument was not seen in it; all else is then 0.
    roll_deg, sway_deg : float
        The instrument's roll about its strings since the gestures: mean, and its scatter within the block.
    in_step_deg : float
        Turn of the instrument from one end of a stroke to the other.
    without_deg : float
        How far off the tilt would be, had nobody watched the instrument.
    residue_deg : float
        Standard error of the tilt that the witness leaves.
    fast_deg : float
        Part of that which is faster than the sensor's clock lets through.
    """

    index: int
    known: bool
    roll_deg: float = 0.0
    sway_deg: float = 0.0
    in_step_deg: float = 0.0
    without_deg: float = 0.0
    residue_deg: float = 0.0
    fast_deg: float = 0.0


@dataclass(frozen=True)
class WitnessSummary:
    """A sensor on the instrument, as far as it could be used.

    Attributes
    ----------
    kind : {"board", "phone"}
    rate_hz : float
        Of its samples.
    rocked : bool
        Whether hand and instrument were rocked together, so that the one learnt how the other lies.
    heading_se_deg : float or None
        Of the turn between both sensors' headings; None where nothing showed it.
    place_se_mm : float
        Of the place where the plectrum plays, the worst axis.
    clock_doubt_ms : float
    blocks : tuple of WitnessedBlock
    """

    kind: Literal["board", "phone"]
    rate_hz: float
    rocked: bool
    heading_se_deg: float | None
    place_se_mm: float
    clock_doubt_ms: float
    blocks: tuple[WitnessedBlock, ...] = ()
