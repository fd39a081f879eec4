"""Sentences for people: in lines no longer than a terminal is wide, in one line each where no terminal is.

Names, labels and paths come from strangers' files. What would steer a terminal instead of being read on it (escape
sequences, marks that turn the direction of writing) is shown as its number, here and nowhere else: everything that is
printed goes through this module.
"""

from __future__ import annotations

import re
import shutil
import sys
import textwrap

import click

WIDEST = 100
STEERING = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control characters but tab and line end, marks of direction, and halves of characters, which no terminal takes."""


def visible(text: str) -> str:
    r"""A text whose steering characters can be read; in a JSON text the result means the same.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> print(visible("a\x1b[2Jb"))
    a\u001b[2Jb
    """
    return STEERING.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def show(text: str, err: bool = False, end: bool = True) -> None:
    """Print a text as it is laid out.

    Parameters
    ----------
    text : str
    err : bool
        To standard error.
    end : bool
        Whether to end its last line.
    """
    click.echo(visible(text), err=err, nl=end)


def show_document(text: str) -> None:
    """Print a text that programs read, in UTF-8 whatever the terminal's own encoding is.

    Parameters
    ----------
    text : str
        With its line ends.
    """
    click.echo(visible(text).encode("utf-8"), nl=False)


def say(text: str, err: bool = False, indent: str = "") -> None:
    """Print a text; whoever reads it from a file or a pipe gets its lines whole.

    Parameters
    ----------
    text : str
    err : bool
        To standard error.
    indent : str
        What a line's continuation begins with.
    """
    text = visible(text)
    if (sys.stderr if err else sys.stdout).isatty():
        width = min(WIDEST, shutil.get_terminal_size().columns)
        # A long path stays whole.
        wrapped = (
            textwrap.fill(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
            for line in text.splitlines()
        )
        text = "\n".join(wrapped)
    click.echo(text, err=err)
