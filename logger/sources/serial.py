"""A sensor on a serial port, or on anything that pyserial opens by URL; which ports there are."""

from __future__ import annotations

import errno
import os
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings, Sink
from logger.sources.clock import DeviceClock
from logger.sources.conversation import Conversation, LinkLostError
from logger.sources.device_profile import DeviceProfile
from logger.sources.stream import Arrival, DeviceInfo, Losses

READ_TIMEOUT_S = 0.05
SOCKET_TIMEOUT_S = 0.002
SOCKET_READ_BYTES = 4096
LINK_ERRORS = (serial.SerialException, OSError, TypeError)
"""What pyserial raises when a device is pulled out: its own error, a bare OSError from ``in_waiting``, and TypeError
where another thread closed the port."""


class SerialSource:
    """Samples from a serial port; opens it again by itself after an unplug.

    Parameters
    ----------
    port : str
        A port's name, or a pyserial URL (``socket://host:port``, ``loop://``).
    profile : DeviceProfile
    settings : LinkSettings, optional
    """

    def __init__(self, port: str, profile: DeviceProfile, settings: LinkSettings | None = None) -> None:
        if profile.packet is not None and not profile.packet.start:
            raise DeviceError(
                f"the profile {profile.name} does not say where a packet begins, and a cable does not tell either",
                next_step="give [packet] start, or use Bluetooth",
            )
        self.name = port
        self._profile = profile
        self._settings = settings or LinkSettings()
        self._talk = Conversation(port, profile, self._settings, self._write)
        self._stopping = threading.Event()
        self.finished = threading.Event()
        self._port: Any = None
        self._thread = threading.Thread(target=self._run, name=f"serial {port}", daemon=True)

    @property
    def losses(self) -> Losses:
        """Losses so far."""
        return self._talk.reader.losses

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        return self._talk.reader.clock

    @property
    def arrivals(self) -> Sequence[Arrival]:
        """See :class:`logger.sources.base.Source`."""
        return ()

    def start(self, sink: Sink) -> DeviceInfo:
        """See :class:`logger.sources.base.Source`."""
        self._talk.open(sink)
        self._thread.start()
        try:
            return self._talk.wait(self._settings.ready_s + 5.0)
        except DeviceError:
            self.stop()
            raise

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        self._stopping.set()
        if self._thread.is_alive() and threading.current_thread() is not self._thread:
            self._thread.join(timeout=5.0)

    def _run(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            try:
                self._port = open_port(self.name, self._profile.baud)
                self._talk.link_up()
                self._read()
                break
            except DeviceError as error:
                if not self._talk.ready:
                    self._talk.fail(error)
                    break
                self._talk.link_down(str(error))
            finally:
                self._close()
            failures = 0 if self._talk.flowed else failures + 1
            self._stopping.wait(self._settings.backoff_s(failures))

    def _read(self) -> None:
        """Read until told to stop."""
        is_socket = self.name.startswith("socket://")
        while not self._stopping.is_set():
            try:
                # pyserial's socket knows only whether anything waits; asking for much costs its short timeout once.
                data = self._port.read(SOCKET_READ_BYTES if is_socket else max(1, self._port.in_waiting))
            except LINK_ERRORS as error:
                raise LinkLostError(f"{self.name} was unplugged ({error}); plug it in again") from error
            if data:
                self._talk.receive(data)
            self._talk.tick()
        self._talk.say_goodbye()

    def _write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except LINK_ERRORS as error:
            raise LinkLostError(f"{self.name} does not take commands ({error}); plug it in again") from error

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            try:
                port.close()
            except LINK_ERRORS:  # It is gone already; nothing is left to close.
                return


def open_port(name: str, baud: int) -> Any:
    """Open a port or URL.

    Raises
    ------
    DeviceError
        One sentence with the next step: no such port, busy, no permission (with the group to join), no serial port.
    """
    options: dict[str, Any] = {"baudrate": baud, "timeout": READ_TIMEOUT_S, "write_timeout": 1.0}
    if name.startswith("socket://"):
        options["timeout"] = SOCKET_TIMEOUT_S
    elif "://" not in name and sys.platform != "win32":
        options["exclusive"] = True
    try:
        return serial.serial_for_url(name, **options)
    except (serial.SerialException, OSError, ValueError) as error:
        raise DeviceError(explain_open_error(name, error)) from error


def explain_open_error(name: str, error: Exception) -> str:
    """Say in one sentence why a port did not open and what to do."""
    number, text = getattr(error, "errno", None), str(error)
    if number in (errno.EACCES, errno.EPERM):
        return f"no permission to open {name}; {_how_to_be_permitted(name)}"
    # Windows reports a port that another program holds as a refused access, without a number of its own.
    if number in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text or "lock port" in text:
        return f"{name} is in use by another program; close that program (a serial monitor, another recording)"
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return f"there is no port {name}; plug the sensor in and see 'strokeplane ports' for what is there"
    if number == errno.ENOTTY or "configure port" in text or "Inappropriate ioctl" in text:
        return f"{name} is not a serial port; see 'strokeplane ports' for those that are"
    if isinstance(error, ValueError):
        return f"{name} is not a port or URL that can be opened ({text}); see 'strokeplane ports'"
    return f"{name} did not open ({text}); unplug the sensor, plug it in and try again"


def _how_to_be_permitted(name: str) -> str:
    if sys.platform == "win32":
        return "run as a user who may use serial ports"
    import grp  # Not on Windows.

    try:
        group = grp.getgrgid(Path(name).stat().st_gid).gr_name
    except (OSError, KeyError):
        group = "dialout"
    user = os.environ.get("USER", "$USER")
    return f"join the group {group} (sudo usermod -aG {group} {user}), then log out and in again"


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
