"""The phone's page in a real browser over TLS, its motion sensor fed through the browser's own tools for developers.

What this does not prove: a telephone, its browser's warning, its battery saver, and what its sensor is worth. The
DevTools protocol of Chromium (Emulation.setSensorOverrideEnabled, setSensorOverrideReadings) stands in for the part;
from there on all is real: the W3C event with its rounding, the secure context, the certificate, the way to the file.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.model.records import PHONE
from logger.phone.phone_source import PhoneSource
from logger.record.recorder import Recorder
from logger.session.session_file import read_session
from logger.sources.base import steady_time_s
from tests.browser import find_violations, open_chromium, wait_until
from tests.logger.record.test_two_sensors import PacedSource
from tests.optional import need_module
from tests.patience import PATIENCE_S, wait_for

pytestmark = pytest.mark.browser

TYPES = ("accelerometer", "gyroscope", "linear-acceleration")
RATE_RADPS, TILT_RAD = 0.1, 0.5
"""Slow, so that readings that a busy computer feeds late are hardly wrong."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    need_module("cryptography", "the extra phone")
    with open_chromium() as browser:
        yield browser


class FedPhone:
    """A page whose motion sensor shows what the test says."""

    def __init__(self, browser: Any, offer: str) -> None:
        self.context = browser.new_context(ignore_https_errors=True, viewport={"width": 390, "height": 844})
        self.context.set_default_timeout(1e3 * PATIENCE_S)
        self.page = self.context.new_page()
        self.errors: list[str] = []
        self.page.on("console", lambda message: self.errors.append(message.text) if message.type == "error" else None)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.tools = self.context.new_cdp_session(self.page)
        self.tools.send("Browser.grantPermissions", {"permissions": ["sensors"]})
        self.tools.send("Emulation.setFocusEmulationEnabled", {"enabled": True})
        for kind in TYPES:
            metadata = {"available": True, "minimumFrequency": 1, "maximumFrequency": 60}
            self.tools.send("Emulation.setSensorOverrideEnabled", {"enabled": True, "type": kind, "metadata": metadata})
        self.page.goto(offer)

    def feed(self, accel: tuple[float, float, float], gyro: tuple[float, float, float]) -> None:
        for kind, (x, y, z) in (
            ("accelerometer", accel),
            ("gyroscope", gyro),
            ("linear-acceleration", (0.0, 0.0, 0.0)),
        ):
            self.tools.send(
                "Emulation.setSensorOverrideReadings", {"type": kind, "reading": {"xyz": {"x": x, "y": y, "z": z}}}
            )

    def lean(self, seconds: float, since_s: float = 0.0) -> None:
        """Roll about x to and fro, gravity turning with it; the sensor reads gyro in rad/s, acceleration in m/s2."""
        begun_s = time.monotonic() - since_s
        while (at_s := time.monotonic() - begun_s) < since_s + seconds:
            angle = TILT_RAD * math.sin(RATE_RADPS / TILT_RAD * at_s)
            rate = RATE_RADPS * math.cos(RATE_RADPS / TILT_RAD * at_s)
            self.feed((0.0, 9.81 * math.sin(angle), 9.81 * math.cos(angle)), (rate, 0.0, 0.0))
            self.page.wait_for_timeout(4)
        # The browser repeats the last reading: at rest both sensors must say so.
        self.feed((0.0, 9.81 * math.sin(angle), 9.81 * math.cos(angle)), (0.0, 0.0, 0.0))

    def close(self) -> None:
        self.context.close()


