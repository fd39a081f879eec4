"""What Bluetooth does on real systems, as issue trackers tell it: unmodified bleak, a real D-Bus, a stand-in daemon.

No radio and no other system's Bluetooth is tested; the stand-in misbehaves as theirs are reported to.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.model.errors import DeviceError
from logger.sources.base import LinkSettings
from logger.sources.open_source import open_source
from logger.sources.sensor_check import check_link
from logger.sources.stream import Arrival, LinkChange
from tests.logger.sources.board import Board
from tests.logger.sources.packet_devices import DEVICES, PacketBoard, profile
from tests.logger.sources.test_binary_reader import MOTION
from tests.logger.sources.test_serial import COUNTS, SETTINGS, Taker, assert_rows, running
from tests.optional import missing, need_program

if sys.platform != "linux":
    missing("the stand-in for the Bluetooth daemon speaks D-Bus, which is Linux only")

from logger.sources import ble, radio_sentences
from tests.logger.sources.fake_bluez import FakeBluez, private_bus
from tests.logger.sources.test_ble import FRAMES
from tests.patience import PATIENCE_S, wait_for

pytestmark = pytest.mark.filterwarnings("ignore:.*bluetoothctl.*")
QUICK = LinkSettings(ready_s=PATIENCE_S, ask_again_s=0.3, backoff_first_s=0.01, backoff_last_s=0.1)
DENIED = '<deny send_destination="org.bluez" send_interface="org.bluez.Adapter1"/>\n'


@pytest.fixture(scope="module")
def daemon() -> str:
    return need_program("dbus-daemon", reason="Debian's package dbus-daemon")


@pytest.fixture(scope="module")
def bus(daemon: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with private_bus(tmp_path_factory.mktemp("bus"), daemon) as address:
        yield address


@contextlib.contextmanager
def radio(bus: str, monkeypatch: pytest.MonkeyPatch, **how: Any) -> Iterator[FakeBluez]:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus)
    board = how.pop("board", None) or Board(COUNTS, per_frame=8)
    with contextlib.closing(FakeBluez(bus, board, **how)) as made:
        yield made


def test_the_first_notifications_are_lost(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With them the hello; it is asked for again."""
    taker = Taker()
    with radio(bus, monkeypatch) as daemon:
        daemon.skips = 12
        with running(open_source("ble", FRAMES, SETTINGS), taker) as info:
            wait_for(lambda: len(taker.samples.sequence) > 100)
    assert info.hello is not None
    assert_rows(taker.samples)


