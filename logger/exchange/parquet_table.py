"""A table of numbers out of another program's Parquet."""

from __future__ import annotations

import io

import numpy as np

from analysis.model.errors import InputError
from logger.files.arrow_tables import need_pyarrow
from logger.files.loose_table import BEYOND, LooseTable


def read_parquet_table(name: str, data: bytes) -> LooseTable:
    """Columns of numbers and dates of a Parquet file; others are passed over.

    Raises
    ------
    InputError
        Damaged, or without rows or numbers.
    """
    need_pyarrow()
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(io.BytesIO(data))
    except (pa.ArrowException, OSError) as error:
        raise InputError(
            f"{name} is Parquet that cannot be read",
            next_step="export or copy it again",
        ) from error
    columns, values, dates, words = [], [], set(), {}
    for column in table.column_names:
        kind = table.schema.field(column).type
        if pa.types.is_timestamp(kind):
            stamps = table.column(column).cast(pa.timestamp("ns")).cast(pa.int64())
            values.append(stamps.to_numpy() / 1e9)
            dates.add(column)
        elif pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
            values.append(table.column(column).cast(pa.float64(), safe=False).to_numpy())
        elif pa.types.is_string(kind) or pa.types.is_large_string(kind):
            values.append(np.full(table.num_rows, np.nan))
            words[column] = np.array(table.column(column).to_pylist(), dtype=np.str_)
        else:
            continue
        columns.append(column)
    if table.num_rows < 2 or len(columns) - len(words) < 2:
        raise InputError(
            f"{name}: expected at least 2 rows and columns of numbers, found {table.num_rows} rows and "
            f"{len(columns) - len(words)} such columns",
            next_step="export the samples",
        )
    numbers = np.array(np.stack(values, axis=1), dtype=np.float64)
    numbers[~(np.abs(numbers) < BEYOND)] = np.nan
    rows = np.arange(1, table.num_rows + 1, dtype=np.int64)
    return LooseTable(name, tuple(columns), numbers, rows, frozenset(dates), words)
