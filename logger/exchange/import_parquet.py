"""A session from the table of samples that ``strokeplane export --to parquet`` writes: exact in ticks and counts."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.model.errors import InputError, SessionFileError
from analysis.model.records import RawSamples, Session
from analysis.signal.si_units import si_to_counts
from logger.exchange.export_tables import COUNT_NAMES, HOST_COLUMN, ROWS_PER_PART, SI_NAMES, STREAM_TABLE
from logger.files.arrow_tables import PREFIX, need_pyarrow
from logger.files.atomic_file import reason
from logger.files.nested_text import load_json
from logger.session.heads import session_of, stream_names
from logger.session.session_records import SessionHead, StreamHead, decode_event, decode_head

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

WHOLE_COUNT = 0.2
"""A value that lies further than this from a whole count is not one that this sensor sent."""


def import_parquet(path: Path) -> Session:
    """Read an exported table of samples back into a session.

    Parameters
    ----------
    path : Path
        ``NAME.signals.parquet``, with or without raw counts.

    Returns
    -------
    Session
        With the samples, settings and events of the session that was exported.

    Raises
    ------
    InputError
        Not readable, not Parquet, another program's table, or values that were changed.
    """
    need_pyarrow()
    with _opened(path) as file:
        head, events = _settings(path, file.schema_arrow)
        samples = _samples(path, file, head)
        sha256 = _entry(file.schema_arrow, "source_sha256")
    streams, missing = [], []
    for name, each in zip(stream_names([each.role for each in head.streams]), head.streams, strict=True):
        beside = path.with_name(path.name.replace("signals", f"{name}{STREAM_TABLE}"))
        if beside == path or not beside.is_file():
            missing.append(each)
            continue
        with _opened(beside) as file:
            if _entry(file.schema_arrow, "source_sha256") != sha256:
                raise InputError(
                    f"it is not of the same session as {path.name}",
                    next_step="export the session again, or move the file away to import the hand's sensor alone",
                    file=str(beside),
                )
            streams.append(_samples(beside, file, each))
    if missing:
        told = (
            *head.warnings,
            *(f"The samples of the {each.role}'s sensor were not beside {path.name}." for each in missing),
        )
        head = replace(head, streams=tuple(each for each in head.streams if each not in missing), warnings=told)
    return session_of(head, samples, [decode_event(json.dumps(record).encode())[1] for record in events], streams)


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[pq.ParquetFile]:
    """A Parquet file, and one sentence where it is none."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            yield file
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check its name and your permission",
        ) from error
    except pa.ArrowInvalid as error:
        raise InputError(
            f"{path} is not Parquet, or damaged",
            next_step="export or copy it again",
        ) from error


def is_exported(path: Path) -> bool:
    """Whether strokeplane wrote this Parquet; of damaged files, by the name.

    Parameters
    ----------
    path : Path
        A Parquet file.

    Returns
    -------
    bool

    Raises
    ------
    InputError
        The package that reads Parquet is missing.
    """
    need_pyarrow()
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        metadata = pq.read_schema(path).metadata or {}
    except (pa.ArrowException, OSError):
        return path.name.endswith(".signals.parquet")
    return (PREFIX + "table").encode() in metadata


def _samples(path: Path, file: pq.ParquetFile, head: SessionHead | StreamHead) -> RawSamples:
    """Read part by part, so that hours need little memory."""
    names = file.schema_arrow.names
    axes = COUNT_NAMES if COUNT_NAMES[0] in names else SI_NAMES
    missing = [name for name in ("tick", "sequence", *axes) if names.count(name) != 1]
    if missing or names.count(HOST_COLUMN.name) > 1:
        name = missing[0] if missing else HOST_COLUMN.name
        raise InputError(
            expected=f"one column {name}",
            found=f"{names.count(name)}",
            next_step="export the session again",
            file=str(path),
        )
    rows = file.metadata.num_rows
    if rows == 0:
        raise InputError(
            expected="samples",
            found="none",
            next_step="export the session again",
            file=str(path),
        )
    ticks, sequence = np.empty(rows, np.int64), np.empty(rows, np.int64)
    host, counts = np.full(rows, np.nan), np.empty((rows, 6), np.int32)
    start = 0
    for batch in file.iter_batches(ROWS_PER_PART):
        part = slice(start, start + batch.num_rows)
        ticks[part], sequence[part] = (_column(path, batch, name, whole=True) for name in ("tick", "sequence"))
        if HOST_COLUMN.name in names:
            host[part] = _column(path, batch, HOST_COLUMN.name, nulls=True)
        values = np.stack([_column(path, batch, name).astype(np.float64) for name in axes])
        if axes is SI_NAMES:
            values = si_to_counts(values, head.profile, head.calibration)
        counts[part] = whole_counts(values, path, start)
        start = part.stop
    return RawSamples(ticks, sequence, host, counts)


def _entry(schema: pa.Schema, name: str) -> str:
    """What the table's metadata says under a name of ours; empty where it says nothing."""
    text: bytes = (schema.metadata or {}).get((PREFIX + name).encode(), b"")
    return text.decode()


def whole_counts(counts: NDArray[np.float64], path: Path, first: int = 0) -> NDArray[np.int32]:
    """Counts (6, n) as whole numbers (n, 6), or an error where they are none; ``first`` is the first sample's number.

    Raises
    ------
    InputError
        The values were changed since they were exported.
    """
    rounded = np.rint(counts)
    with np.errstate(invalid="ignore"):  # of values beyond every number
        off = ~(np.abs(counts - rounded) <= WHOLE_COUNT) | (np.abs(rounded) >= 2.0**31)
    if off.any():
        axis, at = (int(place) for place in np.argwhere(off)[0])
        raise InputError(
            expected="values that the sensor can send",
            found=f"{counts[axis, at]:g} counts for {SI_NAMES[axis]} in sample {first + at + 1}",
            next_step="the values were changed since they were exported, export the session again",
            file=str(path),
        )
    return np.ascontiguousarray(rounded.T).astype(np.int32)


def _settings(path: Path, schema: pa.Schema) -> tuple[SessionHead, list[object]]:
    """Settings and events in the table's metadata."""
    metadata = {key.decode(): text for key, text in (schema.metadata or {}).items()}
    table = metadata.get(PREFIX + "table", b"").decode()
    if table and table != "signals":
        raise InputError(
            f"{path} holds {table}, not samples",
            next_step="name the file that ends in .signals.parquet",
        )
    if not table:
        raise InputError(
            expected="a table of samples that strokeplane exported",
            found="another program's",
            next_step="save it as CSV and import that with --columns",
            file=str(path),
        )
    try:
        head, _ = decode_head(metadata[PREFIX + "session"])
        return head, load_json(metadata[PREFIX + "events"])
    except (KeyError, ValueError, SessionFileError) as error:
        raise InputError(
            f"its metadata cannot be used ({error})",
            next_step="export the session again",
            file=str(path),
        ) from error


def _column(path: Path, batch: pa.RecordBatch, name: str, whole: bool = False, nulls: bool = False) -> NDArray[Any]:
    """One column of numbers, ``whole`` ones or any; NaN where there is none."""
    import pyarrow as pa

    column = batch.column(name)
    numeric = pa.types.is_integer(column.type) or (not whole and pa.types.is_floating(column.type))
    if not numeric or (column.null_count and not nulls):
        raise InputError(
            expected=f"a {'whole ' * whole}number in every row of {name}",
            found=f"{column.type}" if not numeric else "some missing",
            next_step="export it again",
            file=str(path),
        )
    return np.asarray(column.to_numpy(zero_copy_only=False))
