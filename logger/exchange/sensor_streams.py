"""Samples of one sensor out of a table, and two sensors with clocks of their own brought onto one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from analysis.model.errors import InputError, TimebaseError
from analysis.model.records import FloatArray, IntArray, RawSamples, SensorProfile
from analysis.signal.clock_remarks import clock_remarks
from analysis.signal.tick_order import OrderedTicks, mean_period, settle_order
from analysis.signal.timebase import MIN_SAMPLES, Timebase, fit_timebase
from logger.files.loose_table import LooseTable
from logger.player.column_map import ColumnMap, Triad

TICKS_PER_UNIT = {"s": (1e6, 1e9), "date": (1e6, 1e9), "ms": (1e3, 1e6), "us": (1.0, 1e3), "ns": (1e-3, 1.0)}
"""Micro- and nanoseconds in one unit of time."""
EXACT_INTEGER = 2.0**53
BRIDGED_SLOTS = 2
"""The other sensor's samples may lie this far apart where a value between them is taken."""
FEW_SHARE = 0.1
MOST_EMPTY = 0.2


@dataclass(frozen=True)
class Stream:
    """Samples of one or of both sensors: ticks, values in the columns' units, rows of the file."""

    name: str
    ticks: IntArray
    tick_hz: float
    values: FloatArray
    rows: IntArray


@dataclass(frozen=True)
class Settled:
    """A stream in order and on its grid; ``sequence`` leaves a number out where a sample is missing."""

    stream: Stream
    sequence: IntArray
    base: Timebase | None
    remarks: tuple[str, ...]


def read_stream(table: LooseTable, triads: Sequence[Triad], columns: ColumnMap) -> tuple[Stream, list[str]]:
    """Samples of the triads in a table; rows with an empty cell are left out and counted.

    Raises
    ------
    InputError
        A column that is not there, times that cannot be used, or too many empty cells.
    """
    time_name = next((t.time_column for t in triads if t.time_column), columns.time_column)
    names = [time_name, *([columns.nanoseconds_column] if columns.nanoseconds_column else [])]
    wanted = [name for triad in triads for name in triad.columns]
    check_columns(table, [*names, *wanted])
    time = table.column(time_name)
    if columns.nanoseconds_column:
        time = time + 1e-9 * table.column(columns.nanoseconds_column)
    values = np.stack([table.column(name) for name in wanted], axis=1)
    if len(triads) == 1:  # other rows may be the other sensor's
        own = ~np.isnan(values).all(axis=1)
        table = replace(table, values=table.values[own], rows=table.rows[own])
        values, time = values[own], time[own]
    whole = ~(np.isnan(values).any(axis=1) | np.isnan(time))
    share = 1 - float(whole.mean())
    if share > MOST_EMPTY or whole.sum() < 2:
        at = int(np.argmin(whole))
        cells = np.isnan([time[at], *values[at]])
        column = [time_name, *wanted][int(np.argmax(cells))]
        raise InputError(
            expected=f"numbers in column {column!r}",
            found=f"{round(100 * share)} % of the rows with an empty cell",
            next_step="correct the column's name, or remove these rows",
            file=table.name,
            row=int(table.rows[at]),
        )
    notes = []
    if not whole.all():
        count, first = int((~whole).sum()), int(table.rows[int(np.argmin(whole))])
        rows = "1 row" if count == 1 else f"{count} rows"
        notes.append(f"{rows} of {table.name} with an empty cell left out as lost samples (the first is row {first})")
    rows_kept = table.rows[whole]
    ticks, tick_hz = as_ticks(time[whole], rows_kept, columns, table.name)
    return Stream(table.name, ticks, tick_hz, values[whole], rows_kept), notes


def sensors_alone(table: LooseTable, accel: Triad, gyro: Triad) -> bool:
    """Whether rows carry one sensor at a time."""
    has = [~np.isnan(np.stack([table.column(n) for n in t.columns], axis=1)).any(axis=1) for t in (accel, gyro)]
    alone = [float((mine & ~other).mean()) for mine, other in (has, has[::-1])]
    return min(alone) > FEW_SHARE or (max(alone) > 2 * MOST_EMPTY and float((has[0] & has[1]).mean()) > 0)


