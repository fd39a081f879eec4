"""The messages of a session file and their bytes; ``docs/session-file.md`` is the description for other programs.

Channel numbers never change, so that a file whose first chunk is damaged can still be read:

==========  =======  =======================================================
topic       channel  message
==========  =======  =======================================================
/session    1        JSON: version, profile, settings, streams (repeated)
/samples    2        the hand's: rows as in ``session_rows``
/events     3        JSON: one event, with its number (repeated)
/samples/N  3 + N    those of further stream N, from 1 (format version 2)
==========  =======  =======================================================

Version 2 added further streams, the sensor's identity, and attachments by hash. A file of version 1 is one of version 2
without them: :func:`decode_head` is the migration.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal

import numpy as np

from analysis.model.errors import SessionFileError
from analysis.model.records import (
    Calibration,
    Event,
    Instrument,
    Player,
    SensorProfile,
)
from analysis.model.session_parts import Attachment, ClockRelation, SensorIdentity
from logger.files.nested_text import load_json
from logger.session.typed_records import build, whole_characters

FORMAT_NAME = "strokeplane"
FORMAT_VERSION = 2
MOST_STREAMS = 8
MOST_ATTACHMENTS = 64
LEAST_DETERMINANT = 1e-3

SESSION_TOPIC, SAMPLES_TOPIC, EVENTS_TOPIC = "/session", "/samples", "/events"
STREAM_TOPICS = tuple(f"{SAMPLES_TOPIC}/{number}" for number in range(1, MOST_STREAMS + 1))
"""Topics of the streams beside the hand's."""
CHANNELS = {
    topic: channel for channel, topic in enumerate((SESSION_TOPIC, SAMPLES_TOPIC, EVENTS_TOPIC, *STREAM_TOPICS), 1)
}


@dataclass(frozen=True)
class StreamHead:
    """Everything about a further stream but its samples.

    Attributes
    ----------
    role : {"hand", "instrument"}
        What the sensor is worn on.
    profile : SensorProfile
    calibration : Calibration
    clock : ClockRelation or None
        None while nothing ties it to the hand's.
    sensor : SensorIdentity
    """

    role: Literal["hand", "instrument"]
    profile: SensorProfile
    calibration: Calibration = field(default_factory=Calibration)
    clock: ClockRelation | None = None
    sensor: SensorIdentity = field(default_factory=SensorIdentity)


