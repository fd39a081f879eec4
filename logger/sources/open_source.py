"""Where samples come from: one ``Source`` protocol, opened by what the player writes after ``--source``."""

from __future__ import annotations

from pathlib import Path

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings, Sink, Source
from logger.sources.device_profile import DeviceProfile

__all__ = ["LinkSettings", "Sink", "Source", "open_source"]

SOURCE_HELP = (
    "A serial port (/dev/ttyACM0, COM3), 'ble' or 'ble:NAME', socket://HOST:PORT, "
    "'replay:SESSION.mcap', or 'simulated' (simulated:SEED)."
)


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
    if kind == "ble":
        from logger.sources.ble import BleSource

        return BleSource(rest, profile, settings)
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
