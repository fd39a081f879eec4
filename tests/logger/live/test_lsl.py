"""Streams while recording, read by a real inlet in a process of its own; all on this computer."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.model.errors import InputError
from analysis.model.records import Calibration, Event
from analysis.signal.si_units import counts_to_si
from logger.live.lsl_streams import MARKS, SAMPLES, STROKES, LslStreams, tell_both
from logger.live.protocol import ServerMessage, Stroke, Strokes
from logger.live.sensor_link import LiveSession
from logger.record.even_time import EvenTime
from logger.session.session_file import read_session
from logger.sources.base import Source, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.simulated import SimulatedSource
from logger.sources.stream import DeviceInfo, Item
from tests.house.test_house import ROOT
from tests.logger.commands.test_sensor_commands import Program, plugged
from tests.logger.live.running import running, simulated
from tests.logger.sources.make import random_counts
from tests.optional import need_module
from tests.patience import PATIENCE_S, wait_for

# The layer finds streams by multicast; here it asks this computer alone.
CONFIGURATION = """
[ports]
IPv6 = disable
[multicast]
ResolveScope = machine
AddressesOverride = {127.0.0.1}
Interfaces = {127.0.0.1}
TTLOverride = 0
[lab]
KnownPeers = {127.0.0.1}
[log]
level = -2
"""


@pytest.fixture(scope="module", autouse=True)
def this_computer_alone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    file = tmp_path_factory.mktemp("lsl") / "lsl_api.cfg"
    file.write_text(CONFIGURATION, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LSLAPICFG", str(file))
        need_module("pylsl")
        yield


class Inlet:
    """A listener in a process of its own."""

    def __init__(self, *names: str) -> None:
        script = [sys.executable, str(ROOT / "tests" / "logger" / "live" / "lsl_inlet.py"), *names]
        self._process = subprocess.Popen(script, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def wait_until_listening(self) -> None:
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "listening\n"

    def heard(self) -> dict[str, Any]:
        """What it heard, now that nothing more is sent."""
        found: dict[str, Any] = json.loads(self._process.communicate(timeout=PATIENCE_S)[0])
        assert self._process.returncode == 0
        return found


def test_an_inlet_gets_every_sample_and_mark_with_its_time(tmp_path: Path) -> None:
    inlet = Inlet(SAMPLES, MARKS)
    with plugged(tmp_path, random_counts(5000, 9)) as device:
        program = Program(
            tmp_path, "record", "--source", device.port, "-o", "s.mcap", "--lsl", "--posture", "resting",
            "--tempo", "93", "--wanted", "up",
        )  # fmt: skip
        wait_for(lambda: "Press g" in program.said())
        inlet.wait_until_listening()
        for keys in (" ", " ", "t", "4", "q"):
            program.press(keys)
            time.sleep(0.3)
        code, output = program.end()
    assert code == 0, output
    heard = inlet.heard()
    session = read_session(tmp_path / "s.mcap")
    assert_every_sample(heard[SAMPLES], session)
    assert_description(heard[SAMPLES]["xml"], session)
    assert_marks(heard[MARKS], heard[SAMPLES], session)


def assert_every_sample(heard: dict[str, Any], session: Any) -> None:
    """From the first one that came: none missing, none twice, bit for bit, a sample's time apart."""
    si = counts_to_si(session.raw.counts, session.profile, session.calibration).T
    values, stamps = np.array(heard["values"]), np.array(heard["stamps_s"])
    first = next(i for i in range(len(si)) if np.array_equal(si[i], values[0]))
    assert len(values) > 0.8 * session.profile.rate_hz
    np.testing.assert_array_equal(values, si[first : first + len(values)])
    assert first + len(values) == len(si)
    steps = np.diff(stamps)
    assert (steps > 0.0).all()
    period = 1.0 / session.profile.rate_hz
    # A better fit is followed by a twentieth of the time; the board's clock is off by less than 3 %.
    assert np.abs(steps / period - 1.0).max() < 0.1
    # Taken before it arrived, and not long before: a busy computer hands over late, but now and then it does not.
    delay = np.array(heard["arrived_s"]) - stamps - heard["correction_s"]
    assert -0.005 < np.percentile(delay, 1) < 0.2


