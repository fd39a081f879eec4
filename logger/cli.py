"""The ``strokeplane`` command: parse, call, print. Commands are imported only when called, so help stays quick."""

from __future__ import annotations

import errno
import importlib
import io
import os
import sys
from pathlib import Path
from typing import Any

import click

from analysis.model.errors import StrokeplaneError
from logger.files.atomic_file import reason
from logger.terminal.say import say, show, visible

# name -> (module, function, one-line help). Keep in the order of a player's evening.
COMMANDS: dict[str, tuple[str, str, str]] = {
    "start": (
        "logger.commands.start",
        "start_command",
        "Set up in five minutes: who plays, on what, with which strap.",
    ),
    "ports": ("logger.commands.ports", "ports_command", "List the places where a sensor may be connected."),
    "check": ("logger.commands.check", "check_command", "Find out in a minute whether a sensor is good enough."),
    "calibrate": (
        "logger.commands.calibrate",
        "calibrate_command",
        "Measure a sensor's bias and scale, and keep the result.",
    ),
    "record": ("logger.commands.record", "record_command", "Record a session from a sensor."),
    "live": ("logger.commands.live", "live_command", "Play a guided session, and see the tilt while you play."),
    "import": ("logger.commands.import_", "import_command", "Turn a CSV, Motion-BIDS or Parquet file into a session."),
    "analyse": ("logger.commands.analyse", "analyse_command", "Find out on which side your stroke leaves the strings."),
    "hold": ("logger.commands.hold", "command", "Find out up to what tempo your stroke stays tilted."),
    "steady": ("logger.commands.steady", "command", "See how even your strokes are, and what change would show."),
    "clears": ("logger.commands.clears", "command", "See by how much strokes clear, and how small they may be."),
    "compare": ("logger.commands.compare", "command", "Compare two postures: which one should you play?"),
    "tension": ("logger.commands.tension", "command", "See what drifts over a long session, and when to ease off."),
    "progress": ("logger.commands.progress", "command", "Follow players over weeks of sessions."),
    "batch": ("logger.commands.batch", "command", "Analyse many sessions into one table of strokes."),
    "delete": ("logger.commands.delete", "command", "Delete sessions, and the sound that belongs to them."),
    "verify": ("logger.commands.verify", "command", "Check that session files are whole; mend one into a new file."),
    "export": (
        "logger.commands.export",
        "export_command",
        "Write sessions as CSV, Parquet or Motion-BIDS.",
    ),
    "drill": ("logger.commands.drill", "command", "Work on phrases, their twins, and string changes."),
    "plan": ("logger.commands.plan", "command", "Make, check and show practice plans."),
    "next": ("logger.commands.next_evening", "command", "Plan the next evening from what you played."),
    "simulate": (
        "logger.commands.simulate",
        "command",
        "Write a session of an invented player whose strokes are known.",
    ),
}


class LazyGroup(click.Group):
    """A group whose commands live in modules of their own, imported on first use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the command names in the order of the table."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return a command, or None if there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module, function, _ = COMMANDS[cmd_name]
        command = getattr(importlib.import_module(module), function)
        if not isinstance(command, click.Command):
            raise TypeError(f"{module}.{function} is not a click command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command that is called; for an unknown one, name those of the table that are spelt like it."""
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchCommand as error:
            raise click.NoSuchCommand(error.command_name, possibilities=COMMANDS, ctx=ctx) from error

    def invoke(self, ctx: click.Context) -> Any:
        """Call a command; what it says of its options may quote a name that steers the terminal."""
        try:
            return super().invoke(ctx)
        except click.ClickException as error:
            error.message = visible(error.message)  # type: ignore[misc]  # the same error, shown safely
            raise

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List commands from the table, so that help imports none of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry[2]) for name, entry in COMMANDS.items()])


@click.group(cls=LazyGroup, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="strokeplane")
@click.pass_context
def cli(context: click.Context) -> None:
    """Measure the plane of a plectrum player's picking stroke with a hand-worn motion sensor."""
    if context.invoked_subcommand is not None:
        return
    steps = importlib.import_module("logger.terminal.next_step")
    for line in steps.next_steps(steps.look_into(Path.cwd(), player_known=not _is_first_run())):
        show(line)


def _is_first_run() -> bool:
    """Whether no player is known on this computer yet."""
    return not importlib.import_module("logger.player.player_profile").players_path().exists()


def main() -> None:
    """Run the command line; a known error is one sentence on stderr and exit code 1."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a terminal that lacks a letter gets its number
    try:
        cli(prog_name="strokeplane")
    except StrokeplaneError as error:
        say(f"strokeplane: {error}", err=True)
        sys.exit(1)
    except OSError as error:
        # Files that are asked for by name are errors of the kind above; a folder of our own may still be out of reach.
        if error.filename is not None:
            say(f"strokeplane: {error.filename} cannot be used ({reason(error)}); see what it is and who may", err=True)
            sys.exit(1)
        if error.errno not in (errno.ENOSPC, errno.EFBIG, errno.EIO):
            raise
        say(f"strokeplane: the answer cannot be printed ({error.strerror}); print it elsewhere", err=True)
        # What is still buffered would fail once more when Python ends, with an exit code of its own.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
