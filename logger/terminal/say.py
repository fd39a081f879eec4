"""Sentences for people: in lines no longer than a terminal is wide, in one line each where no terminal is."""

from __future__ import annotations

import shutil
import sys
import textwrap

import click

WIDEST = 100


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
    if (sys.stderr if err else sys.stdout).isatty():
        width = min(WIDEST, shutil.get_terminal_size().columns)
        # A long path stays whole.
        wrapped = (
            textwrap.fill(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
            for line in text.splitlines()
        )
        text = "\n".join(wrapped)
    click.echo(text, err=err)
