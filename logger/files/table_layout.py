"""How an untidy table of numbers is written: separator, decimal mark, names, and what kind each column is."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, field

from analysis.model.errors import InputError

LOOKED_AT = 400
MOST_COLUMNS = 400
LONGEST_CELL = 200
DELIMITERS = (",", ";", "\t", "|")
COMMENTS = ("#", "//", "%", "!")
EMPTY = {"", "nan", "na", "n/a", "null", "none", "-", "inf", "-inf", "+inf", "infinity"}
UNIT = re.compile(
    r"[\[(]?(|s|ms|us|µs|ns|g|mg|m/s2|m/s\^2|m/s²|m/s\^\^2|deg/s|°/s|dps|mdps|rad/s|sec|-)[\])]?", re.IGNORECASE
)
NUMBER = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+)([eE][+-]?\d+)?")
DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d([.,]\d+)?)?\s*(Z|[+-]\d\d:?\d\d)?")


@dataclass
class TableLayout:
    """How one table is written.

    Attributes
    ----------
    delimiter, decimal : str
    header_line : int
        Lines above the first row.
    names : tuple of str
    dates, texts : tuple of int
        Columns that hold dates, and words.
    headed : bool
    notes : list of str
        What is said of the table; the reader adds to it.
    """

    delimiter: str
    decimal: str
    header_line: int
    names: tuple[str, ...]
    dates: tuple[int, ...] = ()
    texts: tuple[int, ...] = ()
    headed: bool = True
    notes: list[str] = field(default_factory=list)


def find_table_layout(name: str, text: str) -> TableLayout:
    """Delimiter, decimal mark, header, by the lines at the top that agree with each other.

    Parameters
    ----------
    name : str
        Of the file, for the sentence.
    text : str

    Returns
    -------
    TableLayout

    Raises
    ------
    InputError
        No rows of numbers.
    """
    lines = text[: LOOKED_AT * 2000].splitlines()[:LOOKED_AT]
    best: tuple[int, int, str, str] | None = None
    for delimiter in (*DELIMITERS, " "):
        for decimal in ".,":
            if delimiter == decimal and not any('"' in line for line in lines):
                continue
            widths = Counter(
                len(cells) for cells in (cells_of(line, delimiter) for line in lines) if is_row(cells, decimal)
            )
            if widths:
                width, count = widths.most_common(1)[0]
                if 2 <= width <= MOST_COLUMNS and (best is None or (count * width, width) > best[:2]):
                    best = (count * width, width, delimiter, decimal)
    if best is None:
        found = next((line for line in lines if line.strip()), "")
        raise InputError(
            f"{name}: expected rows of numbers with commas, semicolons, tabs or spaces between them, "
            f"found {found[:60]!r}",
            next_step="name the log of a sensor",
        )
    _, width, delimiter, decimal = best
    return _header(lines, width, delimiter, decimal)


def _header(lines: list[str], width: int, delimiter: str, decimal: str) -> TableLayout:
    """Names from the last line of that width that stands above the first row; numbered where there is none."""
    first = next(
        at for at, line in enumerate(lines) if len(c := cells_of(line, delimiter)) == width and is_row(c, decimal)
    )
    kinds = _kinds(lines[first:], width, delimiter, decimal)
    units: tuple[str, ...] = ()
    for at in range(first - 1, -1, -1):
        names = cells_of(lines[at].strip().lstrip("".join(COMMENTS)), delimiter)
        while len(names) > width and not names[-1]:
            names.pop()
        if len(names) not in (width, width - 1) or is_row(names, decimal):
            continue
        if not any(re.search(r"[^\W\d]", n) for n in names):
            continue
        names += [""] * (width - len(names))
        if not units and at > 0 and all(UNIT.fullmatch(n) for n in names):
            units = tuple(names)  # the names stand above
            continue
        if units:
            names = [f"{n} ({unit})" if unit else n for n, unit in zip(names, units, strict=True)]
        named = _distinct(tuple(n or f"column {k + 1}" for k, n in enumerate(names)))
        return TableLayout(delimiter, decimal, first, named, *kinds)
    return TableLayout(delimiter, decimal, first, tuple(f"column {k + 1}" for k in range(width)), *kinds, headed=False)


def _kinds(lines: list[str], width: int, delimiter: str, decimal: str) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Columns that hold dates, and columns that hold words, by most of the rows at the top."""
    rows = [cells for line in lines if len(cells := cells_of(line, delimiter)) == width and is_row(cells, decimal)]
    dates, words = [], []
    for index in range(width):
        column = [row[index] for row in rows]
        if sum(bool(DATE.fullmatch(cell)) for cell in column) > 0.5 * len(column):
            dates.append(index)
        elif sum(is_number(c, decimal) or c.lower() in EMPTY for c in column) < 0.5 * len(column):
            words.append(index)
    return tuple(dates), tuple(words)


def _distinct(names: tuple[str, ...]) -> tuple[str, ...]:
    """Names of which none occurs twice."""
    seen: Counter[str] = Counter()
    out = []
    for name in names:
        seen[name] += 1
        out.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return tuple(out)


def cells_of(line: str, delimiter: str) -> list[str]:
    """Cells of a line, stripped; none where its quotes do not fit.

    Parameters
    ----------
    line : str
    delimiter : str

    Returns
    -------
    list of str
    """
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
    except csv.Error:
        return []


def is_row(cells: list[str], decimal: str) -> bool:
    """Whether a line is a row: mostly numbers, dates and empty cells, at least two numbers.

    Parameters
    ----------
    cells : list of str
    decimal : str

    Returns
    -------
    bool
    """
    numbers = sum(is_number(cell, decimal) for cell in cells)
    fitting = numbers + sum(cell.lower() in EMPTY or bool(DATE.fullmatch(cell)) for cell in cells)
    return numbers >= 2 and fitting >= 0.6 * len(cells)


def is_number(cell: str, decimal: str) -> bool:
    """Whether a cell is a finite number as the table writes it.

    Parameters
    ----------
    cell : str
    decimal : str

    Returns
    -------
    bool
    """
    if decimal == ",":
        if "." in cell:
            return False
        cell = cell.replace(",", ".")
    return len(cell) <= LONGEST_CELL and NUMBER.fullmatch(cell) is not None
