"""Tables of numbers as untidy programs write them: no header, comments, log text between rows, a last line cut off.

A clean table is read in one go. Where that fails, it is read line by line: what is no row of the table is left out and
counted, an empty cell or NaN stays a NaN. Rows are numbered as an editor numbers lines, from 1.
"""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.model.errors import InputError
from analysis.model.records import FloatArray, IntArray
from logger.files.table_layout import COMMENTS, DATE, EMPTY, TableLayout, cells_of, find_table_layout, is_number, is_row

BEYOND = 1e30
"""No sensor and no clock gives such a number: it counts as an empty cell."""
BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
DAY_FIRST = re.compile(r"\b(\d\d)\.(\d\d)\.(\d{4})([T ]\d\d:\d\d)")
MOST_LEFT_OUT = 0.05
FEW_ROWS = 20


@dataclass(frozen=True)
class LooseTable:
    """Columns of numbers, NaN where a cell is empty.

    Attributes
    ----------
    name : str
        Of the file.
    columns : tuple of str
        Names; ``column 1`` and so on where there is no header.
    values : float64 (n, k)
        Dates as seconds since 1970.
    rows : int64 (n,)
    dates : frozenset of str
        Columns that hold dates.
    texts : mapping of str to str (n,)
        Columns that hold words; NaN in ``values``.
    headed : bool
    notes : tuple of str
        What was left out, and how the table is written where that is unusual.
    twins : frozenset of str
        Names that stand over several columns; the second is called ``name (2)``.
    """

    name: str
    columns: tuple[str, ...]
    values: FloatArray
    rows: IntArray
    dates: frozenset[str] = frozenset()
    texts: Mapping[str, NDArray[np.str_]] = field(default_factory=dict)
    headed: bool = True
    notes: tuple[str, ...] = ()
    twins: frozenset[str] = frozenset()

    def column(self, name: str) -> FloatArray:
        """One column.

        Parameters
        ----------
        name : str

        Returns
        -------
        float64 (n,)
        """
        return np.asarray(self.values[:, self.columns.index(name)])


def read_loose_table(name: str, data: bytes) -> LooseTable:
    """Read a table of numbers from its bytes.

    Parameters
    ----------
    name : str
        Of the file, for the sentences.
    data : bytes
        The file's bytes.

    Returns
    -------
    LooseTable

    Raises
    ------
    InputError
        No table of numbers, or too much of it unreadable; the first bad row is named.
    """
    text, notes = _decoded(name, data)
    if not text.strip():
        raise InputError(
            f"{name} is empty",
            next_step="export or copy it again",
        )
    layout = find_table_layout(name, text)
    layout.notes[:0] = notes
    quick = _quickly(text, layout)
    if quick is None:
        return _table(name, layout, *_line_by_line(name, text, layout))
    values, words = quick
    blank = np.isnan(values).all(axis=1)
    rows = np.arange(len(values), dtype=np.int64) + layout.header_line + 1
    return _table(name, layout, values[~blank], rows[~blank], {k: w[~blank] for k, w in words.items()})


Words = dict[str, NDArray[np.str_]]


def _table(name: str, layout: TableLayout, values: FloatArray, rows: IntArray, words: Words) -> LooseTable:
    if len(rows) < 2:
        raise InputError(
            f"{name}: expected at least 2 rows of numbers, found {len(rows)}",
            next_step="check the file",
        )
    dates = frozenset(layout.names[index] for index in layout.dates)
    twins = frozenset(n for n in layout.names if f"{n} (2)" in layout.names)
    return LooseTable(name, layout.names, values, rows, dates, words, layout.headed, tuple(layout.notes), twins)


def _decoded(name: str, data: bytes) -> tuple[str, list[str]]:
    """Text by its byte order mark, else UTF-8, else UTF-16 without a mark, else Latin."""
    encoding = next((encoding for mark, encoding in BOMS if data.startswith(mark)), "utf-8")
    if encoding == "utf-8" and data[:400].count(0) > 50:
        encoding = "utf-16-le" if data[1:400:2].count(0) > data[0:400:2].count(0) else "utf-16-be"
    if encoding.startswith("utf-16") and len(data) % 2:
        data = data[:-1]
    try:
        text = data.decode(encoding)
        said = [f"{name} is UTF-16 without a mark that says so"] if encoding[-3:] in ("-le", "-be") else []
    except UnicodeDecodeError:
        text, said = data.decode("cp1252", errors="replace"), [f"{name} is not UTF-8: its letters were read as Latin"]
    if text.count("\0") > 0.01 * len(text):
        raise InputError(
            f"{name} is no text: expected a table of numbers",
            next_step="export it as CSV",
        )
    text = text.replace("\0", " ").replace("\N{MINUS SIGN}", "-")
    if DAY_FIRST.search(text[:4000]):
        text = DAY_FIRST.sub(r"\3-\2-\1\4", text)
        said.append(f"dates of {name} were read as day.month.year")
    return text, said


