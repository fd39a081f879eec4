"""Words in cells of a CSV: a spreadsheet computes what begins with an equals sign, and words must stay words.

An apostrophe in front keeps a cell a text. Our own reader takes it away again, so what was written is read unchanged.
Which beginnings are dangerous is common practice among those who guard web applications against formulas in exports.
"""

from __future__ import annotations

import pandas as pd

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "'")
"""The apostrophe itself, so that taking away is unambiguous."""


def guarded(words: str) -> str:
    """Words as they can stand in a cell.

    Parameters
    ----------
    words : str

    Returns
    -------
    str

    Examples
    --------
    >>> guarded("=1+1"), guarded("wrist free")
    ("'=1+1", 'wrist free')
    """
    return f"'{words}" if words.startswith(FORMULA_SIGNS) else words


def unguarded(cell: str) -> str:
    """The words of a cell, as :func:`guarded` was given them.

    Parameters
    ----------
    cell : str

    Returns
    -------
    str

    Examples
    --------
    >>> unguarded("'=1+1"), unguarded("'tis")
    ('=1+1', "'tis")
    """
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(FORMULA_SIGNS) else cell


def guard_table(table: pd.DataFrame) -> pd.DataFrame:
    """A table whose words can stand in cells; numbers stay as they are.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    DataFrame
        Another one.
    """
    guarded_table = table.copy()
    for name in table.columns:
        if not pd.api.types.is_numeric_dtype(table[name]):
            guarded_table[name] = table[name].map(lambda cell: guarded(cell) if isinstance(cell, str) else cell)
    return guarded_table
