"""A sensor over Bluetooth LE, found by name or service: some systems hide addresses, so none is ever asked for."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field

from bleak import BleakClient, BleakScanner
from bleak.args.bluez import BlueZScannerArgs
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakError

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings, Sink
from logger.sources.clock import DeviceClock
from logger.sources.conversation import Conversation, LinkLostError
from logger.sources.device_profile import BleSettings, DeviceProfile
from logger.sources.radio_sentences import KEEPS_BREAKING, explain_radio_error, other_adapters
from logger.sources.stream import Arrival, DeviceInfo, Losses

SCAN_S = 8.0
CONNECT_S = 15.0
TICK_S = 0.1
FIRST_TRIES = 3
"""On many systems the first connection breaks while the next one holds."""
LOOPS = 3
"""From so many breaks without a sample between them, more is wrong than the distance."""
RADIO_ERRORS = (BleakError, OSError, EOFError, TimeoutError)
"""What bleak raises when radio, daemon or device fails; EOFError where the system bus goes away under it."""


@dataclass(frozen=True)
class FoundDevice:
    """A sensor that was heard."""

    name: str
    services: tuple[str, ...]
    rssi_dbm: int
    device: BLEDevice = field(repr=False)


class BleSource:
    """Samples over BLE; scans and connects again by itself after the link is lost.

    Parameters
    ----------
    name : str
        Beginning of the advertised name; empty: any device with the profile's name or service.
    profile : DeviceProfile
    settings : LinkSettings, optional
    adapter : str
        The computer's radio, as ``hci1``; empty takes the system's choice. On Linux only.
    """

    def __init__(
        self, name: str, profile: DeviceProfile, settings: LinkSettings | None = None, adapter: str = ""
    ) -> None:
        self.name = f"Bluetooth sensor {name or profile.ble.name}"
        self._wanted = name
        self._adapter = adapter
        self._ble = profile.ble
        self._settings = settings or LinkSettings()
        self._talk = Conversation(self.name, profile, self._settings, self._write)
        self._outgoing: list[bytes] = []
        self._receive_error: DeviceError | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping = asyncio.Event()
        self.finished = threading.Event()
        self._thread = threading.Thread(target=self._main, name=self.name, daemon=True)

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
        return self._talk.arrivals

    def start(self, sink: Sink) -> DeviceInfo:
        """See :class:`logger.sources.base.Source`."""
        self._talk.open(sink)
        self._thread.start()
        try:
            return self._talk.wait(SCAN_S + FIRST_TRIES * (CONNECT_S + self._settings.ready_s) + 5.0)
        except DeviceError:
            self.stop()
            raise

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        if self._loop is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stopping.set)
            self._thread.join(timeout=10.0)

    def _main(self) -> None:
        asyncio.run(self._run())

    async def _run(self) -> None:
        self._loop = asyncio.get_running_loop()
        device: BLEDevice | None = None
        failures = 0
        while not self._stopping.is_set():
            try:
                if device is None:
                    device = await self._find()
                await self._talk_with(device)
            except DeviceError as error:
                failures = 0 if self._talk.ready and self._talk.flowed else failures + 1
                reason = f"{error}; {KEEPS_BREAKING}" if failures >= LOOPS else str(error)
                if not self._talk.ready and (failures >= FIRST_TRIES or not isinstance(error, LinkLostError)):
                    self._talk.fail(DeviceError(reason))
                    return
                self._talk.link_down(reason)
                # Known devices connect faster without a scan; one that does not come back that way is looked for anew.
                device = device if failures < 2 else None
                await _pause(self._stopping, self._settings.backoff_s(failures))

    async def _find(self) -> BLEDevice:
        found = await find_devices(self._ble, self._wanted, SCAN_S, first_only=True, adapter=self._adapter)
        if not found:
            wanted = (
                f"whose name starts with {self._wanted!r}" if self._wanted else "with the profile's name or service"
            )
            raise DeviceError(
                f"no Bluetooth sensor {wanted} was heard within {SCAN_S:g} s",
                next_step="switch it on, bring it near, and make sure that no phone is connected to it"
                + other_adapters(),
            )
        return found[0].device

    async def _talk_with(self, device: BLEDevice) -> None:
        """Connect, read until the link is lost or the source is stopped."""
        lost = asyncio.Event()
        client = BleakClient(device, disconnected_callback=lambda _: lost.set(), timeout=CONNECT_S)
        self._receive_error = None
        self._outgoing.clear()
        try:
            await client.connect()
            # AcquireNotify fails with many devices, and not every release of bleak leaves it alone.
            await client.start_notify(self._ble.notify, self._receive, bluez={"use_start_notify": True})
            self._talk.link_up()
            while not self._stopping.is_set():
                await self._send(client)
                await _first_of(lost, self._stopping, TICK_S)
                if self._receive_error is not None:
                    raise self._receive_error
                if lost.is_set():
                    raise LinkLostError(f"{self.name} is out of range or switched off; bring it near")
                self._talk.tick()
            self._talk.say_goodbye()
            await self._send(client)
        except RADIO_ERRORS as error:
            raise LinkLostError(explain_radio_error(self.name, error)) from error
        finally:
            await _disconnect(client)

    def _receive(self, _: BleakGATTCharacteristic, data: bytearray) -> None:
        try:
            self._talk.receive(bytes(data))
        except DeviceError as error:  # bleak's callback has no one to raise to; the loop above raises it.
            self._receive_error = error

    def _write(self, data: bytes) -> None:
        self._outgoing.append(data)

    async def _send(self, client: BleakClient) -> None:
        if self._ble.write is None:
            self._outgoing.clear()
        while self._outgoing and self._ble.write is not None:
            # Whether it is answered, the characteristic says.
            await client.write_gatt_char(self._ble.write, self._outgoing.pop(0))


async def find_devices(
    ble: BleSettings, name: str, scan_s: float, first_only: bool = False, adapter: str = ""
) -> list[FoundDevice]:
    """Listen for sensors by name or service.

    Parameters
    ----------
    ble : BleSettings
        Name and service to look for.
    name : str
        Beginning of a sensor's name; empty takes the settings'.
    scan_s : float
        How long to listen.
    first_only : bool
        Whether to stop at the first sensor.
    adapter : str
        The computer's radio, as ``hci1``; empty: the system's choice.

    Returns
    -------
    list of FoundDevice
        The strongest signal first.

    Raises
    ------
    DeviceError
        If Bluetooth is off, absent, or not permitted.
    """
    found: dict[str, FoundDevice] = {}
    enough = asyncio.Event()

    def heard(device: BLEDevice, advertisement: AdvertisementData) -> None:
        label = advertisement.local_name or device.name or ""
        services = tuple(uuid.lower() for uuid in advertisement.service_uuids)
        by_name = label.lower().startswith((name or ble.name).lower())
        if by_name or (not name and ble.service in services):
            found[device.address] = FoundDevice(label, services, advertisement.rssi, device)
            if first_only:
                enough.set()

    try:
        chosen: BlueZScannerArgs = {"adapter": adapter} if adapter else {}
        async with BleakScanner(detection_callback=heard, bluez=chosen):
            await _pause(enough, scan_s)
    except RADIO_ERRORS as error:
        raise DeviceError(explain_radio_error("Bluetooth", error)) from error
    return sorted(found.values(), key=lambda device: -device.rssi_dbm)


async def _disconnect(client: BleakClient) -> None:
    try:
        await client.disconnect()
    except RADIO_ERRORS:  # The link is gone already; there is nothing left to let go.
        return


async def _pause(event: asyncio.Event, seconds: float) -> None:
    """Wait for the event, at most this long."""
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return


async def _first_of(one: asyncio.Event, other: asyncio.Event, seconds: float) -> None:
    """Wait for either event, at most this long."""
    waits = [asyncio.ensure_future(event.wait()) for event in (one, other)]
    _, pending = await asyncio.wait(waits, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
    for wait in pending:
        wait.cancel()
