"""What a phone's page sends: batches of W3C ``devicemotion`` readings, checked one by one, limited in size and rate.

A batch is a JSON object::

    {"page": "k3f9a1c0", "first": 120, "sent_ms": 8123.4, "readings": [[8105.2, 0.1, 9.8, 0.3, 0.0, -0.1, 0.2], ...]}

``page`` is drawn anew whenever the page is loaded; ``first`` is the number of the first reading, from 0 on, so that one
sent twice counts once and one that the page had to drop is known to be lost; ``sent_ms`` and each reading's first
number are the page's own clock (``performance.now()``, ``event.timeStamp``). A reading goes on with
``accelerationIncludingGravity`` x, y, z in m/s2 and ``rotationRate`` alpha, beta, gamma in deg/s, which are the turning
rates about x, y and z.

References
----------
W3C, Device Orientation and Motion, sections on the DeviceMotionEvent: axes, units, and a precision of no more than
0.1 m/s2 and 0.1 deg/s.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import FloatArray

MOST_BATCH_BYTES = 65_536
MOST_READINGS = 500
MOST_NUMBER = 10**9
MOST_MPS2, MOST_DPS = 400.0, 5000.0
BATCHES_PER_S, BATCHES_AT_ONCE = 20.0, 40.0
READINGS_PER_S, READINGS_AT_ONCE = 1000.0, 6000.0
PAGE_NAME = re.compile(r"[0-9a-z]{4,32}")


@dataclass(frozen=True)
class Batch:
    """Readings of one page, in order.

    Attributes
    ----------
    page : str
        Which load of the page.
    first : int
        Number of the first reading.
    sent_s : float
        The page's clock when it sent them.
    taken_s : float64 (n,)
        The page's clock at each reading.
    accel_mps2 : float64 (n, 3)
    gyro_dps : float64 (n, 3)
    """

    page: str
    first: int
    sent_s: float
    taken_s: FloatArray
    accel_mps2: FloatArray
    gyro_dps: FloatArray


def read_batch(text: bytes) -> Batch:
    """Read one batch.

    Parameters
    ----------
    text : bytes
        JSON, at most :data:`MOST_BATCH_BYTES`.

    Returns
    -------
    Batch

    Raises
    ------
    InputError
        Anything but what the head of this module says.
    """
    try:
        # Numbers as deep or as long as anything would keep the reader busy: the batch's size limits both.
        record = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(expected="a batch of readings as JSON", found="something else") from error
    if not isinstance(record, dict) or set(record) != {"page", "first", "sent_ms", "readings"}:
        raise InputError(expected="page, first, sent_ms and readings", found="another object")
    page, first, readings = record["page"], record["first"], record["readings"]
    if not isinstance(page, str) or not PAGE_NAME.fullmatch(page):
        raise InputError(expected="a page's name of 4 to 32 letters and digits", found="another value")
    if not isinstance(first, int) or isinstance(first, bool) or not 0 <= first < MOST_NUMBER:
        raise InputError(expected=f"a reading's number from 0 to {MOST_NUMBER}", found="another value")
    if not isinstance(readings, list) or not 1 <= len(readings) <= MOST_READINGS:
        raise InputError(expected=f"1 to {MOST_READINGS} readings", found="another number of them")
    table = np.array([_row(reading) for reading in readings])
    sent_s = 1e-3 * _number(record["sent_ms"], 0.0, 1e12)
    taken_s = 1e-3 * table[:, 0]
    if (np.diff(taken_s) < 0.0).any() or taken_s[-1] > sent_s + 1.0:
        raise InputError(expected="readings in the order of their times, taken before they were sent", found="others")
    return Batch(page, first, sent_s, taken_s, table[:, 1:4], table[:, 4:])


def _row(reading: object) -> list[float]:
    if not isinstance(reading, list) or len(reading) != 7:
        raise InputError(expected="seven numbers a reading", found="another reading")
    limits = (1e12, *[MOST_MPS2] * 3, *[MOST_DPS] * 3)
    return [_number(value, -most, most) for value, most in zip(reading, limits, strict=True)]


def _number(value: object, low: float, high: float) -> float:
    # What is no number, or endless, lies within no bounds.
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(expected=f"a number from {low:g} to {high:g}", found="another value")
    return float(value)


class Allowance:
    """How much may still come: so many a second on average, and so many at once.

    Parameters
    ----------
    per_s, at_once : float
    clock_s : callable
        Monotonic seconds.
    """

    def __init__(self, per_s: float, at_once: float, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._per_s, self._most, self._clock_s = per_s, at_once, clock_s
        self._left, self._at_s = at_once, clock_s()

    def take(self, amount: float) -> bool:
        """Whether so much more is within bounds; what is not counts as not come."""
        now_s = self._clock_s()
        self._left = min(self._most, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if amount > self._left:
            return False
        self._left -= amount
        return True
