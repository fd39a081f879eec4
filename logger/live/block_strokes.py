"""The strokes of the running block as successive windows see them: provisional, then settled, each counted once."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from analysis.model import FloatArray
from analysis.stroke_paths import PATH_POINTS
from analysis.tables import STROKE_COLUMNS

Row: TypeAlias = dict[Hashable, Any]
"""A row of the stroke table."""

LAST = 8
"""Strokes in the tilt of now."""
TOLD_DEG = 0.05
"""A provisional stroke is told again if its tilt moved by more."""


@dataclass(frozen=True)
class LiveStroke:
    """One stroke on log time; ``path_mm`` (k, 2) in the end view."""

    id: int
    direction: Literal["down", "up"]
    start_s: float
    end_s: float
    tilt_deg: float
    span_mm: float
    lift_mm: float
    clears: bool
    provisional: bool
    path_mm: FloatArray


@dataclass(frozen=True)
class Judged:
    """What one window changed, and the tilts (deg) of the whole block so far in order."""

    strokes: tuple[LiveStroke, ...] = ()
    withdrawn: tuple[int, ...] = ()
    tilts_deg: tuple[float, ...] = ()
    strokes_per_s: float | None = None


@dataclass(frozen=True, eq=False)
class _Entry:
    """A stroke with its row of the stroke table and its path (k, 3)."""

    stroke: LiveStroke
    row: Row
    path_mm: FloatArray

    @property
    def middle_s(self) -> float:
        return 0.5 * (self.stroke.start_s + self.stroke.end_s)


class BlockStrokes:
    """Collect the strokes of one block.

    Parameters
    ----------
    first_id : int
        Ids rise from here.
    """

    def __init__(self, first_id: int = 0) -> None:
        self.next_id = first_id
        self._final: list[_Entry] = []
        self._open: list[_Entry] = []

    def take(self, table: pd.DataFrame, paths_mm: FloatArray, settled_s: float, since_s: float) -> Judged:
        """Take the strokes of a window.

        Parameters
        ----------
        table : DataFrame
            Columns of the stroke table.
        paths_mm : float (n, k, 3)
        settled_s : float
            Strokes that end before are final.
        since_s : float
            From where on the window is to be trusted: an open stroke later than this that it does not show is none.
        """
        final_s = self._final[-1].stroke.end_s if self._final else -np.inf
        middles = 0.5 * (table["start_s"] + table["end_s"]).to_numpy()
        fresh = np.flatnonzero(middles > final_s)
        before, kept, changed = list(self._open), [], []
        for place, row in zip(fresh.tolist(), table.iloc[fresh].to_dict("records"), strict=True):
            known = _match(before, row)
            if known is not None:
                before.remove(known)
            stroke = self._stroke(row, paths_mm[place], known, settled_s)
            if known is None or not stroke.provisional or abs(stroke.tilt_deg - known.stroke.tilt_deg) > TOLD_DEG:
                changed.append(stroke)
            kept.append(_Entry(stroke, row, paths_mm[place]))
        # What left the window before it settled stays as it was said last.
        left = [entry for entry in before if entry.middle_s < since_s]
        withdrawn = tuple(entry.stroke.id for entry in before if entry.middle_s >= since_s)
        kept = sorted((*left, *kept), key=lambda entry: entry.stroke.start_s)
        settled = [entry for entry in kept if not entry.stroke.provisional or entry.middle_s < since_s]
        self._final += settled
        self._open = [entry for entry in kept if entry not in settled]
        return self.judged(tuple(changed), withdrawn)

    def judged(self, strokes: tuple[LiveStroke, ...] = (), withdrawn: tuple[int, ...] = ()) -> Judged:
        """The news with the block so far."""
        every = [entry.stroke for entry in (*self._final, *self._open)]
        last = every[-LAST:]
        rate = 1.0 / float(np.median([stroke.end_s - stroke.start_s for stroke in last])) if last else None
        return Judged(strokes, withdrawn, tuple(stroke.tilt_deg for stroke in every), rate)

    def table(self) -> tuple[pd.DataFrame, FloatArray]:
        """All strokes of the block as the stroke table, block number 0, and their paths (n, k, 3) in mm."""
        every = [*self._final, *self._open]
        table = pd.DataFrame([entry.row for entry in every], columns=[column.name for column in STROKE_COLUMNS])
        types = {column.name: column.dtype for column in STROKE_COLUMNS if column.dtype not in ("str", "Int64")}
        table = table.astype(types).assign(block=pd.array(np.zeros(len(every), dtype=np.int64), dtype="Int64"))
        paths = np.array([entry.path_mm for entry in every], dtype=np.float64).reshape(-1, PATH_POINTS, 3)
        return table, paths

    def _stroke(self, row: Row, path_mm: FloatArray, known: _Entry | None, settled_s: float) -> LiveStroke:
        if known is None:
            number = self.next_id
            self.next_id += 1
        else:
            number = known.stroke.id
        return LiveStroke(
            id=number,
            direction="down" if row["direction"] == "down" else "up",
            start_s=row["start_s"],
            end_s=row["end_s"],
            tilt_deg=row["tilt_deg"],
            span_mm=row["span_mm"],
            lift_mm=row["lift_mm"],
            clears=bool(row["clears"]),
            provisional=row["end_s"] > settled_s,
            path_mm=path_mm[::2, 1:],
        )


def _match(entries: list[_Entry], row: Row) -> _Entry | None:
    """The stroke said before that this one is: same direction, middles less than half a stroke apart."""
    middle_s, half_s = 0.5 * (row["start_s"] + row["end_s"]), 0.5 * (row["end_s"] - row["start_s"])
    for entry in entries:
        if entry.stroke.direction == row["direction"] and abs(entry.middle_s - middle_s) < half_s:
            return entry
    return None
