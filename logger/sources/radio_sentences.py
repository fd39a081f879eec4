"""Why Bluetooth failed and what to do, in one sentence each."""

from __future__ import annotations

import re
from pathlib import Path

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
)

KEEPS_BREAKING = (
    "it keeps breaking: charge the sensor, remove it from the system's Bluetooth settings (bluetoothctl remove on "
    "Linux) and do not pair it, switch Bluetooth off and on"
)
ADAPTERS = Path("/sys/class/bluetooth")
"""Where Linux lists them."""
DBUS_SENTENCES = {
    "NotReady": "Bluetooth is switched off; switch it on in the system's settings",
    "AccessDenied": (
        "this user may not use Bluetooth; join the group bluetooth (sudo usermod -aG bluetooth $USER), then log out "
        "and in again"
    ),
    "InProgress": "Bluetooth is busy with another program's request; close that program, wait ten seconds, try again",
    "NotAuthorized": "the sensor wants to be paired; pair it in the system's Bluetooth settings, then try again",
}
"""By a part of a D-Bus error's name."""


def explain_radio_error(name: str, error: Exception) -> str:
    """Say in one sentence why Bluetooth failed and what to do."""
    if isinstance(error, BleakBluetoothNotAvailableError):
        reason = error.reason
        if reason is BleakBluetoothNotAvailableReason.POWERED_OFF:
            return "Bluetooth is switched off; switch it on in the system's settings"
        if reason.name.startswith("DENIED"):
            return "this program may not use Bluetooth; allow it in the system's privacy settings"
        return "this computer has no usable Bluetooth LE radio; plug in an adapter, or use the sensor's cable"
    text = str(error)
    if isinstance(error, BleakDBusError):
        for mark, sentence in DBUS_SENTENCES.items():
            if mark in text:
                return sentence
    adapter = re.search(r"adapter '(hci\d+)' not found", text)
    if adapter:
        return f"this computer has no Bluetooth adapter {adapter[1]}; leave it out, or see 'bluetoothctl list'"
    if isinstance(error, BleakDBusError) and ("ServiceUnknown" in text or "NameHasNoOwner" in text):
        return "the Bluetooth service does not run; start it (sudo systemctl start bluetooth)"
    if isinstance(error, FileNotFoundError):
        return "this computer has no system message bus, so no Bluetooth; use the sensor's cable"
    if isinstance(error, BleakCharacteristicNotFoundError):
        return f"{name} has no UART service as the profile names it; check the profile's [ble] section"
    return f"the Bluetooth link to {name} failed ({text or type(error).__name__}); bring the sensor near, and try again"


def other_adapters() -> str:
    """What to try besides where a computer has more than one radio; empty where it has not.

    Returns
    -------
    str
    """
    names = sorted(path.name for path in ADAPTERS.glob("hci*") if ":" not in path.name) if ADAPTERS.is_dir() else []
    if len(names) < 2:
        return ""
    return f"; this computer has the Bluetooth adapters {', '.join(names)}: name the near one, as ble@{names[-1]}"
