"""Every version of the session file that was ever written reads on; version 2 holds more streams and attachments."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from analysis.model.errors import SessionFileError
from analysis.model.records import Session, Stream
from analysis.model.session_parts import Attachment, ClockRelation, SensorIdentity
from logger.session.session_file import SessionWriter, read_session, write_session
from logger.session.session_records import FORMAT_VERSION, MOST_STREAMS, SessionHead, StreamHead
from tests.logger.session import make

VERSIONS = Path(__file__).parent / "versions"
INSTRUMENT = Stream(
    "instrument",
    make.samples(300, seed=9),
    replace(make.PROFILE, name="second part", rate_hz=100.0, tick_hz=32768.0),
    make.session(1).calibration,
    ClockRelation(1.25, 1.00002, 0.0004),
    SensorIdentity("2f:01", "a microcontroller", "1.4.0"),
)
SOUND = Attachment("sound", "evening.wav", "ab" * 32, 1_234_567, ClockRelation(-0.5))


def two_streams(n: int = 400) -> Session:
    return replace(
        make.session(n),
        sensor=SensorIdentity("1e:77", "another microcontroller", "0.9.1"),
        streams=(INSTRUMENT,),
        attachments=(SOUND,),
    )


def test_there_is_a_file_of_every_version_and_each_is_small() -> None:
    files = sorted(path.name for path in VERSIONS.iterdir())
    assert files == [f"version-{number}.mcap" for number in range(1, FORMAT_VERSION + 1)]
    assert sum(path.stat().st_size for path in VERSIONS.iterdir()) < 100_000


@pytest.mark.parametrize("number", range(1, FORMAT_VERSION + 1))
def test_every_version_reads_on(number: int) -> None:
    read = read_session(VERSIONS / f"version-{number}.mcap")
    wanted = make.session(400) if number == 1 else two_streams()
    assert make.equal_samples(read.raw, wanted.raw)
    assert read.warnings == wanted.warnings
    for name in ("profile", "calibration", "player", "instrument", "events", "sensor", "attachments"):
        assert getattr(read, name) == getattr(wanted, name), name
    assert len(read.streams) == len(wanted.streams)
    for got, want in zip(read.streams, wanted.streams, strict=True):
        assert make.equal_samples(got.raw, want.raw)
        assert replace(got, raw=want.raw) == want


def test_a_session_of_version_1_written_anew_is_one_of_this_version(tmp_path: Path) -> None:
    old = read_session(VERSIONS / "version-1.mcap")
    write_session(tmp_path / "s.mcap", old)
    assert make.same_but_samples(read_session(tmp_path / "s.mcap"), old)


def test_streams_recorded_live_come_back(tmp_path: Path) -> None:
    head = SessionHead(make.PROFILE, streams=(StreamHead("instrument", INSTRUMENT.profile),), attachments=(SOUND,))
    with SessionWriter(tmp_path / "s.mcap", head) as writer:
        for first in range(0, 300, 30):
            writer.write_samples(make.samples(30, first=first))
            writer.write_stream_samples(0, make.samples(30, seed=1, first=first))
    read = read_session(tmp_path / "s.mcap")
    assert (read.raw.ticks.size, read.streams[0].raw.ticks.size) == (300, 300)
    assert read.streams[0].clock is None
    assert read.warnings == ()


def test_a_chunk_of_the_second_stream_that_is_damaged_is_told(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    write_session(path, two_streams())
    data = bytearray(path.read_bytes())
    at = data.index(INSTRUMENT.raw.counts[100].astype("<i2").tobytes())
    data[at] ^= 1
    path.write_bytes(data)
    read = read_session(path)
    assert make.equal_samples(read.raw, two_streams().raw)
    assert "300 of 300 samples of the instrument's stream 1 are missing." in read.warnings


def test_too_many_streams_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match="at most 8 further streams"):
        write_session(tmp_path / "s.mcap", replace(two_streams(), streams=(INSTRUMENT,) * (MOST_STREAMS + 1)))
    assert list(tmp_path.iterdir()) == []
