"""What each player can do, kept beside the players in the settings folder: evenings as JSON, whole or not at all.

Kept are the evenings, not what was made of them: a newer rule reads the same evenings again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from analysis.model.errors import InputError
from logger.files.atomic_file import write_text_atomic
from logger.files.nested_text import load_json
from logger.files.toml_table import Table
from logger.player.calibration_store import settings_folder
from logger.practice.ability import Ability, Burst, Evening, PlayedPosture, PlayedSwitch

SCHEMA = 1
FILE_NAME = "evenings.json"
MOST = 10_000.0


def ability_path() -> Path:
    """The file that keeps all players' evenings."""
    return settings_folder() / FILE_NAME


def load_ability(player: str) -> Ability:
    """What the evenings kept say of one player; nothing where none are kept.

    Parameters
    ----------
    player : str
        Name.

    Returns
    -------
    Ability

    Raises
    ------
    InputError
        If the file is damaged or of a newer version.
    """
    ability = Ability()
    for evening in _load().get(player, ()):
        ability = ability.after(evening)
    return ability


def learn_evenings(player: str, evenings: Sequence[Evening]) -> Ability:
    """What a player can do after these evenings, together with those that are kept.

    Parameters
    ----------
    player : str
        Name; of nobody in particular, where it is empty, nothing is kept: such evenings could be anybody's.
    evenings : sequence of Evening
        In the order played.

    Returns
    -------
    Ability

    Raises
    ------
    InputError
        As :func:`load_ability`.
    """
    ability = load_ability(player) if player else Ability()
    for evening in evenings:
        ability = ability.after(evening)
    return ability


def keep_evenings(player: str, ability: Ability) -> Path:
    """Keep a player's evenings, the others' as they are; return the file.

    Parameters
    ----------
    player : str
        Name.
    ability : Ability
        With the evenings to keep.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the file that is there is damaged or of a newer version: it is left as it is.
    OutputError
        If it cannot be written.
    """
    return _save(_load() | {player: ability.evenings})


def forget_evenings(player: str) -> Path | None:
    """Forget a player's evenings, and keep the others'.

    Parameters
    ----------
    player : str
        Name.

    Returns
    -------
    Path or None
        The file; None where it held nothing of the player.

    Raises
    ------
    InputError
        The file that is there is damaged or of a newer version.
    OutputError
        It cannot be written.
    """
    known = _load()
    return None if known.pop(player, None) is None else _save(known)


def _save(known: Mapping[str, Sequence[Evening]]) -> Path:
    path = ability_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    players = {name: [asdict(evening) for evening in evenings] for name, evenings in known.items()}
    write_text_atomic(path, json.dumps({"version": SCHEMA, "player": players}, indent=1, ensure_ascii=False) + "\n")
    return path


def _load() -> dict[str, tuple[Evening, ...]]:
    path = ability_path()
    if not path.exists():
        return {}
    try:
        content = load_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} cannot be read ({error})",
            next_step="correct it, or delete it to begin anew",
        ) from error
    if not isinstance(content, dict):
        raise InputError(
            "expected a table of players",
            next_step="delete it to begin anew",
            file=str(path),
        )
    players = content.pop("player", {})
    root = Table(content, str(path), InputError)
    if root.integer("version", 1, 1_000_000) > SCHEMA:
        raise InputError(
            f"{path} was written by a newer strokeplane",
            next_step="update this one",
        )
    root.refuse_unknown()
    if not isinstance(players, dict) or not all(isinstance(rows, list) for rows in players.values()):
        raise InputError(
            "player must name lists of evenings",
            next_step="correct it, or delete it to begin anew",
            file=str(path),
        )
    return {name: tuple(_evening(row, f"{path}, {name}") for row in rows) for name, rows in players.items()}


def _evening(row: Any, where: str) -> Evening:
    values = dict(row) if isinstance(row, dict) else {}
    postures, switches = _rows(values, "postures", where), _rows(values, "switches", where)
    hurt = values.pop("hurt", False)
    table = Table(values, where, InputError)
    evening = Evening(
        table.text("log_hash"),
        table.number("minutes", 0.0, MOST),
        table.text("worry", ""),
        bool(hurt),
        tuple(_posture(posture, where) for posture in postures),
        tuple(_switch(switch, where) for switch in switches),
        _day(table),
    )
    table.refuse_unknown()
    return evening


def _day(table: Table) -> str:
    """A day; empty in files from before evenings had one."""
    text = table.text("day", "")
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError as error:
        raise table.error(f"day must be a date as 2026-11-26, not {text!r:.40}") from error


def _rows(values: dict[str, Any], key: str, where: str) -> list[dict[str, Any]]:
    rows = values.pop(key, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputError(
            f"{key} must be a list of tables",
            next_step="correct it, or delete the file to begin anew",
            file=str(where),
        )
    return rows


def _posture(row: dict[str, Any], where: str) -> PlayedPosture:
    values = dict(row)
    if values.get("smallest") is None:
        values.pop("smallest", None)
    bursts = []
    for burst in _rows(values, "bursts", where):
        table = Table(burst, where, InputError)
        strokes = table.integer("strokes", 1, 1_000_000)
        bursts.append(Burst(table.number("tempo_bpm", 20.0, 400.0), table.integer("held", 0, strokes), strokes))
        table.refuse_unknown()
    if not bursts:
        raise InputError(
            "a posture needs bursts",
            next_step="correct it, or delete the file to begin anew",
            file=str(where),
        )
    table = Table(values, where, InputError)
    posture = PlayedPosture(
        table.text("posture", ""),
        table.text("drill", "", 10_000),
        table.number("notes_per_beat", 0.25, 32.0),
        table.choice("wanted", ("down", "up")),
        tuple(bursts),
        table.number("span_mm", 0.0, 500.0),
        table.number_or_none("smallest", 0.0, 100.0),
    )
    table.refuse_unknown()
    return posture


def _switch(row: dict[str, Any], where: str) -> PlayedSwitch:
    table = Table(row, where, InputError)
    of = table.integer("of", 0, 1_000_000)
    switch = PlayedSwitch(
        table.text("from_posture", ""),
        table.text("to_posture", ""),
        table.number("tempo_bpm", 20.0, 400.0),
        table.integer("made", 0, of),
        of,
    )
    table.refuse_unknown()
    return switch
