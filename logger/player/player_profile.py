"""Players kept in the user's settings folder: handedness, instrument, straps, and where the tip lies from the sensor.

The lever arm (sensor to plectrum tip) is nearly the same each time one player wears one strap. Every session with a
good ``pivot`` adds its value; their mean, with what it is worth, starts the next session, which then needs only the
short gestures. What an angle check reads is kept as well, to be compared over the evenings.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Instrument, Player, Session, SessionResult
from logger.files.atomic_file import write_text_atomic
from logger.files.nested_text import load_toml
from logger.files.toml_table import Table
from logger.player.calibration_store import settings_folder
from logger.player.column_map import read_instrument, read_player
from logger.player.edges_seen import MOST_EVENINGS, EdgeSeen, describe_edges, edges_of, read_edge

SCHEMA = 2
FILE_NAME = "players.toml"
DEFAULT_STRAP = "strap"
STRAP_KEY = "strap"
"""Key of a session's metadata that names the strap worn."""

RESTRAP_SD_MM = 3.0
"""How far a strap sits elsewhere the next time, per axis, until a player's own sessions say better (from memory)."""
RESTRAP_DOUBT = 2.0
"""How many sessions that assumption is worth."""
MOST_SESSIONS = 12
WORST_SE_MM = 4.0


@dataclass(frozen=True)
class LeverSeen:
    """What one session found: sensor to tip in sensor axes, and its standard error."""

    strap: str
    log_hash: str
    lever_mm: tuple[float, float, float]
    se_mm: tuple[float, float, float]


@dataclass(frozen=True)
class RememberedLever:
    """What to expect of the next session: the lever arm and its standard deviation per axis."""

    lever_mm: tuple[float, float, float]
    sd_mm: float
    sessions: int


@dataclass(frozen=True)
class PlayerProfile:
    """One player's settings. ``strap`` is the one worn now.

    Attributes
    ----------
    player : Player
    instrument : Instrument
    strap : str
    levers : tuple of LeverSeen
        Measured by gestures, by strap.
    edges : tuple of EdgeSeen
        Angle checks, an evening after the other.
    """

    player: Player
    instrument: Instrument
    strap: str = DEFAULT_STRAP
    levers: tuple[LeverSeen, ...] = ()
    edges: tuple[EdgeSeen, ...] = ()

    def expected_lever(self) -> RememberedLever | None:
        """What earlier sessions with the strap worn now say of the lever arm; None if there are none.

        Returns
        -------
        RememberedLever or None
        """
        own = [seen for seen in self.levers if seen.strap == self.strap]
        return combine_levers(own) if own else None


@dataclass(frozen=True)
class Players:
    """Everybody known here, and who plays now.

    Attributes
    ----------
    profiles : tuple of PlayerProfile
    active : str
        Name of who plays now; empty where nobody does.
    """

    profiles: tuple[PlayerProfile, ...] = ()
    active: str = ""

    def find(self, name: str) -> PlayerProfile | None:
        """The profile of that name, or None.

        Parameters
        ----------
        name : str

        Returns
        -------
        PlayerProfile or None
        """
        return next((p for p in self.profiles if p.player.name == name), None)

    def with_profile(self, profile: PlayerProfile, active: bool = True) -> Players:
        """The same players with one added, or changed.

        Parameters
        ----------
        profile : PlayerProfile
        active : bool, optional

        Returns
        -------
        Players
        """
        name = profile.player.name
        others = tuple(p for p in self.profiles if p.player.name != name)
        return Players((*others, profile), name if active else self.active)

    def without(self, name: str) -> Players:
        """The others; nobody is active where this one was.

        Parameters
        ----------
        name : str

        Returns
        -------
        Players
        """
        return Players(
            tuple(p for p in self.profiles if p.player.name != name), "" if self.active == name else self.active
        )


