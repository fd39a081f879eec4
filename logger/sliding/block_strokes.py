"""The strokes of the running block as successive windows see them: provisional, then settled, each counted once."""

from __future__ import annotations

from array import array
from bisect import bisect
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.model.records import FloatArray, Instrument, IntArray
from analysis.model.stroke_columns import STROKE_COLUMNS
from analysis.reference.session_reference import Reference
from analysis.stroke.play import turned_axes
from analysis.stroke.stroke_paths import PATH_POINTS, TracedStrokes
from analysis.stroke.tilt import measure_strokes

Row: TypeAlias = dict[str, Any]
"""A row of the stroke table, but for its block."""
Columns: TypeAlias = Mapping[str, NDArray[Any]]
"""Some rows of the stroke table, column by column, but for the block."""
Packed: TypeAlias = tuple[pd.DataFrame, FloatArray, FloatArray]
"""Rows of the stroke table, paths (n, k, 3) in mm, and the axes (n, 3, 3) that they are in."""

NAMES = tuple(column.name for column in STROKE_COLUMNS if column.name != "block")
TYPES = {column.name: column.dtype for column in STROKE_COLUMNS if column.dtype not in ("str", "Int64")}

LAST = 8
"""Strokes in the tilt of now."""
SETTLED_SEEN = 600
"""Settled strokes that a window may reach: half a minute at 20 a second."""
PACKED = 400
"""Older ones are packed by so many: a stroke then takes some hundred bytes, not thousands."""
TOLD_DEG = 0.05
"""A provisional stroke is told again if its tilt moved by more."""


@dataclass(frozen=True)
class LiveStroke:
    """One stroke on log time; ``path_mm`` (k, 2) in the end view.

    Attributes
    ----------
    id : int
        Counts within the block.
    direction : {"down", "up"}
    start_s, end_s : float
        Log time.
    tilt_deg : float
    span_mm : float
    lift_mm : float
    clears : bool
    provisional : bool
        Whether a later window may still change it.
    path_mm : float64 (k, 2)
        Across the strings and off them.
    """

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
    """What one window changed, and the tilts (deg) of the whole block so far in order.

    Attributes
    ----------
    strokes : tuple of LiveStroke
        New or changed.
    withdrawn : tuple of int
        ``id`` of strokes that are none after all.
    tilts_deg : float64 (n,)
    strokes_per_s : float or None
    """

    strokes: tuple[LiveStroke, ...] = ()
    withdrawn: tuple[int, ...] = ()
    tilts_deg: FloatArray = field(default_factory=lambda: np.empty(0))
    strokes_per_s: float | None = None


@dataclass(frozen=True, eq=False)
class _Entry:
    """A stroke with its row of the stroke table, its path (k, 3), and the axes (3, 3) that the path is in."""

    stroke: LiveStroke
    row: Row
    path_mm: FloatArray
    axes: FloatArray
    middle_s: float


