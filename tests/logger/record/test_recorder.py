"""The recorder: what was sent is in the file, losses are counted, and no end of it costs what was recorded."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import DeviceError, SessionFileError
from analysis.model.records import Event, Instrument, Player, RawSamples
from logger.record.disk_room import BYTES_PER_SAMPLE
from logger.record.recorder import Recorder, RecorderSettings, Setup, mark
from logger.session.session_file import SessionWriter, read_session
from logger.session.session_records import SessionHead
from logger.sources.base import Sink, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import load_profile, sensor_from_hello
from logger.sources.stream import DeviceInfo, Item, LinkChange, Losses
from tests.logger.sources.make import HELLO, random_counts
from tests.patience import PATIENCE_S, wait_for

INFO = DeviceInfo(sensor_from_hello(load_profile("frames"), HELLO), HELLO)
RATE = 400


class ScriptedSource:
    """Samples at a given pace from a thread; number n has the counts of row n. It waits while ``held`` says so."""

    def __init__(self, counts: np.ndarray, speed: float = 1.0, held: Callable[[], bool] = lambda: False) -> None:
        self.name = "scripted"
        self.losses = Losses()
        self.clock = DeviceClock()
        self._counts, self._speed, self.held = counts, speed, held
        self._stopping = threading.Event()
        self.sent = 0
        self.finished = threading.Event()

    def start(self, sink: Sink) -> DeviceInfo:
        self._sink = sink
        sink([LinkChange(True, steady_time_s()), INFO])
        self._send(10)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return INFO

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join()

    def _run(self) -> None:
        start = time.monotonic()
        while self.sent < len(self._counts):
            delay = start + self.sent / RATE / self._speed - time.monotonic()
            if (delay > 0 and self._stopping.wait(delay)) or self._stopping.is_set():
                return
            while self.held() and not self._stopping.wait(0.005):
                pass
            self._send(10)
        self.finished.set()

    def _send(self, n: int) -> None:
        numbers = np.arange(self.sent, min(self.sent + n, len(self._counts)), dtype=np.int64)
        self.sent = int(numbers[-1]) + 1
        now = self._arrived_s(float(numbers[-1]))
        self.clock.observe(numbers[-1] / RATE, now)
        counts = self._counts[numbers].astype(np.int32)
        self._sink([RawSamples(numbers * 2500, numbers, np.full(len(numbers), now), counts)])

    def _arrived_s(self, number: float) -> float:
        return steady_time_s()


class SteppedSource(ScriptedSource):
    """Sends when it is told to, and what it sends has arrived when it was due: time is the test's."""

    def start(self, sink: Sink) -> DeviceInfo:
        self._sink = sink
        sink([LinkChange(True, self.now_s()), INFO])
        self._send(10)
        return INFO

    def stop(self) -> None:
        """Nothing runs."""

    def now_s(self) -> float:
        return 1e9 + self.sent / RATE

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * RATE / 10)):
            self._send(10)

    def _arrived_s(self, number: float) -> float:
        return 1e9 + number / RATE


def test_everything_sent_is_in_the_file(tmp_path: Path) -> None:
    counts, path = random_counts(20_000), tmp_path / "s.mcap"
    source = ScriptedSource(counts, speed=50.0)
    setup = Setup(Player("Mira", "left"), Instrument("four courses", 8, 4, (8.0,) * 3), lever_mm=(1.0, 2.0, 3.0))
    recorder = Recorder(path, source, setup)
    recorder.start()
    assert source.finished.wait(PATIENCE_S)
    state = recorder.stop()
    session = read_session(path)
    np.testing.assert_array_equal(session.raw.counts, counts)
    np.testing.assert_array_equal(session.raw.sequence, np.arange(20_000))
    np.testing.assert_array_equal(session.raw.ticks, np.arange(20_000) * 2500)
    assert not np.isnan(session.raw.host_time_s).any()
    assert (session.player, session.instrument) == (setup.player, setup.instrument)
    assert session.lever_mm == (1.0, 2.0, 3.0)
    assert session.profile == INFO.profile.sensor
    assert session.warnings == ()
    assert state.samples == 20_000
    assert state.losses.samples == 0
    assert json.loads(session.metadata["losses"])["queue"] == 0
    assert "clock_rate_error_ppm" in session.metadata