def as_ticks(time: FloatArray, rows: IntArray, columns: ColumnMap, name: str) -> tuple[IntArray, float]:
    """Times as whole ticks: the column's own, or micro- or nanoseconds, whichever keeps what the column resolves."""
    if columns.tick_hz is not None:
        bad = (time != np.rint(time)) | (np.abs(time) > EXACT_INTEGER)
        if bad.any():
            at = int(np.argmax(bad))
            raise InputError(
                expected=f"whole ticks below {EXACT_INTEGER:.0f} in column {columns.time_column!r}",
                found=f"{time[at]:.17g}",
                next_step="correct the cell, or state another time unit",
                file=name,
                row=int(rows[at]),
            )
        return time.astype(np.int64), columns.tick_hz
    micro, nano = (time * per_unit for per_unit in TICKS_PER_UNIT[columns.time_unit])
    # What double precision itself cannot tell from a whole number of microseconds is one.
    whole = np.abs(micro - np.rint(micro)) <= 4 * np.finfo(np.float64).eps * np.maximum(np.abs(micro), 1.0)
    tick_hz = 1e6 if whole.all() or float(np.abs(nano).max()) > EXACT_INTEGER else 1e9
    scaled = micro if tick_hz == 1e6 else nano
    beyond = np.abs(scaled) >= 2.0**62
    if beyond.any():
        at = int(np.argmax(beyond))
        raise InputError(
            f"{name}, row {rows[at]}: time {time[at]:g} {columns.time_unit} is out of bounds",
            next_step="check the unit",
        )
    return np.rint(scaled).astype(np.int64), tick_hz


def settle(stream: Stream, rate_hz: float | None = None) -> Settled:
    """Bring a stream into order and onto its grid.

    Raises
    ------
    InputError
        Times that cannot be decided; file and row are named.
    """
    scale = np.maximum(np.abs(stream.values).max(axis=0), 1e-12)
    counts = np.rint(stream.values / scale * 1e9).astype(np.int32)
    try:
        rough = rate_hz or stream.tick_hz / mean_period(stream.ticks)
        ordered = settle_order(stream.ticks, np.resize(counts.T, (6, len(counts))).T, stream.tick_hz, rough)
        if ordered.ticks.size < MIN_SAMPLES:
            return _short(stream, ordered, rough)
        base = _fit(ordered, np.resize(counts.T, (6, len(counts))).T, stream.tick_hz, rate_hz)
    except TimebaseError as error:
        facts = dict(error.facts)
        sample = facts.pop("sample", None)
        if rate_hz is not None and "from the times" in error.facts.get("found", ""):
            facts["expected"] = f"{rate_hz:g} samples/s as rate_hz in the map says"
            facts["next_step"] = "correct rate_hz or the unit of time"
        if isinstance(sample, int):
            facts["row"] = int(stream.rows[min(sample, stream.rows.size - 1)])
        raise InputError(error.problem, **{**facts, "file": stream.name}) from error  # type: ignore[arg-type]
    kept = ordered.row[base.kept]
    told = replace(base, faults=ordered.faults, repeated_samples=base.repeated_samples + ordered.faults.repeated)
    out = replace(stream, ticks=ordered.ticks[base.kept], values=stream.values[kept], rows=stream.rows[kept])
    return Settled(out, base.slot, base, tuple(f"{stream.name}: {sentence}" for sentence in clock_remarks(told)))


def _fit(ordered: OrderedTicks, counts: NDArray[np.int32], tick_hz: float, rate_hz: float | None) -> Timebase:
    """Grid of ordered ticks; the rate that nobody stated is the times' own."""
    size = ordered.ticks.size
    raw = RawSamples(ordered.ticks, np.arange(size), np.full(size, np.nan), counts[ordered.row])
    nominal = rate_hz or tick_hz / mean_period(ordered.ticks)
    for _ in range(1 if rate_hz else 3):
        try:
            return fit_timebase(raw, SensorProfile("", nominal, 1.0, 1.0, tick_hz=tick_hz))
        except TimebaseError as error:
            found = error.facts.get("found", "").split(" ")[0]
            if rate_hz or "from the times" not in error.facts.get("found", ""):
                raise
            nominal = float(found)
    return fit_timebase(raw, SensorProfile("", nominal, 1.0, 1.0, tick_hz=tick_hz))