def test_notifications_that_cannot_be_acquired(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon offers AcquireNotify and then refuses it, as some devices make it do: it is not asked for."""
    taker = Taker()
    with radio(bus, monkeypatch), running(open_source("ble", FRAMES, SETTINGS), taker):
        wait_for(lambda: len(taker.samples.sequence) > 50)
    assert_rows(taker.samples)


def test_a_sensor_that_takes_only_answered_writes(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    taker = Taker()
    with radio(bus, monkeypatch) as daemon:
        daemon.write_flags[:] = ["write"]
        with running(open_source("ble", FRAMES, SETTINGS), taker):
            wait_for(lambda: len(taker.samples.sequence) > 50)
    assert_rows(taker.samples)


def test_the_first_connections_break(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    taker = Taker()
    with radio(bus, monkeypatch) as daemon:
        daemon.connections_refused = ble.FIRST_TRIES - 1
        with running(open_source("ble", FRAMES, SETTINGS), taker):
            wait_for(lambda: len(taker.samples.sequence) > 50)
    assert_rows(taker.samples)


def test_a_link_that_comes_and_breaks_in_a_loop(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """At the start it ends in a sentence. Later it is tried on, ever more seldom, and the reason says what to do."""
    with radio(bus, monkeypatch) as daemon:
        daemon.holds_s = 0.02
        daemon.skips = 10_000
        with pytest.raises(DeviceError, match=r"keeps breaking: charge the sensor.*do not pair it"):
            open_source("ble", FRAMES, QUICK).start(Taker())
        daemon.holds_s, daemon.skips = None, 0
        taker = Taker()
        with running(open_source("ble", FRAMES, QUICK), taker):
            wait_for(lambda: len(taker.samples.sequence) > 50)
            daemon.holds_s, daemon.skips, before = 0.02, 10_000, daemon.connections
            daemon.lose_link()
            reasons = lambda: [i.reason for i in taker.items if isinstance(i, LinkChange) and not i.up]  # noqa: E731
            wait_for(lambda: any("keeps breaking" in reason for reason in reasons()))
            assert daemon.connections - before < 30
            daemon.holds_s, daemon.skips, count = None, 0, len(taker.samples.sequence)
            wait_for(lambda: len(taker.samples.sequence) > count + 50)
    assert_rows(taker.samples)


def test_two_adapters(bus: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Only one hears the sensor. Named, it is the one that is used; else a sentence says that there are two."""
    with radio(bus, monkeypatch) as daemon:
        daemon.do(lambda: setattr(daemon.far, "powered", True))
        daemon.do(lambda: daemon.far.emit_properties_changed({"Powered": True}))
        taker = Taker()
        with running(open_source("ble@hci0", FRAMES, SETTINGS), taker):
            wait_for(lambda: len(taker.samples.sequence) > 50)
        for name in ("hci0", "hci1"):
            (tmp_path / name).mkdir()
        monkeypatch.setattr(radio_sentences, "ADAPTERS", tmp_path)
        daemon.in_range = False
        monkeypatch.setattr(ble, "SCAN_S", 0.4)
        with pytest.raises(DeviceError, match=r"no Bluetooth sensor.*adapters hci0, hci1: name the near one"):
            open_source("ble:strokeplane@hci1", FRAMES, QUICK).start(Taker())
        with pytest.raises(DeviceError, match="no Bluetooth adapter hci7"):
            open_source("ble@hci7", FRAMES, QUICK).start(Taker())


def test_a_user_who_may_not(daemon: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused by the real message bus, by a rule as systems have it for users outside the group."""
    with private_bus(tmp_path, daemon, DENIED) as address, radio(address, monkeypatch):
        with pytest.raises(DeviceError, match=r"may not use Bluetooth; join the group bluetooth"):
            open_source("ble", FRAMES, QUICK).start(Taker())
        with pytest.raises(DeviceError, match="may not use Bluetooth"):
            asyncio.run(ble.find_devices(FRAMES.ble, "", 0.2))


@pytest.mark.parametrize(("mtu", "burst_s", "said"), [(244, 0.0075, ""), (20, 0.0075, "MTU"), (244, 0.11, "interval")])
def test_check_says_what_the_link_really_gives(
    bus: str, monkeypatch: pytest.MonkeyPatch, mtu: int, burst_s: float, said: str
) -> None:
    taker = Taker()
    with radio(bus, monkeypatch, mtu=mtu, burst_s=burst_s, board=Board(COUNTS, per_frame=4)):
        source = open_source("ble", FRAMES, SETTINGS)
        with running(source, taker):
            wait_for(lambda: len(taker.samples.sequence) > 1200)

            def is_said() -> bool:
                """Of the last moment: what a busy computer now and then hands over late is no fault of the link."""
                found = check_link(list(source.arrivals)[-100:])
                return found is not None and found.verdict == ("usable" if said else "ok") and said in found.advice

            wait_for(is_said)


def test_the_figures_of_a_link() -> None:
    """Three notifications of 200 bytes every 45 ms for 9 s: 13.3 kB a second."""
    arrivals = [Arrival(0.045 * turn + 0.0004 * k, 200) for turn in range(200) for k in range(3)]
    found = check_link(arrivals)
    assert found is not None
    assert found.found.startswith("13.4 kB a second, up to 200 bytes at a time, handed over every 44 ms")
    assert check_link(arrivals[:5]) is None


def test_packets_of_a_profile_over_any_characteristic(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page's invented band: its own service, begun and ended by its own commands."""
    described = profile("reedband")
    band = replace(described.ble, name="Reedband 03")
    board, taker = PacketBoard(DEVICES["reedband"], MOTION, waits=True), Taker()
    with radio(bus, monkeypatch, board=board, ble=band):
        source = open_source("ble", described, SETTINGS)
        with running(source, taker):
            wait_for(lambda: len(taker.samples.sequence) > 200)
        wait_for(lambda: not board.running)
    assert board.heard[0] == b"\1"
    assert board.heard[-1] == b"\0"
    samples = taker.samples
    first = int(np.flatnonzero((samples.counts[0] == MOTION).all(axis=1))[0])
    steps = samples.sequence - samples.sequence[0]
    np.testing.assert_array_equal(samples.counts, MOTION[(first + steps) % len(MOTION)])
    assert source.losses.samples == 0