def test_events_stand_on_the_log_s_own_time(tmp_path: Path) -> None:
    source = SteppedSource(random_counts(1000))
    recorder = Recorder(tmp_path / "s.mcap", source, settings=RecorderSettings(host_time_s=source.now_s))
    recorder.start()
    source.run(0.3)
    first_sent = source.sent
    recorder.begin(mark("still", "off hand"))
    source.run(0.3)
    second_sent = source.sent
    recorder.begin(Event(0, 0, "play", posture="A", tempo_bpm=93.0, wanted="up"))  # ends the one that is open
    source.run(0.2)
    ended = recorder.end()
    recorder.add(Event(0.1, 0.1, "rating", "tension", rating=3.0))
    recorder.stop()
    still, play, rating = read_session(tmp_path / "s.mcap").events
    assert (still.kind, still.label, play.kind, play.posture, play.wanted) == ("still", "off hand", "play", "A", "up")
    assert still.start_s == pytest.approx(first_sent / RATE, abs=0.005)
    assert still.end_s == pytest.approx(play.start_s, abs=0.005)
    assert play.start_s == pytest.approx(second_sent / RATE, abs=0.005)
    assert play.end_s == pytest.approx(source.sent / RATE, abs=0.005)
    assert ended == play
    assert rating.rating == 3.0


def test_an_event_open_at_the_end_is_closed(tmp_path: Path) -> None:
    source = SteppedSource(random_counts(4000))
    recorder = Recorder(tmp_path / "s.mcap", source, settings=RecorderSettings(host_time_s=source.now_s))
    recorder.start()
    recorder.begin(mark("play", posture="A"))
    source.run(0.3)
    recorder.stop()
    (event,) = read_session(tmp_path / "s.mcap").events
    assert event.end_s - event.start_s == pytest.approx(0.3, abs=0.005)


class StuckWriter:
    """Stands before a session writer and waits until it is let go, as an overloaded disk does."""

    def __init__(self, writer: SessionWriter, let_go: threading.Event) -> None:
        self._writer, self._let_go = writer, let_go

    def __getattr__(self, name: str) -> object:
        return getattr(self._writer, name)

    def write_samples(self, raw: RawSamples) -> None:
        self._let_go.wait()
        self._writer.write_samples(raw)


