"""A session from the table of samples that ``strokeplane export --to parquet`` writes: exact in ticks and counts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.errors import InputError, SessionFileError
from analysis.model import RawSamples, Session
from analysis.si_units import si_to_counts
from logger.arrow_tables import PREFIX, need_pyarrow
from logger.atomic_file import reason
from logger.export_tables import COUNT_NAMES, HOST_COLUMN, SI_NAMES
from logger.session_records import SessionHead, decode_event, decode_head

if TYPE_CHECKING:
    import pyarrow as pa

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
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(path)
    except OSError as error:
        raise InputError(f"{path} cannot be read ({reason(error)}); check its name and your permission") from error
    except pa.ArrowInvalid as error:
        raise InputError(f"{path} is not Parquet, or damaged; export or copy it again") from error
    head, events = _settings(path, table.schema)
    missing = [name for name in ("tick", "sequence") if name not in table.column_names]
    axes = COUNT_NAMES if COUNT_NAMES[0] in table.column_names else SI_NAMES
    missing += [name for name in axes if name not in table.column_names]
    if missing:
        raise InputError(f"{path}: expected the column {missing[0]}, found none; export the session again")
    values = np.stack([_column(path, table, name, np.float64) for name in axes])
    if axes is SI_NAMES:
        values = si_to_counts(values, head.profile, head.calibration)
    host = np.full(table.num_rows, np.nan)
    if HOST_COLUMN.name in table.column_names:
        host = table.column(HOST_COLUMN.name).to_numpy()
    raw = RawSamples(
        _column(path, table, "tick", np.int64),
        _column(path, table, "sequence", np.int64),
        host,
        whole_counts(values, path),
    )
    return Session(
        raw=raw,
        profile=head.profile,
        calibration=head.calibration,
        player=head.player,
        instrument=head.instrument,
        events=tuple(decode_event(json.dumps(record).encode())[1] for record in events),
        lever_mm=head.lever_mm,
        lever_sd_mm=head.lever_sd_mm,
        warnings=head.warnings,
        metadata=head.metadata,
    )


def whole_counts(counts: NDArray[np.float64], path: Path) -> NDArray[np.int32]:
    """Counts (6, n) as whole numbers (n, 6), or an error where they are none.

    Raises
    ------
    InputError
        The values were changed since they were exported.
    """
    rounded = np.rint(counts)
    off = ~(np.abs(counts - rounded) <= WHOLE_COUNT) | (np.abs(rounded) >= 2.0**31)
    if off.any():
        axis, at = (int(place) for place in np.argwhere(off)[0])
        raise InputError(
            f"{path}: expected values that the sensor can send, found {counts[axis, at]:g} counts for {SI_NAMES[axis]} "
            f"in sample {at + 1}; the values were changed since they were exported, export the session again"
        )
    return np.ascontiguousarray(rounded.T).astype(np.int32)


def _settings(path: Path, schema: pa.Schema) -> tuple[SessionHead, list[object]]:
    """Settings and events in the table's metadata."""
    metadata = {key.decode(): text for key, text in (schema.metadata or {}).items()}
    table = metadata.get(PREFIX + "table", b"").decode()
    if table and table != "signals":
        raise InputError(f"{path} holds {table}, not samples; name the file that ends in .signals.parquet")
    if not table:
        raise InputError(
            f"{path}: expected a table of samples that strokeplane exported, found another program's; save it as CSV "
            "and import that with --columns"
        )
    try:
        head, _ = decode_head(metadata[PREFIX + "session"])
        return head, json.loads(metadata[PREFIX + "events"])
    except (KeyError, ValueError, SessionFileError) as error:
        raise InputError(f"{path}: its metadata cannot be used ({error}); export the session again") from error


def _column(path: Path, table: pa.Table, name: str, kind: type[np.generic]) -> NDArray[Any]:
    column = table.column(name)
    if column.null_count or not np.issubdtype(column.type.to_pandas_dtype(), np.number):
        raise InputError(f"{path}: expected a number in every row of {name}, found some missing; export it again")
    return np.asarray(column.to_numpy(), dtype=kind)
