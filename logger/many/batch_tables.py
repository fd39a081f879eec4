"""Tables of many sessions: what is kept of each one, and the Parquet files made of all.

What is kept of a session is two Arrow streams, one after the other: its strokes, then its blocks, with the facts on
the session in the metadata of the first. Files are written in the order of the sessions' names, a row group at a time,
so that their bytes depend neither on the order in which sessions were done nor on how many workers there were, and
memory not on how many sessions there are.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from analysis.model.cautions import HURT, SIMULATED
from analysis.model.stroke_columns import STROKE_COLUMNS, SYNTHETIC_COLUMN, Column
from analysis.report.block_answer_table import BLOCK_ANSWER_COLUMNS, tabulate_block_answers
from logger.files.arrow_tables import build_schema, to_arrow
from logger.files.atomic_file import open_atomic
from logger.files.csv_cells import guarded
from logger.many.session_store import Entry

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.model.records import SessionResult

STROKES_NAME, BLOCKS_NAME, SESSIONS_NAME = "strokes.parquet", "blocks.parquet", "sessions.csv"
ROWS_IN_GROUP = 1 << 17
FACTS = "facts"
JOINT = " | "

SESSION_COLUMNS = (
    Column("session", "", "str", "name of the session's file, from the folder that was named"),
    Column("player", "", "str", "who plays"),
    Column("reference", "", "str", "gestures: tilt is against the strings; hand: only against the hand's own plane"),
    SYNTHETIC_COLUMN,
)
FACT_NAMES = (
    "player",
    "reference",
    "synthetic",
    "rate_hz",
    "duration_s",
    "lost_samples",
    "strokes",
    "blocks",
    "hurt",
    "warnings",
)
SESSIONS_HEAD = ("session", "log_hash", *FACT_NAMES, "problem")


@dataclass(frozen=True)
class BatchCount:
    """What went into the tables.

    Attributes
    ----------
    used, strokes, blocks : int
    problems : tuple of str
        One sentence a session that is not in them.
    hurt, hand_only : int
        Sessions in which discomfort was reported; without reference gestures.
    """

    used: int
    strokes: int
    blocks: int
    problems: tuple[str, ...]
    hurt: int
    hand_only: int


def tabulate_file(path: Path) -> tuple[str, bytes]:
    """Analyse one session; its hash and what is kept of it."""
    from logger.many.analyse import analyse_file

    found = analyse_file(path)
    return found.session.log_hash, encode_result(found.result)


def encode_result(result: SessionResult) -> bytes:
    """What is kept of a session, its name and hash left out: the same for every copy of its file."""
    import pyarrow as pa

    facts = {FACTS: json.dumps(_facts(result))}
    strokes = to_arrow(result.strokes, build_schema(STROKE_COLUMNS, facts))
    blocks = to_arrow(tabulate_block_answers(result.blocks), build_schema(BLOCK_ANSWER_COLUMNS, {}))
    sink = io.BytesIO()
    for table in (strokes, blocks):
        options = pa.ipc.IpcWriteOptions(compression="zstd")
        with pa.ipc.new_stream(sink, table.schema, options=options) as stream:
            stream.write_table(table)
    return sink.getvalue()


def decode_result(content: bytes) -> tuple[pa.Table, pa.Table, dict[str, object]]:
    """Strokes, blocks and facts from what is kept of a session."""
    import pyarrow as pa

    source = pa.BufferReader(content)
    strokes = pa.ipc.open_stream(source).read_all()
    blocks = pa.ipc.open_stream(source).read_all()
    (facts,) = strokes.schema.metadata.values()
    return strokes, blocks, json.loads(facts)


def write_tables(folder: Path, sessions: Iterable[tuple[str, Entry]], provenance: Mapping[str, str]) -> BatchCount:
    """Write strokes and blocks of all sessions, and the list of the sessions with what was wrong with each.

    Parameters
    ----------
    folder : Path
    sessions : iterable of (str, Entry)
        Name and outcome. Of several with the same bytes, only the first goes into the tables.
    provenance : mapping of str to str

    Returns
    -------
    BatchCount

    Raises
    ------
    OutputError
        A file cannot be written.
    """
    firsts: dict[str, str] = {}
    strokes = blocks = hurt = hand_only = 0
    problems = []
    with contextlib.ExitStack() as files:
        stroke_file = files.enter_context(_open_table(folder / STROKES_NAME, STROKE_COLUMNS, provenance))
        block_file = files.enter_context(_open_table(folder / BLOCKS_NAME, BLOCK_ANSWER_COLUMNS, provenance))
        text = io.TextIOWrapper(files.enter_context(open_atomic(folder / SESSIONS_NAME)), "utf-8", newline="")
        files.callback(text.detach)
        lines = csv.writer(text, lineterminator="\n")
        lines.writerow(SESSIONS_HEAD)
        for name, entry in sessions:
            problem = entry.problem and entry.sentence(name)
            if problem is None and entry.digest in firsts:
                problem = f"{name} holds the same session as {firsts[entry.digest]} and was left out"
            if problem is not None or not isinstance(entry.content, bytes):
                problems.append(problem or f"{name} could not be used")
                lines.writerow([guarded(name), entry.digest, *[""] * len(FACT_NAMES), guarded(problems[-1])])
                continue
            firsts[entry.digest] = name
            stroke_rows, block_rows, facts = decode_result(entry.content)
            stroke_file.add(name, stroke_rows, facts)
            block_file.add(name, block_rows, facts)
            lines.writerow([guarded(name), entry.digest, *(guarded(str(facts[fact])) for fact in FACT_NAMES), ""])
            strokes, blocks = strokes + stroke_rows.num_rows, blocks + block_rows.num_rows
            hurt += facts["hurt"] == "yes"
            hand_only += facts["reference"] == "hand"
        text.flush()
    return BatchCount(len(firsts), strokes, blocks, tuple(problems), hurt, hand_only)


class _TableFile:
    """A Parquet file that grows by whole sessions."""

    def __init__(self, stream: BinaryIO, schema: pa.Schema) -> None:
        import pyarrow.parquet as pq

        self._schema = schema
        # Measured numbers hardly repeat: a dictionary of them costs time and saves little.
        repeating = [field.name for field in schema if field.type == "string"]
        self._writer = pq.ParquetWriter(stream, schema, compression="zstd", use_dictionary=repeating)
        self._waiting: list[pa.Table] = []

    def add(self, name: str, table: pa.Table, facts: Mapping[str, object]) -> None:
        """Take one session's rows."""
        import pyarrow as pa

        known = {"session": name, **facts}
        front = [pa.repeat(str(known[column.name]), table.num_rows) for column in SESSION_COLUMNS]
        self._waiting.append(pa.Table.from_arrays([*front, *table.columns], schema=self._schema))
        if sum(waiting.num_rows for waiting in self._waiting) >= ROWS_IN_GROUP:
            self._write()

    def close(self) -> None:
        """Write what waits and the file's end."""
        if self._waiting:
            self._write()
        self._writer.close()

    def _write(self) -> None:
        import pyarrow as pa

        table = pa.concat_tables(self._waiting)
        self._writer.write_table(table, row_group_size=table.num_rows or None)
        self._waiting = []


@contextlib.contextmanager
def _open_table(path: Path, columns: Sequence[Column], provenance: Mapping[str, str]) -> Iterator[_TableFile]:
    with open_atomic(path) as stream:
        table = _TableFile(stream, build_schema((*SESSION_COLUMNS, *columns), provenance))
        try:
            yield table
        finally:
            table.close()


def _facts(result: SessionResult) -> dict[str, object]:
    return {
        "player": result.player.name,
        "reference": result.reference.kind,
        "synthetic": "true" if SIMULATED in result.cautions else "false",
        "rate_hz": round(result.rate_hz, 6),
        "duration_s": round(result.duration_s, 6),
        "lost_samples": result.lost_samples,
        "strokes": len(result.strokes),
        "blocks": len(result.blocks),
        "hurt": "yes" if HURT in result.cautions else "no",
        "warnings": JOINT.join(result.warnings),
    }
