"""``strokeplane ports``: what sensors may be at, by cable and by radio."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import click

from logger.terminal.say import say

if TYPE_CHECKING:
    from logger.sources.device_profile import BleSettings


@click.command("ports")
@click.option(
    "--profile", "profile_name", default="frames", show_default=True, help="Whose Bluetooth name to look for."
)
@click.option("--ble/--no-ble", "with_ble", default=True, help="Listen for Bluetooth sensors too.")
@click.option(
    "--scan", "scan_s", type=click.FloatRange(0.1, 60), default=4.0, show_default=True, help="Seconds to listen."
)
def ports_command(profile_name: str, with_ble: bool, scan_s: float) -> None:
    """List the serial ports and Bluetooth sensors that are there.

    Nothing is opened or changed. Give what you find to the other commands with --source.
    """
    from logger.sources.device_profile import load_profile
    from logger.sources.serial import list_serial_ports

    profile = load_profile(profile_name)
    ports = list_serial_ports()
    for port in ports:
        say(f"{port.name}  {port.description}{'' if port.likely else '  (probably nothing attached)'}")
        if port.remark:
            say(f"    {port.remark}", indent="    ")
    if not ports:
        say("No serial port is there. Plug the sensor in; some cables only charge.")
    if with_ble:
        _show_ble(profile.ble, scan_s)


def _show_ble(ble: BleSettings, scan_s: float) -> None:
    from analysis.model.errors import DeviceError
    from logger.sources.ble import find_devices

    try:
        found = asyncio.run(find_devices(ble, "", scan_s))
    except DeviceError as error:
        say(f"Bluetooth: {error}")
        return
    for device in found:
        say(f"ble:{device.name}  heard at {device.rssi_dbm} dBm")
    if not found:
        say(f"No Bluetooth sensor was heard within {scan_s:g} s. Switch it on and bring it near.")