def test_a_full_queue_loses_samples_visibly_and_never_blocks_the_source(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    let_go = threading.Event()
    monkeypatch.setattr("logger.record.recorder.SessionWriter", lambda *a: StuckWriter(SessionWriter(*a), let_go))
    counts = random_counts(4000)
    source = ScriptedSource(counts, speed=100.0)
    recorder = Recorder(tmp_path / "s.mcap", source, settings=RecorderSettings(queue_items=20))
    recorder.start()
    marking = threading.Thread(target=lambda: recorder.begin(mark("play")))
    marking.start()  # A mark waits for room: it is never dropped.
    finished = source.finished.wait(PATIENCE_S)
    let_go.set()
    assert finished, "the source was held up"
    marking.join()
    state = recorder.stop()
    session = read_session(tmp_path / "s.mcap")
    assert state.losses.queue == 4000 - len(session.raw.ticks) > 0
    np.testing.assert_array_equal(session.raw.counts, counts[session.raw.sequence])
    assert "because the computer was too slow" in state.losses.sentence()
    assert len(session.events) == 1, "marks are never dropped"


def test_an_existing_file_is_never_touched(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    path.write_bytes(b"precious")
    with pytest.raises(SessionFileError, match="exists; a recording never replaces another"):
        Recorder(path, ScriptedSource(random_counts(100))).start()
    assert path.read_bytes() == b"precious"
    assert [entry.name for entry in tmp_path.iterdir()] == ["s.mcap"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot rename an open file")
@pytest.mark.parametrize("links", [True, False])
def test_a_recording_has_no_name_before_it_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    """Also on a file system without hard links."""
    path = tmp_path / "s.mcap"
    if not links:
        monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError(errno.EPERM, "not permitted")))
    fsync, seen = os.fsync, []
    monkeypatch.setattr(os, "fsync", lambda fd: (seen.append(path.exists()), fsync(fd)))
    recorder = Recorder(path, ScriptedSource(random_counts(400)))
    recorder.start()
    assert seen[0] is False
    assert len(read_session(path).raw.ticks) >= 0
    recorder.stop()
    assert [entry.name for entry in tmp_path.iterdir()] == ["s.mcap"]


def test_a_device_that_does_not_answer_leaves_no_file(tmp_path: Path) -> None:
    class Dead(ScriptedSource):
        def start(self, sink: Sink) -> DeviceInfo:
            raise DeviceError("nothing came")

    with pytest.raises(DeviceError):
        Recorder(tmp_path / "s.mcap", Dead(random_counts(10))).start()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be removed")
def test_a_removed_folder_costs_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "b"
    folder.mkdir(parents=True)
    counts = random_counts(100_000)
    source = ScriptedSource(counts)
    recorder = Recorder(folder / "s.mcap", source, settings=RecorderSettings(refresh_s=0.2))
    recorder.start()
    time.sleep(0.5)
    sent = source.sent
    shutil.rmtree(tmp_path / "a")
    wait_for(lambda: not recorder.running)
    with pytest.raises(SessionFileError, match=r"was removed or moved.*saved in .*s-rescued\.mcap"):
        recorder.stop()
    session = read_session(tmp_path / "s-rescued.mcap")
    assert len(session.raw.ticks) >= sent
    np.testing.assert_array_equal(session.raw.counts, counts[session.raw.sequence])


class FullDisk:
    """``os.fsync`` and writes fail from some moment on, as on a disk without room."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = False
        fsync = os.fsync
        monkeypatch.setattr(os, "fsync", lambda fd: self._check() or fsync(fd))

    def _check(self) -> None:
        if self.full:
            raise OSError(errno.ENOSPC, "No space left on device")


def test_disk_errors_end_cleanly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = FullDisk(monkeypatch)
    counts, path = random_counts(100_000), tmp_path / "s.mcap"
    source = ScriptedSource(counts)
    recorder = Recorder(path, source)
    recorder.start()
    wait_for(lambda: len(read_session(path).raw.ticks) >= 200)
    disk.full = True
    wait_for(lambda: not recorder.running)
    with pytest.raises(SessionFileError, match=r"cannot be written on.*safe, free some space"):
        recorder.stop()
    session = read_session(path)
    assert len(session.raw.ticks) >= 200
    np.testing.assert_array_equal(session.raw.counts, counts[session.raw.sequence])


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_the_program_is_never_taken_for_a_whole_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = ScriptedSource(random_counts(100_000))
    recorder = Recorder(tmp_path / "s.mcap", source)
    recorder.start()
    monkeypatch.setattr(Recorder, "_write_one", lambda self, writer: 1 // 0)
    wait_for(lambda: not recorder.running)
    with pytest.raises(SessionFileError, match="by a fault of this program"):
        recorder.stop()


def record_until_killed(path: str, report: object, counts: np.ndarray) -> None:
    """In a child: record, report every number that was handed to the recorder.

    Time is the data's: the source waits for the disk, and syncs are timed by what was sent, so that a busy computer
    makes the recording slower and nothing else.
    """

    def listener(items: Sequence[Item]) -> None:
        for item in items:
            if isinstance(item, RawSamples):
                os.write(report.fileno(), int(item.sequence[-1]).to_bytes(8, "little"))  # type: ignore[attr-defined]

    source = ScriptedSource(counts)
    settings = RecorderSettings(monotonic_s=lambda: source.sent / RATE, refresh_s=0.2)
    recorder = Recorder(Path(path), source, settings=settings, listeners=[listener])
    source.held = lambda: recorder._early is not None or recorder._queue.qsize() > 4
    recorder.start()
    recorder.begin(mark("play", posture="A"))
    time.sleep(600.0)


def kill_at_random_moments(tmp_path: Path, kills: int, longest_s: float) -> float:
    """Kill -9 so many recordings; return the most seconds of acknowledged data that any file lacks."""
    context = multiprocessing.get_context("fork")
    rng = np.random.default_rng(11)
    counts = random_counts(30_000, 4)
    worst_s = 0.0
    for batch in range(0, kills, 10):
        children = []
        for i in range(min(10, kills - batch)):
            reader, writer = context.Pipe(duplex=False)
            path = tmp_path / f"{batch + i}.mcap"
            child = context.Process(target=record_until_killed, args=(str(path), writer, counts), daemon=True)
            child.start()
            writer.close()
            children.append((RATE * rng.uniform(0.0, longest_s), child, reader, path))
        for number, child, reader, path in sorted(children, key=lambda entry: entry[0]):
            reported = b""
            while int.from_bytes(reported[-8:], "little") < number:
                data = os.read(reader.fileno(), 8)
                assert data, "the child ended by itself"
                reported += data
            os.kill(child.pid, signal.SIGKILL)  # type: ignore[arg-type]
            child.join()
            while data := os.read(reader.fileno(), 1 << 20):
                reported += data
            reader.close()
            last = max((int.from_bytes(reported[i : i + 8], "little") for i in range(0, len(reported), 8)), default=-1)
            if not path.exists():
                assert last < RATE * 0.5, "half a second was acknowledged without a file"
                continue
            session = read_session(path)  # opens every time
            np.testing.assert_array_equal(session.raw.counts, counts[session.raw.sequence])
            np.testing.assert_array_equal(session.raw.sequence, np.arange(len(session.raw.sequence)))
            if last > RATE * 1.6:
                (event,) = session.events
                assert event.end_s > last / RATE - 2.2, "the open block was not kept"
            worst_s = max(worst_s, (last + 1 - len(session.raw.sequence)) / RATE)
    return worst_s


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork.*:DeprecationWarning")
def test_kill_at_ten_random_moments(tmp_path: Path) -> None:
    assert kill_at_random_moments(tmp_path, 10, 3.0) <= 1.0


@pytest.mark.soak
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork.*:DeprecationWarning")
def test_kill_at_200_random_moments(tmp_path: Path) -> None:
    worst_s = kill_at_random_moments(tmp_path, 200, 6.0)
    print(f"\n200 kills: at most {worst_s:.2f} s of what was handed over is missing")
    assert worst_s <= 1.0


def test_the_computer_s_date_stepping_by_an_hour_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counts = random_counts(2000)
    source = ScriptedSource(counts, speed=4.0)
    recorder = Recorder(tmp_path / "s.mcap", source)
    recorder.start()
    real = time.time
    monkeypatch.setattr(time, "time", lambda: real() - 3600.0)
    recorder.begin(mark("play"))
    assert source.finished.wait(PATIENCE_S)
    recorder.stop()
    session = read_session(tmp_path / "s.mcap")
    assert len(session.raw.ticks) == 2000
    assert (np.diff(session.raw.host_time_s) >= 0).all()
    assert np.ptp(session.raw.host_time_s) < 1800.0
    assert session.events[0].end_s > session.events[0].start_s >= 0.0


@pytest.mark.skipif(sys.platform == "win32", reason="Windows does not let an open file be removed")
def test_a_second_rescue_keeps_the_first(tmp_path: Path) -> None:
    first = tmp_path / "s-rescued.mcap"
    first.write_bytes(b"an evening rescued before")
    folder = tmp_path / "a"
    folder.mkdir()
    settings = RecorderSettings(refresh_s=0.1)
    recorder = Recorder(folder / "s.mcap", ScriptedSource(random_counts(100_000)), settings=settings)
    recorder.start()
    time.sleep(0.4)
    shutil.rmtree(folder)
    wait_for(lambda: not recorder.running)
    with pytest.raises(SessionFileError, match=r"saved in .*s-rescued-2\.mcap"):
        recorder.stop()
    assert first.read_bytes() == b"an evening rescued before"
    assert read_session(tmp_path / "s-rescued-2.mcap").raw.ticks.size > 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s-rescued-2.mcap", "s-rescued.mcap"]


def test_the_recording_warns_and_ends_well_before_the_disk_is_full(tmp_path: Path) -> None:
    room = {"bytes": 10**9}
    path, counts = tmp_path / "s.mcap", random_counts(100_000)
    settings = RecorderSettings(refresh_s=0.05, free_bytes=lambda _: room["bytes"])
    recorder = Recorder(path, ScriptedSource(counts), settings=settings)
    info = recorder.start()
    recorder.begin(mark("play", "block 1", "A"))
    time.sleep(0.3)
    assert recorder.state().warning == ""
    a_minute = round(60 * info.profile.sensor.rate_hz * BYTES_PER_SAMPLE)
    room["bytes"] = 4 * a_minute + 100_000
    wait_for(lambda: "The disk is full in" in recorder.state().warning)
    assert recorder.running
    room["bytes"] = a_minute // 2
    wait_for(lambda: not recorder.running)
    with pytest.raises(SessionFileError, match=r"ended and closed, because the disk is nearly full; nothing of it"):
        recorder.stop()
    session = read_session(path)
    assert session.warnings == ()  # Whole: closing record, index and checksums are there.
    assert session.metadata["ended"] == "the disk was nearly full"
    assert session.events[0].end_s > session.events[0].start_s
    np.testing.assert_array_equal(session.raw.counts, counts[session.raw.sequence])


def test_the_end_of_a_file_takes_no_more_than_is_kept_free_for_it(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    writer = SessionWriter(path, SessionHead(INFO.profile.sensor))
    for number in range(600):
        writer.write_event(Event(float(number), number + 1.0, "play", f"block {number}", "A"))
        writer.sync()
    written, closing = writer.sizes()
    writer.close()
    assert 0.3 * closing < path.stat().st_size - written <= closing


def test_two_recorders_with_one_name_do_not_harm_each_other(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    outcomes: list[str] = []
    refused: list[str] = []
    start = threading.Barrier(6)

    def record(number: int) -> None:
        head = SessionHead(INFO.profile.sensor, metadata={"number": str(number)})
        start.wait()
        try:
            with SessionWriter(path, head) as writer:
                writer.write_event(Event(0.0, 1.0, "play", str(number), "A"))
            outcomes.append(str(number))
        except SessionFileError as error:
            refused.append(str(error))

    threads = [threading.Thread(target=record, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all("exists" in sentence for sentence in refused)
    assert len(refused) == 5
    session = read_session(path)
    assert [session.metadata["number"], session.events[0].label] == outcomes * 2
    assert session.warnings == ()
    assert list(tmp_path.iterdir()) == [path]


def test_a_full_disk_leaves_no_half_written_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = FullDisk(monkeypatch)
    disk.full = True
    with pytest.raises(SessionFileError, match="cannot be written"):
        SessionWriter(tmp_path / "s.mcap", SessionHead(INFO.profile.sensor))
    assert list(tmp_path.iterdir()) == []
