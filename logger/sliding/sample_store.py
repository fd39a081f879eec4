"""All samples of the running session, kept small, to be read back by device time."""

from __future__ import annotations

import threading
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model.records import IntArray, RawSamples

JOIN_SAMPLES = 4096

Part: TypeAlias = tuple[IntArray, NDArray[np.int16] | NDArray[np.int32]]
"""Ticks (n,) and counts (n, 6)."""


class SampleStore:
    """Samples in order of time; written by one thread, read by others.

    Two hours at 400 samples/s take 60 MB: host times are left out, counts kept in 16 bits where they fit.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._joined: list[Part] = []
        self._loose: list[Part] = []
        self._loose_samples = 0
        self._last_tick: int | None = None

    def append(self, raw: RawSamples) -> None:
        """Take one batch.

        Parameters
        ----------
        raw : RawSamples
        """
        counts = raw.counts
        small = counts.astype(np.int16)
        part = (raw.ticks, small if np.array_equal(small, counts) else counts)
        with self._lock:
            self._loose.append(part)
            self._last_tick = int(raw.ticks[-1])
            self._loose_samples += len(raw.ticks)
            if self._loose_samples >= JOIN_SAMPLES:
                self._joined.append(_concatenated(self._loose))
                self._loose, self._loose_samples = [], 0

    @property
    def last_tick(self) -> int | None:
        """Tick of the newest sample."""
        return self._last_tick

    def since(self, tick: int) -> RawSamples:
        """Samples from a tick on.

        Parameters
        ----------
        tick : int

        Returns
        -------
        RawSamples
            Without host times.
        """
        with self._lock:
            parts = _reaching(self._loose, tick)
            if len(parts) == len(self._loose):
                parts = _reaching(self._joined, tick) + parts
        ticks, counts = _concatenated(parts)
        start = int(np.searchsorted(ticks, tick))
        ticks, counts = ticks[start:], counts[start:].astype(np.int32)
        return RawSamples(ticks, np.arange(len(ticks)), np.full(len(ticks), np.nan), counts)


def _reaching(parts: list[Part], tick: int) -> list[Part]:
    """The last parts, from the first that reaches a tick on; looked for from the end, where it mostly is."""
    first = len(parts)
    while first > 0 and int(parts[first - 1][0][-1]) >= tick:
        first -= 1
    return parts[first:]


def _concatenated(parts: list[Part]) -> Part:
    if not parts:
        return np.empty(0, np.int64), np.empty((0, 6), np.int16)
    if len(parts) == 1:
        return parts[0]
    return np.concatenate([ticks for ticks, _ in parts]), np.concatenate([counts for _, counts in parts])
