"""A private message bus with a stand-in for the Bluetooth daemon on it, as far as bleak on Linux talks to one.

It proves agreement with bleak and with the D-Bus interfaces, not with a radio.
"""

# No postponed annotations here: dbus-fast reads the D-Bus signatures from them.
# ruff: noqa: F722, F821, N802

import asyncio
import contextlib
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from dbus_fast import BusType, PropertyAccess
from dbus_fast.aio import MessageBus
from dbus_fast.errors import DBusError
from dbus_fast.service import ServiceInterface, dbus_method, dbus_property

from logger.sources.device_profile import UART_NOTIFY, UART_SERVICE, UART_WRITE, BleSettings
from tests.patience import PATIENCE_S

READ = PropertyAccess.READ
ADAPTER, FAR_ADAPTER = "/org/bluez/hci0", "/org/bluez/hci1"
DEVICE = f"{ADAPTER}/dev_C0_FF_EE_00_00_01"
SERVICE = f"{DEVICE}/service0010"
WRITE = f"{SERVICE}/char0011"
NOTIFY = f"{SERVICE}/char0013"

BUS_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>custom</type><listen>unix:path={path}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
{rules}</policy></busconfig>
"""


@contextlib.contextmanager
def private_bus(folder: Path, daemon: str, rules: str = "") -> Iterator[str]:
    """Run a message bus of one's own, with further rules of its policy; yields its address."""
    socket, config = folder / "bus", folder / "bus.conf"
    config.write_text(BUS_CONFIG.format(path=socket, rules=rules))
    process = subprocess.Popen(
        [daemon, f"--config-file={config}", "--nofork", "--print-address"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.wait()
        process.stdout.close()


class Adapter(ServiceInterface):
    def __init__(self, daemon: "FakeBluez", near: bool = True) -> None:
        super().__init__("org.bluez.Adapter1")
        self.daemon = daemon
        self.near = near
        self.powered = True

    @dbus_property(access=READ)
    def Address(self) -> "s":
        return "00:00:00:00:00:01" if self.near else "00:00:00:00:00:02"

    @dbus_property(access=READ)
    def Powered(self) -> "b":
        return self.powered

    @dbus_property(access=READ)
    def Discovering(self) -> "b":
        return False

    @dbus_property(access=READ)
    def Roles(self) -> "as":
        return ["central"]

    @dbus_method()
    def SetDiscoveryFilter(self, properties: "a{sv}"):
        pass

    @dbus_method()
    def StartDiscovery(self):
        if not self.powered:
            raise DBusError("org.bluez.Error.NotReady", "Resource Not Ready")
        self.daemon.scanning = self.daemon.scanning or self.near

    @dbus_method()
    def StopDiscovery(self):
        self.daemon.scanning = False

    @dbus_method()
    def RemoveDevice(self, device: "o"):
        pass


class Device(ServiceInterface):
    def __init__(self, daemon: "FakeBluez") -> None:
        super().__init__("org.bluez.Device1")
        self.daemon = daemon
        self.connected = False
        self.rssi = -55

    @dbus_property(access=READ)
    def Address(self) -> "s":
        return "C0:FF:EE:00:00:01"

    @dbus_property(access=READ)
    def AddressType(self) -> "s":
        return "random"

    @dbus_property(access=READ)
    def Name(self) -> "s":
        return self.daemon.name

    @dbus_property(access=READ)
    def Alias(self) -> "s":
        return self.daemon.name

    @dbus_property(access=READ)
    def Adapter(self) -> "o":
        return ADAPTER

    @dbus_property(access=READ)
    def UUIDs(self) -> "as":
        return [self.daemon.service_uuid]

    @dbus_property(access=READ)
    def RSSI(self) -> "n":
        return self.rssi

    @dbus_property(access=READ)
    def Paired(self) -> "b":
        return False

    @dbus_property(access=READ)
    def Bonded(self) -> "b":
        return False

    @dbus_property(access=READ)
    def Trusted(self) -> "b":
        return False

    @dbus_property(access=READ)
    def Blocked(self) -> "b":
        return False

    @dbus_property(access=READ)
    def LegacyPairing(self) -> "b":
        return False

    @dbus_property(access=READ)
    def Connected(self) -> "b":
        return self.connected

    @dbus_property(access=READ)
    def ServicesResolved(self) -> "b":
        return self.connected

    @dbus_method()
    def Connect(self):
        if not self.daemon.in_range:
            raise DBusError("org.bluez.Error.Failed", "le-connection-abort-by-remote")
        if self.daemon.connections_refused > 0:
            self.daemon.connections_refused -= 1
            raise DBusError("org.bluez.Error.Failed", "le-connection-abort-by-remote")
        self.set_connected(True)
        self.daemon.connections += 1
        if self.daemon.holds_s is not None:
            asyncio.get_running_loop().call_later(self.daemon.holds_s, self.set_connected, False)

    @dbus_method()
    def Disconnect(self):
        self.set_connected(False)

    def set_connected(self, connected: bool) -> None:
        if connected != self.connected:
            self.daemon.board.link(connected)
        self.connected = connected
        self.daemon.notifying = self.daemon.notifying and connected
        self.daemon.skipped = 0
        self.emit_properties_changed({"Connected": connected, "ServicesResolved": connected})


class Service(ServiceInterface):
    def __init__(self, uuid: str) -> None:
        super().__init__("org.bluez.GattService1")
        self.uuid = uuid

    @dbus_property(access=READ)
    def UUID(self) -> "s":
        return self.uuid

    @dbus_property(access=READ)
    def Primary(self) -> "b":
        return True

    @dbus_property(access=READ)
    def Device(self) -> "o":
        return DEVICE

    @dbus_property(access=READ)
    def Includes(self) -> "ao":
        return []


class Characteristic(ServiceInterface):
    def __init__(self, daemon: "FakeBluez", uuid: str, flags: list[str]) -> None:
        super().__init__("org.bluez.GattCharacteristic1")
        self.daemon = daemon
        self.uuid = uuid
        self.flags = flags
        self.value = b""

    @dbus_property(access=READ)
    def UUID(self) -> "s":
        return self.uuid

    @dbus_property(access=READ)
    def Service(self) -> "o":
        return SERVICE

    @dbus_property(access=READ)
    def Flags(self) -> "as":
        return self.flags

    @dbus_property(access=READ)
    def MTU(self) -> "q":
        return 247

    @dbus_property(access=READ)
    def Value(self) -> "ay":
        return self.value

    @dbus_property(access=READ)
    def NotifyAcquired(self) -> "b":
        return False

    @dbus_method()
    def AcquireNotify(self, options: "a{sv}") -> "hq":
        raise DBusError("org.bluez.Error.NotSupported", "this device's notifications cannot be acquired")

    @dbus_method()
    def StartNotify(self):
        self.daemon.notifying = True

    @dbus_method()
    def StopNotify(self):
        self.daemon.notifying = False

    @dbus_method()
    def WriteValue(self, value: "ay", options: "a{sv}"):
        kind = options["type"].value if "type" in options else "request"
        if ("write" if kind == "request" else "write-without-response") not in self.flags:
            raise DBusError("org.bluez.Error.NotSupported", f"no {kind}")
        self.daemon.outgoing += self.daemon.board.take(bytes(value))

    def notify(self, value: bytes) -> None:
        self.value = value
        self.emit_properties_changed({"Value": value})


class FakeBluez:
    """A Bluetooth daemon with one sensor near it, on a thread of its own.

    Parameters
    ----------
    address : str
        Of the message bus.
    board : Board
        The sensor; anything with its calls.
    mtu : int
        Longest notification; frames are cut to it.
    burst_s : float
        Between two of the radio's turns.
    ble : BleSettings, optional
        The sensor's name and characteristics.

    Attributes
    ----------
    skips : int
        Notifications that get lost at the beginning of each connection.
    connections_refused : int
        So many more connections fail.
    holds_s : float or None
        After which a connection breaks.
    write_flags : list of str
        How the sensor may be written to.
    far : Adapter
        A second adapter, which hears nothing; switched off unless ``far.powered``.
    """

    def __init__(
        self, address: str, board: Any, mtu: int = 244, burst_s: float = 0.015, ble: BleSettings | None = None
    ) -> None:
        self.board = board
        self.ble = ble or BleSettings("strokeplane test", UART_SERVICE, UART_NOTIFY, UART_WRITE)
        self.name = self.ble.name
        self.service_uuid = self.ble.service
        self.skips = self.skipped = self.connections = self.connections_refused = 0
        self.holds_s: float | None = None
        self.write_flags = ["write", "write-without-response"]
        self.in_range = True
        self.scanning = False
        self.notifying = False
        self.outgoing = b""
        self._address, self._mtu, self._burst_s = address, mtu, burst_s
        self._loop = asyncio.new_event_loop()
        self._ready, self._stop = threading.Event(), asyncio.Event()
        self._thread = threading.Thread(target=lambda: self._loop.run_until_complete(self._run()), daemon=True)
        self._thread.start()
        assert self._ready.wait(PATIENCE_S)

    def do(self, action: Callable[[], None]) -> None:
        """Do something on the daemon's thread."""
        done = threading.Event()
        self._loop.call_soon_threadsafe(lambda: (action(), done.set()))
        assert done.wait(PATIENCE_S)

    def lose_link(self, out_of_range: bool = False) -> None:
        """Drop the connection, as a radio does when the hand turns away."""
        self.in_range = not out_of_range
        self.do(lambda: self.device.set_connected(False))

    def switch_off(self) -> None:
        """Switch the radio off."""
        self.adapter.powered = False
        self.do(lambda: self.adapter.emit_properties_changed({"Powered": False}))

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()
        self._loop.close()

    async def _run(self) -> None:
        bus = await MessageBus(bus_address=self._address, bus_type=BusType.SYSTEM).connect()
        self.adapter, self.device = Adapter(self), Device(self)
        self.far = Adapter(self, near=False)
        self.far.powered = False
        self._notify = Characteristic(self, self.ble.notify, ["notify"])
        bus.export(ADAPTER, self.adapter)
        bus.export(FAR_ADAPTER, self.far)
        bus.export(DEVICE, self.device)
        bus.export(SERVICE, Service(self.ble.service))
        if self.ble.write is not None:
            bus.export(WRITE, Characteristic(self, self.ble.write, self.write_flags))
        bus.export(NOTIFY, self._notify)
        await bus.request_name("org.bluez")
        self._ready.set()
        while not self._stop.is_set():
            if self.scanning and self.in_range:
                self.device.rssi = -56 if self.device.rssi == -55 else -55
                self.device.emit_properties_changed({"RSSI": self.device.rssi})
            data = self.outgoing + self.board.due(sending=self.notifying)
            self.outgoing = b""
            for at in range(0, len(data) if self.notifying else 0, self._mtu):
                self.skipped += 1
                if self.skipped > self.skips:
                    self._notify.notify(data[at : at + self._mtu])
            await asyncio.sleep(self._burst_s)
        bus.disconnect()
        await bus.wait_for_disconnect()
