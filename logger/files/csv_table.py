"""CSV files as people's programs write them: comma, semicolon or tab; decimal comma; byte order mark; lines on top.

Rows are numbered as an editor numbers lines: the file's first line is row 1.
"""

from __future__ import annotations

import codecs
import csv
import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.model.errors import InputError
from analysis.model.records import FloatArray, IntArray
from logger.files.atomic_file import reason

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
HEADER_WITHIN = 30  # lines
LOOKED_AT = 1000  # rows, to tell the decimal mark
ROWS_PER_STEP = 250_000

DECIMAL_COMMA = re.compile(r"\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*")
BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


@dataclass(frozen=True)
class CsvLayout:
    """How one file is written.

    Attributes
    ----------
    encoding, delimiter, decimal : str
    header_row : int
        Row of the column names.
    names : tuple of str
        Column names, stripped.
    """

    path: Path
    encoding: str
    delimiter: str
    decimal: str
    header_row: int
    names: tuple[str, ...]


def find_layout(path: Path, wanted: Sequence[str]) -> CsvLayout:
    """Find encoding, delimiter, decimal mark and the row with the wanted column names.

    Raises
    ------
    InputError
        No such file, empty, not text, or no row with all wanted names near the top.
    """
    encoding = _encoding(path)
    try:
        with path.open(encoding=encoding, newline="") as stream:
            lines = [line for _, line in zip(range(HEADER_WITHIN + LOOKED_AT), stream, strict=False)]
    except UnicodeDecodeError as error:
        raise InputError(f"{path} is not {encoding} text ({error.reason}); save it as CSV in UTF-8") from error
    for row, line in enumerate(lines[:HEADER_WITHIN], start=1):
        for delimiter in DELIMITERS:
            names = _split(line, delimiter)
            if set(wanted) <= set(names):
                twice = [name for name in wanted if names.count(name) > 1]
                if twice:
                    raise InputError(f"{path}, row {row}: two columns are called {twice[0]!r}; rename one of them")
                return CsvLayout(path, encoding, delimiter, _decimal(lines[row:], delimiter), row, names)
    raise InputError(_missing_columns(path, lines, wanted))


def read_rows(layout: CsvLayout) -> Iterator[tuple[int, list[str]]]:
    """Yield row number and cells, stripped, of every row below the header that is not blank.

    Raises
    ------
    InputError
        A row with more or fewer cells than the header, or one that is not text.
    """
    with layout.path.open(encoding=layout.encoding, newline="") as stream:
        reader = csv.reader(stream, delimiter=layout.delimiter, skipinitialspace=True)
        try:
            for cells in reader:
                if reader.line_num <= layout.header_row or not any(cell.strip() for cell in cells):
                    continue
                while len(cells) > len(layout.names) and not cells[-1].strip():
                    cells.pop()
                if len(cells) != len(layout.names):
                    raise InputError(
                        f"{layout.path}, row {reader.line_num}: expected {len(layout.names)} cells as in the header, "
                        f"found {len(cells)}; correct or remove the row"
                    )
                yield reader.line_num, [cell.strip() for cell in cells]
        except (csv.Error, UnicodeDecodeError) as error:
            raise InputError(
                f"{layout.path}, after row {reader.line_num}: not readable as text ({error}); save it as CSV in UTF-8"
            ) from error


def read_number(text: str, decimal: str) -> float | None:
    """A number as the file writes it, or None if the text is none (``nan`` and ``inf`` are none)."""
    if "_" in text or (decimal == "," and "." in text):
        return None
    try:
        value = float(text.replace(decimal, "."))
    except ValueError:
        return None
    return value if np.isfinite(value) else None


