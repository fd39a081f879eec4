"""Texts for a terminal that may know nothing but ASCII."""

from __future__ import annotations

import textwrap

ASCII = str.maketrans(
    {"°": " deg", "±": "+-", "\N{MINUS SIGN}": "-", "\N{LEFT DOUBLE QUOTATION MARK}": '"',
     "\N{RIGHT DOUBLE QUOTATION MARK}": '"', "●": "", "→": "->", "²": "2", "≥": ">="}
)  # fmt: skip


def plain_text(text: str) -> str:
    """A text in ASCII; what has no likeness there becomes a question mark.

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
    return text.translate(ASCII).encode("ascii", "replace").decode("ascii")


def wrap_plain(text: str, width: int, head: str = "") -> str:
    """A text in ASCII, in lines of ``width``, the first begun by ``head``, the others as far in.

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
