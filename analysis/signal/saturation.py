"""Where an axis stands at the end of its range, in a log whose range may not be stated.

A saturated axis stays at one extreme value for several samples and gets there by a large step. A quiet axis of a
coarse sensor also repeats its extreme, but arrives there by steps of its own resolution: that is no saturation.
"""

from __future__ import annotations

import numpy as np

from analysis.model.records import IntArray

RUN_SAMPLES = 3
STEP_FACTOR = 3.0


def plateaus(axis: IntArray) -> list[int]:
    """The highest and the lowest value of an axis, where it was saturated there.

    Parameters
    ----------
    axis : int64 (n,)
        Counts.

    Returns
    -------
    list of int
        Counts; empty where the axis was not saturated.

    Examples
    --------
    >>> plateaus(np.array([0, 2, 4, 90, 90, 90, 50, 0, -30, -60, -20]))
    [90]
    """
    steps = np.abs(np.diff(axis))
    if not steps.any():
        return []
    resolution = int(steps[steps > 0].min())
    found = []
    for extreme in (int(axis.max()), int(axis.min())):
        starts, stops = runs_of(axis == extreme)
        arrivals = starts[(stops - starts >= RUN_SAMPLES) & (starts > 0)]
        if arrivals.size and np.median(steps[arrivals - 1]) >= STEP_FACTOR * resolution:
            found.append(extreme)
    return found


def runs_of(flags: np.ndarray) -> tuple[IntArray, IntArray]:
    """First sample, and the one after the last, of each run of True.

    Parameters
    ----------
    flags : bool (n,)

    Returns
    -------
    (int64 (k,), int64 (k,))
        Half-open: starts and stops.

    Examples
    --------
    >>> [edge.tolist() for edge in runs_of(np.array([True, True, False, True]))]
    [[0, 3], [2, 4]]
    """
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