def assert_description(xml: str, session: Any) -> None:
    info = ET.fromstring(xml)
    assert info.findtext("type") == "MoCap"
    assert float(info.findtext("nominal_srate") or 0) == session.profile.rate_hz
    channels = [[c.findtext(k) for k in ("label", "unit", "type")] for c in info.iterfind("desc/channels/channel")]
    assert channels[:3] == [[f"acc_{axis}", "m/s^2", "ACC"] for axis in "xyz"]
    assert channels[3:] == [[f"gyr_{axis}", "rad/s", "GYRO"] for axis in "xyz"]
    assert info.findtext("desc/acquisition/calibration") == session.calibration.source


def assert_marks(heard: dict[str, Any], samples: dict[str, Any], session: Any) -> None:
    marks = [json.loads(value) for (value,) in heard["values"]]
    assert marks == [
        {"edge": "begin", "kind": "play", "label": "block 1", "posture": "resting", "tempo_bpm": 93, "wanted": "up"},
        {"edge": "end", "kind": "play", "label": "block 1", "posture": "resting", "tempo_bpm": 93, "wanted": "up"},
        {"edge": "begin", "kind": "rest", "posture": "resting"},
        {"edge": "at", "kind": "rating", "label": "tension", "posture": "resting", "rating": 4},
        {"edge": "end", "kind": "rest", "posture": "resting"},
    ]
    # On the samples' own time: a mark stands where the file has it among the samples.
    si = counts_to_si(session.raw.counts, session.profile, session.calibration).T
    first = next(i for i in range(len(si)) if np.array_equal(si[i], samples["values"][0]))
    device_s = session.raw.ticks[first:] / session.profile.tick_hz
    play = next(event for event in session.events if event.kind == "play")
    for at_s, stamp_s in ((play.start_s, heard["stamps_s"][0]), (play.end_s, heard["stamps_s"][1])):
        assert stamp_s == pytest.approx(np.interp(at_s, device_s, samples["stamps_s"]), abs=0.005)


def test_settled_strokes_are_a_stream_of_their_own() -> None:
    source = SimulatedSource(read_session(ROOT / "sample_logs" / "steady_and_tilted.mcap"))
    info = source.start(lambda _: None)
    source.stop()
    streams = LslStreams()
    streams.open(source, info, Calibration(), strokes=True)
    inlet = Inlet(STROKES)
    inlet.wait_until_listening()
    published: list[ServerMessage] = []
    tell = tell_both(published.append, streams)
    now_s = steady_time_s()
    first = Stroke(7, "down", now_s - 0.1, now_s, 12.0, 15.0, 1.25, True, None, True, ())
    settled = replace(first, tilt_deg=12.5, provisional=False)
    second = replace(settled, id=8, direction="up", start_server_s=now_s, end_server_s=now_s + 0.125, lift_mm=-0.5)
    told = Strokes(1, True, (first,), (), 1, None, None, None, None, 0, False)
    messages = [told, replace(told, strokes=(settled,)), replace(told, strokes=(settled, second), against_hand=True)]
    for message in messages:
        tell(message)
    assert published == messages
    heard = inlet.heard()[STROKES]
    streams.close()
    assert heard["values"] == [
        [1.0, 12.5, 15.0, 1.25, pytest.approx(0.1), 0.0],
        [0.0, 12.5, 15.0, -0.5, pytest.approx(0.125), 1.0],
    ]
    assert np.diff(heard["stamps_s"]) == pytest.approx([0.125], abs=1e-3)
    channels = [c.findtext("label") for c in ET.fromstring(heard["xml"]).iterfind("desc/channels/channel")]
    assert channels == ["down", "tilt", "span", "lift", "duration", "against_hand"]


