"""Options that every command with a sensor shares, and the way from them to an open source."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from analysis.model.errors import DeviceError, SessionFileError
from logger.commands.heights_option import heights_option
from logger.sources.base import LinkSettings, Source
from logger.sources.device_profile import load_profile, shipped_profiles
from logger.sources.open_source import SOURCE_HELP, open_instrument, open_source
from logger.terminal.say import say, show

if TYPE_CHECKING:
    from logger.live.lsl_streams import LslStreams

PHONE_SOURCE = "phone"
BROWSER_WARNS = (
    "The phone's browser will warn that the connection is not private: this computer made the certificate itself, so "
    "nobody else vouches for it. In your own network you may go on (Advanced, or Show details, then on to the page). "
    "Who wants to be sure compares the certificate's fingerprint."
)

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
        click.option(
            "--rate", "rate_hz", type=click.FloatRange(1, 8000), help="Ask the sensor for this sample rate, Hz."
        ),
        click.option(
            "--range",
            "ranges",
            type=(int, int),
            metavar="G DPS",
            help="Ask the sensor for these ranges, g and degrees a second.",
        ),
        click.option("--speed", type=click.FloatRange(0.01), default=1.0, help="Pace of a replay or simulation."),
    )
    for option in reversed(options):
        function = option(function)
    return function


def role_option(function: F) -> F:
    """Add --role: where the sensor of ``check`` or ``calibrate`` is to sit."""
    return click.option(
        "--role",
        type=click.Choice(["hand", "instrument"]),
        default="hand",
        show_default=True,
        help="Where the sensor will sit: on the picking hand, or, as a second one, on the instrument.",
    )(function)


def instrument_options(function: F) -> F:
    """Add --instrument and --instrument-profile: a second sensor."""
    options = (
        click.option(
            "--instrument",
            "instrument_text",
            default="",
            help="A second sensor, on the instrument: named like --source, or 'phone', or 'simulated:phone'. A replay "
            "brings its own; 'none' leaves it out.",
        ),
        click.option(
            "--instrument-profile",
            "instrument_profile",
            default="frames",
            show_default=True,
            help="How the second sensor talks.",
        ),
    )
    for option in reversed(options):
        function = option(function)
    return function


def truer_option(function: F) -> F:
    """Add --truer and --heights: stills on the soundboard before the sensor is strapped on, and the strings over it."""
    truer = click.option(
        "--truer",
        is_flag=True,
        help="Spend two minutes on a truer answer: stills with the sensor on a flat soundboard before you strap it on.",
    )
    return truer(heights_option(function))


def edge_option(function: F) -> F:
    """Add --edge: an angle check along an edge that the player has measured."""
    return click.option(
        "--edge",
        callback=_read_edge,
        metavar="HEIGHT/LENGTH",
        default="",
        help="Also an angle check: the tip along a straight edge across the strings, raised by so much over "
        "its length, in mm, as 20/100. Negative where the end that an upstroke reaches is the raised one.",
    )(function)


def _read_edge(context: click.Context, option: click.Parameter, text: str) -> str:
    from analysis.model.errors import InputError
    from analysis.stroke.truth_checks import edge_angle_deg

    if text:
        try:
            edge_angle_deg(text)
        except InputError as error:
            raise click.BadParameter(f"{error}.", context, option) from error
    return text


def session_options(function: F) -> F:
    """Add --output and --setup: the session that is recorded, and who plays what."""
    options = (
        click.option(
            "-o",
            "--output",
            type=click.Path(dir_okay=False, path_type=Path),
            help="Session file to write; if left out, named by the date.",
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


def new_session(output: Path | None) -> Path:
    """Return where a session is to be recorded: as named, else by date.

    Raises
    ------
    SessionFileError
        There is a file of that name, or no folder for it. Told before anybody gets ready to play.
    """
    path = output or Path(time.strftime("session-%Y%m%d-%H%M%S.mcap"))
    if path.exists():
        raise SessionFileError(
            f"{path} exists",
            next_step="a recording never replaces another, name a new file with -o",
        )
    if not path.parent.is_dir():
        raise SessionFileError(
            f"{path} cannot be written: there is no folder {path.parent}",
            next_step="make it, or name another",
        )
    return path


def source_from_options(
    source_text: str, profile_name: str, rate_hz: float | None, ranges: tuple[int, int] | None, speed: float
) -> Source:
    """Return the source that the options name.

    Raises
    ------
    DeviceError
        If the profile is unknown, or no source is named and there is not exactly one serial port.
    """
    if source_text == PHONE_SOURCE:
        return _phone()
    profile = load_profile(profile_name)
    settings = LinkSettings(rate_hz=rate_hz, ranges=ranges)
    return open_source(source_text or only_port(), profile, settings, speed)


def instrument_from_options(text: str, profile_name: str, hand: Source, speed: float) -> Source | None:
    """Return the source of the sensor on the instrument, None where there is to be none.

    Raises
    ------
    DeviceError
        The profile is unknown, there is no such source, or it is the hand's.
    """
    if text == PHONE_SOURCE:
        return _phone()
    return open_instrument(text, hand, load_profile(profile_name), LinkSettings(), speed)


def _phone() -> Source:
    from logger.phone.phone_source import PhoneSource

    return PhoneSource()


def say_offer(source: Source | None) -> None:
    """Say how a phone finds its page, as a picture too; of any other source there is nothing to say."""
    if source is None or source.name != PHONE_SOURCE:
        return
    from logger.phone.phone_source import PhoneSource

    offer = source.offer if isinstance(source, PhoneSource) else None
    if offer is None:
        return
    import segno

    say(f"Open this on the phone, in the same network: {offer.address}", err=True)
    if sys.stderr.isatty():
        segno.make_qr(offer.address).terminal(sys.stderr, compact=True)
    say(BROWSER_WARNS, err=True)
    say(f"The certificate's SHA-256: {offer.fingerprint}", err=True)


def only_port() -> str:
    """Return the only serial port that a sensor may be at.

    Raises
    ------
    DeviceError
        If there is none, or more than one.
    """
    from logger.sources.serial import list_serial_ports

    ports = [port for port in list_serial_ports() if port.likely]
    if not ports:
        raise DeviceError(
            "no sensor is plugged in",
            next_step="plug it in, or name one with --source (ble for Bluetooth)",
        )
    if len(ports) > 1:
        names = ", ".join(port.name for port in ports)
        raise DeviceError(
            f"there is more than one port ({names})",
            next_step="name the sensor's with --source",
        )
    return ports[0].name


def open_streams(speed: float) -> LslStreams:
    """Get streams to other programs ready, and say who can read them.

    Raises
    ------
    InputError
        pylsl is not installed.
    """
    from logger.live.lsl_streams import LslStreams

    if speed != 1.0:
        raise click.UsageError("--lsl stamps samples with the time at which they were taken; leave out --speed")
    streams = LslStreams()
    show("Streaming what is recorded: every computer in this network can read it.", err=True)
    return streams
