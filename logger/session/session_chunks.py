"""Numbered chunks of a session on a binary stream: the only code that calls the MCAP writer."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from importlib.metadata import version
from typing import BinaryIO

from mcap.records import ChunkIndex
from mcap.writer import CompressionType, IndexType, Writer

from analysis.model.errors import SessionFileError
from analysis.model.records import Event, RawSamples
from logger.session.session_records import (
    CHANNELS,
    EVENTS_TOPIC,
    FORMAT_NAME,
    FORMAT_VERSION,
    SAMPLES_TOPIC,
    SESSION_TOPIC,
    STREAM_TOPICS,
    Closing,
    SessionHead,
    encode_event,
    encode_head,
    json_schema,
)
from logger.session.session_rows import SAMPLES_LAYOUT, encode_samples

HEAD_INTERVAL_CHUNKS = 120
INDEX_BYTES, MESSAGE_BYTES, CLOSING_BYTES = 96, 64, 65536
"""At the file's end: for each chunk, for each event, and for schemas and settings."""
INDEX_NUMBERS = (
    "chunk_length",
    "chunk_start_offset",
    "compressed_size",
    "message_end_time",
    "message_index_length",
    "message_start_time",
    "uncompressed_size",
)


class PackedIndex:
    """What the file's end says of each chunk, in 56 bytes; as the library's objects it takes 400, 70 MB in a day."""

    def __init__(self) -> None:
        self._numbers = array("Q")

    def append(self, chunk: ChunkIndex) -> None:
        """Take one more chunk, uncompressed and without an index of its messages."""
        self._numbers.extend(getattr(chunk, name) for name in INDEX_NUMBERS)

    def __iter__(self) -> Iterator[ChunkIndex]:
        """Give back the chunks in their order."""
        step = len(INDEX_NUMBERS)
        for at in range(0, len(self._numbers), step):
            numbers = dict(zip(INDEX_NUMBERS, self._numbers[at : at + step], strict=True))
            yield ChunkIndex(compression="", message_index_offsets={}, **numbers)


class ChunkStream:
    """Numbered chunks on a binary stream; the only code that calls the MCAP writer."""

    def __init__(self, stream: BinaryIO, head: SessionHead) -> None:
        self.head = head
        self._chunk = self._samples = 0
        self._stream_samples = [0] * len(head.streams)
        self._empty = True
        self._events: list[Event] = []
        self._tick_hz = head.profile.tick_hz
        self._writer = Writer(
            stream,
            chunk_size=2**31,  # only close_chunk ends a chunk
            compression=CompressionType.NONE,
            index_types=IndexType.CHUNK | IndexType.METADATA,
            enable_data_crcs=True,
        )
        # The library has no setting for it; should the name change there, memory grows as it did, and a test says so.
        self._writer._Writer__chunk_indices = PackedIndex()  # type: ignore[attr-defined]
        self._writer.start(profile=FORMAT_NAME, library=f"strokeplane {version('strokeplane')}")
        self._writer.add_metadata(FORMAT_NAME, {"format_version": str(FORMAT_VERSION)})
        for topic, schema, encoding, layout in (
            (SESSION_TOPIC, "jsonschema", "json", json_schema(SessionHead, "format", "format_version", "closing")),
            (SAMPLES_TOPIC, "text", "strokeplane-rows", SAMPLES_LAYOUT),
            (EVENTS_TOPIC, "jsonschema", "json", json_schema(Event, "number")),
            *((topic, "text", "strokeplane-rows", SAMPLES_LAYOUT) for topic in STREAM_TOPICS[: len(head.streams)]),
        ):
            schema_id = self._writer.register_schema(f"strokeplane{topic.replace('/', '.')}", schema, layout.encode())
            if self._writer.register_channel(topic, encoding, schema_id) != CHANNELS[topic]:
                raise SessionFileError(
                    "the mcap library numbers channels in an unexpected way",
                    next_step="install mcap 1.x",
                )
        self.add_head()

    def add_head(self, closing: Closing | None = None) -> None:
        """Put a copy of the settings into the open chunk."""
        self._add(SESSION_TOPIC, encode_head(self.head, closing), 0.0)

    def add_stream_samples(self, number: int, raw: RawSamples) -> None:
        """Put one batch of further stream ``number``, from 0, into the open chunk."""
        self._stream_samples[number] += raw.ticks.size
        tick_hz = self.head.streams[number].profile.tick_hz
        self._add(STREAM_TOPICS[number], encode_samples(raw), float(raw.ticks[0]) / tick_hz)

    def add_samples(self, raw: RawSamples) -> None:
        """Put one batch of the hand's into the open chunk."""
        self._samples += raw.ticks.size
        self._add(SAMPLES_TOPIC, encode_samples(raw), float(raw.ticks[0]) / self._tick_hz)

    def add_event(self, event: Event) -> int:
        """Put an event into the open chunk and return its number."""
        self._events.append(event)
        self.replace_event(len(self._events) - 1, event)
        return len(self._events) - 1

    def replace_event(self, number: int, event: Event) -> None:
        """Put a newer copy of an event into the open chunk."""
        self._events[number] = event
        self._add(EVENTS_TOPIC, encode_event(event, number), event.start_s)

    def close_chunk(self) -> None:
        """End the open chunk, if anything is in it, and hand it to the operating system."""
        if self._empty:
            return
        self._writer.flush()
        self._chunk += 1
        self._empty = True
        if self._chunk % HEAD_INTERVAL_CHUNKS == 0:
            self.add_head()

    def finish(self) -> None:
        """Write the second copy of settings and events, then the index."""
        for number, event in enumerate(self._events):
            self._add(EVENTS_TOPIC, encode_event(event, number), event.start_s)
        self.add_head(Closing(self._chunk + 1, self._samples, len(self._events), tuple(self._stream_samples)))
        self._writer.flush()
        self._writer.finish()

    def closing_bytes(self) -> int:
        """About as many bytes as :meth:`finish` will write; rather too many."""
        events = sum(len(encode_event(event, 0)) + MESSAGE_BYTES for event in self._events)
        return CLOSING_BYTES + 2 * events + INDEX_BYTES * (self._chunk + 1)

    def _add(self, topic: str, data: bytes, time_s: float) -> None:
        time_ns = int(min(max(time_s, 0.0) * 1e9, 2.0**63 - 1024))
        self._empty = False
        self._writer.add_message(CHANNELS[topic], time_ns, data, time_ns, sequence=self._chunk)
