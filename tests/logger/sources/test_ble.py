"""The BLE source: unmodified bleak on a private message bus with a stand-in for the Bluetooth daemon. No radio."""

from __future__ import annotations

import asyncio
import contextlib
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings
from logger.sources.device_profile import load_profile
from logger.sources.open_source import open_source
from logger.sources.stream import LinkChange
from tests.logger.sources.board import Board
from tests.logger.sources.test_serial import COUNTS, SETTINGS, Taker, assert_rows, running
from tests.optional import missing, need_program

if sys.platform != "linux":
    missing("the stand-in for the Bluetooth daemon speaks D-Bus, which is Linux only")

from logger.sources import ble
from tests.logger.sources.fake_bluez import FakeBluez, private_bus
from tests.patience import PATIENCE_S, wait_for

FRAMES = load_profile("frames")
pytestmark = pytest.mark.filterwarnings("ignore:.*bluetoothctl.*")


@pytest.fixture(scope="module")
def bus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    daemon = need_program("dbus-daemon", reason="Debian's package dbus-daemon")
    with private_bus(tmp_path_factory.mktemp("bus"), daemon) as address:
        yield address


@pytest.fixture
def radio(bus: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeBluez]:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus)
    daemon = FakeBluez(bus, Board(COUNTS, per_frame=16))
    with contextlib.closing(daemon):
        yield daemon


@pytest.mark.parametrize("wanted", ["ble", "ble:strokeplane"])
def test_every_sample_over_ble(radio: FakeBluez, wanted: str) -> None:
    taker = Taker()
    source = open_source(wanted, FRAMES, SETTINGS)
    with running(source, taker) as info:
        wait_for(lambda: len(taker.samples.sequence) > 200)
    assert info.hello is not None
    assert_rows(taker.samples)
    assert (np.diff(taker.samples.sequence) == 1).all()
    assert len(taker.samples.sequence) > 200
    assert source.losses.samples == 0
    wait_for(lambda: not radio.board.running)  # it was told to stop


def test_found_by_service_when_the_name_is_another(radio: FakeBluez) -> None:
    radio.name = "hand sensor 7"
    taker = Taker()
    with running(open_source("ble", FRAMES, SETTINGS), taker):
        wait_for(lambda: len(taker.samples.sequence) > 50)
    assert_rows(taker.samples)


def test_frames_spread_over_small_notifications(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The smallest MTU, 20 bytes: a frame spans a dozen notifications."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus)
    taker = Taker()
    with contextlib.closing(FakeBluez(bus, Board(COUNTS, per_frame=16), mtu=20)):
        source = open_source("ble", FRAMES, SETTINGS)
        with running(source, taker):
            wait_for(lambda: len(taker.samples.sequence) > 100)
    assert_rows(taker.samples)
    assert source.losses.samples == 0


def test_link_losses_and_returns(radio: FakeBluez) -> None:
    """Dropped connections, then out of range for a while: taken up again, losses true to the sample."""
    taker = Taker()
    source = open_source("ble", FRAMES, SETTINGS)
    with running(source, taker):
        for far in (False, False, True):
            count = len(taker.samples.sequence)
            wait_for(lambda count=count: len(taker.samples.sequence) > count + 50)  # type: ignore[misc]
            radio.lose_link(out_of_range=far)
            time.sleep(0.3)
            radio.in_range = True
        count = len(taker.samples.sequence)
        wait_for(lambda: len(taker.samples.sequence) > count + 50)
    assert taker.links() == [True, False] * 3 + [True]
    assert "bring it near" in next(i.reason for i in taker.items if isinstance(i, LinkChange) and not i.up)
    assert_rows(taker.samples)
    jumps = np.diff(taker.samples.sequence)
    # A dropped connection is back within about a frame's length, so it may cost none; the walk away costs 0.25 s.
    assert 1 <= (jumps > 1).sum() <= 3
    assert jumps.max() > 100
    assert source.losses.link == source.losses.samples == (jumps - 1).sum()


def test_found_devices_are_listed(radio: FakeBluez) -> None:
    found: list[ble.FoundDevice] = []

    def look() -> bool:
        found[:] = asyncio.run(ble.find_devices(FRAMES.ble, "", 0.3))
        return bool(found)

    wait_for(look)
    assert [(d.name, d.services) for d in found] == [("strokeplane test", (FRAMES.ble.service,))]
    assert -60 < found[0].rssi_dbm < -50


def test_each_failure_is_one_clear_sentence(
    radio: FakeBluez, bus: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = LinkSettings(ready_s=0.5)
    monkeypatch.setattr(ble, "SCAN_S", 0.3)
    with pytest.raises(DeviceError, match=r"no Bluetooth sensor whose name starts with 'other'.*no phone"):
        open_source("ble:other", FRAMES, quick).start(Taker())
    radio.board.take = lambda data: b""  # type: ignore[method-assign]
    monkeypatch.setattr(ble, "SCAN_S", PATIENCE_S)  # It is found.
    with pytest.raises(DeviceError, match=r"but sends no samples; reset the sensor|nothing came from"):
        open_source("ble", FRAMES, quick).start(Taker())
    radio.in_range = False
    monkeypatch.setattr(ble, "SCAN_S", 0.3)
    with pytest.raises(DeviceError, match=r"no Bluetooth sensor"):
        open_source("ble", FRAMES, quick).start(Taker())
    radio.switch_off()
    with pytest.raises(DeviceError, match="switched off; switch it on"):
        open_source("ble", FRAMES, quick).start(Taker())
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    with pytest.raises(DeviceError, match="no system message bus"):
        open_source("ble", FRAMES, quick).start(Taker())


def test_no_bluetooth_service(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus)
    with pytest.raises(DeviceError, match=r"Bluetooth.*(start it|radio)"):
        open_source("ble", FRAMES, SETTINGS).start(Taker())


def test_a_device_without_the_uart_service(radio: FakeBluez) -> None:
    profile = load_profile("frames")
    wrong = profile.__class__(
        **{**profile.__dict__, "ble": profile.ble.__class__(notify="0000ffff-0000-1000-8000-00805f9b34fb")}
    )
    with pytest.raises(DeviceError, match=r"no UART service.*\[ble\]"):
        open_source("ble", wrong, SETTINGS).start(Taker())
