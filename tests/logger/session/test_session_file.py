"""Session files: exact round trips, agreement with the MCAP library's own reader and with the written description."""

from __future__ import annotations

import hashlib
import json
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from mcap.reader import make_reader

from analysis.model.errors import OutputError, SessionFileError
from analysis.model.records import RawSamples
from logger.session import session_records
from logger.session.session_file import read_session, write_session
from logger.session.session_rows import decode_samples, encode_samples
from tests.logger.session import make


def test_everything_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    written = make.session()
    write_session(path, written)
    read = read_session(path)
    assert make.equal_samples(read.raw, written.raw)
    assert read.raw.counts.dtype == np.int16  # as narrow as the file has them
    assert make.same_but_samples(read, written)
    assert read.warnings == written.warnings
    assert read.log_hash == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_session_without_samples_or_events_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "s.mcap"
    write_session(path, replace(make.session(0), events=()))
    read = read_session(path)
    assert read.raw.counts.shape == (0, 6)
    assert read.events == ()


def test_the_same_session_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_session(tmp_path / name, make.session())
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@st.composite
def raw_samples(draw: st.DrawFn) -> RawSamples:
    n = draw(st.integers(1, 30))
    wide = st.integers(-(2**63), 2**63 - 1)
    near = st.integers(0, 10_000)
    integers = draw(st.sampled_from([wide, near]))
    small = draw(st.booleans())
    bound = 2**15 if small else 2**31
    return RawSamples(
        draw(hnp.arrays(np.int64, n, elements=integers)),
        draw(hnp.arrays(np.int64, n, elements=integers)),
        draw(hnp.arrays(np.float64, n, elements=st.floats(allow_infinity=False))),
        draw(hnp.arrays(np.int32, (n, 6), elements=st.integers(-bound, bound - 1))),
    )


@given(st.lists(raw_samples(), min_size=1, max_size=4))
def test_any_batches_come_back_bit_for_bit(batches: list[RawSamples]) -> None:
    read = decode_samples([encode_samples(batch) for batch in batches])
    for name in ("ticks", "sequence", "counts"):
        assert np.array_equal(getattr(read, name), np.concatenate([getattr(batch, name) for batch in batches]))
    host = np.concatenate([batch.host_time_s for batch in batches])
    assert np.array_equal(read.host_time_s, host, equal_nan=True)


def test_usual_rows_are_narrow() -> None:
    raw = make.samples(1000, host=False)
    assert len(encode_samples(raw)) == 24 + 1000 * 20


def test_the_library_s_reader_agrees(tmp_path: Path) -> None:
    """Outside check: the mcap library's own indexed reader accepts the file, with all checksums on."""
    path = tmp_path / "s.mcap"
    written = make.session(2000)
    write_session(path, written)
    with path.open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True)
        summary = reader.get_summary()
        assert summary is not None
        assert {c.topic for c in summary.channels.values()} == {"/session", "/samples", "/events"}
        assert reader.get_header().profile == "strokeplane"
        assert [(m.name, m.metadata["format_version"]) for m in reader.iter_metadata()] == [("strokeplane", "2")]
        messages = list(reader.iter_messages(log_time_order=False))
    rows = sum(struct.unpack_from("<I", m.data)[0] for _, c, m in messages if c.topic == "/samples")
    assert rows == 2000
    settings_json = next(json.loads(m.data) for _, c, m in messages if c.topic == "/session")
    assert settings_json["instrument"]["courses"] == 4


def test_the_description_is_enough_to_read_samples(tmp_path: Path) -> None:
    """A reader made only from docs/session-file.md: struct, row by row."""
    path = tmp_path / "s.mcap"
    written = make.session(700)
    write_session(path, written)
    rows: list[tuple[int, ...]] = []
    with path.open("rb") as stream:
        for _, _, message in make_reader(stream).iter_messages(topics="/samples"):
            count, flags, tick, sequence = struct.unpack_from("<IIqq", message.data)
            row = struct.Struct(
                "<" + ("qq" if flags & 1 else "II") + ("6i" if flags & 2 else "6h") + ("d" if flags & 4 else "")
            )
            for at in range(count):
                values = row.unpack_from(message.data, 24 + at * row.size)
                base = (0, 0) if flags & 1 else (tick, sequence)
                rows.append((values[0] + base[0], values[1] + base[1], *values[2:]))
    raw = written.raw
    assert np.array_equal([r[0] for r in rows], raw.ticks)
    assert np.array_equal([r[1] for r in rows], raw.sequence)
    assert np.array_equal([r[2:8] for r in rows], raw.counts)
    assert np.array_equal([r[8] for r in rows], raw.host_time_s)


