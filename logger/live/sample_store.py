"""All samples of the running session, kept small, to be read back by device time."""

from __future__ import annotations

import threading

import numpy as np
from numpy.typing import NDArray

from analysis.model import IntArray, RawSamples

JOIN_SAMPLES = 4096


class SampleStore:
    """Samples in order of time; written by one thread, read by others.

    Two hours at 400 samples/s take 60 MB: host times are left out, counts kept in 16 bits where they fit.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._joined: list[tuple[IntArray, NDArray[np.int16] | NDArray[np.int32]]] = []
        self._loose: list[tuple[IntArray, NDArray[np.int16] | NDArray[np.int32]]] = []
        self._loose_samples = 0

    def append(self, raw: RawSamples) -> None:
        """Take one batch."""
        counts = raw.counts
        small = counts.astype(np.int16)
        part = (raw.ticks, small if np.array_equal(small, counts) else counts)
        with self._lock:
            self._loose.append(part)
            self._loose_samples += len(raw.ticks)
            if self._loose_samples >= JOIN_SAMPLES:
                self._joined.append(_concatenated(self._loose))
                self._loose, self._loose_samples = [], 0

    @property
    def last_tick(self) -> int | None:
        """Tick of the newest sample."""
        with self._lock:
            newest = (self._loose or self._joined)[-1:]
        return int(newest[0][0][-1]) if newest else None

    def since(self, tick: int) -> RawSamples:
        """Samples from a tick on."""
        with self._lock:
            parts = list(self._joined)
            loose = list(self._loose)
        first = len(parts)
        while first > 0 and int(parts[first - 1][0][-1]) >= tick:
            first -= 1
        ticks, counts = _concatenated([*parts[first:], *loose])
        start = int(np.searchsorted(ticks, tick))
        ticks, counts = ticks[start:], counts[start:].astype(np.int32)
        return RawSamples(ticks, np.arange(len(ticks)), np.full(len(ticks), np.nan), counts)


def _concatenated(
    parts: list[tuple[IntArray, NDArray[np.int16] | NDArray[np.int32]]],
) -> tuple[IntArray, NDArray[np.int16] | NDArray[np.int32]]:
    if not parts:
        return np.empty(0, np.int64), np.empty((0, 6), np.int16)
    return np.concatenate([ticks for ticks, _ in parts]), np.concatenate([counts for _, counts in parts])
