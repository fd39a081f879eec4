"""Sessions as CSV or Parquet: one file a table, all of them in one folder, each complete or not there."""

from __future__ import annotations

import glob
import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.model.cautions import is_simulated
from analysis.model.errors import InputError, OutputError
from analysis.model.records import FloatArray, IntArray, RawSamples, Session, Stream
from analysis.model.stroke_columns import STROKE_COLUMNS, STROKE_CSV_COLUMNS, SYNTHETIC_COLUMN, Column
from analysis.signal.si_units import exact_decimals
from logger.exchange.export_tables import (
    HAND_COLUMN,
    HOST_COLUMN,
    STREAM_TABLE,
    ExportSource,
    about,
    hand_time_s,
    provenance,
    signal_columns,
    signal_parts,
    small_tables,
    stream_tables,
)
from logger.files.arrow_tables import build_schema, to_arrow
from logger.files.atomic_file import make_folder, open_atomic, write_text_atomic
from logger.files.decimal_text import DecimalColumn, render_rows
from logger.report.result_files import render_table_csv

if TYPE_CHECKING:
    import pyarrow as pa

FileKind = Literal["csv", "parquet"]
TABLES = ("signals", "events", "strokes", "blocks")
ABOUT = "about.json"
ROWS_PER_TEXT = 1 << 14
MOST_DECIMALS = 9
HOST_DECIMALS = 6
LATEST_S = 1e12
"""Host times beyond are none."""


def file_names(path: Path, kind: FileKind, streams: Sequence[str] = ()) -> dict[str, str]:
    """Names of a session's files by table; CSV has one more, which says what its columns mean."""
    names = {table: f"{path.stem}.{table}.{kind}" for table in (*TABLES, *streams)}
    return names | {"about": f"{path.stem}.{ABOUT}"} if kind == "csv" else names


def prepare_folder(folder: Path, sessions: Sequence[Path], kind: FileKind, replace: bool) -> None:
    """Make the folder if need be, and find out before any work what would keep its files from being written.

    Parameters
    ----------
    folder : Path
        May not exist yet.
    sessions : sequence of Path
        Session files.
    kind : FileKind
        Of the files to write.
    replace : bool
        Whether files that are there may be written over.

    Raises
    ------
    InputError
        Two sessions whose files would have one name.
    OutputError
        The folder cannot be made or holds one of the files already.
    """
    stems = [path.stem.casefold() for path in sessions]
    for number, path in enumerate(sessions):
        if stems.index(stems[number]) < number:
            raise InputError(
                expected="sessions with names of their own",
                found=f"{sessions[stems.index(stems[number])]} and {path}",
                next_step="export one of them into another folder",
            )
    make_folder(folder)
    there = [folder / name for path in sessions for name in file_names(path, kind).values()]
    there = [path for path in there if path.exists()]
    there += [found for path in sessions for found in _stream_files(folder, path, kind)]
    if there and not replace:
        raise OutputError(
            f"{there[0]} exists",
            next_step="name another folder, or give --replace to write over it",
        )


def _stream_files(folder: Path, session: Path, kind: FileKind) -> list[Path]:
    """Tables of further sensors that an export of a session of this name left in a folder."""
    return sorted(folder.glob(f"{glob.escape(session.stem)}.*{STREAM_TABLE}.{kind}"))


def export_files(
    source: ExportSource,
    folder: Path,
    kind: FileKind,
    raw: bool = False,
    progress: Callable[[str, float], None] = lambda _stage, _share: None,
) -> list[Path]:
    """Write a session's tables into a folder.

    Parameters
    ----------
    source : ExportSource
    folder : Path
    kind : {"csv", "parquet"}
    raw : bool
        Add the raw counts.
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        A file cannot be written.
    """
    names = file_names(source.path, kind, tuple(stream_tables(source.session)))
    paths = {table: folder / name for table, name in names.items()}
    write = _write_csv if kind == "csv" else _write_parquet
    tables = write(source, paths, raw, lambda share: progress("writing samples", share))
    for table, path in paths.items():
        # What an earlier export with strokes left behind would contradict this one.
        if table not in tables:
            path.unlink(missing_ok=True)
    for path in _stream_files(folder, source.path, kind):
        if path not in paths.values():
            path.unlink()
    return [paths[table] for table in tables]


def _write_csv(source: ExportSource, paths: dict[str, Path], raw: bool, told: Callable[[float], None]) -> list[str]:
    columns = {}
    for name, sensor in _sensors(source.session).items():
        columns[name] = signal_columns(sensor, raw)
        with open_atomic(paths[name]) as stream:
            stream.write(",".join(column.name for column in columns[name]).encode() + b"\n")
            for share, text in _signal_text(sensor, raw):
                stream.write(text)
                told(share)
    for name, (table, listed) in small_tables(source).items():
        if name == "strokes":
            listed = tuple(column for column in STROKE_COLUMNS if column.name in STROKE_CSV_COLUMNS)
        simulated = is_simulated(source.session.metadata)
        columns[name] = (*listed, SYNTHETIC_COLUMN) if simulated else listed
        write_text_atomic(paths[name], render_table_csv(table, listed, simulated))
    document = json.dumps(about(source, columns), ensure_ascii=False, allow_nan=False, indent=2)
    write_text_atomic(paths["about"], document + "\n")
    return [*columns, "about"]


