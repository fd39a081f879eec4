"""``strokeplane delete``: a session and the sound that belongs to it, or everything of one player."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from logger.terminal.say import say


@click.command("delete")
@click.argument("sessions", metavar="SESSION...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--player",
    metavar="NAME",
    help="Delete everything of this player: SESSION... may then be folders, and what is kept here goes too.",
)
@click.option("--yes", is_flag=True, help="Do not ask.")
def command(sessions: tuple[Path, ...], player: str | None, yes: bool) -> None:
    """Delete sessions, and the sound of the room that the guided session's page recorded with them.

    Sound is known by its hash in the session file: a file that only bears the name stays. Reports, tables and exports
    made of a session stay, too; nothing that can be heard is in them. With --player, the name is taken exactly as it
    was typed ("" for sessions without one); sessions of other players in the same folders stay. What a folder and this
    computer remember of the player (summaries, straps, evenings) is forgotten.
    """
    from logger.session.session_file import read_session
    from logger.sound.session_take import delete_session, own_sounds

    if player is None:
        found = [_Found(path, tuple(own_sounds(path, read_session(path)))) for path in sessions]
    else:
        found = _sessions_of(player, sessions)
    names = [str(each) for one in found for each in (one.path, *one.sounds)]
    if not yes:
        say("\n".join(names))
        kept = f", and what is kept here of {player!r}," if player is not None else ""
        click.confirm(f"Delete these{kept} for good?", abort=True)
    forgotten = _forget(player, found) if player is not None else ()
    for one in found:
        delete_session(one.path, list(one.sounds))
    say(f"Deleted: {', '.join(names)}.")
    if forgotten:
        say(f"Forgotten of {player!r}: {', '.join(forgotten)}.")


@dataclass(frozen=True)
class _Found:
    """A session to delete, its sound, and the folder that was named for it."""

    path: Path
    sounds: tuple[Path, ...]
    folder: Path | None = None
    digest: str = ""


def _sessions_of(player: str, places: tuple[Path, ...]) -> list[_Found]:
    """All sessions of a player in folders and files; what cannot be read stays, and is told."""
    from analysis.model.errors import InputError, SessionFileError
    from logger.many.session_cache import SUFFIX
    from logger.session.session_file import read_session
    from logger.sound.session_take import own_sounds

    found, others, unread = [], set(), []
    for place in places:
        paths = sorted(place.rglob(f"*{SUFFIX}")) if place.is_dir() else [place]
        for path in paths:
            try:
                session = read_session(path)
            except SessionFileError as error:
                if not place.is_dir():
                    raise
                unread.append(f"{path} cannot be read and stays: {error}.")
                continue
            if session.player.name != player:
                others.add(session.player.name)
                continue
            folder = place if place.is_dir() else path.parent
            found.append(_Found(path, tuple(own_sounds(path, session)), folder, session.log_hash))
    for told in unread:
        say(told, err=True)
    if not found:
        raise InputError(
            expected=f"sessions of {player!r}",
            found=f"sessions of {', '.join(map(repr, sorted(others)))}" if others else "no session",
            next_step="write the name exactly as it was typed",
        )
    return found


def _forget(player: str, found: list[_Found]) -> tuple[str, ...]:
    """What folders and the settings folder keep of a player, forgotten before the sessions go; in words."""
    from logger.many.batch import STORE_NAME
    from logger.many.session_cache import CACHE_NAME
    from logger.many.session_store import forget_sessions
    from logger.player.ability_file import forget_evenings
    from logger.player.player_profile import load_players, save_players

    told = []
    for folder in dict.fromkeys(one.folder for one in found if one.folder is not None):
        for name in (CACHE_NAME, STORE_NAME):
            digests = [one.digest for one in found if one.folder == folder]
            if forget_sessions(folder / name, digests):
                told.append(str(folder / name))
    players = load_players()
    if player and players.find(player) is not None:
        told.append(str(save_players(players.without(player))))
    kept = forget_evenings(player)
    return (*told, *([str(kept)] if kept is not None else []))