def _quickly(text: str, layout: TableLayout) -> tuple[FloatArray, Words] | None:
    """All rows at once, None where a cell is no number or a row is longer or shorter."""
    numbers = [k for k in range(len(layout.names)) if k not in layout.dates and k not in layout.texts]
    try:
        frame = pd.read_csv(
            io.StringIO(text),
            sep=r"\s+" if layout.delimiter == " " else layout.delimiter,
            decimal=layout.decimal,
            header=None,
            names=range(len(layout.names)),
            skiprows=layout.header_line,
            dtype={index: np.float64 if index in numbers else str for index in range(len(layout.names))},
            index_col=False,
            skip_blank_lines=False,
            keep_default_na=False,
            na_values=["", "nan", "NaN"],
            skipinitialspace=True,
            on_bad_lines="error",
        )
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning, OverflowError):
        return None
    last = text.rstrip().rsplit("\n", 1)[-1]
    if len(cells_of(last, layout.delimiter)) < len(layout.names) - 1 or frame.empty:
        return None
    words = {layout.names[k]: frame[k].to_numpy(dtype=np.str_) for k in layout.texts}
    for index in layout.texts:
        frame[index] = np.nan
    for index in layout.dates:
        seconds = _seconds(frame[index])
        if np.isnan(seconds).any():
            return None
        frame[index] = seconds
    values = frame.to_numpy(dtype=np.float64)
    values[~(np.abs(values) < BEYOND)] = np.nan
    # A row of which only the first cells are there was cut short; pandas fills such rows.
    filled = ~np.isnan(values[:, numbers])
    short = filled[:, 0] & ~filled[:, 1:].any(axis=1)
    return None if short.any() else (values, words)


def _seconds(cells: pd.Series) -> FloatArray:
    """Dates as seconds since 1970; those without a time zone are taken as UTC."""
    stamps = pd.to_datetime(cells.str.replace(",", "."), utc=True, format="ISO8601", errors="coerce")
    nanoseconds = stamps.astype("datetime64[ns, UTC]").astype(np.int64).to_numpy()
    return np.where(stamps.isna().to_numpy(), np.nan, nanoseconds / 1e9)


def _line_by_line(name: str, text: str, layout: TableLayout) -> tuple[FloatArray, IntArray, Words]:
    """Rows that are rows; the others counted by kind, refused where they are many."""
    width, lines = len(layout.names), text.splitlines()
    values, rows, kept = [], [], []
    other: dict[str, list[int]] = {}
    for number, line in enumerate(lines[layout.header_line :], start=layout.header_line + 1):
        if not line.strip() or line.lstrip().startswith(COMMENTS):
            continue
        cells = cells_of(line, layout.delimiter)
        while len(cells) > width and not cells[-1]:
            cells.pop()
        row = _row(cells, layout) if len(cells) == width else None
        if row is None:
            kind = "no row of the table"
            if number == len(lines) and not text.endswith("\n"):
                kind = "cut off"
            elif is_row(cells, layout.decimal) and len(cells) > width / 2:
                kind = f"other than {width} cells" if len(cells) != width else "text where a number belongs"
            other.setdefault(kind, []).append(number)
            continue
        values.append(row)
        rows.append(number)
        kept.append([cells[index] for index in (*layout.dates, *layout.texts)])
    _note_left_out(name, layout, other, len(rows))
    table = np.array(values, dtype=np.float64).reshape(-1, width)
    for place, index in enumerate(layout.dates):
        table[:, index] = _seconds(pd.Series([row[place] for row in kept], dtype=str))
    first = len(layout.dates)
    words = {layout.names[k]: np.array([row[first + i] for row in kept]) for i, k in enumerate(layout.texts)}
    return table, np.array(rows, dtype=np.int64), words


def _row(cells: list[str], layout: TableLayout) -> list[float] | None:
    """Numbers of a row, NaN for an empty cell; None where a column that holds numbers holds text."""
    row = []
    for index, cell in enumerate(cells):
        if index in layout.dates:
            if not DATE.fullmatch(cell):
                return None
            row.append(np.nan)
        elif is_number(cell, layout.decimal):
            value = float(cell.replace(",", ".") if layout.decimal == "," else cell)
            row.append(value if abs(value) < BEYOND else np.nan)
        elif cell.lower() in EMPTY or index in layout.texts:
            row.append(np.nan)
        else:
            return None
    return row


def _note_left_out(name: str, layout: TableLayout, other: dict[str, list[int]], kept: int) -> None:
    """Say what was left out; refuse where it is too much to be an accident."""
    count = sum(len(numbers) for numbers in other.values())
    if count > max(FEW_ROWS, MOST_LEFT_OUT * kept):
        kind, numbers = max(other.items(), key=lambda item: len(item[1]))
        raise InputError(
            f"{name}, row {numbers[0]}: expected {len(layout.names)} numbers as in most rows, found "
            f"{count} lines of another kind ({kind})",
            next_step="correct the file, or name its columns with --columns",
        )
    for kind, numbers in other.items():
        lines = "1 line" if len(numbers) == 1 else f"{len(numbers)} lines"
        layout.notes.append(
            f"{lines} of {name} left out: {kind} (row {numbers[0]}{' and others' * (len(numbers) > 1)})"
        )
