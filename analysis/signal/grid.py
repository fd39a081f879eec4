"""The uniform grid that samples stand on: the only place that turns log time into a sample number, and back.

Sample ``k`` stands at ``start_s + k / rate_hz``, plus the grid's lag there: what the sample clock wanders against the
log's time while a part warms up. A sample number may be fractional; an interval of samples is half-open.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import overload

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Grid:
    """Where samples stand in time, and which are there.

    Attributes
    ----------
    start_s : float
        Log time of sample 0.
    rate_hz : float
        Samples a second.
    valid : bool (n,)
        False where no sample came.
    lag_s : float64 (2, m)
        Sample numbers, and how far the log's time runs late there against the straight line; empty for a steady clock.

    Examples
    --------
    >>> grid = Grid.steady(100.0, 1000, start_s=5.0)
    >>> grid.index_at(7.0), grid.time_at(200), grid.slice_of(6.0, 7.0)
    (200, 7.0, slice(100, 200, None))
    """

    start_s: float
    rate_hz: float
    valid: BoolArray
    lag_s: FloatArray = field(default_factory=lambda: np.empty((2, 0)))

    @staticmethod
    def steady(rate_hz: float, size: int, start_s: float = 0.0) -> Grid:
        """A grid of ``size`` samples by a steady clock, without a gap.

        Parameters
        ----------
        rate_hz : float
        size : int
            Number of samples.
        start_s : float
            Log time of sample 0.

        Returns
        -------
        Grid
        """
        return Grid(start_s, rate_hz, np.ones(size, dtype=bool))

    @property
    def size(self) -> int:
        """Number of samples, those missing included."""
        return int(self.valid.size)

    @property
    def duration_s(self) -> float:
        """Length at the mean rate; a clock that settles makes ``end_s - start_s`` differ from it by its lag."""
        return self.size / self.rate_hz

    @property
    def end_s(self) -> float:
        """Log time at which the grid ends, one step after its last sample."""
        return self.time_at(self.size)

    @overload
    def time_at(self, index: float) -> float: ...
    @overload
    def time_at(self, index: FloatArray | IntArray) -> FloatArray: ...
    def time_at(self, index: float | FloatArray | IntArray) -> float | FloatArray:
        """Log time (s) of sample numbers, fractional or not, any shape.

        Parameters
        ----------
        index : float or array
            Sample numbers.

        Returns
        -------
        float or float64 array
            Seconds, in the shape of ``index``.
        """
        at = np.asarray(index, dtype=np.float64)
        line = self.start_s + at / self.rate_hz
        times = np.asarray(line + np.interp(at, *self.lag_s) if self.lag_s.size else line)
        return times if isinstance(index, np.ndarray) else float(times)

    @overload
    def position_at(self, time_s: float) -> float: ...
    @overload
    def position_at(self, time_s: FloatArray) -> FloatArray: ...
    def position_at(self, time_s: float | FloatArray) -> float | FloatArray:
        """Fractional sample number at log times, the inverse of :meth:`time_at`; it may lie outside the grid.

        Parameters
        ----------
        time_s : float or float64 array
            Log time.

        Returns
        -------
        float or float64 array
            In the shape of ``time_s``.
        """
        at = (time_s - self.start_s) * self.rate_hz
        if not self.lag_s.size:
            return at
        # The lag is known by sample number, and changes by less than a thousandth a sample: two steps settle it.
        near = at - np.interp(at, *self.lag_s) * self.rate_hz
        found = at - np.interp(near, *self.lag_s) * self.rate_hz
        return found if isinstance(at, np.ndarray) else float(found)

    @overload
    def index_at(self, time_s: float) -> int: ...
    @overload
    def index_at(self, time_s: FloatArray) -> IntArray: ...
    def index_at(self, time_s: float | FloatArray) -> int | IntArray:
        """Nearest sample to log times, limited to 0 and the grid's size.

        Parameters
        ----------
        time_s : float or float64 array
            Log time.

        Returns
        -------
        int or int64 array
            In the shape of ``time_s``.
        """
        at = self.position_at(time_s)
        if isinstance(at, np.ndarray):
            return np.clip(np.rint(at), 0, self.size).astype(np.int64)
        return min(max(round(at), 0), self.size)

    def slice_of(self, start_s: float, end_s: float) -> slice:
        """Samples of an interval of log time, limited to the grid.

        Parameters
        ----------
        start_s, end_s : float
            Log time.

        Returns
        -------
        slice
            Sample numbers, half-open.
        """
        return slice(self.index_at(start_s), self.index_at(end_s))

    def gaps(self, longest_s: float) -> list[slice]:
        """Gaps of more than ``longest_s``, in order.

        Parameters
        ----------
        longest_s : float
            What is still no gap.

        Returns
        -------
        list of slice
            Sample numbers, half-open.

        Examples
        --------
        >>> Grid(0.0, 100.0, np.repeat([True, False, True, False], [10, 30, 10, 5])).gaps(0.1)
        [slice(10, 40, None)]
        """
        edges = self._gap_edges
        long = edges[edges[:, 1] - edges[:, 0] > longest_s * self.rate_hz]
        return [slice(a, b) for a, b in long.tolist()]

    def whole(self, longest_s: float) -> BoolArray:
        """Where a sample came, or is missing in a gap of ``longest_s`` at most.

        Parameters
        ----------
        longest_s : float
            What is still no gap.

        Returns
        -------
        bool (n,)

        Examples
        --------
        >>> Grid(0.0, 100.0, np.repeat([True, False, True, False], [1, 2, 1, 3])).whole(0.02).tolist()
        [True, True, True, True, False, False, False]
        """
        whole = np.ones(self.size, dtype=bool)
        for gap in self.gaps(longest_s):
            whole[gap] = False
        return whole

    @cached_property
    def _gap_edges(self) -> IntArray:
        """First missing sample and the one after the last (k, 2) of each gap; asked for at every chain of strokes."""
        missing = np.flatnonzero(~self.valid)
        if not missing.size:
            return np.empty((0, 2), dtype=np.int64)
        first = np.concatenate([[True], np.diff(missing) > 1])
        return np.stack([missing[first], missing[np.roll(first, -1)] + 1], axis=1)

    def parts_between(self, gaps: list[slice], shortest_s: float) -> list[slice]:
        """Parts of at least ``shortest_s`` between gaps, in order.

        Parameters
        ----------
        gaps : list of slice
            As :meth:`gaps` gives them.
        shortest_s : float

        Returns
        -------
        list of slice
            Sample numbers, half-open.

        Examples
        --------
        >>> grid = Grid(0.0, 100.0, np.repeat([True, False, True, False, True], [100, 50, 20, 11, 100]))
        >>> grid.parts_between(grid.gaps(0.1), 0.5)
        [slice(0, 100, None), slice(181, 281, None)]
        """
        starts, ends = [0, *(gap.stop for gap in gaps)], [*(gap.start for gap in gaps), self.size]
        parts = [slice(a, b) for a, b in zip(starts, ends, strict=True)]
        return [part for part in parts if part.stop - part.start >= shortest_s * self.rate_hz]

    def coarser(self, factor: int, valid: BoolArray) -> Grid:
        """The grid of every ``factor``-th sample; ``valid`` tells which of these are there.

        Parameters
        ----------
        factor : int
        valid : bool (n,)

        Returns
        -------
        Grid
            With the same start and lag.
        """
        return Grid(self.start_s, self.rate_hz / factor, valid, self.lag_s / np.array([[factor], [1.0]]))
