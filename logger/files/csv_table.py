"""CSV files as people's programs write them: comma, semicolon or tab; decimal comma; byte order mark; lines on top.

Rows are numbered as an editor numbers lines: the file's first line is row 1.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.model.errors import InputError
from logger.files.atomic_file import reason

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
HEADER_WITHIN = 30  # lines
LOOKED_AT = 1000  # rows, to tell the decimal mark

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
        raise InputError(
            f"{path} is not {encoding} text ({error.reason})",
            next_step="save it as CSV in UTF-8",
        ) from error
    for row, line in enumerate(lines[:HEADER_WITHIN], start=1):
        for delimiter in DELIMITERS:
            names = _split(line, delimiter)
            if set(wanted) <= set(names):
                twice = [name for name in wanted if names.count(name) > 1]
                if twice:
                    raise InputError(
                        f"two columns are called {twice[0]!r}",
                        next_step="rename one of them",
                        file=str(path),
                        row=int(row),
                    )
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
                        expected=f"{len(layout.names)} cells as in the header",
                        found=f"{len(cells)}",
                        next_step="correct or remove the row",
                        file=str(layout.path),
                        row=int(reader.line_num),
                    )
                yield reader.line_num, [cell.strip() for cell in cells]
        except (csv.Error, UnicodeDecodeError) as error:
            raise InputError(
                f"{layout.path}, after row {reader.line_num}: not readable as text ({error})",
                next_step="save it as CSV in UTF-8",
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


def _encoding(path: Path) -> str:
    """Encoding by the byte order mark; UTF-8 without one."""
    try:
        with path.open("rb") as stream:
            start = stream.read(4)
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check its name and your permission",
        ) from error
    if not start:
        raise InputError(
            f"{path} is empty",
            next_step="export or copy it again",
        )
    if start == b"\x89MCA":
        raise InputError(
            f"{path} is a session file already",
            next_step="it needs no import",
        )
    return next((encoding for mark, encoding in BOMS if start.startswith(mark)), "utf-8")


def _split(line: str, delimiter: str) -> tuple[str, ...]:
    """Cells of one line, stripped; none of a line with a cell that is longer than any."""
    try:
        return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), ()))
    except csv.Error:
        return ()


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
