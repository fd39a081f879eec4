"""Decimal text, quick, against Python's own formatting."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.files.decimal_text import DecimalColumn, render_rows

VALUES = st.integers(-(10**17), 10**17)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(VALUES, VALUES), min_size=1, max_size=20), st.integers(0, 9), st.integers(0, 9))
def test_whole_numbers_read_as_python_writes_them(rows: list[tuple[int, int]], first: int, second: int) -> None:
    columns = [
        DecimalColumn(np.array([row[i] for row in rows], dtype=np.int64), decimals)
        for i, decimals in ((0, first), (1, second))
    ]
    expected = "".join(f"{written(a, first)},{written(b, second)}\n" for a, b in rows)
    assert render_rows(columns, b",", b"").decode() == expected


def written(scaled: int, decimals: int) -> str:
    sign, digits = "-" * (scaled < 0), str(abs(scaled)).rjust(decimals + 1, "0")
    return sign + (f"{digits[:-decimals]}.{digits[-decimals:]}" if decimals else digits)


@given(st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6)), min_size=1, max_size=20))
def test_missing_values_and_rounding(values: list[float | None]) -> None:
    missing = np.array([value is None for value in values])
    column = DecimalColumn.of(np.array([np.nan if v is None else v for v in values]), 3, missing)
    cells = render_rows([column], b"\t", b"n/a").decode().split("\n")
    assert cells.pop() == ""
    for cell, value in zip(cells, values, strict=True):
        if value is None:
            assert cell == "n/a"
        else:
            assert abs(float(cell) - value) <= 0.0005 + 1e-9
            assert len(cell.split(".")[1]) == 3


def test_a_missing_value_may_be_an_empty_cell() -> None:
    column = DecimalColumn(np.array([7, 8]), 0, np.array([True, False]))
    assert render_rows([column, DecimalColumn(np.array([1, 2]))], b",", b"") == b",1\n8,2\n"
