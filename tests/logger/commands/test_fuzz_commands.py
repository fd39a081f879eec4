"""A few cases of each kind that ``make fuzz`` makes, and those in which a command once failed."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.logger.commands.fuzz_commands import (
    KINDS,
    MAP,
    Case,
    exported,
    fuzz_test,
    packed,
    run_case,
    session_messages,
    table_lines,
)
from tests.optional import need_module

ROOT = Path(__file__).resolve().parents[3]
LOG = "\n".join(table_lines()[:400]).encode()


@pytest.mark.parametrize("kind", KINDS)
def test_a_few_cases_of_each_kind(kind: str) -> None:
    if kind == "parquet":
        need_module("pyarrow")
    fuzz_test(kind, 8)()


def parquet(change: str) -> bytes:
    """A stranger's or our own table as it once ended in a traceback."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table, out = pq.read_table(io.BytesIO(exported())), io.BytesIO()
    rows = table.num_rows
    at = {name: table.column_names.index(name) for name in ("tick", "sequence", "host_time_s")}
    if change == "no rows":
        table = table.slice(0, 0)
    elif change == "a column twice":
        table = table.append_column("tick", table.column("tick"))
    elif change == "words in a dictionary":
        table = table.set_column(at["sequence"], "sequence", pa.array(["a"] * rows).dictionary_encode())
    elif change == "objects for arrival times":
        table = table.set_column(at["host_time_s"], "host_time_s", pa.array([{"a": 1}] * rows))
    elif change == "ticks that are no numbers":
        table = table.set_column(at["tick"], "tick", pa.array(np.full(rows, np.nan)))
    pq.write_table(table, out)
    return out.getvalue()


@pytest.mark.parametrize(
    "change",
    ["no rows", "a column twice", "words in a dictionary", "objects for arrival times", "ticks that are no numbers"],
)
def test_exported_parquet_that_was_changed(change: str) -> None:
    need_module("pyarrow")
    run_case(Case({"x.signals.parquet": parquet(change)}, (("import", "x.signals.parquet", "-o", "b.mcap"),)))


def test_nanoseconds_of_a_stranger_s_parquet_are_read(tmp_path: Path) -> None:
    """Whole numbers beyond 2**53, as times since 1970 are, fit no double exactly; a refusal to round was an error."""
    need_module("pyarrow")
    import pyarrow as pa
    import pyarrow.parquet as pq

    from logger.exchange.import_csv import import_csv

    rows = np.array([[float(cell) for cell in line.split(",")] for line in table_lines()[1:1500]])
    ns = 1_700_000_000_000_000_001 + np.rint(rows[:, 0] * 1e9).astype(np.int64)
    names = table_lines()[0].split(",")[1:]
    pq.write_table(pa.table({"time": ns, **dict(zip(names, rows[:, 1:].T, strict=True))}), tmp_path / "log.parquet")
    read = import_csv(tmp_path / "log.parquet")
    assert read.profile.rate_hz == pytest.approx(100.0, rel=0.01)
    assert read.raw.ticks.size == pytest.approx(1499, abs=2)


@pytest.mark.parametrize("value", [None, True, "x", -1, 0, 1e999, 10**400, [], {}, [[1.0]], "\x1b[2J"])
@pytest.mark.parametrize(
    "member",
    ["format_version", "profile.rate_hz", "profile.tick_hz", "calibration.accel_matrix", "player.handed", "warnings",
     "instrument.spacing_mm", "instrument.courses", "lever_mm", "metadata", "streams", "attachments", "sensor"],
)  # fmt: skip
def test_settings_of_a_wrong_type_under_right_checksums(member: str, value: object) -> None:
    messages = list(session_messages())
    head = json.loads(messages[0][2])
    *outer, last = member.split(".")
    holder = head[outer[0]] if outer else head
    holder[last] = value
    data = json.dumps(head).encode()
    whole = packed([(t, n, data if t == "/session" else d) for t, n, d in messages[:6]], "NONE")
    run_case(Case({"s.mcap": whole}, (("verify", "s.mcap"), ("analyse", "s.mcap"))))


@pytest.mark.parametrize(
    "text", ["[" * 5000, "a = " + "[" * 5000, "a." * 100_000 + "b = 1", "a = '" + "x" * 200_000 + "'", "a={b=" * 2000]
)
def test_toml_nested_beyond_sense(text: str) -> None:
    data = text.encode()
    commands = (
        ("import", "log.csv", "--columns", "x.toml"),
        ("plan", "check", "x.toml"),
        ("ports", "--no-ble", "--profile", "x.toml"),
    )
    run_case(Case({"log.csv": LOG, "x.toml": data}, commands))


@pytest.mark.parametrize(
    "events", ["start_s,end_s,kind,label\n1,2,still," + "x" * 200_000, "start_s,end_s,kind\n1,nan,\x1b[2J"]
)
def test_cells_of_events_beyond_sense(events: str) -> None:
    files = {"log.csv": LOG, "map.toml": MAP.encode(), "e.csv": events.encode()}
    run_case(Case(files, (("import", "log.csv", "--columns", "map.toml", "--events", "e.csv", "-o", "b.mcap"),)))


@pytest.mark.soak
@pytest.mark.parametrize("kind", KINDS)
def test_a_minute_of_fuzzing_whole_commands(kind: str) -> None:
    command = [sys.executable, "-m", "tests.logger.commands.fuzz_commands", kind, "60"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