def _sensors(session: Session) -> dict[str, Session | Stream]:
    """What has a table of samples: the hand's sensor, then the others."""
    return {"signals": session, **stream_tables(session)}


def _signal_text(sensor: Session | Stream, raw: bool) -> Iterator[tuple[float, bytes]]:
    """The samples as text, block by block, with the share that is done."""
    decimals = exact_decimals(sensor.profile, sensor.calibration)
    per_axis = [decimals[0]] * 3 + [decimals[1]] * 3
    listed = signal_columns(sensor, raw)
    done = 0
    for samples, si in signal_parts(sensor, ROWS_PER_TEXT):
        columns = [
            time_column(samples.ticks, sensor.profile.tick_hz),
            DecimalColumn(samples.ticks),
            DecimalColumn(samples.sequence),
        ]
        if HOST_COLUMN in listed:
            known = np.abs(samples.host_time_s) < LATEST_S
            columns.append(DecimalColumn.of(samples.host_time_s, HOST_DECIMALS, ~known))
        if HAND_COLUMN in listed and isinstance(sensor, Stream):
            columns.append(DecimalColumn.of(hand_time_s(sensor, samples), HOST_DECIMALS))
        columns += [DecimalColumn.of(channel, places) for channel, places in zip(si, per_axis, strict=True)]
        if raw:
            columns += [DecimalColumn(axis.astype(np.int64)) for axis in samples.counts.T]
        done += samples.ticks.size
        yield done / sensor.raw.ticks.size, render_rows(columns, b",", b"")


def time_column(ticks: IntArray, tick_hz: float) -> DecimalColumn:
    """Times in seconds with as many decimals as tell one tick from the next: microseconds or finer."""
    for decimals in range(6, MOST_DECIMALS + 1):
        per_tick = 10.0**decimals / tick_hz
        if per_tick == int(per_tick) and int(np.abs(ticks).max()) * per_tick < 1e18:
            return DecimalColumn(ticks * int(per_tick), decimals)
        if per_tick >= 10.0:
            break
    return DecimalColumn.of(ticks / tick_hz, decimals)


def _write_parquet(source: ExportSource, paths: dict[str, Path], raw: bool, told: Callable[[float], None]) -> list[str]:
    import pyarrow.parquet as pq

    written = []
    for name, sensor in _sensors(source.session).items():
        _write_samples(paths[name], sensor, signal_columns(sensor, raw), provenance(source, name), told)
        written.append(name)
    for name, (table, listed) in small_tables(source).items():
        with open_atomic(paths[name]) as stream:
            pq.write_table(to_arrow(table, build_schema(listed, provenance(source, name))), stream)
        written.append(name)
    return written


def _write_samples(
    path: Path,
    sensor: Session | Stream,
    columns: Sequence[Column],
    from_where: dict[str, str],
    told: Callable[[float], None],
) -> None:
    """One sensor's table of samples."""
    import pyarrow.parquet as pq

    schema = build_schema(columns, from_where)
    # Neighbouring samples are alike: bytes of one place side by side, and differences, pack best.
    encoding = {c.name: "BYTE_STREAM_SPLIT" if c.dtype == "float64" else "DELTA_BINARY_PACKED" for c in columns}
    done = 0
    with (
        open_atomic(path) as stream,
        pq.ParquetWriter(
            stream, schema, compression="snappy", use_dictionary=False, column_encoding=encoding
        ) as writer,
    ):
        for samples, si in signal_parts(sensor):
            writer.write_table(_arrow_samples(samples, si, sensor, schema))
            done += samples.ticks.size
            told(done / sensor.raw.ticks.size)


def _arrow_samples(samples: RawSamples, si: FloatArray, sensor: Session | Stream, schema: pa.Schema) -> pa.Table:
    """One part of a table of samples."""
    import pyarrow as pa

    arrays = [pa.array(samples.ticks / sensor.profile.tick_hz), pa.array(samples.ticks), pa.array(samples.sequence)]
    if HOST_COLUMN.name in schema.names:
        arrays.append(pa.array(samples.host_time_s, from_pandas=True))
    if HAND_COLUMN.name in schema.names and isinstance(sensor, Stream):
        arrays.append(pa.array(hand_time_s(sensor, samples)))
    arrays += [pa.array(channel) for channel in si]
    if len(schema.names) > len(arrays):
        arrays += [pa.array(np.ascontiguousarray(axis), pa.int32()) for axis in samples.counts.T]
    return pa.Table.from_arrays(arrays, schema=schema)
