"""The batch's tables: what is in them, that they are the same however they were made, and what is refused."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import HAND_ONLY, HURT
from analysis.model.errors import InputError, OutputError
from analysis.model.records import Event
from analysis.model.stroke_columns import STROKE_COLUMNS
from analysis.report.block_answer_table import BLOCK_ANSWER_COLUMNS
from logger.cli import cli
from logger.many import batch
from logger.many.analyse import analyse_file
from logger.many.batch import STORE_NAME, find_sessions, forecast_batch, run_batch
from logger.many.batch_tables import BLOCKS_NAME, SESSION_COLUMNS, SESSIONS_NAME, STROKES_NAME
from logger.many.session_work import local_crew
from logger.report.result_files import build_result
from logger.session.session_file import read_session, write_session
from tests.analysis.findings.read_back import changed, check_numbers, numbers
from tests.logger.many.conftest import SESSIONS
from tests.optional import need_module
from tests.packaging.built import bin_folder
from tests.patience import PATIENCE_S

pq = need_module("pyarrow.parquet")
TABLES = (STROKES_NAME, BLOCKS_NAME, SESSIONS_NAME)
TAKES = 24


def tell_nobody(stage: str, share: float) -> None:
    pass


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["batch", *map(str, arguments)])


def same_tables(one: Path, other: Path) -> bool:
    return all((one / name).read_bytes() == (other / name).read_bytes() for name in TABLES)


def test_every_stroke_and_block_of_every_session_is_there_once(sessions: Path, by_one: Path) -> None:
    strokes, blocks = (pd.read_parquet(by_one / name) for name in (STROKES_NAME, BLOCKS_NAME))
    paths = sorted(path for path in sessions.rglob("[0-9]*.mcap"))
    assert list(strokes["session"].unique()) == [path.relative_to(sessions).as_posix() for path in paths]
    for path in (paths[0], paths[-1]):
        name = path.relative_to(sessions).as_posix()
        result = analyse_file(path).result
        mine = strokes[strokes["session"] == name].reset_index(drop=True)
        assert set(mine["player"]) == {result.player.name}
        assert set(mine["reference"]) == {"gestures"}
        assert set(mine["synthetic"]) == {"true"}
        expected = result.strokes.reset_index(drop=True)
        pd.testing.assert_frame_equal(
            mine[[column.name for column in STROKE_COLUMNS]], expected, check_dtype=False, check_exact=True
        )
        built = build_result(weigh_session(result))
        answers = json.loads(json.dumps(built["blocks"], default=lambda value: dict(value)))
        mine = blocks[blocks["session"] == name]
        for answer, (_, row) in zip(answers, mine.iterrows(), strict=True):
            assert row["tilt_mean_deg"] == answer["tilt_mean_deg"]
            assert [row["tilt_ci95_low_deg"], row["tilt_ci95_high_deg"]] == answer["tilt_ci95_deg"]
            assert (row["block"], row["drill"], row["strokes"]) == (answer["index"], "tune", answer["strokes"])
            assert np.isnan(row["tempo_bpm"])


def test_the_numbers_that_it_prints_are_those_of_its_tables(
    sessions: Path, by_one: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(by_one, tmp_path / "out")
    monkeypatch.chdir(tmp_path)
    printed = run(sessions, "-o", "out", "-j", "1").output
    strokes, blocks = (pd.read_parquet(tmp_path / "out" / name) for name in (STROKES_NAME, BLOCKS_NAME))
    listed = pd.read_csv(tmp_path / "out" / SESSIONS_NAME)
    left_out = listed["problem"].dropna().size
    first, second, *rest = printed.splitlines()
    counts = [listed.shape[0] - left_out, listed.shape[0], len(strokes), len(blocks)]
    check_numbers(first, counts)
    for wrong in changed(first):
        with pytest.raises(AssertionError):
            check_numbers(wrong, counts)
    assert [float(n) for n in numbers(second)][:2] == [0, listed.shape[0]]
    head = next(line for line in rest if " left out " in line)
    check_numbers(head, [left_out])
    assert sum(line.startswith("- ") for line in rest) == left_out


@pytest.mark.parametrize(("name", "columns"), [(STROKES_NAME, STROKE_COLUMNS), (BLOCKS_NAME, BLOCK_ANSWER_COLUMNS)])
def test_columns_carry_units_and_the_table_where_it_comes_from(by_one: Path, name: str, columns: tuple) -> None:
    schema = pq.read_schema(by_one / name)
    columns = (*SESSION_COLUMNS, *columns)
    assert schema.names == [column.name for column in columns]
    for column in columns:
        metadata = schema.field(column.name).metadata
        assert metadata == {b"unit": column.unit.encode(), b"meaning": column.meaning.encode()}
    assert sorted(key for key in schema.metadata if key != b"ARROW:schema") == [
        b"strokeplane.analysis",
        b"strokeplane.cautions",
        b"strokeplane.settings",
        b"strokeplane.version",
    ]
    assert "reference" in json.loads(schema.metadata[b"strokeplane.settings"])


def test_sessions_that_are_not_in_the_tables_are_listed_with_the_reason(sessions: Path, by_one: Path) -> None:
    with (by_one / SESSIONS_NAME).open(encoding="utf-8", newline="") as stream:
        rows = {row["session"]: row for row in csv.DictReader(stream)}
    assert len(rows) == SESSIONS + 3
    problems = {name: row["problem"] for name, row in rows.items() if row["problem"]}
    assert problems == {
        "empty.mcap": "empty.mcap is empty; copy or record it again",
        "player 0/text.mcap": (
            "player 0/text.mcap is text, not a session file; a sensor's CSV needs strokeplane import first"
        ),
        "player 1/copy.mcap": "player 1/copy.mcap holds the same session as player 0/00.mcap and was left out",
    }
    row = rows["player 1/01.mcap"]
    assert row["log_hash"] == read_session(sessions / "player 1" / "01.mcap").log_hash
    strokes = pd.read_parquet(by_one / STROKES_NAME)
    assert int(row["strokes"]) == (strokes["session"] == "player 1/01.mcap").sum()
    assert (row["player"], row["reference"], row["blocks"], row["hurt"]) == ("invented 1", "gestures", "2", "no")
    assert row["synthetic"] == "true"


def test_two_workers_make_the_same_files(sessions: Path, by_one: Path, tmp_path: Path) -> None:
    shown = run(sessions, "-o", tmp_path / "out", "-j", "2")
    assert shown.exit_code == 0, shown.output
    assert same_tables(by_one, tmp_path / "out")
    assert f"{SESSIONS} of {SESSIONS + 3} sessions" in shown.output
    assert "s of one worker each" in shown.output
    assert "- empty.mcap is empty" in shown.output
    assert "clinician" in shown.output


def test_a_second_run_analyses_only_what_is_new(
    sessions: Path, by_one: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "sessions"
    shutil.copytree(sessions, folder)
    out = tmp_path / "out"
    shutil.copytree(by_one, out)
    before = {name: (out / name).read_bytes() for name in TABLES}
    assert "0 analysed now; 13 known" in run(folder, "-o", out, "-j", "1").output
    assert {name: (out / name).read_bytes() for name in TABLES} == before
    # A file under another name costs nothing; a new one is analysed.
    (folder / "player 0" / "02.mcap").rename(folder / "z.mcap")
    session = read_session(folder / "z.mcap")
    hurt = Event(session.events[-1].end_s, session.events[-1].end_s, "hurt")
    write_session(folder / "new.mcap", replace(session, events=(*session.events, hurt)))
    found = run(folder, "-o", out, "-j", "1").output
    assert "1 analysed now" in found
    assert f"! 1 sessions: {HURT}" in found
    names = list(pd.read_parquet(out / BLOCKS_NAME)["session"].unique())
    assert names[:1] + names[-1:] == ["new.mcap", "z.mcap"]
    # Another version of the analysis: all anew, but for the copy.
    monkeypatch.setattr(batch, "made_by", lambda: "another")
    assert "13 analysed now" in run(folder, "-o", out, "-j", "1").output


def test_without_gestures_every_row_says_so(sessions: Path, tmp_path: Path) -> None:
    session = read_session(sessions / "player 0" / "00.mcap")
    events = tuple(event for event in session.events if event.kind == "play")
    write_session(tmp_path / "plain.mcap", replace(session, events=events))
    found = run(tmp_path, "-o", tmp_path / "out", "-j", "1")
    assert f"! 1 sessions: {HAND_ONLY}" in found.output
    for name in (STROKES_NAME, BLOCKS_NAME):
        assert set(pd.read_parquet(tmp_path / "out" / name)["reference"]) == {"hand"}


@pytest.mark.skipif(os.name == "nt", reason="signals of Unix")
def test_a_key_that_stops_it_leaves_what_is_done(sessions: Path, tmp_path: Path) -> None:
    out, folder = tmp_path / "out", tmp_path / "sessions"
    session = read_session(sessions / "player 0" / "00.mcap")
    folder.mkdir()
    for take in range(TAKES):  # So many that a quick machine is not done before the key comes.
        write_session(folder / f"{take:03}.mcap", replace(session, metadata={**session.metadata, "take": str(take)}))
    program = bin_folder(Path(sys.prefix)) / "strokeplane"
    command = [str(program), "batch", str(folder), "-o", str(out), "-j", "2"]
    # A stranger's file in the present folder is no matter of the workers'.
    (tmp_path / "logger.py").write_text("raise RuntimeError('a stranger')", encoding="utf-8")
    # A test run in the background of a shell ignores the key, and so would what it starts.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    running = subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE, text=True, start_new_session=True)
    signal.signal(signal.SIGINT, before)
    until = time.monotonic() + PATIENCE_S
    while kept_in(out) < 2:
        assert running.poll() is None
        assert time.monotonic() < until
        time.sleep(0.01)
    os.killpg(running.pid, signal.SIGINT)  # As a terminal's Ctrl-C: to the workers too.
    said = running.communicate(timeout=PATIENCE_S)[1]
    assert (running.returncode, said) == (
        130,
        "Stopped. What was done is kept: the same command goes on from there.\n",
    )
    kept = kept_in(out)
    assert 2 <= kept < TAKES
    assert not (out / STROKES_NAME).exists()
    assert f"; {kept} known from before" in run(folder, "-o", out, "-j", "2").output
    run(folder, "-o", tmp_path / "at once", "-j", "2")
    assert same_tables(tmp_path / "at once", out)


def kept_in(out: Path) -> int:
    if not (out / STORE_NAME).exists():
        return 0
    with sqlite3.connect(out / STORE_NAME) as store:
        try:
            found: tuple[int] = store.execute("SELECT count(*) FROM summed_sessions").fetchone()
        except sqlite3.OperationalError:  # Just being made.
            return 0
        finally:
            store.rollback()
    store.close()
    return found[0]


def test_row_groups_hold_whole_sessions_and_bound_the_memory(
    sessions: Path, by_one: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.many.batch_tables.ROWS_IN_GROUP", 100)
    shutil.copytree(by_one, tmp_path / "out")
    named = find_sessions([str(sessions)])
    run_batch(named, tmp_path / "out", local_crew(1, 1), tell_nobody)
    file = pq.ParquetFile(tmp_path / "out" / STROKES_NAME)
    groups = [set(file.read_row_group(i)["session"].to_pylist()) for i in range(file.num_row_groups)]
    assert len(groups) > 2
    assert sum(map(len, groups)) == len(set.union(*groups)) == SESSIONS
    assert file.read().equals(pq.read_table(by_one / STROKES_NAME))


def test_places_are_folders_patterns_and_files(sessions: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(sessions.parent)
    name = sessions.name
    every = [found for found, _ in find_sessions([name])]
    assert every[0] == "empty.mcap"
    assert every[1] == "player 0/00.mcap"
    assert [found for found, _ in find_sessions([f"{name}/**/*.mcap"])] == every
    assert [found for found, _ in find_sessions([f"{name}/player ?"])] == every[1:]
    assert [found for found, _ in find_sessions([f"{name}/player 0/0*.mcap"])][:2] == ["00.mcap", "02.mcap"]
    one, other = f"{name}/player 0/00.mcap", f"{name}/player 1/../player 1/01.mcap"
    assert [found for found, _ in find_sessions([one, other, one])] == ["player 0/00.mcap", "player 1/01.mcap"]


@pytest.mark.parametrize("place", ["missing", "missing/*.mcap", ".", "*.csv"])
def test_a_place_without_sessions_is_refused(place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").touch()
    with pytest.raises(InputError, match=r"^expected session files \(\.mcap\) at .*, found none; name"):
        find_sessions([place])


def test_a_folder_that_holds_something_else_is_left_alone(sessions: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    found = run(sessions, "-o", tmp_path)
    assert isinstance(found.exception, OutputError)
    assert "holds notes.txt, which no batch wrote there" in str(found.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
    # A table of the same name that another program made.
    (tmp_path / "notes.txt").rename(tmp_path / STROKES_NAME)
    assert f"holds {STROKES_NAME}" in str(run(sessions, "-o", tmp_path).exception)


def test_a_folder_that_cannot_be_written_to_is_one_sentence(sessions: Path, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for folder in (tmp_path / "file", tmp_path / "file" / "out", Path("/proc/out")):
        found = run(sessions, "-o", folder, "-j", "1")
        assert isinstance(found.exception, OutputError), found.exception
        assert "cannot be written to" in str(found.exception)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / STORE_NAME).write_bytes(b"nonsense" * 100)
    assert "delete it" in str(run(sessions, "-o", tmp_path / "out").exception)


def test_if_no_session_can_be_used_the_list_says_why(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / f"{name}.mcap").touch()
    found = run(tmp_path, "-o", tmp_path / "out", "-j", "1")
    assert isinstance(found.exception, InputError)
    assert "found none in 2: a.mcap is empty" in str(found.exception)
    rows = (tmp_path / "out" / SESSIONS_NAME).read_text(encoding="utf-8").splitlines()
    assert len(rows) == 3


def test_a_dry_run_measures_one_session_and_keeps_nothing(sessions: Path, by_one: Path, tmp_path: Path) -> None:
    found = run(sessions, "-o", tmp_path / "out", "--dry-run").output
    assert f"{SESSIONS + 3} sessions, 0 of them known from before" in found
    assert "s of one worker; all 13 about" in found
    assert not (tmp_path / "out").exists()
    forecast = forecast_batch(find_sessions([str(sessions)]), by_one)
    assert (forecast.known, forecast.megabytes, forecast.sample) == (SESSIONS + 3, 0.0, "")


def test_jobs_and_a_cluster_exclude_each_other(sessions: Path, tmp_path: Path) -> None:
    found = run(sessions, "-o", tmp_path, "-j", "2", "--dask", "tcp://127.0.0.1:1")
    assert found.exit_code == 2
    assert "give one of them" in found.output


@pytest.mark.parametrize(
    ("module", "arguments", "extra"),
    [("pyarrow", [], "parquet"), ("distributed", ["--dask", "tcp://127.0.0.1:1"], "cluster")],
)
def test_a_missing_part_is_named(
    sessions: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, arguments: list[str], extra: str
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    found = run(sessions, "-o", tmp_path / "out", *arguments)
    assert isinstance(found.exception, InputError)
    assert f'pip install ".[{extra}]"' in str(found.exception)


def test_a_folder_without_sessions_is_named_before_a_missing_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    (tmp_path / "empty").mkdir()
    found = run(tmp_path / "empty", "-o", tmp_path / "out")
    assert "expected session files" in str(found.exception)
