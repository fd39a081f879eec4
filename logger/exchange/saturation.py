"""Find axes that hit the end of their range in a log whose range nobody stated.

A saturated axis stays at one extreme value for several samples and gets there by a large step. A quiet axis of a
coarse sensor also repeats its extreme, but arrives there by steps of its own resolution: that is no saturation.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.model.records import IntArray
from logger.player.column_map import Triad
from logger.sources.device_profile import INT16_CLIP

RUN_SAMPLES = 3
STEP_FACTOR = 3.0


def find_clipping(
    counts: NDArray[np.int32], accel: Triad, gyro: Triad
) -> tuple[tuple[int | None, int | None], list[str]]:
    """Tell from which magnitude each triad is saturated.

    Parameters
    ----------
    counts : int32 (n, 6)
    accel, gyro : Triad
        Names and units, for the sentences; counts that fill 16 bits are saturated there.

    Returns
    -------
    limits : (int or None, int or None)
        Counts of accelerometer and gyroscope; None where nothing is saturated.
    warnings : list of str
    """
    limits: list[int | None] = []
    warnings = []
    for triad, part, name in ((accel, counts[:, :3], "accelerometer"), (gyro, counts[:, 3:], "gyroscope")):
        limit = _limit(part, triad)
        limits.append(limit)
        if limit is not None:
            clipped = np.abs(part.astype(np.int64)) >= limit
            axes = [column for column, hits in zip(triad.columns, clipped.T, strict=True) if hits.any()]
            warnings.append(
                f"The {name} reached the end of its range ({limit * triad.step:g} {triad.unit}) in "
                f"{int(clipped.any(axis=1).sum())} samples ({', '.join(axes)}): choose a wider range in the sensor."
            )
    return (limits[0], limits[1]), warnings


def _limit(part: NDArray[np.int32], triad: Triad) -> int | None:
    """Smallest magnitude that counts as saturated, None where no axis is."""
    values = part.astype(np.int64)
    magnitudes = [magnitude for axis in values.T for magnitude in _plateaus(axis)]
    largest = int(np.abs(values).max())
    if triad.unit == "counts" and INT16_CLIP <= largest <= INT16_CLIP + 1:
        magnitudes.append(INT16_CLIP)
    # One range holds for all three axes: a plateau below what another axis reaches is not its end.
    highest = [magnitude for magnitude in magnitudes if magnitude >= 0.98 * largest]
    return min(highest) if highest else None


def _plateaus(axis: IntArray) -> Sequence[int]:
    """Magnitudes of the highest and lowest value of an axis, if it was saturated there."""
    steps = np.abs(np.diff(axis))
    if not steps.any():
        return []
    resolution = int(steps[steps > 0].min())
    found = []
    for extreme in (int(axis.max()), int(axis.min())):
        at = axis == extreme
        edges = np.diff(np.concatenate([[False], at, [False]]).astype(np.int8))
        starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
        long = stops - starts >= RUN_SAMPLES
        arrivals = starts[long & (starts > 0)]
        if arrivals.size and np.median(steps[arrivals - 1]) >= STEP_FACTOR * resolution:
            found.append(abs(extreme))
    return found