def combine_levers(seen: list[LeverSeen]) -> RememberedLever:
    r"""Mean of what sessions found, and the spread to expect of one more.

    Sessions differ by how the strap sits, with an unknown variance between them: the observed one, less what the
    single errors explain, shrunk towards an assumed :math:`3^2` mm² that counts as much as two sessions.

    Parameters
    ----------
    seen : list of LeverSeen
        At least one.

    Returns
    -------
    RememberedLever

    Examples
    --------
    >>> one = LeverSeen("strap", "a", (0.0, 0.0, -40.0), (1.0, 1.0, 1.0))
    >>> combine_levers([one]).lever_mm, round(combine_levers([one]).sd_mm, 2)
    ((0.0, 0.0, -40.0), 4.36)
    """
    seen = seen[-MOST_SESSIONS:]
    lever = np.array([entry.lever_mm for entry in seen])
    error = np.array([entry.se_mm for entry in seen]) ** 2
    n = len(seen)
    between = 0.0
    if n > 1:
        between = max(0.0, float(lever.var(axis=0, ddof=1).mean() - error.mean()))
    assumed = RESTRAP_SD_MM**2
    spread = (RESTRAP_DOUBT * assumed + (n - 1) * between) / (RESTRAP_DOUBT + n - 1)
    weight = 1.0 / (error + spread)
    mean = (weight * lever).sum(axis=0) / weight.sum(axis=0)
    sd = float(np.sqrt(spread + (1.0 / weight.sum(axis=0)).mean()))
    return RememberedLever((float(mean[0]), float(mean[1]), float(mean[2])), sd, n)


def players_path() -> Path:
    """The file that keeps the players."""
    return settings_folder() / FILE_NAME


def load_players() -> Players:
    """Read the players; none where there is no file yet.

    Returns
    -------
    Players

    Raises
    ------
    InputError
        If the file is damaged or of a newer version.
    """
    path = players_path()
    if not path.exists():
        return Players()
    try:
        content = load_toml(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} cannot be read ({error})",
            next_step="correct it, or delete it and run: strokeplane start",
        ) from error
    entries = content.pop("player", [])
    root = Table(content, str(path), InputError)
    if root.integer("version", 1, 1_000_000) > SCHEMA:
        raise InputError(
            f"{path} was written by a newer strokeplane",
            next_step="update this one",
        )
    active = root.text("active", "")
    root.refuse_unknown()
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError(
            "[[player]] must be a list of tables",
            next_step="correct it",
            file=str(path),
        )
    return Players(tuple(_read_profile(entry, str(path)) for entry in entries), active)


def load_active() -> PlayerProfile | None:
    """The player who plays now, or None where nobody is known yet.

    Returns
    -------
    PlayerProfile or None

    Raises
    ------
    InputError
        The players' file is damaged or of a newer version.
    """
    players = load_players()
    return players.find(players.active)


