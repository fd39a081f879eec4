"""Columns of numbers as rows of decimal text, a hundred times as quick as one number at a time.

All digits of a block are written into one matrix of bytes, one row a line; a mask then drops leading zeros.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.records import BoolArray, FloatArray, IntArray

ZERO, MINUS, POINT, LINE_END = b"0"[0], b"-"[0], b"."[0], b"\n"[0]


@dataclass(frozen=True)
class DecimalColumn:
    """A column with a fixed number of decimals.

    Attributes
    ----------
    scaled : int64 (n,)
        Values times ``10 ** decimals``, smaller than 10^18.
    decimals : int
    missing : bool (n,) or None
        Where there is no value.
    """

    scaled: IntArray
    decimals: int = 0
    missing: BoolArray | None = None

    @classmethod
    def of(cls, values: FloatArray, decimals: int, missing: BoolArray | None = None) -> DecimalColumn:
        """Round values to a number of decimals; what is missing may be NaN.

        Parameters
        ----------
        values : float64 (n,)
        decimals : int
        missing : bool (n,), optional

        Returns
        -------
        DecimalColumn
        """
        if missing is not None:
            values = np.where(missing, 0.0, values)
        return cls(np.rint(values * 10.0**decimals).astype(np.int64), decimals, missing)


def render_rows(columns: Sequence[DecimalColumn], separator: bytes, missing_text: bytes) -> bytes:
    r"""Rows of text, each ending with a line feed.

    Parameters
    ----------
    columns : sequence of DecimalColumn
        Of one length, at least one row.
    separator : bytes
        One character.
    missing_text : bytes
        What stands where a value is missing; may be empty.

    Returns
    -------
    bytes

    Examples
    --------
    >>> first = DecimalColumn(np.array([5, -1250]), 3)
    >>> second = DecimalColumn.of(np.array([12.0, np.nan]), 0, np.array([False, True]))
    >>> render_rows([first, second], b"\t", b"n/a")
    b'0.005\t12\n-1.250\tn/a\n'
    """
    digits = [max(c.decimals + 1, len(str(int(np.abs(c.scaled).max())))) for c in columns]
    widths = [max(1 + count + (c.decimals > 0), len(missing_text)) for c, count in zip(columns, digits, strict=True)]
    rows, width = columns[0].scaled.size, sum(widths) + len(columns)
    chars = np.full((rows, width), separator[0], dtype=np.uint8)
    keep = np.ones((rows, width), dtype=np.bool_)
    start = 0
    for column, count, wide in zip(columns, digits, widths, strict=True):
        part = slice(start, start + wide)
        _write_column(column, count, chars[:, part], keep[:, part])
        if column.missing is not None and column.missing.any():
            _write_missing(column.missing, missing_text, chars[:, part], keep[:, part])
        start += wide + 1
    chars[:, -1] = LINE_END
    return chars[keep].tobytes()


def _write_column(column: DecimalColumn, digits: int, chars: NDArray[np.uint8], keep: BoolArray) -> None:
    """Sign, digits and point into the right end of the column's field."""
    size = np.abs(column.scaled)
    rest = size.astype(np.uint32) if int(size.max()) < 2**32 else size.astype(np.uint64)
    at = chars.shape[1] - 1
    for place in range(digits):
        if place == column.decimals and place > 0:
            chars[:, at] = POINT
            at -= 1
        tenth = rest // 10
        chars[:, at] = rest - 10 * tenth + ZERO
        if place > column.decimals:
            keep[:, at] = rest > 0
        rest = tenth
        at -= 1
    chars[:, at] = MINUS
    keep[:, at] = column.scaled < 0
    keep[:, :at] = False


def _write_missing(missing: BoolArray, text: bytes, chars: NDArray[np.uint8], keep: BoolArray) -> None:
    """The text for a missing value into the left end of the column's field."""
    rows = np.flatnonzero(missing)
    keep[rows] = False
    for place, char in enumerate(text):
        chars[rows, place] = char
        keep[rows, place] = True
