"""The simulated sensor and the replay: known sessions, sample for sample; strokes counted while they come."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import DeviceError, SessionFileError
from analysis.model.records import RawSamples
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Recording, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from logger.record.recorder import Recorder
from logger.record.stroke_counter import StrokeCounter
from logger.session.session_file import read_session, write_session
from logger.sources.device_profile import load_profile
from logger.sources.open_source import open_source
from logger.sources.replay import ReplaySource
from logger.sources.simulated import SimulatedSource
from logger.sources.stream import DeviceInfo, Item, join_samples
from tests.logger.sources.make import samples_of
from tests.patience import PATIENCE_S, Lateness


@pytest.fixture(scope="module")
def made() -> SimulatedSession:
    scenario = Scenario(
        blocks=(PlayBlock(strokes_per_s=8.0, duration_s=6.0), PlayBlock(strokes_per_s=4.0, duration_s=8.0)),
        gestures=GesturePlan(length="short"),
        recording=Recording(lost_share=2e-3, start_s=1.0),
    )
    return simulate(scenario, 3)


def assert_same(got: RawSamples, sent: RawSamples) -> None:
    np.testing.assert_array_equal(got.counts, sent.counts)
    np.testing.assert_array_equal(got.ticks, sent.ticks)
    np.testing.assert_array_equal(got.sequence, sent.sequence)


def test_simulated_sensor_sends_the_session_itself(made: SimulatedSession, tmp_path: Path) -> None:
    source = SimulatedSource(made.session, speed=math.inf)
    recorder = Recorder(tmp_path / "s.mcap", source)
    info = recorder.start()
    assert source.finished.wait(PATIENCE_S)
    recorder.stop()
    session = read_session(tmp_path / "s.mcap")
    assert_same(session.raw, made.session.raw)
    assert info.profile.sensor.accel_mps2_per_count == pytest.approx(
        made.session.profile.accel_mps2_per_count, rel=1e-14
    )
    assert info.profile.sensor.gyro_radps_per_count == pytest.approx(
        made.session.profile.gyro_radps_per_count, rel=1e-14
    )
    # What the session lost on its way counts as lost here, too.
    assert source.losses.device == int((np.diff(made.session.raw.sequence) - 1).sum()) > 0


def test_simulated_sensor_goes_round(made: SimulatedSession) -> None:
    raw = made.session.raw
    part = RawSamples(*(values[:500] for values in (raw.ticks, raw.sequence, raw.host_time_s, raw.counts)))
    short = made.session.__class__(**{**made.session.__dict__, "raw": part})
    got: list[RawSamples] = []

    def sink(items: object) -> None:
        got.extend(item for item in items if isinstance(item, RawSamples))  # type: ignore[attr-defined]

    source = SimulatedSource(short, speed=100.0, repeat=True)
    source.start(sink)
    while sum(len(g.ticks) for g in got) < 1600:
        pass
    source.stop()
    samples = join_samples(got)
    assert (np.diff(samples.ticks) > 0).all()
    assert (np.diff(samples.sequence) > 0).all()
    np.testing.assert_array_equal(samples.counts[:1500], np.tile(part.counts, (3, 1)))


def test_replay_is_the_recording(made: SimulatedSession, tmp_path: Path) -> None:
    write_session(tmp_path / "a.mcap", made.session)
    items: list[Item] = []
    source = ReplaySource(tmp_path / "a.mcap", speed=math.inf)
    info = source.start(items.extend)
    assert source.finished.wait(PATIENCE_S)
    source.stop()
    assert info.profile.sensor == made.session.profile
    assert_same(samples_of(items), made.session.raw)
    assert source.losses.samples == 0


@pytest.mark.parametrize("kind", ["replay", "simulated"])
def test_the_pace_is_kept(made: SimulatedSession, tmp_path: Path, kind: str) -> None:
    write_session(tmp_path / "a.mcap", made.session)
    items: list[Item] = []
    replay = kind == "replay"
    source = ReplaySource(tmp_path / "a.mcap", 20.0) if replay else SimulatedSource(made.session, 20.0)
    with Lateness() as late:
        source.start(items.extend)
        assert source.finished.wait(PATIENCE_S)
    source.stop()
    samples, raw = samples_of(items), made.session.raw
    lasted = samples.host_time_s[-1] - samples.host_time_s[0]
    expected = (raw.ticks[-1] - raw.ticks[0]) / made.session.profile.tick_hz / 20.0
    # Never ahead; behind only as far as other work on the machine holds it up.
    assert expected - 0.1 < lasted < expected + 0.5 + late.sum_s


def test_what_cannot_be_replayed_or_named(tmp_path: Path) -> None:
    profile = load_profile("frames")
    with pytest.raises(SessionFileError, match="cannot be read"):
        open_source(f"replay:{tmp_path / 'none.mcap'}", profile)
    with pytest.raises(DeviceError, match="simulated:SEED"):
        open_source("simulated:seven", profile)
    with pytest.raises(DeviceError, match="no source is named"):
        open_source("", profile)


def test_strokes_are_counted_while_they_come(made: SimulatedSession) -> None:
    """A figure for the screen: within 10 % of the true number of strokes of each block."""
    counter, raw, truth = StrokeCounter(), made.session.raw, made.truth.strokes
    from logger.sources.simulated import named_profile

    counter([DeviceInfo(named_profile(made.session.profile))])
    blocks = [(b["start_s"].min(), b["end_s"].max(), len(b)) for _, b in truth.groupby("block")]
    seconds, counted = raw.ticks / made.session.profile.tick_hz, []
    state = [False] * len(blocks)
    for at in range(0, len(raw.ticks), 10):
        for place, (start_s, end_s, _) in enumerate(blocks):
            if not state[place] and seconds[at] >= start_s:
                counter.reset()
                state[place] = True
                counted.append(0)
            if state[place] and start_s <= seconds[at] < end_s:
                counted[place] = counter.strokes
        part = slice(at, at + 10)
        counter([RawSamples(raw.ticks[part], raw.sequence[part], raw.host_time_s[part], raw.counts[part])])
    for count, (_, _, true) in zip(counted, blocks, strict=True):
        assert count == pytest.approx(true, rel=0.10)