def save_players(players: Players) -> Path:
    """Write the players and return the file.

    Parameters
    ----------
    players : Players

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    path = players_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    parts = [f"version = {SCHEMA}\nactive = {_quoted(players.active)}\n"]
    parts += [_write_profile(profile) for profile in players.profiles]
    write_text_atomic(path, "\n".join(parts))
    return path


def remember_lever(session: Session, result: SessionResult) -> str:
    """Keep a session's lever arm for its player and strap, if both are known here and it is good enough.

    Parameters
    ----------
    session : Session
        Its player's name and its metadata's ``strap`` say whose it is.
    result : SessionResult

    Returns
    -------
    str
        What was kept, one sentence; empty if nothing was.
    """
    strap, name = session.metadata.get(STRAP_KEY, ""), session.player.name
    lever, se = result.lever_mm, result.lever_se_mm
    if not strap or not name or lever is None or se is None or result.reference.repetitions.get("pivot", 0) == 0:
        return ""
    if float(np.sqrt(np.mean(np.square(se)))) > WORST_SE_MM:
        return ""
    players = load_players()
    profile = players.find(name)
    if profile is None or any(seen.log_hash == result.log_hash for seen in profile.levers):
        return ""
    kept = (*profile.levers, LeverSeen(strap, result.log_hash, lever, se))
    profile = replace(profile, levers=kept[-4 * MOST_SESSIONS :])
    save_players(players.with_profile(profile, active=False))
    own = combine_levers([seen for seen in profile.levers if seen.strap == strap])
    return (
        f"Kept for {name}'s {strap}: the tip lies {np.linalg.norm(own.lever_mm):.0f} mm from the sensor, known to "
        f"{own.sd_mm:.1f} mm per axis from {own.sessions} session{'s' * (own.sessions > 1)}."
    )


def remember_edges(session: Session, result: SessionResult) -> str:
    """Keep a session's angle checks for its player, if known here.

    Parameters
    ----------
    session : Session
        Its player's name says whose they are.
    result : SessionResult

    Returns
    -------
    str
        What all of the player's angle checks say together; empty if the session adds none.
    """
    players, found = load_players(), edges_of(result)
    profile = players.find(session.player.name)
    if not found or profile is None or any(seen.log_hash == result.log_hash for seen in profile.edges):
        return ""
    profile = replace(profile, edges=(*profile.edges, *found)[-MOST_EVENINGS:])
    save_players(players.with_profile(profile, active=False))
    return describe_edges(profile.edges)


def _read_profile(entry: Mapping[str, Any], where: str) -> PlayerProfile:
    values = dict(entry)
    levers, edges = values.pop("lever", []), values.pop("edge", [])
    table = Table(values, f"{where} [[player]]", InputError)
    name = table.text("name")
    strap = table.text("strap", DEFAULT_STRAP)
    player = replace(read_player(table), name=name)
    strings = table.table("instrument", optional=True)
    instrument = replace(read_instrument(strings), name=strings.text("name", ""))
    table.refuse_unknown()
    for kind, entries in (("lever", levers), ("edge", edges)):
        if not isinstance(entries, list):
            raise table.error(f"[[player.{kind}]] must be a list of tables")
    return PlayerProfile(
        player,
        instrument,
        strap,
        tuple(_read_lever(lever, where) for lever in levers),
        tuple(read_edge(edge, where) for edge in edges),
    )


def _read_lever(entry: Mapping[str, Any], where: str) -> LeverSeen:
    table = Table(entry, f"{where} [[player.lever]]", InputError)
    lever, se = table.numbers("lever_mm", 3, -300.0, 300.0), table.numbers("se_mm", 3, 0.0, 300.0)
    seen = LeverSeen(table.text("strap"), table.text("log", ""), (lever[0], lever[1], lever[2]), (se[0], se[1], se[2]))
    table.refuse_unknown()
    return seen


def _write_profile(profile: PlayerProfile) -> str:
    i = profile.instrument
    lines = [
        "[[player]]",
        f"name = {_quoted(profile.player.name)}",
        f"handed = {_quoted(profile.player.handed)}",
        f"strap = {_quoted(profile.strap)}",
        "",
        "[player.instrument]",
        f"name = {_quoted(i.name)}",
        f"strings = {i.strings}",
        f"courses = {i.courses}",
        f"spacing_mm = {_numbers(i.spacing_mm)}",
        f"plectrum_depth_mm = {float(i.plectrum_depth_mm)!r}",
        f"held = {_quoted(i.held)}",
    ]
    if i.radius_mm is not None:
        lines.append(f"radius_mm = {float(i.radius_mm)!r}")
    for seen in profile.levers:
        lines += [
            "",
            "[[player.lever]]",
            f"strap = {_quoted(seen.strap)}",
            f"log = {_quoted(seen.log_hash)}",
            f"lever_mm = {_numbers(seen.lever_mm)}",
            f"se_mm = {_numbers(seen.se_mm)}",
        ]
    for edge in profile.edges:
        lines += ["", "[[player.edge]]", f"log = {_quoted(edge.log_hash)}"]
        lines += [f"{key} = {round(getattr(edge, key), 4)!r}" for key in ("stated_deg", "read_deg", "se_deg")]
    return "\n".join(lines) + "\n"


def _numbers(values: tuple[float, ...]) -> str:
    return "[" + ", ".join(f"{round(value, 4)!r}" for value in values) + "]"


def _quoted(text: str) -> str:
    """A TOML basic string: JSON's escapes are among TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