def read_columns(
    layout: CsvLayout, wanted: Sequence[str], progress: Callable[[float], None] = lambda share: None
) -> tuple[FloatArray, IntArray]:
    """Read columns of numbers.

    Parameters
    ----------
    layout : CsvLayout
    wanted : sequence of str
    progress : callable
        Told the share of the file that is read.

    Returns
    -------
    values : float64 (n, k)
        Blank lines are left out.
    rows : int64 (n,)
        Row of each in the file.

    Raises
    ------
    InputError
        A cell that is no number, or a row of another length: the first one is named.
    """
    size = max(layout.path.stat().st_size, 1)
    columns = [layout.names.index(name) for name in wanted]
    parts = []
    try:
        # pandas drops a cell too many in the first row and only warns; with usecols it would drop any, unsaid.
        with layout.path.open("rb") as stream, warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            chunks = pd.read_csv(
                stream,
                sep=layout.delimiter,
                decimal=layout.decimal,
                encoding=layout.encoding,
                header=None,
                names=range(len(layout.names)),
                skiprows=layout.header_row,
                dtype={index: np.float64 if index in columns else str for index in range(len(layout.names))},
                index_col=False,
                skip_blank_lines=False,
                keep_default_na=False,
                na_values=[""],
                skipinitialspace=True,
                chunksize=ROWS_PER_STEP,
            )
            for chunk in chunks:
                parts.append(chunk[columns].to_numpy())
                progress(stream.tell() / size)
    except pd.errors.EmptyDataError:
        return np.empty((0, len(wanted))), np.empty(0, np.int64)
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning) as error:
        _raise_at_fault(layout, wanted)
        raise InputError(f"{layout.path} is no table of numbers ({error}); save it again as plain CSV") from error
    values = np.concatenate(parts)
    rows = np.arange(len(values), dtype=np.int64) + layout.header_row + 1
    missing = ~np.isfinite(values)
    blank = missing.all(axis=1)
    if (missing.any(axis=1) & ~blank).any():
        _raise_at_fault(layout, wanted)
    return values[~blank], rows[~blank]


def _raise_at_fault(layout: CsvLayout, wanted: Sequence[str]) -> None:
    """Go through the text to name the first cell that is no number; return if there is none."""
    columns = [(name, layout.names.index(name)) for name in wanted]
    for row, cells in read_rows(layout):
        for name, index in columns:
            if read_number(cells[index], layout.decimal) is None:
                found = repr(cells[index]) if cells[index] else "an empty cell"
                raise InputError(
                    f"{layout.path}, row {row}: expected a number in column {name!r}, found {found}; correct the cell "
                    "or remove the row"
                )


def _encoding(path: Path) -> str:
    """Encoding by the byte order mark; UTF-8 without one."""
    try:
        with path.open("rb") as stream:
            start = stream.read(4)
    except OSError as error:
        raise InputError(f"{path} cannot be read ({reason(error)}); check its name and your permission") from error
    if not start:
        raise InputError(f"{path} is empty; export or copy it again")
    if start == b"\x89MCA":
        raise InputError(f"{path} is a session file already; it needs no import")
    return next((encoding for mark, encoding in BOMS if start.startswith(mark)), "utf-8")


def _split(line: str, delimiter: str) -> tuple[str, ...]:
    """Cells of one line, stripped."""
    return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), ()))


def _decimal(lines: Sequence[str], delimiter: str) -> str:
    """Decimal comma if any cell looks like one: only then does a cell hold a comma between digits."""
    cells = (cell for line in lines for cell in _split(line, delimiter))
    return "," if any(DECIMAL_COMMA.fullmatch(cell) for cell in cells) else "."


def _missing_columns(path: Path, lines: Sequence[str], wanted: Sequence[str]) -> str:
    """Sentence about the header that comes nearest to the wanted names."""
    if not any(line.strip() for line in lines):
        return f"{path} is empty; export or copy it again"
    rows = [_split(line, delimiter) for line in lines[:HEADER_WITHIN] for delimiter in DELIMITERS]
    best = max(rows, key=lambda names: (len(set(wanted) & set(names)), len(names)))
    lacking = ", ".join(repr(name) for name in wanted if name not in best)
    found = ", ".join(repr(name) for name in best[:20])
    return (
        f"{path}: expected a header with column {lacking}, found {found}; correct the names (comma, semicolon and tab "
        "may separate columns)"
    )
