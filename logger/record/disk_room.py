"""How long the disk lasts at the rate at which this recording fills it: a warning in time, an end before it is full."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from analysis.model.records import SensorProfile

WARN_S = 300.0
END_S = 60.0
BYTES_PER_SAMPLE = 32
"""A sample with its host time, and its share of the chunk around it."""
SETTLED_S = 10.0
"""So long the sensor's nominal rate stands for the one that is not measured yet."""


def free_bytes(path: Path) -> int | None:
    """Room on the disk that a file lies on, None where the system does not say."""
    try:
        return shutil.disk_usage(path.resolve().parent).free
    except OSError:
        return None


@dataclass(frozen=True)
class DiskRoom:
    """Seconds left until the recording can no longer be closed; None where nobody knows.

    Examples
    --------
    >>> room = DiskRoom(left_s=200.0)
    >>> room.ends, room.warning
    (False, 'The disk is full in 3 minutes at this rate: free some space, or end in good time.')
    """

    left_s: float | None

    @property
    def ends(self) -> bool:
        """Whether the recording must end now to end well."""
        return self.left_s is not None and self.left_s < END_S

    @property
    def warning(self) -> str:
        """A sentence while there is still time, empty where there is room."""
        if self.left_s is None or self.left_s >= WARN_S:
            return ""
        minutes = int(self.left_s // 60)
        when = f"{minutes} minute{'s' * (minutes != 1)}" if minutes else "less than a minute"
        return f"The disk is full in {when} at this rate: free some space, or end in good time."


def look_for_room(free: int | None, written: int, closing: int, elapsed_s: float, sensor: SensorProfile) -> DiskRoom:
    """Say how long the room lasts.

    Parameters
    ----------
    free : int or None
        Bytes on the disk.
    written : int
        Bytes of the recording so far.
    closing : int
        Bytes that its end will take.
    elapsed_s : float
        Since it began.
    sensor : SensorProfile

    Returns
    -------
    DiskRoom
    """
    if free is None:
        return DiskRoom(None)
    nominal = sensor.rate_hz * BYTES_PER_SAMPLE
    rate = written / elapsed_s if elapsed_s >= SETTLED_S else nominal
    return DiskRoom((free - closing) / max(rate, 1.0))