class BlockStrokes:
    """Collect the strokes of one block. A window costs the same however long the block is.

    Parameters
    ----------
    first_id : int
        Ids rise from here.
    """

    def __init__(self, first_id: int = 0) -> None:
        self.next_id = first_id
        self._packed: list[Packed] = []
        self._packed_until_s = -np.inf
        self._settled: list[_Entry] = []
        self._settled_tilts = array("d")  # Of those packed too.
        self._open: list[_Entry] = []

    def take(
        self, columns: Columns, paths_mm: FloatArray, axes: FloatArray, settled_s: float, since_s: float
    ) -> Judged:
        """Take the strokes of a window.

        Parameters
        ----------
        columns : mapping
            Columns :data:`NAMES` of the stroke table, n rows.
        paths_mm : float (n, k, 3)
        axes : float (n, 3, 3)
            Instrument axes by which each was judged.
        settled_s : float
            Strokes that end before are final.
        since_s : float
            From where on the window is to be trusted: an open stroke later than this that it does not show is none.
        """
        middles_s = 0.5 * (columns["start_s"] + columns["end_s"])
        fresh = self._unsettled(middles_s)
        before, kept, changed = list(self._open), [], []
        for place, row in zip(fresh.tolist(), _rows(columns, fresh), strict=True):
            known = _match(before, row)
            if known is not None:
                before.remove(known)
            path_mm = paths_mm[place].copy()  # A view would keep the whole window's.
            stroke = self._stroke(row, path_mm, known, settled_s)
            if known is None or not stroke.provisional or abs(stroke.tilt_deg - known.stroke.tilt_deg) > TOLD_DEG:
                changed.append(stroke)
            kept.append(_Entry(stroke, row, path_mm, axes[place].copy(), float(middles_s[place])))
        # What left the window before it settled stays as it was said last.
        left = [entry for entry in before if entry.middle_s < since_s]
        withdrawn = tuple(entry.stroke.id for entry in before if entry.middle_s >= since_s)
        kept = sorted((*left, *kept), key=lambda entry: entry.stroke.start_s)
        self._open = []
        for entry in kept:
            if entry.stroke.provisional and entry.middle_s >= since_s:
                self._open.append(entry)
            else:
                self._settle(entry)
        return self.judged(tuple(changed), withdrawn)

    def judged(self, strokes: tuple[LiveStroke, ...] = (), withdrawn: tuple[int, ...] = ()) -> Judged:
        """The news with the block so far."""
        last = [entry.stroke for entry in (*self._settled[-LAST:], *self._open)][-LAST:]
        rate = 1.0 / float(np.median([stroke.end_s - stroke.start_s for stroke in last])) if last else None
        tilts = np.concatenate([self._settled_tilts, [entry.stroke.tilt_deg for entry in self._open]])
        return Judged(strokes, withdrawn, tilts, rate)

    def judge_anew(self, reference: Reference, posture: str, instrument: Instrument) -> None:
        """Turn the block's strokes to the heading's drift as it is known now, as a batch run would have it."""
        table, paths_mm, axes = self._all()
        if table.empty:
            return
        start_s, end_s, contact_s = (table[name].to_numpy() for name in ("start_s", "end_s", "contact_s"))
        now = turned_axes(reference.frame(posture), 0.5 * (start_s + end_s), reference.drift)
        turned = paths_mm @ axes @ now.transpose(0, 2, 1)
        signs = np.where(table["direction"].to_numpy() == "down", 1.0, -1.0)
        nothing = np.zeros(len(table))
        paths = TracedStrokes(nothing, nothing, signs, nothing, nothing, nothing > 0, 1e-3 * turned, 0 * turned[:, 0])
        measured = measure_strokes(paths, instrument, (contact_s - start_s) / (end_s - start_s), nothing > 0)
        news = {name: getattr(measured, name) for name in ("tilt_deg", "main_tilt_deg", "span_mm", "bow_mm", "lift_mm")}
        table = table.assign(**news, clears=measured.lift_mm > 0)
        self._packed, self._settled, self._open = [(table, turned, now)], [], []

    def table(self) -> tuple[pd.DataFrame, FloatArray]:
        """All strokes of the block as the stroke table, block number 0, and their paths (n, k, 3) in mm."""
        table, paths_mm, _ = self._all()
        table = table.assign(block=pd.array(np.zeros(len(table), dtype=np.int64), dtype="Int64"))
        return table[[column.name for column in STROKE_COLUMNS]], paths_mm

    def _all(self) -> Packed:
        rest = [*self._settled, *self._open]
        parts = [*self._packed, _packed(rest)] if rest or not self._packed else self._packed
        tables, paths_mm, axes = zip(*parts, strict=True)
        return pd.concat(tables, ignore_index=True), np.concatenate(paths_mm), np.concatenate(axes)

    def _settle(self, entry: _Entry) -> None:
        """Keep a stroke for good, in order of time."""
        place = bisect(self._settled, entry.stroke.start_s, key=lambda each: each.stroke.start_s)
        packed = len(self._settled_tilts) - len(self._settled)
        self._settled.insert(place, entry)
        self._settled_tilts.insert(packed + place, entry.stroke.tilt_deg)
        if len(self._settled) >= SETTLED_SEEN + PACKED:
            self._packed.append(_packed(self._settled[:PACKED]))
            self._packed_until_s = self._settled[PACKED - 1].stroke.end_s
            self._settled = self._settled[PACKED:]

    def _unsettled(self, middles_s: FloatArray) -> IntArray:
        """Places of strokes whose middle lies in no settled stroke; an early one may be seen to be play only later."""
        if not self._settled or not middles_s.size:
            return np.arange(middles_s.size)
        first = bisect(self._settled, middles_s.min(), key=lambda each: each.stroke.end_s)
        reached = [(entry.stroke.start_s, entry.stroke.end_s) for entry in self._settled[first:]]
        starts, ends = np.array(reached or [(np.inf, np.inf)]).T
        at = np.searchsorted(starts, middles_s, side="right") - 1
        inside = (at >= 0) & (middles_s < ends[np.maximum(at, 0)])
        return np.flatnonzero(~inside & (middles_s >= self._packed_until_s))

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


def _rows(columns: Columns, places: IntArray) -> list[Row]:
    values = (columns[name][places].tolist() for name in NAMES)
    return [dict(zip(NAMES, row, strict=True)) for row in zip(*values, strict=True)]


def _packed(entries: list[_Entry]) -> Packed:
    table = pd.DataFrame([entry.row for entry in entries], columns=list(NAMES)).astype(TYPES)
    paths = np.array([entry.path_mm for entry in entries], dtype=np.float64).reshape(-1, PATH_POINTS, 3)
    return table, paths, np.array([entry.axes for entry in entries], dtype=np.float64).reshape(-1, 3, 3)


def _match(entries: list[_Entry], row: Row) -> _Entry | None:
    """The stroke said before that this one is: same direction, middles less than half a stroke apart."""
    middle_s, half_s = 0.5 * (row["start_s"] + row["end_s"]), 0.5 * (row["end_s"] - row["start_s"])
    for entry in entries:
        if entry.stroke.direction == row["direction"] and abs(entry.middle_s - middle_s) < half_s:
            return entry
    return None
