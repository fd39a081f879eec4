"""What an export holds of a session: tables of samples, events, strokes and blocks, and where they come from."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.model.cautions import is_simulated, session_cautions
from analysis.model.errors import InputError, StrokeplaneError
from analysis.model.records import Event, FloatArray, RawSamples, Session, SessionResult, Stream
from analysis.model.stroke_columns import STROKE_COLUMNS, Column
from analysis.report.block_answer_table import BLOCK_ANSWER_COLUMNS, tabulate_block_answers
from analysis.signal.si_units import counts_to_si
from logger.exchange.without_names import Alias, without_name
from logger.files.events_csv import COLUMNS as EVENT_NAMES
from logger.many.analyse import analyse_recording
from logger.report.answer_output import plain
from logger.session.heads import head_of, stream_names
from logger.session.session_file import read_session
from logger.session.session_records import SessionHead, encode_event, encode_head

ROWS_PER_PART = 1 << 17
AXES = ("accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y", "gyro_z")
SI_UNITS = ("m/s^2",) * 3 + ("rad/s",) * 3
SI_NAMES = tuple(f"{axis}_{'mps2' if axis.startswith('accel') else 'radps'}" for axis in AXES)
COUNT_NAMES = tuple(f"{axis}_counts" for axis in AXES)

TIME_COLUMNS: tuple[Column, ...] = (
    Column("time_s", "s", "float64", "the sensor's own time"),
    Column("tick", "", "int64", "the same as the sensor's whole ticks"),
    Column("sequence", "", "int64", "number of the sample; a jump is a loss"),
)
HOST_COLUMN = Column("host_time_s", "s", "float64", "arrival at the computer, seconds since 1970-01-01 UTC")
HAND_COLUMN = Column(
    "hand_time_s", "s", "float64", "the same moment on the hand's sensor, as well as the clocks are known"
)
STREAM_TABLE = "_signals"
SI_COLUMNS: tuple[Column, ...] = tuple(
    Column(name, unit, "float64", f"{axis.replace('_', ', ')} axis, calibrated, sensor axes")
    for name, unit, axis in zip(SI_NAMES, SI_UNITS, AXES, strict=True)
)
COUNT_COLUMNS: tuple[Column, ...] = tuple(
    Column(name, "", "int32", f"{axis.replace('_', ', ')} axis as the sensor sent it")
    for name, axis in zip(COUNT_NAMES, AXES, strict=True)
)

_EVENT_MEANINGS = {
    "start_s": ("s", "float64", "start, log time"),
    "end_s": ("s", "float64", "end, log time"),
    "kind": ("", "str", "still, across, along, pivot, play, rest, rating or hurt"),
    "label": ("", "str", "the player's words"),
    "posture": ("", "str", "posture label"),
    "tempo_bpm": ("1/min", "float64", "tempo of the click"),
    "notes_per_beat": ("", "float64", "notes per beat of the click"),
    "drill": ("", "str", "what was played"),
    "rating": ("", "float64", "0 to 10"),
    "wanted": ("", "str", "wanted clearing stroke: down, up or empty"),
}
EVENT_COLUMNS: tuple[Column, ...] = tuple(Column(name, *_EVENT_MEANINGS[name]) for name in EVENT_NAMES)


@dataclass(frozen=True)
class ExportSource:
    """A session to export.

    Attributes
    ----------
    path : Path
    session : Session
        As recorded.
    result : SessionResult or None
        Its strokes and blocks; None where they were not asked for or cannot be had.
    remark : str
        Why strokes that were asked for are not there.
    """

    path: Path
    session: Session
    result: SessionResult | None = None
    remark: str = ""

    @property
    def head(self) -> SessionHead:
        """Everything about the session but its samples and events."""
        return head_of(self.session)


def load_source(
    path: Path,
    strokes: bool = True,
    progress: Callable[[str, float], None] = lambda _stage, _share: None,
    alias: Alias | None = None,
) -> ExportSource:
    """Read a session and, if wanted, find its strokes.

    A session without strokes that can be found is still worth exporting: ``remark`` says why there are none.

    Parameters
    ----------
    path : Path
        Session file.
    strokes : bool
        Whether to find strokes.
    progress : callable
        Takes a stage's name and the share that is done, 0 to 1.
    alias : Alias, optional
        What player and file are called where the player's name is to stand nowhere.

    Returns
    -------
    ExportSource

    Raises
    ------
    SessionFileError
        The file cannot be read.
    """
    progress("reading", 0.0)
    session = read_session(path)
    if not session.raw.ticks.size:
        raise InputError(
            expected="samples",
            found="none",
            next_step="there is nothing to export",
            file=str(path),
        )
    if alias is not None:
        path, session = alias.path, without_name(session, path, alias)
    if not strokes:
        return ExportSource(path, session)
    try:
        return ExportSource(path, session, analyse_recording(session, progress).result)
    except StrokeplaneError as error:
        return ExportSource(path, session, remark=f"No strokes and blocks in the export: {path}: {error}.")


def stream_tables(session: Session) -> dict[str, Stream]:
    """Further sensors' samples by the name of their table, such as ``instrument_signals``."""
    names = stream_names([stream.role for stream in session.streams])
    return {f"{name}{STREAM_TABLE}": stream for name, stream in zip(names, session.streams, strict=True)}