def _short(stream: Stream, ordered: OrderedTicks, rate_hz: float) -> Settled:
    """Too few samples for a grid: steps are rounded one by one."""
    steps = np.maximum(np.rint(np.diff(ordered.ticks) * rate_hz / stream.tick_hz), 1).astype(np.int64)
    out = replace(stream, ticks=ordered.ticks, values=stream.values[ordered.row], rows=stream.rows[ordered.row])
    return Settled(out, np.concatenate([[0], np.cumsum(steps)]), None, ())


def join_streams(first: Settled, second: Settled) -> tuple[Settled, bool]:
    """Both sensors at the samples of the faster one; the other's values by the cubic through its own samples.

    Returns
    -------
    joined : Settled
        ``values`` (n, 6): first, second.
    kept_first : bool
        Whether the first one's samples were kept as they are.

    Raises
    ------
    InputError
        They do not cover a common time.
    """
    if first.base is None or second.base is None:
        short = first if first.base is None else second
        raise InputError(
            f"{short.stream.name}: expected at least {MIN_SAMPLES} samples in each file of one recording, "
            f"found {short.stream.ticks.size}",
            next_step="record a longer log",
        )
    keeps_first = first.base.grid.rate_hz >= second.base.grid.rate_hz * 0.98
    fast, slow = (first, second) if keeps_first else (second, first)
    assert_base = (fast.base, slow.base)
    times = assert_base[0].grid.time_at(fast.sequence.astype(np.float64))  # type: ignore[union-attr]
    at = np.asarray(assert_base[1].grid.position_at(times))  # type: ignore[union-attr]
    slot = slow.sequence
    after = np.clip(np.searchsorted(slot, at), 1, slot.size - 1)
    inside = (at >= slot[0]) & (at <= slot[-1]) & (slot[after] - slot[after - 1] <= BRIDGED_SLOTS)
    if inside.sum() < MIN_SAMPLES:
        a, b = (
            f"{s.stream.ticks[0] / s.stream.tick_hz:.6g} to {s.stream.ticks[-1] / s.stream.tick_hz:.6g} s"
            for s in (fast, slow)
        )
        raise InputError(
            f"{fast.stream.name} and {slow.stream.name} have no time in common ({a}, {b})",
            next_step="name the time columns that count from one zero, or import files of one recording",
        )
    other = CubicSpline(slot.astype(np.float64), slow.stream.values)(at[inside])
    pair = [fast.stream.values[inside], other]
    values = np.concatenate(pair if keeps_first else pair[::-1], axis=1)
    stream = replace(
        fast.stream, ticks=fast.stream.ticks[inside], values=values, rows=fast.stream.rows[inside],
        name=f"{first.stream.name} and {second.stream.name}",
    )  # fmt: skip
    sequence = fast.sequence[inside]
    said = f"{slow.stream.name} was brought to the times of {fast.stream.name}"
    out = int((~inside).sum())
    if out:
        left = "1 sample" if out == 1 else f"{out} samples"
        said += f"; {left} of that which the other does not reach {'was' if out == 1 else 'were'} left out"
    return Settled(stream, sequence - sequence[0], fast.base, (*first.remarks, *second.remarks, said)), keeps_first


def check_columns(table: LooseTable, wanted: Sequence[str]) -> None:
    """Refuse names that the table does not have, has twice, or that stand over words."""
    missing = [name for name in wanted if name not in table.columns]
    if missing:
        lacking = ", ".join(repr(name) for name in missing)
        found = ", ".join(repr(name) for name in table.columns[:20])
        raise InputError(
            f"{table.name}: expected a header with column {lacking}, found {found}",
            next_step="correct the names in the map",
        )
    twice = [name for name in wanted if name in table.twins]
    if twice:
        raise InputError(
            f"{table.name}: two columns are called {twice[0]!r}",
            next_step="rename one of them",
        )
    words = [name for name in wanted if name in table.texts]
    if words:
        raise InputError(
            f"{table.name}: expected numbers in column {words[0]!r}, found words in most rows",
            next_step="name another column",
        )
