"""The strokes of the running block as successive windows see them: provisional, then settled, each counted once."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from analysis.model import FloatArray, Instrument, IntArray
from analysis.play import turned_axes
from analysis.reference import Reference
from analysis.stroke_paths import PATH_POINTS, TracedStrokes
from analysis.tables import STROKE_COLUMNS
from analysis.tilt import measure_strokes

Row: TypeAlias = dict[Hashable, Any]
"""A row of the stroke table."""

LAST = 8
"""Strokes in the tilt of now."""
SETTLED_SEEN = 600
"""Settled strokes that a window may reach: half a minute at 20 a second."""
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
    reference: Reference

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

    def take(
        self, table: pd.DataFrame, paths_mm: FloatArray, reference: Reference, settled_s: float, since_s: float
    ) -> Judged:
        """Take the strokes of a window.

        Parameters
        ----------
        table : DataFrame
            Columns of the stroke table.
        paths_mm : float (n, k, 3)
        reference : Reference
            Frames and drift by which they were judged.
        settled_s : float
            Strokes that end before are final.
        since_s : float
            From where on the window is to be trusted: an open stroke later than this that it does not show is none.
        """
        fresh = self._unsettled(0.5 * (table["start_s"] + table["end_s"]).to_numpy())
        before, kept, changed = list(self._open), [], []
        for place, row in zip(fresh.tolist(), table.iloc[fresh].to_dict("records"), strict=True):
            known = _match(before, row)
            if known is not None:
                before.remove(known)
            stroke = self._stroke(row, paths_mm[place], known, settled_s)
            if known is None or not stroke.provisional or abs(stroke.tilt_deg - known.stroke.tilt_deg) > TOLD_DEG:
                changed.append(stroke)
            kept.append(_Entry(stroke, row, paths_mm[place], reference))
        # What left the window before it settled stays as it was said last.
        left = [entry for entry in before if entry.middle_s < since_s]
        withdrawn = tuple(entry.stroke.id for entry in before if entry.middle_s >= since_s)
        kept = sorted((*left, *kept), key=lambda entry: entry.stroke.start_s)
        settled = [entry for entry in kept if not entry.stroke.provisional or entry.middle_s < since_s]
        self._final = sorted((*self._final, *settled), key=lambda entry: entry.stroke.start_s)
        self._open = [entry for entry in kept if entry not in settled]
        return self.judged(tuple(changed), withdrawn)

    def judged(self, strokes: tuple[LiveStroke, ...] = (), withdrawn: tuple[int, ...] = ()) -> Judged:
        """The news with the block so far."""
        every = [entry.stroke for entry in (*self._final, *self._open)]
        last = every[-LAST:]
        rate = 1.0 / float(np.median([stroke.end_s - stroke.start_s for stroke in last])) if last else None
        return Judged(strokes, withdrawn, tuple(stroke.tilt_deg for stroke in every), rate)

    def judge_anew(self, reference: Reference, posture: str, instrument: Instrument) -> None:
        """Turn the block's strokes to the heading's drift as it is known now, as a batch run would have it."""
        entries = [*self._final, *self._open]
        if not entries:
            return
        times_s = np.array([entry.middle_s for entry in entries])
        axes = turned_axes(reference.frame(posture), times_s, reference.drift)
        turned = []
        for entry, now, time_s in zip(entries, axes, times_s, strict=True):
            before = turned_axes(entry.reference.frame(posture), np.array([time_s]), entry.reference.drift)[0]
            turned.append(entry.path_mm @ before @ now.T)
        signs = np.array([1.0 if entry.stroke.direction == "down" else -1.0 for entry in entries])
        rows = [entry.row for entry in entries]
        contact = np.array([(r["contact_s"] - r["start_s"]) / (r["end_s"] - r["start_s"]) for r in rows])
        nothing = np.zeros(len(entries))
        paths = TracedStrokes(nothing, nothing, signs, nothing, nothing, nothing > 0, 1e-3 * np.array(turned))
        measured = measure_strokes(paths, instrument, contact, nothing > 0)
        for place, (entry, path_mm) in enumerate(zip(entries, turned, strict=True)):
            names = ("tilt_deg", "span_mm", "bow_mm", "lift_mm")
            news: Row = {name: float(getattr(measured, name)[place]) for name in names}
            row: Row = {**entry.row, **news, "clears": news["lift_mm"] > 0}
            entries[place] = _Entry(entry.stroke, row, path_mm, reference)
        self._final, self._open = entries, []

    def table(self) -> tuple[pd.DataFrame, FloatArray]:
        """All strokes of the block as the stroke table, block number 0, and their paths (n, k, 3) in mm."""
        every = [*self._final, *self._open]
        table = pd.DataFrame([entry.row for entry in every], columns=[column.name for column in STROKE_COLUMNS])
        types = {column.name: column.dtype for column in STROKE_COLUMNS if column.dtype not in ("str", "Int64")}
        table = table.astype(types).assign(block=pd.array(np.zeros(len(every), dtype=np.int64), dtype="Int64"))
        paths = np.array([entry.path_mm for entry in every], dtype=np.float64).reshape(-1, PATH_POINTS, 3)
        return table, paths

    def _unsettled(self, middles_s: FloatArray) -> IntArray:
        """Places of strokes whose middle lies in no settled stroke; an early one may be seen to be play only later."""
        settled = self._final[-SETTLED_SEEN:]
        if not settled:
            return np.arange(middles_s.size)
        starts, ends = (np.array([getattr(entry.stroke, name) for entry in settled]) for name in ("start_s", "end_s"))
        at = np.searchsorted(starts, middles_s, side="right") - 1
        inside = (at >= 0) & (middles_s < ends[np.maximum(at, 0)])
        return np.flatnonzero(~inside & (middles_s > starts[0] if len(self._final) > SETTLED_SEEN else ~inside))

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
