"""How high the outer strings stand above the soundboard: as an option, as a question, in a session's metadata."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import click

from logger.terminal.say import say, show

F = TypeVar("F", bound=Callable[..., object])

HEIGHTS_PICTURE = """How high do the outer strings stand above the soundboard? Both at one place along them, by a ruler:

       o   o   o   o   o   o   strings, seen along them from the bridge
       |                   |
     first               last  first: the string that a downstroke meets first
       |                   |
   ----+-------------------+---- soundboard
"""


def heights_option(function: F) -> F:
    """Add --heights: of the outer strings above the soundboard."""
    return click.option(
        "--heights",
        "heights_mm",
        callback=_check_heights,
        type=(float, float),
        metavar="FIRST LAST",
        help="Heights of the outer strings above the soundboard, mm, both measured at one place along them: the string "
        "that a downstroke meets first, then the last.",
    )(function)


def _check_heights(
    context: click.Context, option: click.Parameter, heights_mm: tuple[float, float] | None
) -> tuple[float, float] | None:
    from analysis.model.errors import InputError
    from analysis.reference.soundboard import HEIGHTS, read_heights

    try:
        read_heights(with_heights({}, heights_mm).get(HEIGHTS, ""))
    except InputError as error:
        raise click.BadParameter(f"{error}.", context, option) from error
    return heights_mm


def with_heights(metadata: dict[str, str], heights_mm: tuple[float, float] | None) -> dict[str, str]:
    """A session's metadata with the strings' heights in it, where they are known."""
    from analysis.reference.soundboard import HEIGHTS

    if heights_mm is None:
        return metadata
    return {**metadata, HEIGHTS: " ".join(f"{height:g}" for height in heights_mm)}


def ask_heights() -> tuple[float, float] | None:
    """How high the outer strings stand above the soundboard; None where nobody measured it."""
    from analysis.model.errors import InputError
    from analysis.reference.soundboard import read_heights

    show(HEIGHTS_PICTURE, err=True)
    while True:
        question = "Heights, mm, as in: 11.5 12 (empty: not measured)"
        answer = click.prompt(question, default="", show_default=False, err=True)
        try:
            return read_heights(answer)
        except InputError as error:
            say(f"{error}", err=True)
