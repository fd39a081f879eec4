"""Two sensors in one recording: both in the file, clocks tied by the host's, one lost while the other goes on."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.errors import DeviceError
from analysis.model.records import PHONE, RawSamples, Session, Stream
from analysis.model.session_parts import ClockRelation, SensorIdentity
from logger.cli import cli
from logger.record.recorder import Recorder, RecorderSettings
from logger.session.session_file import read_session, write_session
from logger.sources.base import Sink, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import load_profile, sensor_from_hello
from logger.sources.frame_reader import FrameReader
from logger.sources.open_source import open_instrument, open_source
from logger.sources.packets import encode
from logger.sources.replay import ReplaySource
from logger.sources.simulated import SimulatedSource, hello_of, lap_s, named_profile, session_frames, within_lap
from logger.sources.stream import DeviceInfo, LinkChange, Losses
from tests.logger.exchange.make import with_gaps
from tests.logger.exchange.test_two_sensors import CLOCK, instrument_stream
from tests.logger.sources.make import HELLO
from tests.patience import wait_for

PROFILE = load_profile("frames")


class PacedSource:
    """Samples at a rate on a clock of its own, which begins at ``zero_s`` and is quicker by ``ppm``.

    They have arrived when they were due, however late a busy computer sends them.
    """

    def __init__(self, rate_hz: float, zero_s: float, ppm: float, delay_s: float, seed: int = 0) -> None:
        self.hello = replace(HELLO, rate_hz=rate_hz, tick_hz=1_000_000, id=f"{seed:016x}", firmware="chip17 test 2.1")
        self.name = f"paced {seed}"
        self.losses = Losses()
        self.clock = DeviceClock()
        self.finished = threading.Event()
        self.silent = threading.Event()
        self._stopping = threading.Event()
        self._rate_hz, self._zero_s, self._quick, self._delay_s = rate_hz, zero_s, 1.0 + 1e-6 * ppm, delay_s
        self._rng = np.random.default_rng(seed)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.begun_s = 0.0
        self.delivered = 0
        self.lost = False

    def own_s(self, host_s: float) -> float:
        """What its clock shows at a time of the host."""
        return self._zero_s + (host_s - self.begun_s) * self._quick

    def start(self, sink: Sink) -> DeviceInfo:
        info = DeviceInfo(sensor_from_hello(PROFILE, self.hello), self.hello)
        self.begun_s, self._sink = steady_time_s(), sink
        sink([LinkChange(True, self.begun_s), info])
        self._thread.start()
        return info

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join()

    def _run(self) -> None:
        sent = 0
        while not self._stopping.is_set():
            taken_s = self.begun_s + (sent + np.arange(4)) / self._rate_hz
            delay_s = self._delay_s + self._rng.exponential(0.002)
            self._stopping.wait(max(0.0, taken_s[-1] + delay_s - steady_time_s()))
            numbers = sent + np.arange(4, dtype=np.int64)
            sent += 4
            if self.silent.is_set():
                if not self.lost:
                    self._sink([LinkChange(False, steady_time_s(), "its battery is empty")])
                self.lost = True
                continue
            arrived_s = taken_s[-1] + delay_s
            own = np.array([self.own_s(s) for s in taken_s])
            self.clock.observe(float(own[-1]), arrived_s)
            ticks = np.rint(own * 1e6).astype(np.int64)
            counts = np.tile(numbers[:, None], (1, 6)).astype(np.int32)
            self._sink([RawSamples(ticks, numbers, np.full(4, arrived_s), counts)])
            self.delivered = sent


def test_both_are_in_the_file_and_their_clocks_are_tied(tmp_path: Path) -> None:
    hand = PacedSource(400.0, 5.0, 40.0, 0.002, seed=1)
    other = PacedSource(100.0, 900.0, -60.0, 0.004, seed=2)
    recorder = Recorder(tmp_path / "s.mcap", hand, instrument=other, settings=RecorderSettings(refresh_s=0.2))
    recorder.start()
    wait_for(lambda: other.delivered > 280)
    wait_for(lambda: read_session(tmp_path / "s.mcap").streams[0].raw.ticks.size > 200)
    # What is synced before any end is a session with both clocks: a crash costs half a second, not the second sensor.
    assert read_session(tmp_path / "s.mcap").streams[0].clock is not None
    state = recorder.stop()
    session = read_session(tmp_path / "s.mcap")
    (stream,) = session.streams
    assert (stream.role, stream.sensor) == ("instrument", SensorIdentity(f"{2:016x}", "chip17", "test 2.1"))
    assert session.sensor == SensorIdentity(f"{1:016x}", "chip17", "test 2.1")
    assert state.instrument is not None
    assert stream.raw.ticks.size == state.instrument.samples
    assert stream.raw.counts[:, 0].tolist() == list(range(stream.raw.ticks.size))
    assert json.loads(session.metadata["instrument_losses"])["queue"] == 0
    # The truth: what both clocks showed at one moment of the host. The links' shortest delays differ by 2 ms, unseen.
    assert stream.clock is not None
    moment_s = hand.begun_s + 2.0
    on_hand_s = stream.clock.offset_s + stream.clock.rate * other.own_s(moment_s)
    assert on_hand_s - hand.own_s(moment_s) == pytest.approx(0.002, abs=0.0015)
    assert stream.clock.residual_s is not None
    assert 0.001 < stream.clock.residual_s < 0.01


def test_one_lost_half_way_leaves_what_came_and_the_other_goes_on(tmp_path: Path) -> None:
    for lost in ("instrument", "hand"):
        sources = {"hand": PacedSource(200.0, 5.0, 0.0, 0.002, 1), "instrument": PacedSource(100.0, 9.0, 0.0, 0.002, 2)}
        recorder = Recorder(tmp_path / f"{lost}.mcap", sources["hand"], instrument=sources["instrument"])
        recorder.start()
        rates_hz = {"hand": 200.0, "instrument": 100.0}
        other = "hand" if lost == "instrument" else "instrument"
        wait_for(lambda: sources[lost].delivered > 0.6 * rates_hz[lost])  # noqa: B023
        sources[lost].silent.set()
        wait_for(lambda: sources[lost].lost)  # noqa: B023
        before = sources[other].delivered
        wait_for(lambda: sources[other].delivered > before + 0.8 * rates_hz[other])  # noqa: B023
        state = recorder.stop()
        assert state.instrument is not None
        linked = {"hand": state.linked, "instrument": state.instrument.linked}
        assert linked == {"hand": lost != "hand", "instrument": lost != "instrument"}
        session = read_session(tmp_path / f"{lost}.mcap")
        kept = {"hand": session.raw.ticks.size, "instrument": session.streams[0].raw.ticks.size}
        assert kept == {role: source.delivered for role, source in sources.items()}
        assert session.warnings == ()


def test_a_second_sensor_that_never_comes_leaves_no_file_and_one_sentence(tmp_path: Path) -> None:
    class Missing(PacedSource):
        def start(self, sink: Sink) -> DeviceInfo:
            raise DeviceError("nothing came from COM9", next_step="plug it in")

        def stop(self) -> None: ...

    hand = PacedSource(200.0, 5.0, 0.0, 0.002, 1)
    recorder = Recorder(tmp_path / "s.mcap", hand, instrument=Missing(100.0, 0.0, 0.0, 0.0))
    with pytest.raises(DeviceError, match="the instrument's sensor: nothing came from COM9; plug it in"):
        recorder.start()
    assert not (tmp_path / "s.mcap").exists()
    assert hand._stopping.is_set()


def two_sensor_session(n: int = 1200) -> Session:
    """Random counts: the hand at 400 a second for 3 s, the instrument at 60 a second, 0.25 s later."""
    stream = instrument_stream(150)
    return replace(
        with_gaps(n), sensor=SensorIdentity("aa", "", ""), streams=(replace(stream, clock=ClockRelation(-39.75)),)
    )


@pytest.mark.parametrize("speed", ["1", "2"])
def test_a_replay_recorded_again_keeps_both_sensors(tmp_path: Path, speed: str) -> None:
    there = two_sensor_session()
    write_session(tmp_path / "a.mcap", there)
    result = CliRunner().invoke(
        cli,
        ["record", "--source", f"replay:{tmp_path / 'a.mcap'}", "--speed", speed, "-o", str(tmp_path / "b.mcap")],
    )
    assert result.exit_code == 0, result.output
    again = read_session(tmp_path / "b.mcap")
    np.testing.assert_array_equal(again.raw.counts, there.raw.counts)
    (stream,) = again.streams
    np.testing.assert_array_equal(stream.raw.counts, there.streams[0].raw.counts)
    np.testing.assert_array_equal(stream.raw.ticks, there.streams[0].raw.ticks)
    assert (again.sensor, stream.sensor) == (there.sensor, there.streams[0].sensor)
    assert stream.clock is not None
    # At a quicker pace the host's seconds are fewer, the relation of the two clocks is the same.
    on_hand_s = stream.clock.offset_s + stream.clock.rate * 41.0
    assert on_hand_s == pytest.approx(41.0 - 39.75, abs=0.03)


def test_a_second_source_is_named_like_the_first(tmp_path: Path) -> None:
    two, one = tmp_path / "two.mcap", tmp_path / "one.mcap"
    write_session(two, two_sensor_session())
    write_session(one, with_gaps(1200))
    hand = open_source(f"replay:{two}", PROFILE)
    same = open_instrument("", hand, PROFILE)
    assert isinstance(same, ReplaySource)
    assert same.name.endswith("instrument")
    assert open_instrument("none", hand, PROFILE) is None
    assert open_instrument("", open_source(f"replay:{one}", PROFILE), PROFILE) is None
    assert open_instrument("", open_source("/dev/ttyX0", PROFILE), PROFILE) is None
    with pytest.raises(DeviceError, match="link of its own"):
        open_instrument("/dev/ttyX0", open_source("/dev/ttyX0", PROFILE), PROFILE)
    with pytest.raises(DeviceError, match="simulated for both"):
        open_instrument("simulated", open_source("/dev/ttyX0", PROFILE), PROFILE)


def test_a_simulated_pair_goes_round_together() -> None:
    source = SimulatedSource(two_sensor_session(400), speed=20.0, repeat=True)
    other = source.companion()
    assert other is not None
    taken: dict[str, list[RawSamples]] = {"hand": [], "instrument": []}

    def keep(role: str) -> Sink:
        return lambda items: taken[role].extend(item for item in items if isinstance(item, RawSamples))

    source.start(keep("hand"))
    other.start(keep("instrument"))
    # Several laps of a second each.
    wait_for(lambda: all(batches and batches[-1].ticks[-1] - batches[0].ticks[0] > 2.5e6 for batches in taken.values()))
    source.stop()
    other.stop()
    for batches in taken.values():
        assert (np.diff(np.concatenate([batch.ticks for batch in batches])) > 0).all()


def test_both_sensors_begin_their_laps_together() -> None:
    session = two_sensor_session(400)
    (stream,) = session.streams
    assert np.ptp(stream.raw.ticks) / 1e6 > 2 * lap_s(session), "the instrument's log is the longer one"
    for sensor in (session, within_lap(session, stream)):
        first, count = int(sensor.raw.ticks[0]), sensor.raw.ticks.size
        reader = FrameReader(named_profile(sensor.profile))
        reader.feed(encode(hello_of(sensor.profile), 0), 0.0)
        ticks: list[int] = []
        for _, wire in session_frames(sensor, repeat=True, again_after_s=lap_s(session)):
            ticks += [int(t) for item in reader.feed(wire, 0.0) if isinstance(item, RawSamples) for t in item.ticks]
            if len(ticks) > 2 * count:
                break
        laps_s = [(ticks[lap * count] - first) / 1e6 for lap in (1, 2)]
        assert laps_s == pytest.approx([lap_s(session), 2 * lap_s(session)], abs=1e-5)


@pytest.mark.parametrize(("text", "part"), [("simulated", ""), ("simulated:phone", PHONE)])
def test_the_simulated_evening_has_a_second_sensor(tmp_path: Path, text: str, part: str) -> None:
    """A simulation: what it proves of clocks is only that both were sent at their own pace."""
    words = [
        "record",
        "--source",
        "simulated:3",
        "--instrument",
        text,
        "--seconds",
        "3",
        "-o",
        str(tmp_path / "s.mcap"),
    ]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, result.output
    session = read_session(tmp_path / "s.mcap")
    (stream,) = session.streams
    assert (stream.profile.part == PHONE) is bool(part)
    assert stream.sensor.id != session.sensor.id
    assert stream.clock is not None
    hand_s = np.ptp(session.raw.ticks) / session.profile.tick_hz
    assert 0.6 * hand_s < np.ptp(stream.raw.ticks) / stream.profile.tick_hz < 1.5 * hand_s


def test_verify_tells_both_clocks(tmp_path: Path) -> None:
    stream: Stream = instrument_stream()
    assert stream.clock == CLOCK
    write_session(tmp_path / "s.mcap", replace(with_gaps(), streams=(stream,)))
    result = CliRunner().invoke(cli, ["verify", str(tmp_path / "s.mcap")])
    assert result.exit_code == 0
    assert "instrument (1)" in result.output
