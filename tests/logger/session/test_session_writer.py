"""Recording: what was synced survives a killed program; chunks close every half second."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from mcap.reader import make_reader

from analysis.model.errors import SessionFileError
from analysis.model.records import Event
from logger.session.session_chunks import ChunkStream
from logger.session.session_file import SYNC_INTERVAL_S, SessionWriter, read_session
from logger.session.session_records import SessionHead
from tests.logger.session import make


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_a_recording_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    clock = Clock()
    with SessionWriter(path, SessionHead(make.PROFILE), clock) as writer:
        for first in range(0, 4000, 25):
            clock.now += 25 / 400
            writer.write_samples(make.samples(25, seed=first, first=first))
            if first == 1000:
                writer.write_event(Event(1.0, 2.0, "still"))
                writer.write_metadata({"clock": "steady"})
    session = read_session(path)
    parts = [make.samples(25, seed=first, first=first) for first in range(0, 4000, 25)]
    assert np.array_equal(session.raw.counts, np.concatenate([part.counts for part in parts]))
    assert np.array_equal(session.raw.host_time_s, np.concatenate([part.host_time_s for part in parts]))
    assert session.events == (Event(1.0, 2.0, "still"),)
    assert session.metadata == {"clock": "steady"}
    assert session.warnings == ()


def test_an_event_written_anew_replaces_the_first(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    with SessionWriter(path, SessionHead(make.PROFILE)) as writer:
        number = writer.write_event(Event(1.0, 2.0, "play"))
        writer.write_event(Event(3.0, 4.0, "rest"))
        writer.sync()
        writer.replace_event(number, Event(1.0, 2.5, "play", rating=6.0))
    assert read_session(path).events == (Event(1.0, 2.5, "play", rating=6.0), Event(3.0, 4.0, "rest"))


def test_the_disk_is_synced_every_half_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After each sync the file on the disk, unfinished as it is, already holds every sample up to it."""
    synced = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        real(descriptor)
        # The settings are synced before the file gets its name.
        found = path if path.exists() else next(path.parent.glob(".s.mcap.*.part"))
        if os.path.samestat(os.fstat(descriptor), found.stat()):
            synced.append((clock.now, read_session(found).raw.ticks.size))

    monkeypatch.setattr("os.fsync", fsync)
    path = tmp_path / "s.mcap"
    clock = Clock()
    writer = SessionWriter(path, SessionHead(make.PROFILE), clock)
    for first in range(0, 2000, 20):
        clock.now += 0.05
        writer.write_samples(make.samples(20, first=first))
    writer.close()
    times = np.array([when for when, _ in synced[:-1]])
    assert times[0] == 0.0  # the settings, before the first sample
    assert np.allclose(np.diff(times)[:-1], SYNC_INTERVAL_S, atol=0.051)
    for when, kept in synced:
        assert kept == round(when / 0.05) * 20


RECORDING = """
    import sys, time
    from pathlib import Path
    from analysis.model.records import Event
    from logger.session.session_file import SessionWriter
    from logger.session.session_records import SessionHead
    from tests.logger.session import make

    synced_before = 0.0
    writer = SessionWriter(Path(sys.argv[1]), SessionHead(make.PROFILE))
    writer.write_event(Event(0.0, 1.0, "still"))
    for first in range(0, 400_000, 10):
        writer.write_samples(make.samples(10, seed=first, first=first))
        if writer._synced_at != synced_before:
            synced_before = writer._synced_at
            print(first + 10 if first else 0, flush=True)
        time.sleep(0.002)
"""


def test_a_killed_recording_keeps_all_that_was_synced(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    code = textwrap.dedent(RECORDING)
    root = Path(__file__).resolve().parents[3]
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], cwd=root, stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        synced = [int(child.stdout.readline()) for _ in range(4)][-1]
        child.kill()
    session = read_session(path)
    kept = session.raw.ticks.size
    assert kept >= synced > 0
    expected = np.concatenate([make.samples(10, seed=f, first=f).counts for f in range(0, kept, 10)])
    assert np.array_equal(session.raw.counts, expected)
    assert session.events == (Event(0.0, 1.0, "still"),)
    assert "cut short" in session.warnings[-1]


def test_a_recording_never_replaces_a_file(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    path.write_text("mine")
    with pytest.raises(SessionFileError, match=r"s\.mcap exists.*name a new file"):
        SessionWriter(path, SessionHead(make.PROFILE))
    assert path.read_text() == "mine"


def test_a_missing_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match="cannot be written"):
        SessionWriter(tmp_path / "none" / "s.mcap", SessionHead(make.PROFILE))


def test_an_error_while_recording_closes_the_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"

    def record() -> None:
        with SessionWriter(path, SessionHead(make.PROFILE)) as writer:
            writer.write_samples(make.samples(30))
            raise RuntimeError("unplugged")

    with pytest.raises(RuntimeError):
        record()
    session = read_session(path)
    assert session.raw.ticks.size == 30
    assert session.warnings == ()


def test_a_full_disk_is_said_and_what_was_synced_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.mcap"
    writer = SessionWriter(path, SessionHead(make.PROFILE))
    writer.write_samples(make.samples(100))
    writer.sync()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    writer.write_samples(make.samples(100, first=100))
    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(SessionFileError, match=r"no space left on device.*what was synced before is safe"):
        writer.sync()
    with pytest.raises(SessionFileError, match=r"could not be closed|cannot be written on"):
        writer.close()
    assert read_session(path).raw.ticks.size >= 100


def test_closing_twice_and_syncing_nothing_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    writer = SessionWriter(path, SessionHead(make.PROFILE))
    for _ in range(5):
        writer.sync()
    writer.write_samples(make.samples(10))
    writer.close()
    writer.close()
    session = read_session(path)
    assert session.warnings == ()
    assert session.raw.ticks.size == 10


def test_a_long_recording_repeats_its_settings(tmp_path: Path) -> None:
    """Without its first chunk, which held the only copy at first, a recording cut short can still be read."""
    path = tmp_path / "s.mcap"
    clock = Clock()
    writer = SessionWriter(path, SessionHead(make.PROFILE), clock)
    for first in range(0, 130 * 200, 200):
        clock.now += 0.5
        writer.write_samples(make.samples(200, first=first))
    data = bytearray(path.read_bytes())
    writer.close()
    settings = data.index(b'"format_version"')
    data[settings] ^= 1
    path.write_bytes(data)
    session = read_session(path)
    assert session.profile == make.PROFILE
    assert session.raw.ticks.size >= 120 * 200


def test_the_index_of_a_long_recording_takes_little_memory_and_is_the_library_s(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def record(path: Path, chunks: int) -> int:
        """Bytes that were held after some chunks."""
        with path.open("xb") as stream:
            written = ChunkStream(stream, SessionHead(make.PROFILE))
            batch = make.samples(4)
            tracemalloc.start()
            for _ in range(chunks):
                written.add_samples(batch)
                written.close_chunk()
            held = tracemalloc.get_traced_memory()[0]
            tracemalloc.stop()
            written.finish()
        return held

    few, many = record(tmp_path / "few", 200), record(tmp_path / "many", 1200)
    assert (many - few) / 1000 < 100
    monkeypatch.setattr("logger.session.session_chunks.PackedIndex", list)
    assert record(tmp_path / "theirs", 1200) - few > 1000 * 200
    assert (tmp_path / "theirs").read_bytes() == (tmp_path / "many").read_bytes()
    with (tmp_path / "many").open("rb") as stream:
        summary = make_reader(stream).get_summary()
    assert summary is not None
    assert len(summary.chunk_indexes) == 1201