def signal_columns(sensor: Session | Stream, raw: bool) -> tuple[Column, ...]:
    """Columns of a table of samples; host times only where the log holds any, the hand's time only where known."""
    host = () if np.isnan(sensor.raw.host_time_s).all() else (HOST_COLUMN,)
    hand = (HAND_COLUMN,) if isinstance(sensor, Stream) and sensor.clock is not None else ()
    return (*TIME_COLUMNS, *host, *hand, *SI_COLUMNS, *(COUNT_COLUMNS if raw else ()))


def hand_time_s(stream: Stream, samples: RawSamples) -> FloatArray:
    """Times of a stream's samples (n,) on the hand's clock; its own where nothing ties the two."""
    own: FloatArray = samples.ticks / stream.profile.tick_hz
    return own if stream.clock is None else stream.clock.offset_s + stream.clock.rate * own


def signal_parts(
    sensor: Session | Stream, rows: int = ROWS_PER_PART
) -> Iterator[tuple[RawSamples, NDArray[np.float64]]]:
    """Samples and their calibrated values (6, n), part by part, so that hours need little memory."""
    raw = sensor.raw
    for start in range(0, raw.ticks.size, rows):
        part = slice(start, start + rows)
        samples = RawSamples(raw.ticks[part], raw.sequence[part], raw.host_time_s[part], raw.counts[part])
        yield samples, counts_to_si(samples.counts, sensor.profile, sensor.calibration)


def events_table(events: tuple[Event, ...]) -> pd.DataFrame:
    """One row an event, columns as in EVENTS.csv."""
    rows = [[getattr(event, name) for name in EVENT_NAMES] for event in events]
    table = pd.DataFrame(rows, columns=list(EVENT_NAMES))
    table["wanted"] = [event.wanted or "" for event in events]
    return table.astype({column.name: column.dtype for column in EVENT_COLUMNS})


def small_tables(source: ExportSource) -> dict[str, tuple[pd.DataFrame, tuple[Column, ...]]]:
    """The tables besides the samples, by name, each with its columns."""
    tables = {"events": (events_table(source.session.events), EVENT_COLUMNS)}
    if source.result is not None:
        tables["strokes"] = (source.result.strokes, STROKE_COLUMNS)
        tables["blocks"] = (tabulate_block_answers(source.result.blocks), BLOCK_ANSWER_COLUMNS)
    return tables


def provenance(source: ExportSource, table: str) -> dict[str, str]:
    """Where a table comes from, as text by name; the table of samples carries all that makes a session again."""
    entries = {
        "table": table,
        "version": version("strokeplane"),
        "source": source.path.name,
        "source_sha256": source.session.log_hash,
        "synthetic": "true" if is_simulated(source.session.metadata) else "false",
        "cautions": " ".join(_cautions(source)),
    }
    if table == "signals":
        entries["session"] = encode_head(source.head).decode()
        entries["events"] = json.dumps(event_records(source.session.events))
    if table in ("strokes", "blocks") and source.result is not None:
        entries["settings"] = json.dumps(plain(source.result.settings), allow_nan=False)
    return entries


def about(source: ExportSource, columns: Mapping[str, tuple[Column, ...]]) -> dict[str, Any]:
    """What a reader of plain text tables must know: units, meanings, settings, provenance."""
    head = json.loads(encode_head(source.head))
    head.pop("closing")
    return {
        "version": version("strokeplane"),
        "source": source.path.name,
        "source_sha256": source.session.log_hash,
        "session": head,
        "remark": source.remark,
        "settings": None if source.result is None else plain(source.result.settings),
        "synthetic": is_simulated(source.session.metadata),
        "cautions": list(_cautions(source)),
        "columns": {
            name: {c.name: {"unit": c.unit, "type": c.dtype, "meaning": c.meaning} for c in listed}
            for name, listed in columns.items()
        },
    }


def _cautions(source: ExportSource) -> tuple[str, ...]:
    """The result's own, or those of any session where it has none."""
    session = source.session
    if source.result is not None:
        return source.result.cautions
    return session_cautions(session.events, True, is_simulated(session.metadata))


def event_records(events: tuple[Event, ...]) -> list[dict[str, Any]]:
    """Events as JSON objects, as in a session file."""
    return [json.loads(encode_event(event, number)) for number, event in enumerate(events)]