@dataclass(frozen=True)
class SessionHead:
    """Everything about a session but its samples and events.

    Attributes
    ----------
    profile : SensorProfile
    calibration : Calibration
    player : Player
    instrument : Instrument
    lever_mm : (float, float, float) or None
        From the sensor to the plectrum's tip, sensor axes.
    lever_sd_mm : float or None
        Standard error an axis.
    warnings : tuple of str
    metadata : mapping of str to str
    sensor : SensorIdentity
        The playing hand's.
    streams : tuple of StreamHead
        Further sensors.
    attachments : tuple of Attachment
        Files that belong to the session.
    """

    profile: SensorProfile
    calibration: Calibration = field(default_factory=Calibration)
    player: Player = field(default_factory=Player)
    instrument: Instrument = field(default_factory=Instrument)
    lever_mm: tuple[float, float, float] | None = None
    lever_sd_mm: float | None = None
    warnings: tuple[str, ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    sensor: SensorIdentity = field(default_factory=SensorIdentity)
    streams: tuple[StreamHead, ...] = ()
    attachments: tuple[Attachment, ...] = ()


@dataclass(frozen=True)
class Closing:
    """What a properly closed file holds, so that a reader knows what is missing; ``samples`` are the hand's."""

    chunks: int
    samples: int
    events: int
    stream_samples: tuple[int, ...] = ()


def encode_head(head: SessionHead, closing: Closing | None = None) -> bytes:
    """JSON of the session's settings; ``closing`` only in the last chunk of a finished file.

    Parameters
    ----------
    head : SessionHead
    closing : Closing, optional

    Returns
    -------
    bytes
        UTF-8.
    """
    record = {"format": FORMAT_NAME, "format_version": FORMAT_VERSION, **asdict(head)}
    record["metadata"] = dict(head.metadata)
    record["closing"] = None if closing is None else asdict(closing)
    return _json_bytes(record)


def decode_head(data: bytes | memoryview) -> tuple[SessionHead, Closing | None]:
    """Read settings back.

    Parameters
    ----------
    data : bytes or memoryview
        As :func:`encode_head` gives it.

    Returns
    -------
    (SessionHead, Closing or None)
        None in place of the closing where the file was not finished.

    Raises
    ------
    SessionFileError
        A newer format version, or fields that this version does not know.
    """
    record = _json_object(data)
    version = record.pop("format_version", None)
    if record.pop("format", None) != FORMAT_NAME or not isinstance(version, int):
        raise SessionFileError(
            expected="a strokeplane session",
            found="another kind of MCAP file",
            next_step="name a session file",
        )
    if isinstance(version, bool) or version < 1:
        raise SessionFileError(
            expected="a format version",
            found=f"{version}",
            next_step="the file's writer is at fault",
        )
    if version > FORMAT_VERSION:
        raise SessionFileError(
            expected=f"session format {FORMAT_VERSION} or older",
            found=f"format {version}, written by a newer strokeplane",
            next_step="update strokeplane to read it",
        )
    closing = record.pop("closing", None)
    parts = {
        "profile": build(SensorProfile, record.pop("profile", None)),
        "calibration": build(Calibration, record.pop("calibration", {})),
        "player": build(Player, record.pop("player", {})),
        "instrument": build(Instrument, record.pop("instrument", {})),
        "sensor": build(SensorIdentity, record.pop("sensor", {})),
        "streams": tuple(_stream(each) for each in _list(record.pop("streams", []), MOST_STREAMS)),
        "attachments": tuple(_attachment(each) for each in _list(record.pop("attachments", []), MOST_ATTACHMENTS)),
    }
    head = build(SessionHead, {**record, **parts})
    _check_settings(head)
    return head, None if closing is None else build(Closing, closing)


def _check_settings(head: SessionHead) -> None:
    """What types and bounds of single members do not say."""
    instrument = head.instrument
    profiles = [(head.calibration.accel_matrix, head.calibration.gyro_matrix)]
    profiles += [(stream.calibration.accel_matrix, stream.calibration.gyro_matrix) for stream in head.streams]
    matrices = [matrix for pair in profiles for matrix in pair]
    said = ""
    if len(instrument.spacing_mm) != instrument.courses - 1 or instrument.strings < instrument.courses:
        said = f"{instrument.strings} strings, {instrument.courses} courses, {len(instrument.spacing_mm)} spacings"
    elif any(len(matrix) != 3 or abs(np.linalg.det(matrix)) < LEAST_DETERMINANT for matrix in matrices):
        said = "a calibration whose matrix cannot be undone"
    if said:
        raise SessionFileError(
            expected="settings that agree with each other",
            found=said,
            next_step="the file's writer is at fault",
        )


def _list(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise SessionFileError(
            expected=f"a list of at most {most}",
            found="another value",
            next_step="the file's writer is at fault",
        )
    return value


def _stream(record: Any) -> StreamHead:
    if not isinstance(record, dict) or record.get("role") not in ("hand", "instrument"):
        raise SessionFileError(
            expected="a stream with a known role",
            found="none",
            next_step="update strokeplane to read the file",
        )
    parts = {
        "profile": build(SensorProfile, record.get("profile")),
        "calibration": build(Calibration, record.get("calibration", {})),
        "clock": _clock(record.get("clock")),
        "sensor": build(SensorIdentity, record.get("sensor", {})),
    }
    return build(StreamHead, {**record, **parts})


def _attachment(record: Any) -> Attachment:
    if not isinstance(record, dict):
        raise SessionFileError(
            expected="an attachment",
            found="another value",
            next_step="the file's writer is at fault",
        )
    return build(Attachment, {**record, "clock": _clock(record.get("clock"))})


def _clock(record: Any) -> ClockRelation | None:
    return None if record is None else build(ClockRelation, record)


def file_version(heads: Sequence[bytes | memoryview]) -> tuple[int, tuple[str, ...]]:
    """Format version that a file was written in, and the warnings that it was written with."""
    last = heads[-1]
    version = _json_object(last)["format_version"]
    return int(version), decode_head(last)[0].warnings


def encode_event(event: Event, number: int) -> bytes:
    """JSON of one event with its number, by which a repeated copy is known.

    Parameters
    ----------
    event : Event
    number : int
        From 0, in the order of marking.

    Returns
    -------
    bytes
        UTF-8.
    """
    return _json_bytes({"number": number, **asdict(event)})


def decode_event(data: bytes | memoryview) -> tuple[int, Event]:
    """Read an event and its number back.

    Parameters
    ----------
    data : bytes or memoryview
        As :func:`encode_event` gives it.

    Returns
    -------
    (int, Event)
        Number and event.

    Raises
    ------
    SessionFileError
        Fields that this version does not know.
    """
    record = _json_object(data)
    number = record.pop("number", None)
    if not isinstance(number, int):
        raise SessionFileError(
            expected="an event with a whole number",
            found="none",
            next_step="the file's writer is at fault",
        )
    event = build(Event, record)
    if event.end_s < event.start_s:
        raise SessionFileError(
            expected="an event that ends after it starts",
            found=f"{event.start_s:g} to {event.end_s:g} s",
            next_step="the file's writer is at fault",
        )
    return number, event


def json_schema(kind: type[SessionHead] | type[Event], *more: str) -> str:
    """JSON Schema of a message: an object with all of these members, made from the dataclass that it holds."""
    names = [*more, *(f.name for f in fields(kind))]
    return json.dumps({"type": "object", "properties": {name: {} for name in names}, "required": names})


def _json_bytes(record: Mapping[str, Any]) -> bytes:
    return whole_characters(json.dumps(record, ensure_ascii=False, allow_nan=False, separators=(",", ":"))).encode()


def _json_object(data: bytes | memoryview) -> dict[str, Any]:
    """Parse a JSON object; its chunk's checksum was right, so a failure is the writer's fault."""
    try:
        record = load_json(bytes(data))
    except ValueError as error:
        raise SessionFileError(
            expected="JSON",
            found=f"something else ({error})",
            next_step="the file's writer is at fault",
        ) from error
    if not isinstance(record, dict):
        raise SessionFileError(
            expected="a JSON object",
            found="another value",
            next_step="the file's writer is at fault",
        )
    return record