class Told:
    """Streams that only take notes."""

    def __init__(self) -> None:
        self.notes: list[str] = []

    def __call__(self, items: Sequence[Item]) -> None:
        self.notes.append("items")

    def open(self, source: Source, info: DeviceInfo, calibration: Calibration, strokes: bool = False) -> None:
        self.notes.append(f"open {info.profile.sensor.part} {strokes}")

    def mark(self, edge: str, event: Event) -> None:
        self.notes.append(f"{edge} {event.kind}")

    def close(self) -> None:
        self.notes.append("close")


def test_the_guided_session_streams_from_the_first_sample_to_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = Told()
    monkeypatch.setattr("tests.logger.live.running.LiveSession", partial(LiveSession, streams=told))

    async def play() -> None:
        async with running(tmp_path, simulated(), speed=8.0) as session, session.page() as page:
            await page.set_up()
            await page.step("gestures")
            await page.press("next")
            await page.until(lambda state: "end still" in told.notes)

    asyncio.run(play())
    without_items = [note for note in told.notes if note != "items"]
    assert without_items[0] == f"open {simulated().session.profile.part} True"
    assert without_items[1:3] == ["begin still", "end still"]
    assert without_items[-1] == "close"
    assert told.notes.count("items") > 10


class Ticking:
    """A device that is 1 % slow over a link that delays by up to 20 ms, and a clock to renew fits by."""

    def __init__(self) -> None:
        self.clock = DeviceClock()
        self.now_s = 0.0
        self.time = EvenTime(self.clock, lambda: self.now_s)
        self._rng = np.random.default_rng(3)

    def send(self, device_s: np.ndarray, host0_s: float = 1e9) -> np.ndarray:
        self.now_s = float(device_s[-1]) * 1.01
        for moment in device_s:
            self.clock.observe(float(moment), host0_s + 1.01 * moment + self._rng.exponential(0.005))
        placed = self.time.place_next(device_s)
        assert placed is not None
        return placed - host0_s


def test_times_follow_the_fit_and_never_step_back() -> None:
    device = Ticking()
    batches = np.arange(0.0, 60.0, 0.005).reshape(-1, 5)
    placed = np.concatenate([device.send(batch) for batch in batches])
    steps = np.diff(placed)
    assert (steps > 0.0).all()
    assert np.abs(steps / 0.005 - 1.0).max() < 0.1
    late = placed[-2000:] - 1.01 * batches.ravel()[-2000:]
    assert np.abs(late).max() < 0.002


def test_a_clock_that_jumps_is_followed_at_once_but_not_backwards() -> None:
    device = Ticking()
    first = [device.send(batch) for batch in np.arange(0.0, 5.0, 0.005).reshape(-1, 5)]
    device.clock.restart()
    device.now_s += 10.0
    again = [device.send(batch, 1e9 + 30.0) + 30.0 for batch in np.arange(5.0, 10.0, 0.005).reshape(-1, 5)]
    placed = np.concatenate([*first, *again])
    assert (np.diff(placed) > 0.0).all()
    assert placed[-1] == pytest.approx(30.0 + 1.01 * 9.995, abs=0.01)
    assert EvenTime(DeviceClock(), lambda: 0.0).place(1.0) is None


def test_what_is_missing_or_not_meant_is_one_sentence(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    program = Program(tmp_path, "record", "--source", "simulated", "-o", "s.mcap", "--lsl", "--speed", "2")
    code, output = program.end()
    assert code == 2
    assert "leave out --speed" in output
    monkeypatch.setitem(sys.modules, "pylsl", None)
    with pytest.raises(InputError, match=r'pip install "\.\[lsl\]"'):
        LslStreams()
    assert not (tmp_path / "s.mcap").exists()