def test_a_newer_version_is_a_clear_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.mcap"
    monkeypatch.setattr(session_records, "FORMAT_VERSION", 3)
    write_session(path, make.session())
    monkeypatch.undo()
    with pytest.raises(SessionFileError, match=r"s\.mcap: expected session format 2 or older, found format 3.*update"):
        read_session(path)


def test_unknown_fields_are_a_clear_error() -> None:
    data = json.loads(session_records.encode_head(session_records.SessionHead(make.PROFILE)))
    data["profile"]["colour"] = "blue"
    with pytest.raises(SessionFileError, match=r"SensorProfile, found \['colour'\]; update"):
        session_records.decode_head(json.dumps(data).encode())


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "is empty"),
        (b"t,ax,ay\n1,2,3\n", "needs strokeplane import first"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\0", "it is no strokeplane session"),
    ],
)
def test_what_is_no_session_is_refused(tmp_path: Path, content: bytes, sentence: str) -> None:
    path = tmp_path / "s.mcap"
    path.write_bytes(content)
    with pytest.raises(SessionFileError, match=sentence) as caught:
        read_session(path)
    assert "s.mcap" in str(caught.value)


def test_another_program_s_mcap_is_refused(tmp_path: Path) -> None:
    from mcap.writer import Writer

    path = tmp_path / "other.mcap"
    writer = Writer(str(path))
    writer.start()
    channel = writer.register_channel("/samples", "json", 0)
    for time in range(10):
        writer.add_message(channel, time, b"{}", time)
    writer.finish()
    with pytest.raises(SessionFileError, match="no strokeplane session"):
        read_session(path)


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SessionFileError, match="no such file"):
        read_session(tmp_path / "none.mcap")
    with pytest.raises(SessionFileError, match="is a folder; name one session file"):
        read_session(tmp_path)


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.mcap"
    write_session(path, make.session(100))
    before = path.read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OutputError, match=r"s\.mcap cannot be written \(no space left on device\)"):
        write_session(path, make.session(200))
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_outputs_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("x")
    for path, sentence in (
        (tmp_path / "folder", "is a folder"),
        (tmp_path / "none" / "s.mcap", "there is no folder"),
        (tmp_path / "file" / "s.mcap", "there is no folder"),
        (tmp_path / ("n" * 300), "cannot be written"),
    ):
        with pytest.raises(OutputError, match=sentence):
            write_session(path, make.session(10))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "folder"]


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The superuser may write anywhere, so the system's answer is played."""
    monkeypatch.setattr("os.access", lambda path, mode: False)
    with pytest.raises(OutputError, match="permission denied"):
        write_session(tmp_path / "s.mcap", make.session(10))


def test_a_link_keeps_its_target(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_session(tmp_path / "link", make.session(10))
    assert (tmp_path / "link").is_symlink()
    assert read_session(tmp_path / "real").raw.ticks.size == 10


@settings(max_examples=30, deadline=None)
@given(st.text(max_size=20), st.floats(0.01, 1e6), st.integers(0, 3))
def test_any_text_and_number_of_the_settings_comes_back(text: str, number: float, repeats: int) -> None:
    head = session_records.SessionHead(
        replace(make.PROFILE, name=text, rate_hz=number), warnings=(text,) * repeats, metadata={text: text}
    )
    try:
        text.encode()
    except UnicodeEncodeError:
        return
    read, closing = session_records.decode_head(session_records.encode_head(head))
    assert closing is None
    assert read == head