def test_readings_of_a_browser_become_the_instrument_s_stream(browser: Any, tmp_path: Path) -> None:
    hand, phone = PacedSource(400.0, 5.0, 0.0, 0.002, 1), PhoneSource("127.0.0.1", 0, tmp_path)
    recorder = Recorder(tmp_path / "s.mcap", hand, instrument=phone)
    recorder.start()
    assert phone.offer is not None
    fed = FedPhone(browser, phone.offer.address)
    try:
        assert fed.page.evaluate("isSecureContext")
        assert "token" not in fed.page.url
        fed.feed((0.0, 0.0, 9.81), (0.0, 0.0, 0.0))
        fed.page.click("#start")
        fed.lean(3.0)
        moment_s = steady_time_s()
        fed.lean(3.0, since_s=3.0)
        wait_until(fed.page, "Number(document.getElementById('sent').textContent) > 100")
        wait_until(fed.page, "Number(document.getElementById('rate').textContent) > 20")
        assert fed.page.locator("#state").text_content().startswith("Sending")
        assert fed.page.locator("#warning").is_hidden()
        assert find_violations(fed.page) == []
        shown = int(fed.page.locator("#sent").text_content())
        wait_for(lambda: recorder.state().instrument.samples >= shown)  # type: ignore[union-attr]
    finally:
        fed.close()
    state = recorder.stop()
    assert fed.errors == []
    assert state.instrument is not None
    assert state.instrument.losses.samples == 0
    session = read_session(tmp_path / "s.mcap")
    (stream,) = session.streams
    assert (stream.role, stream.profile.part) == ("instrument", PHONE)
    assert stream.raw.ticks.size >= shown > 100
    assert (np.diff(stream.raw.ticks) > 0).all()
    # As the standard has it: acceleration with gravity to 0.1 m/s2, turning about x in deg/s to 0.1.
    accel = stream.raw.counts[:, :3] * stream.profile.accel_mps2_per_count
    gyro_dps = np.degrees(stream.raw.counts[:, 3:] * stream.profile.gyro_radps_per_count)
    assert stream.profile.accel_mps2_per_count == pytest.approx(0.1)
    assert np.linalg.norm(accel, axis=1) == pytest.approx(9.81, abs=0.12)
    assert np.abs(gyro_dps[:, 0]).max() == pytest.approx(math.degrees(RATE_RADPS), abs=0.3)
    assert np.abs(gyro_dps[:, 1:]).max() == 0.0
    # The gyroscope, summed over the page's own times, tells the same lean as gravity: axes, signs, units and clock fit.
    time_s = stream.raw.ticks / stream.profile.tick_hz
    lean = np.arctan2(accel[:, 1], accel[:, 2])
    rate = np.radians(gyro_dps[:, 0])
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time_s))])
    assert np.std(lean - turned - np.mean(lean - turned)) < math.radians(1.5)
    assert stream.clock is not None
    assert (stream.clock.residual_s or 0.0) >= 0.02, "a browser's stamps are late by as much, unseen"
    own_s = (hand.own_s(moment_s) - stream.clock.offset_s) / stream.clock.rate
    assert time_s[0] < own_s < time_s[-1]


def test_a_page_that_is_reloaded_goes_on_and_one_without_a_token_may_not(browser: Any, tmp_path: Path) -> None:
    phone = PhoneSource("127.0.0.1", 0, tmp_path)
    taken: list[Any] = []
    phone.start(taken.extend)
    assert phone.offer is not None
    fed = FedPhone(browser, phone.offer.address)
    try:
        for _ in range(2):
            fed.page.click("#start")
            fed.lean(2.0)
            wait_until(fed.page, "Number(document.getElementById('sent').textContent) > 20")
            fed.page.reload()
        assert phone.losses.restarts >= 1
        assert fed.errors == []
    finally:
        fed.close()
    stranger = FedPhone(browser, phone.offer.address.split("#")[0])
    try:
        stranger.page.click("#start")
        stranger.lean(1.5)
        wait_until(stranger.page, "document.getElementById('warning').textContent.includes('Scan the picture')")
    finally:
        stranger.close()
    phone.stop()
    ticks = np.concatenate([item.ticks for item in taken if hasattr(item, "ticks")])
    assert (np.diff(ticks) > 0).all()


def test_a_phone_that_shows_no_readings_is_told_why(browser: Any, tmp_path: Path) -> None:
    phone = PhoneSource("127.0.0.1", 0, tmp_path)
    phone.start(lambda _: None)
    assert phone.offer is not None
    context = browser.new_context(ignore_https_errors=True)
    page = context.new_page()
    page.goto(phone.offer.address)
    page.click("#start")
    wait_until(page, "document.getElementById('warning').textContent.includes('No readings')")
    context.close()
    phone.stop()
