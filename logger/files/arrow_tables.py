"""Tables as Arrow and Parquet: types, units and meanings from the lists of columns, provenance in the metadata."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from analysis.model.stroke_columns import Column
from logger.files.missing_package import missing_package

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

PREFIX = "strokeplane."
"""Every entry of ours in a table's metadata starts so: version, settings and the like."""

_TYPES = {
    "float64": "double",
    "int32": "int32",
    "int64": "int64",
    "Int64": "int64",
    "str": "string",
    "bool": "bool",
}


def need_pyarrow() -> None:
    """Find out that pyarrow is there before work is done that needs it.

    Raises
    ------
    InputError
        With the way to install it.
    """
    try:
        import pyarrow  # noqa: F401
    except ModuleNotFoundError as error:
        raise missing_package("Parquet", "pyarrow", "parquet") from error


def build_schema(columns: Sequence[Column], provenance: Mapping[str, str]) -> pa.Schema:
    """The Arrow schema of a table: a field a column with its unit and meaning, and where the table comes from.

    Parameters
    ----------
    columns : sequence of Column
    provenance : mapping of str to str
        Becomes metadata of the table, each name after :data:`PREFIX`.

    Returns
    -------
    pyarrow.Schema
    """
    import pyarrow as pa

    fields = [
        pa.field(
            column.name,
            pa.type_for_alias(_TYPES[column.dtype]),
            metadata={"unit": column.unit, "meaning": column.meaning},
        )
        for column in columns
    ]
    return pa.schema(fields, metadata={PREFIX + name: text for name, text in provenance.items()})


def to_arrow(table: pd.DataFrame, schema: pa.Schema) -> pa.Table:
    """A table's columns in the schema's order and types; a number that is missing becomes null.

    Parameters
    ----------
    table : DataFrame
        With all columns of the schema.
    schema : pa.Schema
        Names, types, and what is noted with the table.

    Returns
    -------
    pyarrow.Table
    """
    import pyarrow as pa

    # Without the entry that pandas would add, which tells of the libraries' versions.
    return pa.Table.from_pandas(table, schema=schema, preserve_index=False).replace_schema_metadata(schema.metadata)
