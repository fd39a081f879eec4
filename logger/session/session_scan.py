"""Find the sound chunks in the bytes of an MCAP file, whole, cut short or damaged.

An undamaged file is known by the checksum over its whole data section and is walked record by record. In any other
file a wrong length could send such a walk anywhere, so chunks are searched for by their shape instead: an
uncompressed chunk states its size three times and carries a CRC-32, and only chunks whose CRC is right are used.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

from mcap.opcode import Opcode
from mcap.writer import MCAP0_MAGIC

from analysis.model.errors import SessionFileError
from logger.session.range_sums import RangeSums

RECORD = struct.Struct("<BQ")
CHUNK = struct.Struct("<BQQQQIIQ")  # opcode, length, start, end, size, crc, compression's length (0), data length
MESSAGE = struct.Struct("<HIQQ")  # channel, sequence, log time, publish time
FOOTER = struct.Struct("<BQQQI")  # opcode, length, summary start, summary offset start, summary crc
DATA_END = struct.Struct("<BQI")  # opcode, length, data section crc
CHUNK_OVERHEAD = CHUNK.size - RECORD.size

# An uncompressed chunk below 4 GiB: the high halves of its three sizes and the compression's length are zero.
CHUNK_SHAPE = re.compile(rb"\x06.{4}\x00{4}.{20}\x00{4}.{4}\x00{4}.{4}\x00{4}", re.DOTALL)


@dataclass(frozen=True)
class ScannedMessage:
    """One message: its channel, its chunk's number, its bytes."""

    channel: int
    chunk: int
    data: memoryview


@dataclass(frozen=True)
class Scan:
    """What was found in a file; ``sound`` if every byte of it is known to be right."""

    messages: list[ScannedMessage]
    sound: bool


def scan_messages(data: bytes) -> Scan:
    """All messages of all sound chunks, in order of their chunks' numbers; of two chunks of one number the first."""
    section = _sound_data_section(data)
    spans = _search_chunks(data) if section is None else _walk_chunks(data, section)
    view = memoryview(data)
    chunks: dict[int, list[ScannedMessage]] = {}
    for start, stop in spans:
        messages = list(_chunk_messages(view[start:stop]))
        if messages:
            chunks.setdefault(messages[0].chunk, messages)
    return Scan([message for number in sorted(chunks) for message in chunks[number]], section is not None)


def _sound_data_section(data: bytes) -> int | None:
    """End of the data section if every checksum of the file is right, else None."""
    foot = len(data) - len(MCAP0_MAGIC) - FOOTER.size
    if foot < len(MCAP0_MAGIC) or not data.startswith(MCAP0_MAGIC) or not data.endswith(MCAP0_MAGIC):
        return None
    opcode, length, summary, _, summary_crc = FOOTER.unpack_from(data, foot)
    end = summary - DATA_END.size
    if opcode != Opcode.FOOTER or length != FOOTER.size - RECORD.size or not len(MCAP0_MAGIC) <= end < foot:
        return None
    opcode, length, data_crc = DATA_END.unpack_from(data, end)
    view = memoryview(data)
    # A checksum of 0 means that the writer made none.
    sound = (
        opcode == Opcode.DATA_END
        and length == 4
        and data_crc != 0
        and zlib.crc32(view[:end]) == data_crc
        and zlib.crc32(view[summary : foot + FOOTER.size - 4]) == summary_crc
    )
    return end if sound else None


def _walk_chunks(data: bytes, end: int) -> Iterator[tuple[int, int]]:
    """Start and stop of each uncompressed chunk's records, by the lengths: the sums say that nobody changed them."""
    at = len(MCAP0_MAGIC)
    while at < end:
        opcode, stop = _record(data, at, end)
        if opcode == Opcode.CHUNK and stop - at >= CHUNK.size and CHUNK.unpack_from(data, at)[6] == 0:
            yield at + CHUNK.size, stop
        at = stop


def _record(data: bytes | memoryview, at: int, end: int) -> tuple[int, int]:
    """Opcode of the record at ``at``, and where it stops."""
    if at + RECORD.size <= end:
        opcode, length = RECORD.unpack_from(data, at)
        if at + RECORD.size + length <= end:
            return int(opcode), at + RECORD.size + int(length)
    raise SessionFileError(
        expected="records that end where their section does",
        found=f"one at byte {at} that runs over",
        next_step="the file's writer is at fault",
    )


def _search_chunks(data: bytes) -> Iterator[tuple[int, int]]:
    """Start and stop of each chunk's records whose CRC is right, wherever they stand; linear in the file's length."""
    sums = RangeSums(data)
    at = 0
    while (match := CHUNK_SHAPE.search(data, at)) is not None:
        at = match.start()
        _, length, _, _, size, crc, _, data_length = CHUNK.unpack_from(data, at)
        start = at + CHUNK.size
        stop = start + size
        shaped = size == data_length and length == size + CHUNK_OVERHEAD and stop <= len(data)
        if shaped and crc != 0 and sums.crc(start, stop) == crc:
            yield start, stop
            at = stop
        else:
            at += 1


def _chunk_messages(chunk: memoryview) -> Iterator[ScannedMessage]:
    """The messages in a sound chunk."""
    at = 0
    while at < len(chunk):
        opcode, stop = _record(chunk, at, len(chunk))
        start = at + RECORD.size + MESSAGE.size
        if opcode == Opcode.MESSAGE and start <= stop:
            channel, number, _, _ = MESSAGE.unpack_from(chunk, at + RECORD.size)
            yield ScannedMessage(channel, number, chunk[start:stop])
        at = stop
