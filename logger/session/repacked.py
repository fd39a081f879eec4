"""Session files that another program wrote anew: chunks packed with zstd or lz4, cut elsewhere, channels renumbered.

What is read is checked as in a file of ours: every chunk's CRC-32 is taken of its unpacked bytes. Packed input is
untrusted, so what a chunk unpacks to is limited.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator, Sequence

import zstandard
from mcap.exceptions import McapError
from mcap.opcode import Opcode
from mcap.records import Channel, Chunk, McapRecord, Message
from mcap.stream_reader import StreamReader, breakup_chunk
from mcap.writer import MCAP0_MAGIC

from analysis.model.errors import SessionFileError
from logger.session.session_records import CHANNELS
from logger.session.session_scan import CHUNK, CHUNK_OVERHEAD, RECORD, Scan, ScannedMessage

MOST_RATIO = 300
MOST_BYTES = 4_000_000_000
PACKED = (b"zstd", b"lz4")


def is_repacked(data: bytes) -> bool:
    """Whether the first chunk is packed: programs that pack, pack all."""
    at = len(MCAP0_MAGIC)
    while at + RECORD.size <= len(data):
        opcode, length = RECORD.unpack_from(data, at)
        if opcode == Opcode.CHUNK and length >= CHUNK_OVERHEAD:
            name = at + CHUNK.size - 8
            size = int.from_bytes(data[name - 4 : name], "little")
            return data[name : name + min(size, 8)] in PACKED
        if not 1 <= opcode <= 15:
            return False
        at += RECORD.size + length
    return False


def scan_repacked(data: bytes) -> Scan:
    """All messages on our topics, in order of the chunk numbers that the recording gave them.

    Raises
    ------
    SessionFileError
        A chunk unpacks to far too much.
    """
    messages: list[ScannedMessage] = []
    topics: dict[int, str] = {}
    sound = True
    unpacked = 0
    try:
        for record in StreamReader(io.BytesIO(data), emit_chunks=True, record_size_limit=len(data)).records:
            if isinstance(record, Channel):
                topics[record.id] = record.topic
            elif isinstance(record, Chunk):
                unpacked += record.uncompressed_size
                _check_size(record, unpacked)
                inner = _unpacked(record)
                sound = sound and inner is not None
                messages += _on_our_topics(inner or [], topics)
    except _BROKEN:
        sound = False  # What was read before is right: each chunk's sum was checked.
    messages.sort(key=lambda message: message.chunk)
    return Scan(messages, sound)


_BROKEN = (McapError, ValueError, EOFError, RuntimeError, struct.error, zstandard.ZstdError, MemoryError)
"""What the library and the unpackers raise on bytes that are not what they should be."""


def _check_size(chunk: Chunk, total: int) -> None:
    if chunk.uncompressed_size > MOST_RATIO * max(len(chunk.data), 4096) or total > MOST_BYTES:
        raise SessionFileError(
            f"a chunk says that it unpacks to {chunk.uncompressed_size} bytes, more than any log",
            next_step="this file is not from a logger",
        )


def _unpacked(chunk: Chunk) -> list[McapRecord] | None:
    """Records of a chunk, None if its sum is wrong or missing."""
    if chunk.uncompressed_crc == 0:
        return None
    try:
        return breakup_chunk(chunk, validate_crc=True)
    except _BROKEN:
        return None


def _on_our_topics(records: Sequence[McapRecord], topics: dict[int, str]) -> Iterator[ScannedMessage]:
    """Messages on our topics; channels on the way are learnt."""
    for record in records:
        if isinstance(record, Channel):
            topics[record.id] = record.topic
        elif isinstance(record, Message) and topics.get(record.channel_id) in CHANNELS:
            channel = CHANNELS[topics[record.channel_id]]
            yield ScannedMessage(channel, record.sequence, memoryview(record.data))
