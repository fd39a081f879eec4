"""Arguments and options that the commands of the player's questions share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

Command = Callable[..., Any]


def session_arguments(command: Command) -> Command:
    """Add one or more session files."""
    return click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=click.Path(path_type=Path))(
        command
    )


def output_options(command: Command) -> Command:
    """Add the options that say where an answer goes."""
    html = click.option("--html", metavar="FILE", type=click.Path(path_type=Path), help="Write a page with pictures.")
    return json_option(html(command))


def json_option(command: Command) -> Command:
    """Add where the answer goes as JSON."""
    return click.option(
        "--json",
        "json_path",
        metavar="FILE|-",
        type=click.Path(path_type=Path, allow_dash=True),
        help="Write the answer as JSON to this file; - prints it, and nothing else.",
    )(command)
