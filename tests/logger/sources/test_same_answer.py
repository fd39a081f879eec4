"""From motion to tilt: what is recorded by cable and by radio tells the same as the same motion read from a file."""

from __future__ import annotations

import contextlib
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.model.records import Event, RawSamples, Session
from analysis.pipeline import analyse_session
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Recording, Scenario
from analysis.synthesis.simulate import simulate
from logger.record.recorder import Recorder
from logger.session.session_file import read_session
from logger.sources.base import LinkSettings, Source
from logger.sources.device_profile import load_profile
from logger.sources.open_source import open_source
from tests.optional import missing, need_program

if sys.platform != "linux":
    missing("the firmware's stand-ins need pseudo terminals and named pipes")

from tests.logger.sources.fake_bluez import FakeBluez, private_bus
from tests.logger.sources.firmware import Firmware, running
from tests.patience import PATIENCE_S, wait_for

FRAMES = load_profile("frames")
SETTINGS = LinkSettings(ready_s=PATIENCE_S, ask_again_s=1.0, silence_s=30.0)

LEAD_ROWS = 6_000
"""The board samples before anyone listens: rows of rest, so that nothing of the motion is gone by then."""


def motion() -> tuple[Session, np.ndarray]:
    """A short simulated session of a part at 500/s, and the rows that a part would read."""
    scenario = Scenario(
        rate_hz=500.0,
        blocks=(PlayBlock(strokes_per_s=8.0, tilt_deg=14.0, duration_s=6.0, wanted="up"),),
        gestures=GesturePlan(length="short"),
        recording=Recording(lost_share=0.0, bursts_per_min=0.0, tick_jitter_us=0.0, rate_error=0.0, start_s=0.0),
    )
    session = simulate(scenario, 6).session
    counts = session.raw.counts.astype(np.int16)
    return session, np.concatenate([np.repeat(counts[:1], LEAD_ROWS, axis=0), counts])


def record_motion(path: Path, source: Source, session: Session, rows: int) -> Session:
    """Record until the motion is over; its events are placed by the rows at which they happened."""
    latest = [0]

    def watch(items: object) -> None:
        for item in items:  # type: ignore[attr-defined]
            if isinstance(item, RawSamples):
                latest[0] = int(item.sequence[-1])

    recorder = Recorder(path, source, listeners=(watch,))
    recorder.start()
    try:
        wait_for(lambda: latest[0] >= rows - 1)
    finally:
        recorder.stop()
    return read_session(path)


def with_events(recorded: Session, session: Session) -> Session:
    """Give a recording the events of the motion, on its own time: the row of an event is its sample's number."""
    at_s = (session.raw.ticks - session.raw.ticks[0]) / session.profile.tick_hz
    base = float(session.raw.ticks[0]) / session.profile.tick_hz
    rows = np.arange(len(at_s)) + LEAD_ROWS
    seconds = recorded.raw.ticks / recorded.profile.tick_hz

    def move(time_s: float) -> float:
        return float(np.interp(np.interp(time_s - base, at_s, rows), recorded.raw.sequence, seconds))

    events: list[Event] = [replace(e, start_s=move(e.start_s), end_s=move(e.end_s)) for e in session.events]
    return replace(recorded, events=tuple(events), lever_mm=session.lever_mm, lever_sd_mm=session.lever_sd_mm)


def from_file(recorded: Session, rows: np.ndarray) -> Session:
    """The same motion as a file would hold it: every row at its exact time."""
    number = np.arange(int(recorded.raw.sequence[0]), len(rows), dtype=np.int64)
    ticks = number * 2000
    raw = RawSamples(ticks, number, np.full(len(number), np.nan), rows[number].astype(np.int32))
    return replace(recorded, raw=raw)


def assert_same_analysis(recorded: Session, session: Session, rows: np.ndarray) -> None:
    """First the samples, exactly; then strokes and tilt against those of the file."""
    raw = recorded.raw
    moving = raw.sequence < len(rows)
    assert raw.sequence[0] < LEAD_ROWS, "the recording began after the motion"
    np.testing.assert_array_equal(np.diff(raw.sequence), 1)
    np.testing.assert_array_equal(raw.counts[moving], rows[raw.sequence[moving]])
    recorded = replace(
        recorded,
        raw=RawSamples(raw.ticks[moving], raw.sequence[moving], raw.host_time_s[moving], raw.counts[moving]),
    )
    live = analyse_session(with_events(recorded, session))
    stored = analyse_session(with_events(from_file(recorded, rows), session))
    assert len(live.strokes) == len(stored.strokes) > 40
    np.testing.assert_allclose(live.strokes["tilt_deg"], stored.strokes["tilt_deg"], atol=1e-5)
    np.testing.assert_allclose(live.strokes["span_mm"], stored.strokes["span_mm"], atol=1e-5)
    (one,), (other,) = live.blocks, stored.blocks
    assert one.tilt_side == other.tilt_side
    assert one.tilt_mean_deg == pytest.approx(other.tilt_mean_deg, abs=1e-5)
    assert one.clearing_stroke == other.clearing_stroke
    assert live.lost_samples == stored.lost_samples == 0


def test_recorded_by_cable_equals_the_file(tmp_path: Path) -> None:
    session, rows = motion()
    with running(Firmware(tmp_path, rows, once=True)) as firmware:
        source = open_source(firmware.port, FRAMES, replace(SETTINGS, ranges=(8, 1000)))
        recorded = record_motion(tmp_path / "s.mcap", source, session, len(rows))
    assert_same_analysis(recorded, session, rows)


def test_recorded_by_radio_equals_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Firmware, its UART service, a stand-in for the daemon, unmodified bleak. No radio wave is involved."""
    daemon = need_program("dbus-daemon", reason="Debian's package dbus-daemon")
    session, rows = motion()
    with private_bus(tmp_path, daemon) as address, running(Firmware(tmp_path, rows, once=True, radio=True)) as firmware:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        assert firmware.radio is not None
        with contextlib.closing(FakeBluez(address, firmware.radio, burst_s=0.004)):
            source = open_source("ble", FRAMES, replace(SETTINGS, ranges=(8, 1000)))
            recorded = record_motion(tmp_path / "s.mcap", source, session, len(rows))
    assert_same_analysis(recorded, session, rows)
