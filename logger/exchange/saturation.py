"""What a log's values say by themselves: where its range ends, which axes reached it, and whether they fit the unit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.signal.saturation import plateaus
from logger.player.column_map import ColumnMap, Triad
from logger.sources.device_profile import G_MPS2, INT16_CLIP

PLAUSIBLE_MEDIAN_G = (0.2, 5.0)


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
    magnitudes = [abs(extreme) for axis in values.T for extreme in plateaus(axis)]
    largest = int(np.abs(values).max())
    if triad.unit == "counts" and INT16_CLIP <= largest <= INT16_CLIP + 1:
        magnitudes.append(INT16_CLIP)
    # One range holds for all three axes: a plateau below what another axis reaches is not its end.
    highest = [magnitude for magnitude in magnitudes if magnitude >= 0.98 * largest]
    return min(highest) if highest else None


def unit_warnings(counts: NDArray[np.int32], columns: ColumnMap) -> list[str]:
    """Say so where the numbers hardly fit the unit, or an axis never moves."""
    warnings = []
    acceleration_g = np.linalg.norm(counts[:, :3] * (columns.accel.si_per_count / G_MPS2), axis=1)
    median_g = float(np.median(acceleration_g))
    if not PLAUSIBLE_MEDIAN_G[0] <= median_g <= PLAUSIBLE_MEDIAN_G[1]:
        warnings.append(
            f"The accelerometer's usual reading is {median_g:.3g} g, where gravity makes it about 1 g: check the unit "
            f"of [accel], now {columns.accel.unit!r}."
        )
    still = [name for name, axis in zip(columns.columns[1:], counts.T, strict=True) if (axis == axis[0]).all()]
    if still:
        warnings.append(f"Nothing ever changes in {', '.join(repr(name) for name in still)}: check the columns.")
    return warnings
