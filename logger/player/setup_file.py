"""Who plays on what, before a recording: from a set-up file, or as the player keeps it."""

from __future__ import annotations

from pathlib import Path

from analysis.model.errors import InputError
from logger.files.nested_text import load_toml
from logger.files.toml_table import Table
from logger.player.calibration_store import find_calibration
from logger.player.column_map import read_instrument, read_player
from logger.player.player_profile import STRAP_KEY, PlayerProfile, load_active
from logger.record.recorder import Setup


def read_setup(path: Path | None) -> Setup:
    """Read player, instrument and lever from a TOML file, or from what ``strokeplane start`` kept.

    The sensor's stored calibration is applied.

    Parameters
    ----------
    path : Path or None
        TOML file; None takes what ``strokeplane start`` kept.

    Returns
    -------
    Setup

    Raises
    ------
    InputError
        If the file cannot be read, or a key is unknown or out of bounds.
    """
    if path is None:
        return setup_of_player()
    try:
        root = Table(load_toml(path.read_text(encoding="utf-8-sig")), str(path), InputError)
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path} cannot be read as TOML ({error})",
            next_step="check its path and contents",
        ) from error
    sensor = root.table("sensor", optional=True)
    lever = sensor.numbers("lever_mm", 3, -300.0, 300.0) if sensor.has("lever_mm") else None
    lever_sd = sensor.number_or_none("lever_sd_mm", 0.1, 50.0)
    setup = Setup(
        player=read_player(root.table("player", optional=True)),
        instrument=read_instrument(root.table("instrument", optional=True)),
        calibration=find_calibration,
        lever_mm=None if lever is None else (lever[0], lever[1], lever[2]),
        lever_sd_mm=lever_sd,
    )
    root.refuse_unknown()
    return setup


def setup_of_player() -> Setup:
    """Setup of the player who plays now; the usual where nobody is."""
    profile = load_active()
    return Setup(calibration=find_calibration) if profile is None else setup_of(profile)


def setup_of(profile: PlayerProfile) -> Setup:
    """Setup of a player, with the lever arm remembered for the strap.

    Parameters
    ----------
    profile : PlayerProfile

    Returns
    -------
    Setup
    """
    lever = profile.expected_lever()
    return Setup(
        player=profile.player,
        instrument=profile.instrument,
        calibration=find_calibration,
        lever_mm=None if lever is None else lever.lever_mm,
        lever_sd_mm=None if lever is None else lever.sd_mm,
        metadata={STRAP_KEY: profile.strap},
    )
