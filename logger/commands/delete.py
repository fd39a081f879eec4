"""``strokeplane delete``: a session and the sound that belongs to it."""

from __future__ import annotations

from pathlib import Path

import click

from logger.terminal.say import say


@click.command("delete")
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
def command(sessions: tuple[Path, ...], yes: bool) -> None:
    """Delete sessions, and the sound of the room that the guided session's page recorded with them.

    Sound is known by its hash in the session file: a file that only bears the name stays. Reports and tables made of a
    session stay, too; nothing that can be heard is in them.
    """
    from logger.session.session_file import read_session
    from logger.sound.session_take import delete_session, own_sounds

    found = [(path, own_sounds(path, read_session(path))) for path in sessions]
    names = [str(each) for path, sounds in found for each in (path, *sounds)]
    if not yes:
        say("\n".join(names))
        click.confirm("Delete these for good?", abort=True)
    for path, sounds in found:
        delete_session(path, sounds)
    say(f"Deleted: {', '.join(names)}.")
