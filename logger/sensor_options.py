"""Options that every command with a sensor shares, and the way from them to an open source."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from analysis.errors import DeviceError
from logger.device_profile import load_profile, shipped_profiles
from logger.sources import SOURCE_HELP, LinkSettings, Source, open_source

F = TypeVar("F", bound=Callable[..., object])


def sensor_options(function: F) -> F:
    """Add --source, --profile, --rate, --range and --speed."""
    options = (
        click.option("--source", "source_text", default="", help=f"{SOURCE_HELP}  Default: the only serial port."),
        click.option(
            "--profile",
            "profile_name",
            default="frames",
            show_default=True,
            help=f"How the sensor talks: {', '.join(shipped_profiles())}, or the path of a .toml file.",
        ),
        click.option("--rate", "rate_hz", type=click.FloatRange(1, 8000), help="Ask the sensor for this sample rate."),
        click.option("--range", "ranges", type=(int, int), metavar="G DPS", help="Ask the sensor for these ranges."),
        click.option("--speed", type=click.FloatRange(0.01), default=1.0, help="Pace of a replay or simulation."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def session_options(function: F) -> F:
    """Add --output and --setup: the session that is recorded, and who plays what."""
    options = (
        click.option(
            "-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Session to write; default by date."
        ),
        click.option(
            "--setup",
            "setup_path",
            type=click.Path(path_type=Path),
            help="TOML file with [player], [instrument] and [sensor] lever_mm, as for import.",
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


def session_by_date() -> Path:
    """Return the name of a session that was given none."""
    return Path(time.strftime("session-%Y%m%d-%H%M%S.mcap"))


def source_from_options(
    source_text: str, profile_name: str, rate_hz: float | None, ranges: tuple[int, int] | None, speed: float
) -> Source:
    """Return the source that the options name.

    Raises
    ------
    DeviceError
        If the profile is unknown, or no source is named and there is not exactly one serial port.
    """
    profile = load_profile(profile_name)
    settings = LinkSettings(rate_hz=rate_hz, ranges=ranges)
    return open_source(source_text or only_port(), profile, settings, speed)


def only_port() -> str:
    """Return the only serial port that a sensor may be at.

    Raises
    ------
    DeviceError
        If there is none, or more than one.
    """
    from logger.port_list import list_serial_ports

    ports = [port for port in list_serial_ports() if port.likely]
    if not ports:
        raise DeviceError("no sensor is plugged in; plug it in, or name one with --source (ble for Bluetooth)")
    if len(ports) > 1:
        names = ", ".join(port.name for port in ports)
        raise DeviceError(f"there is more than one port ({names}); name the sensor's with --source")
    return ports[0].name
