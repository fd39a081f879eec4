"""Texts for a terminal that may know nothing but ASCII: our own signs are spelt out, names stay as they were typed."""

from __future__ import annotations

import sys
import textwrap

ASCII = str.maketrans(
    {"°": " deg", "±": "+-", "\N{MINUS SIGN}": "-", "\N{LEFT DOUBLE QUOTATION MARK}": '"',
     "\N{RIGHT DOUBLE QUOTATION MARK}": '"', "●": "", "→": "->", "²": "2", "≥": ">="}
)  # fmt: skip


def plain_text(text: str) -> str:
    """A text with our own signs in ASCII; of names, what the terminal cannot show stands as its number.

    A question mark in its place would make two players of one length look like one.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> plain_text("tilt \N{MINUS SIGN}3°")
    'tilt -3 deg'
    """
    encoding = sys.stdout.encoding or "ascii"
    return text.translate(ASCII).encode(encoding, "backslashreplace").decode(encoding)


def wrap_plain(text: str, width: int, head: str = "") -> str:
    """The same in lines of ``width``, the first begun by ``head``, the others as far in.

    Parameters
    ----------
    text : str
    width : int
        In characters.
    head : str

    Returns
    -------
    str
    """
    return textwrap.fill(plain_text(text), width, initial_indent=head, subsequent_indent=" " * len(head))
