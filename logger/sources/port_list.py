"""Serial ports that are there, and which of them a sensor may be at."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from logger.sources.serial import explain_open_error


@dataclass(frozen=True)
class SerialPort:
    """One port.

    ``likely``: plugged in by USB. Ports on the main board are listed by systems even where nothing is attached.
    ``remark``: why it cannot be opened, empty where it can.
    """

    name: str
    description: str
    likely: bool
    remark: str = ""


def list_serial_ports() -> list[SerialPort]:
    """Return the ports, likely ones first; none of them is opened.

    Returns
    -------
    list of SerialPort
    """
    ports = []
    for entry in list_ports.comports():
        usb = entry.vid is not None
        text = entry.description if entry.description and entry.description != "n/a" else "on the main board"
        ports.append(SerialPort(entry.device, text, usb, _remark(entry.device)))
    return sorted(ports, key=lambda port: (not port.likely, port.name))


def _remark(name: str) -> str:
    """Say why a device file may not be opened, where that can be seen without opening it."""
    if not Path(name).exists() or os.access(name, os.R_OK | os.W_OK):
        return ""
    return explain_open_error(name, PermissionError(errno.EACCES, "Permission denied"))
