"""Damaged session files: whatever is delivered is right, whatever is missing is counted and said."""

from __future__ import annotations

import re
import zlib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.errors import SessionFileError
from analysis.model.records import Session
from logger.session import range_sums, session_scan
from logger.session.session_file import SAMPLES_PER_CHUNK, read_session, write_session
from tests.logger.session import make

SAMPLES = 6000
CHUNKS = -(-SAMPLES // SAMPLES_PER_CHUNK) + 2  # settings and events stand in one before and one after the samples


@pytest.fixture(scope="module")
def written() -> Session:
    return make.session(SAMPLES)


@pytest.fixture(scope="module")
def whole(written: Session, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("whole") / "s.mcap"
    write_session(path, written)
    return path.read_bytes()


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged") / "s.mcap"


def read(path: Path, data: bytes) -> Session:
    path.write_bytes(data)
    return read_session(path)


def only_right_samples(read: Session, written: Session) -> bool:
    """Every sample delivered stands in the original with the same ticks, host time and counts."""
    at = read.raw.sequence
    return (
        bool((np.diff(at) > 0).all())
        and np.array_equal(read.raw.ticks, written.raw.ticks[at])
        and np.array_equal(read.raw.host_time_s, written.raw.host_time_s[at])
        and np.array_equal(read.raw.counts, written.raw.counts[at])
    )


def missing_as_told(session: Session) -> int:
    """How many samples the warnings say are missing."""
    return sum(int(n) for text in session.warnings for n in re.findall(r"(\d+) of \d+ samples are missing", text))


def flip(data: bytes, bit: int) -> bytes:
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << (bit % 8)
    return bytes(changed)


def test_a_whole_file_gives_no_warning_of_damage(written: Session, whole: bytes, path: Path) -> None:
    assert read(path, whole).warnings == written.warnings


def structural_bytes(whole: bytes) -> list[int]:
    """Bytes of the file that are not sample rows: record heads, settings, index, footer."""
    plain = np.ones(len(whole), dtype=bool)
    for match in re.finditer(rb"\x06.{8}.{28}\x00{4}", whole, re.DOTALL):
        plain[match.end() + 80 : match.end() + 20_000] = False
    plain[-3000:] = True
    plain[:4000] = True
    return [int(at) for at in np.flatnonzero(plain)]


def test_a_flipped_bit_anywhere_is_noticed_and_costs_one_chunk_at_most(
    written: Session, whole: bytes, path: Path
) -> None:
    rng = np.random.default_rng(1)
    structural = structural_bytes(whole)
    bits = [int(b) for b in rng.integers(0, 8 * len(whole), 250)]
    bits += [8 * int(at) + int(rng.integers(8)) for at in rng.choice(structural, 250, replace=False)]
    bits += [8 * at + bit for at in (*range(0, 90, 3), *range(len(whole) - 60, len(whole), 2)) for bit in (0, 6)]
    for bit in bits:
        session = read(path, flip(whole, bit))
        lost = SAMPLES - session.raw.ticks.size
        assert only_right_samples(session, written), bit
        assert make.same_but_samples(session, written), bit
        assert lost <= SAMPLES_PER_CHUNK, bit
        assert len(session.warnings) > len(written.warnings), bit
        assert missing_as_told(session) == lost, bit


def test_the_sentence_counts_what_is_missing(written: Session, whole: bytes, path: Path) -> None:
    rows = whole.index(written.raw.counts[1000].astype("<i2").tobytes())
    session = read(path, flip(whole, rows * 8))
    assert session.warnings[-1] == (
        f"1 of the file's {CHUNKS} chunks are damaged and were left out: "
        f"{SAMPLES_PER_CHUNK} of {SAMPLES} samples are missing."
    )


def test_damage_outside_the_samples_is_told_from_loss(written: Session, whole: bytes, path: Path) -> None:
    session = read(path, flip(whole, 8 * (len(whole) - 30)))
    assert make.equal_samples(session.raw, written.raw)
    assert "nothing of them is missing" in session.warnings[-1]


def test_a_file_cut_anywhere_keeps_every_whole_chunk(written: Session, whole: bytes, path: Path) -> None:
    rng = np.random.default_rng(2)
    kept_before = 0
    for length in sorted(int(n) for n in rng.integers(4000, len(whole), 150)):
        session = read(path, whole[:length])
        kept = session.raw.ticks.size
        assert only_right_samples(session, written)
        assert make.same_but_samples(session, written)
        assert kept >= kept_before
        assert kept >= SAMPLES * (length - 4000) / len(whole) - SAMPLES_PER_CHUNK
        # Only where the cut is behind the closing record can nothing be missing.
        told = "cut short" in session.warnings[-1] or "nothing of them is missing" in session.warnings[-1]
        assert told, length
        kept_before = kept


def test_a_file_cut_before_its_settings_is_refused(whole: bytes, path: Path) -> None:
    for length in (1, 8, 100, 700):
        with pytest.raises(SessionFileError, match=r"s\.mcap"):
            read(path, whole[:length])


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_number_of_wounds_leaves_only_right_samples(
    data: st.DataObject, written: Session, whole: bytes, path: Path
) -> None:
    """Stretches overwritten, cut out or put in, up to eight of them."""
    wounded = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 8))):
        at = data.draw(st.integers(0, len(wounded) - 1))
        length = data.draw(st.integers(0, 2000))
        wounded[at : at + length] = data.draw(st.binary(max_size=100))
    try:
        session = read(path, bytes(wounded))
    except SessionFileError:
        return  # both copies of the settings are gone
    assert only_right_samples(session, written)
    if session.raw.ticks.size < SAMPLES:
        assert len(session.warnings) > len(written.warnings)


def test_a_chunk_that_stands_twice_is_read_once(written: Session, whole: bytes, path: Path) -> None:
    start = whole.index(written.raw.counts[512].astype("<i2").tobytes()) - 200
    session = read(path, whole[: start + 40_000] + whole[start:])
    assert only_right_samples(session, written)


def test_the_search_for_chunks_is_quick_on_hostile_bytes(
    whole: bytes, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Zeros and sixes look like the start of a chunk everywhere; none of them may cost a checksum of the rest."""
    summed: list[int] = []

    def crc32(data: bytes | memoryview, before: int = 0) -> int:
        summed.append(len(data))
        return zlib.crc32(data, before)

    for module in (range_sums, session_scan):
        monkeypatch.setattr(module, "zlib", SimpleNamespace(crc32=crc32))
    hostile = whole + b"\x06" + bytes(2_000_000) + b"\x06" * 2_000_000
    read(path, hostile)
    assert len(hostile) <= sum(summed) < 3 * len(hostile)
    assert len(summed) < 10_000
