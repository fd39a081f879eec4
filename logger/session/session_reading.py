"""From a session file's bytes to its session, and sentences about what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from analysis.model.errors import SessionFileError
from analysis.model.records import RawSamples, Session, Stream
from logger.files.atomic_file import reason
from logger.session.heads import session_of
from logger.session.repacked import is_repacked, scan_repacked
from logger.session.session_records import (
    CHANNELS,
    EVENTS_TOPIC,
    SAMPLES_TOPIC,
    SESSION_TOPIC,
    STREAM_TOPICS,
    Closing,
    decode_event,
    decode_head,
)
from logger.session.session_rows import decode_samples
from logger.session.session_scan import Scan, scan_messages

FARTHEST = 2**62
"""Differences of what is nearer are whole numbers of 64 bits."""


def read_bytes(path: Path) -> bytes:
    """The bytes of what may be a session file.

    Raises
    ------
    SessionFileError
        No such file, a folder, empty, or a text.
    """
    if path.is_dir():
        raise SessionFileError(
            f"{path} is a folder",
            next_step="name one session file (.mcap) in it",
        )
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SessionFileError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check its name and your permission",
        ) from error
    if not data:
        raise SessionFileError(
            f"{path} is empty",
            next_step="copy or record it again",
        )
    if b"\0" not in data:
        raise SessionFileError(
            f"{path} is text, not a session file",
            next_step="a sensor's CSV needs strokeplane import first",
        )
    return data


def scan_file(data: bytes) -> Scan:
    """All messages that are sound, packed or not."""
    return scan_repacked(data) if is_repacked(data) else scan_messages(data)


def assemble(scan: Scan) -> Session:
    """Put the messages of a scan together.

    Raises
    ------
    SessionFileError
        No copy of the settings is left, or one of a newer format version.
    """
    heads = [decode_head(m.data) for m in scan.messages if m.channel == CHANNELS[SESSION_TOPIC]]
    if not heads:
        raise SessionFileError(
            "no readable session settings in it",
            next_step="it is no strokeplane session, or damaged beyond use",
        )
    events = dict(decode_event(m.data) for m in scan.messages if m.channel == CHANNELS[EVENTS_TOPIC])
    head = heads[-1][0]
    raw = _samples(scan, SAMPLES_TOPIC)
    samples = [_samples(scan, topic) for topic, _ in zip(STREAM_TOPICS, head.streams, strict=False)]
    session = session_of(head, raw, [events[number] for number in sorted(events)], samples)
    closing = next((closing for _, closing in heads if closing is not None), None)
    warnings = list(head.warnings)
    if not scan.sound:
        warnings += _damage(scan, closing, raw.ticks.size, len(events))
        warnings += _stream_losses(closing, session.streams)
    return replace(session, warnings=tuple(warnings))


def _samples(scan: Scan, topic: str) -> RawSamples:
    """Samples of one stream, whose ticks and numbers can be subtracted."""
    raw = decode_samples([m.data for m in scan.messages if m.channel == CHANNELS[topic]])
    for row in (raw.ticks, raw.sequence):
        if row.size and max(-int(row.min()), int(row.max())) >= FARTHEST:
            raise SessionFileError(
                expected=f"ticks and sample numbers below {FARTHEST}",
                found=f"{row.min()} to {row.max()}",
                next_step="the file's writer is at fault",
            )
    return raw


def _stream_losses(closing: Closing | None, streams: Sequence[Stream]) -> list[str]:
    """Sentences about samples of further streams that a damaged file lost."""
    expected = () if closing is None else closing.stream_samples
    return [
        f"{count - stream.raw.ticks.size} of {count} samples of the {stream.role}'s stream {number} are missing."
        for number, (count, stream) in enumerate(zip(expected, streams, strict=False), 1)
        if count > stream.raw.ticks.size
    ]


def _damage(scan: Scan, closing: Closing | None, samples: int, events: int) -> list[str]:
    """Sentences about what is missing from a file that is not whole."""
    numbers = {message.chunk for message in scan.messages}
    expected = closing.chunks if closing else max(numbers) + 1
    lost = expected - len(numbers)
    sentences = []
    if lost:
        missing = f": {closing.samples - samples} of {closing.samples} samples are missing" if closing else ""
        sentences.append(f"{lost} of the file's {expected} chunks are damaged and were left out{missing}.")
    if closing is None:
        sentences.append(
            "The file was cut short: it has no closing record, and what came after its last whole chunk is lost."
        )
    elif events < closing.events:
        sentences.append(f"{closing.events - events} of {closing.events} events are missing.")
    if not sentences:
        sentences.append("The file is damaged outside its samples, settings and events; nothing of them is missing.")
    return sentences
