"""Where samples come from: one ``Source`` protocol, opened by what the player writes after ``--source``."""

from __future__ import annotations

import re
from pathlib import Path

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings, Sink, Source
from logger.sources.device_profile import DeviceProfile

__all__ = ["LinkSettings", "Sink", "Source", "open_instrument", "open_source"]

RADIO = re.compile(r"ble(:(?P<name>.*?))?(@(?P<adapter>hci\d+))?")
SOURCE_HELP = (
    "A serial port (/dev/ttyACM0, COM3), 'ble' or 'ble:NAME' (on Linux also 'ble:NAME@hci1'), socket://HOST:PORT, "
    "'replay:SESSION.mcap', or 'simulated' (simulated:SEED)."
)


NONE = "none"
"""As a second source: no sensor on the instrument, even where what is replayed has one."""


def open_source(text: str, profile: DeviceProfile, settings: LinkSettings | None = None, speed: float = 1.0) -> Source:
    """Return the source that a player names; nothing is opened before its ``start``.

    Parameters
    ----------
    text : str
        As :data:`SOURCE_HELP` says.
    profile : DeviceProfile
        How a real sensor talks.
    settings : LinkSettings, optional
        For real sensors.
    speed : float
        For replay and simulation.

    Returns
    -------
    Source

    Raises
    ------
    DeviceError, SessionFileError
        If there is no such kind of source, or the session to replay cannot be read.
    """
    kind, _, rest = text.partition(":")
    # Each kind brings its own libraries; only the one in use is loaded.
    radio = RADIO.fullmatch(text)
    if radio:
        from logger.sources.ble import BleSource

        return BleSource(radio["name"] or "", profile, settings, radio["adapter"] or "")
    if kind == "replay":
        from logger.sources.replay import ReplaySource

        return ReplaySource(Path(rest), speed)
    if kind == "simulated":
        from analysis.synthesis.scenario import Scenario
        from analysis.synthesis.simulate import simulate
        from logger.sources.simulated import SimulatedSource

        if rest and not rest.isdecimal():
            raise DeviceError(
                expected="simulated or simulated:SEED with a whole number",
                found=f"{text!r}",
            )
        return SimulatedSource(simulate(Scenario(), int(rest or 1)).session, speed, repeat=True)
    if not text:
        raise DeviceError(
            "no source is named",
            next_step="see 'strokeplane ports' for what is there",
        )
    from logger.sources.serial import SerialSource

    return SerialSource(text, profile, settings)


def open_instrument(
    text: str, hand: Source, profile: DeviceProfile, settings: LinkSettings | None = None, speed: float = 1.0
) -> Source | None:
    """Return the source of the sensor on the instrument; nothing is opened before its ``start``.

    Parameters
    ----------
    text : str
        As for the hand's; empty: the second sensor of what is replayed or simulated, if it has one; ``none``: none.
    hand : Source
        The hand's.
    profile : DeviceProfile
        How a real sensor talks.
    settings : LinkSettings, optional
        For real sensors.
    speed : float
        For replay.

    Returns
    -------
    Source or None

    Raises
    ------
    DeviceError, SessionFileError
        There is no such source, or it is the hand's.
    """
    from logger.sources.replay import ReplaySource
    from logger.sources.simulated import WireSource

    if text == NONE:
        return None
    together = hand.companion() if isinstance(hand, ReplaySource | WireSource) else None
    kind, _, rest = text.partition(":")
    if not text or (kind == "replay" and isinstance(hand, ReplaySource) and Path(rest) == hand.path and together):
        return together
    if kind == "simulated":
        return _simulated_instrument(text, hand, together)
    source = open_source(text, profile, settings, speed)
    if source.name == hand.name:
        raise DeviceError(
            expected="two sensors, each with a link of its own",
            found=f"{text} for hand and instrument",
            next_step="name the second one's port or Bluetooth name",
        )
    return source


def _simulated_instrument(text: str, hand: Source, together: Source | None) -> Source:
    """The second sensor of the same invented evening as the hand's; a phone's if it is called so."""
    from analysis.synthesis.scenario import InstrumentSensor, Scenario
    from analysis.synthesis.simulate import simulate
    from logger.sources.simulated import SimulatedSource

    rest = text.partition(":")[2]
    if together is not None and not rest:
        return together
    if not isinstance(hand, SimulatedSource) or rest not in ("", "phone"):
        raise DeviceError(
            expected="simulated or simulated:phone on the instrument, beside a simulated sensor on the hand",
            found=f"{text!r} beside {hand.name}",
            next_step="name simulated for both (a guided session's invented player has no phone), or real ones",
        )
    if together is not None:
        return together
    sensor = InstrumentSensor(60.0, phone=True) if rest else InstrumentSensor()
    made = simulate(Scenario(instrument_sensor=sensor), int(hand.session.metadata["seed"])).session
    return SimulatedSource(made, repeat=True, role="instrument", of=hand)
