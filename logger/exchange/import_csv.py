"""A sensor's table to a session: columns by a map or guessed, values as whole counts, times as ticks, nothing shifted.

Physical values become counts of a fine decimal step (:data:`logger.player.column_map.ACCEL_UNITS`, ``GYRO_UNITS``): a
value with no more decimals than the step is kept exactly, any other is rounded by half a step, hundreds of times below
the noise of a cheap sensor.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Event, FloatArray, IntArray, RawSamples, SensorProfile, Session
from analysis.reference.find_gestures import FoundEvents
from analysis.reference.unconfirmed import PLACE_KEY
from analysis.signal.timebase import RATE_TOLERANCE
from logger.exchange.find_marks import align_marks, find_marks
from logger.exchange.guess_map import GuessedMap, guess_map, split_by_label
from logger.exchange.parquet_table import read_parquet_table
from logger.exchange.saturation import find_clipping, unit_warnings
from logger.exchange.sensor_streams import Settled, check_columns, join_streams, read_stream, sensors_alone, settle
from logger.files.events_csv import check_within, read_events, says_simulated
from logger.files.loose_table import LooseTable, read_loose_table
from logger.files.packed import read_parts
from logger.player.column_map import ColumnMap, Triad, read_column_map


@dataclass(frozen=True)
class Imported:
    """A session, and what was found for it.

    Attributes
    ----------
    session : Session
    guessed : GuessedMap or None
        The map of the columns; None where it was given.
    found : FoundEvents or None
        The events; None where they were given.
    """

    session: Session
    guessed: GuessedMap | None = None
    found: FoundEvents | None = None


class ReadLog(NamedTuple):
    """A log as a session, the map that was guessed for it, and the posture that the map names."""

    session: Session
    guessed: GuessedMap | None
    posture: str


def import_csv(
    path: Path,
    map_path: Path | None = None,
    events_path: Path | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Session:
    """Read a sensor's table, or the tables of its sensors, into a session; see :func:`import_tables`."""
    return import_tables(path, map_path, events_path, progress).session


