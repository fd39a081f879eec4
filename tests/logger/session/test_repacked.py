"""Session files packed anew by another program, and damaged ones that would make a search slow."""

from __future__ import annotations

import random
import struct
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from mcap.reader import make_reader
from mcap.writer import CompressionType, Writer

from analysis.model.errors import SessionFileError
from logger.session.range_sums import RangeSums
from logger.session.session_file import read_session, write_session
from tests.logger.session import make


def repack(source: Path, target: Path, compression: CompressionType, chunk_size: int = 50_000) -> None:
    """Write a file anew with the MCAP library: other chunks, other channel numbers, another writer's name."""
    with source.open("rb") as stream, target.open("wb") as out:
        writer = Writer(out, chunk_size=chunk_size, compression=compression)
        writer.start(profile="strokeplane", library="another program")
        numbers: dict[str, int] = {}
        other = writer.register_schema("other", "text", b"-")
        writer.register_channel("/other", "text", other)
        for schema, channel, message in make_reader(stream).iter_messages(log_time_order=False):
            if channel.topic not in numbers:
                known = writer.register_schema(schema.name, schema.encoding, schema.data) if schema else other
                numbers[channel.topic] = writer.register_channel(channel.topic, channel.message_encoding, known)
            writer.add_message(
                numbers[channel.topic], message.log_time, message.data, message.publish_time, message.sequence
            )
        writer.finish()


@pytest.mark.parametrize("compression", [CompressionType.ZSTD, CompressionType.LZ4])
@pytest.mark.parametrize("chunk_size", [3_000, 50_000, 10_000_000])
def test_a_file_packed_anew_reads_as_it_is(tmp_path: Path, compression: CompressionType, chunk_size: int) -> None:
    written = make.session(6000)
    write_session(tmp_path / "a.mcap", written)
    repack(tmp_path / "a.mcap", tmp_path / "b.mcap", compression, chunk_size)
    read = read_session(tmp_path / "b.mcap")
    assert make.equal_samples(read.raw, written.raw)
    assert make.same_but_samples(read, written)
    assert read.warnings == written.warnings


def test_damage_in_a_packed_file_is_told_and_nothing_wrong_is_delivered(tmp_path: Path) -> None:
    written = make.session(6000)
    write_session(tmp_path / "a.mcap", written)
    repack(tmp_path / "a.mcap", tmp_path / "b.mcap", CompressionType.ZSTD, 20_000)
    whole = (tmp_path / "b.mcap").read_bytes()
    source = random.Random(5)
    told = 0
    for _ in range(60):
        bad = bytearray(whole)
        bad[source.randrange(len(bad))] ^= 1 << source.randrange(8)
        (tmp_path / "b.mcap").write_bytes(bad)
        try:
            read = read_session(tmp_path / "b.mcap")
        except SessionFileError:
            continue
        at = read.raw.sequence
        np.testing.assert_array_equal(read.raw.counts, written.raw.counts[at])
        if at.size < 6000:
            told += 1
            assert len(read.warnings) > len(written.warnings)
    assert told > 20


def test_a_chunk_that_unpacks_to_too_much_is_refused(tmp_path: Path) -> None:
    import zstandard

    data = zstandard.compress(bytes(50_000_000))
    body = struct.pack("<QQQII", 0, 0, 50_000_000, 1, 4) + b"zstd" + struct.pack("<Q", len(data)) + data
    header = struct.pack("<I", 0) + struct.pack("<I", 0)
    magic = b"\x89MCAP0\r\n"
    path = tmp_path / "bomb.mcap"
    path.write_bytes(
        magic + struct.pack("<BQ", 1, len(header)) + header + struct.pack("<BQ", 6, len(body)) + body + magic
    )
    with pytest.raises(SessionFileError, match="more than any log"):
        read_session(path)


def test_sums_of_stretches_are_zlibs() -> None:
    source = random.Random(2)
    data = source.randbytes(60_000)
    sums = RangeSums(data)
    for _ in range(300):
        start, stop = sorted(source.choices(range(len(data) + 1), k=2))
        assert sums.crc(start, stop) == zlib.crc32(data[start:stop])


def test_the_search_is_linear_where_every_place_looks_like_a_chunk(tmp_path: Path) -> None:
    """Heads of chunks one after the other, each claiming all the rest: every one asks for the sum of all the rest."""
    path = tmp_path / "s.mcap"
    write_session(path, make.session(1000))
    whole = path.read_bytes()
    took = []
    for megabytes in (1, 4):
        size = megabytes * 1_000_000
        heads = b"".join(
            struct.pack("<BQQQQIIQ", 6, size - at - 57 + 40, 0, 0, size - at - 57, 12345, 0, size - at - 57)
            for at in range(0, size - 200, 57)
        )
        path.write_bytes(whole[:-8] + heads + bytes(300))
        began = time.process_time()
        read = read_session(path)
        took.append(time.process_time() - began)
        assert read.raw.ticks.size == 1000
    assert took[1] < 8.0
    assert took[1] < 10 * took[0]