def import_tables(
    path: Path,
    map_path: Path | None = None,
    events_path: Path | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Imported:
    """Read a sensor's table, or the tables of its sensors, into a session.

    Parameters
    ----------
    path, map_path, events_path : Path
        The log (a file, ``.gz``, ``.zip`` or folder), its MAP.toml and its EVENTS.csv, if there are any.
    progress : callable
        Told the share of the work that is done.

    Returns
    -------
    Imported
        ``session.warnings`` tells what was odd but could be used.

    Raises
    ------
    InputError
        With file, row where there is one, and what to do.
    """
    events = () if events_path is None else read_events(events_path)
    session, guessed, posture = read_log(path, map_path, events, progress)
    if any(says_simulated(file) for file in (path, map_path, events_path) if file is not None):
        session = replace(session, metadata={**session.metadata, "synthetic": "true"})
    if events_path is None:
        marked = find_marks(session, posture)
        return Imported(marked.session, guessed, marked.found)
    session = align_marks(session)
    ticks, hz = session.raw.ticks, session.profile.tick_hz
    outside = check_within(session.events, ticks[0] / hz, ticks[-1] / hz, events_path)
    return Imported(replace(session, warnings=(*session.warnings, *outside)), guessed, None)


def read_log(
    path: Path,
    map_path: Path | None = None,
    events: tuple[Event, ...] = (),
    progress: Callable[[float], None] = lambda share: None,
) -> ReadLog:
    """Read a sensor's table, or the tables of its sensors; nothing is looked for in the signals.

    Parameters
    ----------
    path, map_path : Path
        The log and its MAP.toml, if there is one.
    events : tuple of Event
        To write into the session.
    progress : callable
        Told the share of the work that is done.

    Returns
    -------
    ReadLog

    Raises
    ------
    InputError
        With file, row where there is one, and what to do.
    """
    given = None if map_path is None else read_column_map(map_path)
    tables = read_tables(path, progress)
    guessed = guess_map(tables, path) if given is None else None
    columns = given if given is not None else guessed.columns  # type: ignore[union-attr]
    settled, warnings = _both_sensors(tables, columns, path)
    progress(0.9)
    session = _session(settled, columns, events, path)
    warnings = [*_table_notes(tables), *warnings, *(guessed.notes if guessed else ()), *session.warnings]
    session = replace(session, warnings=tuple(_sentence(text) for text in warnings))
    return ReadLog(session, guessed, columns.posture)


def read_tables(path: Path, progress: Callable[[float], None] = lambda share: None) -> list[LooseTable]:
    """Every table of numbers that a log holds; in a folder or ZIP, what is none is passed over."""
    parts = read_parts(path)
    tables, problems = [], []
    for number, part in enumerate(parts):
        try:
            read = read_parquet_table if part.is_parquet else read_loose_table
            tables.append(read(part.name, part.data))
        except InputError as error:
            if len(parts) == 1:
                raise InputError(str(error).replace(part.name, str(path), 1)) from error
            problems.append(str(error))
        progress(0.8 * (number + 1) / len(parts))
    if not tables:
        raise InputError(
            f"none of its {len(parts)} files is a table of numbers ({problems[0]})",
            file=str(path),
        )
    return tables


def _both_sensors(tables: Sequence[LooseTable], columns: ColumnMap, path: Path) -> tuple[Settled, list[str]]:
    """Acceleration and turning rate at common times, (n, 6), in the units of the map."""
    tables = [part for table in tables for part in split_by_label(table)]
    notes: list[str] = []
    homes = [_table_of(tables, triad, path) for triad in columns.triads]
    for home, triad in zip(homes, columns.triads, strict=True):
        check_columns(home, (triad.time_column or columns.time_column, *triad.columns))
    shared = all(home is homes[0] for home in homes)
    alone = shared and sensors_alone(homes[0], columns.accel, columns.gyro)
    one = shared and len({t.time_column for t in columns.triads}) == 1
    if one and columns.gravity is None and not alone:
        stream, said = read_stream(homes[0], columns.triads, columns)
        done = settle(stream, columns.rate_hz)
        return done, [*said, *done.remarks]
    parts = []
    for home, triad in zip(homes, columns.triads, strict=True):
        stream, said = read_stream(home, (triad,), columns)
        parts.append(settle(replace(stream, name=_stream_name(home, triad, columns))))
        notes += said if triad.file and not alone else []
    accel = parts[0]
    if columns.gravity is not None:
        total, _ = join_streams(parts[0], parts[2])
        scale = columns.gravity.si_per_count / columns.gravity.step * columns.accel.step / columns.accel.si_per_count
        values = total.stream.values[:, :3] + scale * total.stream.values[:, 3:]
        accel = replace(total, stream=replace(total.stream, values=values))
    both, _ = join_streams(accel, parts[1])
    return both, [*notes, *both.remarks]


def _table_of(tables: Sequence[LooseTable], triad: Triad, path: Path) -> LooseTable:
    """The table of a triad: by its file, else the first that has its columns."""
    if triad.file:
        found = [table for table in tables if table.name == triad.file]
        if not found:
            names = ", ".join(table.name for table in tables[:20])
            raise InputError(
                expected=f"a table {triad.file!r}",
                found=f"{names}",
                next_step="correct file in the map",
                file=str(path),
            )
        return found[0]
    holding = [table for table in tables if set(triad.columns) <= set(table.columns)]
    return holding[0] if holding else tables[0]


def _stream_name(home: LooseTable, triad: Triad, columns: ColumnMap) -> str:
    sensor = {id(columns.accel): "accelerometer", id(columns.gyro): "gyroscope"}.get(id(triad), "gravity")
    return f"{sensor} of {home.name}" if not triad.file else home.name


def _session(settled: Settled, columns: ColumnMap, events: tuple[Event, ...], path: Path) -> Session:
    stream = settled.stream
    ticks = stream.ticks
    rate_hz = _checked_rate(settled, columns, path)
    counts = np.empty((ticks.size, 6), dtype=np.int32)
    # Values between another sensor's samples are no whole counts any more: they are rounded to them.
    whole = columns.gravity is None and " and " not in stream.name
    counts[:, :3] = _counts(stream.values[:, :3], columns.accel, stream.rows, path, whole)
    counts[:, 3:] = _counts(stream.values[:, 3:], columns.gyro, stream.rows, path, whole)
    clips, warnings = find_clipping(counts, columns.accel, columns.gyro)
    warnings += unit_warnings(counts, columns)
    host = np.full(ticks.size, np.nan)
    if columns.date is not None:
        host[0] = columns.date.timestamp()
    elif 1e9 <= ticks[0] / stream.tick_hz < 4e9:
        host[0] = ticks[0] / stream.tick_hz
    metadata = {"imported_from": path.name, "column_map": columns.path.name}
    if columns.sensor_place != "hand":
        metadata[PLACE_KEY] = columns.sensor_place
    if columns.posture:
        events = tuple(replace(e, posture=columns.posture) if not e.posture else e for e in events)
        metadata["posture"] = columns.posture
    profile = SensorProfile(
        name="imported",
        rate_hz=columns.rate_hz or rate_hz,
        accel_mps2_per_count=columns.accel.si_per_count,
        gyro_radps_per_count=columns.gyro.si_per_count,
        tick_hz=stream.tick_hz,
        accel_clip_counts=clips[0],
        gyro_clip_counts=clips[1],
    )
    return Session(
        raw=RawSamples(ticks, settled.sequence, host, counts),
        profile=profile,
        player=columns.player,
        instrument=columns.instrument,
        events=events,
        lever_mm=columns.lever_mm,
        warnings=tuple(warnings),
        metadata=metadata,
    )


def _table_notes(tables: Sequence[LooseTable]) -> list[str]:
    return [note for table in tables for note in table.notes]


def _sentence(text: str) -> str:
    return f"{text[0]}{text[1:]}" + ("" if text.endswith(".") else ".")


def _counts(values: FloatArray, triad: Triad, rows: IntArray, path: Path, exact: bool) -> IntArray:
    """Values as whole counts of the triad's step."""
    scaled = values / triad.step
    counts = np.rint(scaled)
    limit = np.iinfo(np.int32)
    bad = (counts < limit.min) | (counts > limit.max)
    if triad.unit == "counts" and exact:
        bad |= counts != values
    if bad.any():
        at, axis = (int(i) for i in np.argwhere(bad)[0])
        expected = (
            "whole counts" if triad.unit == "counts" else f"values within {limit.max * triad.step:g} {triad.unit}"
        )
        raise InputError(
            expected=f"{expected} in column {triad.columns[axis]!r}",
            found=f"{values[at, axis]:.17g}",
            next_step="correct the cell or the unit",
            file=str(path),
            row=int(rows[at]),
        )
    return counts.astype(np.int64)


def _checked_rate(settled: Settled, columns: ColumnMap, path: Path) -> float:
    """Samples a second by the times, compared with the map's."""
    ticks = settled.stream.ticks
    steps = max(1, int(settled.sequence[-1]) - int(settled.sequence[0]))
    rate_hz = settled.stream.tick_hz * steps / max(1, int(ticks[-1] - ticks[0]))
    if columns.rate_hz is not None and abs(columns.rate_hz / rate_hz - 1) > RATE_TOLERANCE:
        raise InputError(
            expected=f"{columns.rate_hz:g} samples/s as rate_hz in {columns.path} says",
            found=f"{rate_hz:.5g} by column {columns.time_column!r}",
            next_step="correct rate_hz or the unit of time",
            file=str(path),
        )
    return settled.base.grid.rate_hz if settled.base else rate_hz
