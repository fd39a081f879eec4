"""Commands import and analyse: exit codes, what goes to which stream, what is left on the disk."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import NotEnoughDataError, OutputError, StrokeplaneError
from analysis.model.records import Session, SessionResult
from logger.cli import cli, main
from logger.session.session_file import read_session, write_session
from tests.logger.session import make

HEAVY = ("numpy", "pandas", "scipy", "plotly", "mcap", "rich", "aiohttp", "bleak", "vqf", "mido", "serial")


def program(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    code = "from logger.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], cwd=cwd, capture_output=True, text=True, check=False
    )


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom logger.cli import cli\n"
        "try:\n    cli(['--help'], prog_name='strokeplane')\nexcept SystemExit:\n    pass\n"
        f"print('heavy:', sorted(set(sys.modules) & set({HEAVY!r})))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "analyse" in done.stdout
    assert done.stdout.splitlines()[-1] == "heavy: []"


@pytest.mark.skipif(os.name != "posix", reason="processor time of child processes is counted on POSIX systems only")
def test_help_takes_at_most_a_fifth_of_a_second() -> None:
    """Processor time of the best of five, which other programs on the machine do not change much."""

    def spent() -> float:
        times = os.times()
        return times.children_user + times.children_system

    took = []
    for _ in range(5):
        before = spent()
        assert program("--help", cwd=Path.cwd()).returncode == 0
        took.append(spent() - before)
    assert min(took) <= 0.2


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A small CSV with its map and events, and nothing else in the folder."""
    rng = np.random.default_rng(0)
    rows = [f"{i / 100:.2f}," + ",".join(f"{v:.4f}" for v in rng.normal([0, 0, 1, 0, 0, 0], 0.2)) for i in range(300)]
    (tmp_path / "imu.csv").write_text("t,ax,ay,az,gx,gy,gz\n" + "\n".join(rows) + "\n")
    (tmp_path / "map.toml").write_text(
        '[time]\ncolumn = "t"\nunit = "s"\n[accel]\ncolumns = ["ax", "ay", "az"]\nunit = "g"\n'
        '[gyro]\ncolumns = ["gx", "gy", "gz"]\nunit = "deg/s"\n'
    )
    (tmp_path / "events.csv").write_text("start_s,end_s,kind\n0.5,1,still\n")
    return tmp_path


INPUTS = ["events.csv", "imu.csv", "map.toml"]


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_import_writes_a_session(log: Path) -> None:
    done = program(
        "import", "imu.csv", "--columns", "map.toml", "--events", "events.csv", "-o", "s.mcap", cwd=log
    )  # fmt: skip
    # Three seconds at rest turn no axis: the sensor's own test says so, and nothing else is noted.
    assert done.returncode == 0
    assert done.stderr.startswith("Note: No axis was turned enough to be tested")
    assert done.stderr.count("Note: ") == 1
    assert done.stdout == "Wrote s.mcap: 300 samples at 100/s, 3.0 s, 0 missing in 0 gaps, 1 events.\n"
    assert read_session(log / "s.mcap").raw.ticks.size == 300
    assert names(log) == [*INPUTS, "s.mcap"]


def test_an_import_takes_the_strings_heights_above_the_soundboard(log: Path) -> None:
    done = program(
        "import", "imu.csv", "--columns", "map.toml", "--heights", "11.5", "12", "-o", "s.mcap", cwd=log
    )  # fmt: skip
    assert done.returncode == 0
    assert read_session(log / "s.mcap").metadata["soundboard.heights_mm"] == "11.5 12"
    done = program("import", "imu.csv", "--columns", "map.toml", "--heights", "115", "12", "-o", "t.mcap", cwd=log)
    assert done.returncode == 2
    assert "two heights from 0.5 to 60 mm" in done.stderr
    assert not (log / "t.mcap").exists()


def test_what_cannot_be_decided_is_one_sentence_on_stderr_and_writes_nothing(log: Path) -> None:
    (log / "map.toml").write_text((log / "map.toml").read_text().replace('"az"', '"up"'))
    done = program("import", "imu.csv", "--columns", "map.toml", "-o", "s.mcap", cwd=log)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith("strokeplane: imu.csv")
    assert "up" in done.stderr
    assert done.stderr.count("\n") == 1
    assert names(log) == INPUTS


def test_a_bad_row_is_mended_and_told(log: Path) -> None:
    with (log / "imu.csv").open("a") as stream:
        stream.write("3.00,0,0,oops,0,0,0\n")
    done = program("import", "imu.csv", "--columns", "map.toml", "-o", "s.mcap", cwd=log)
    assert done.returncode == 0
    assert "row" in done.stderr
    assert "302" in done.stderr
    assert read_session(log / "s.mcap").raw.ticks.size == 300


def test_warnings_of_an_import_are_shown_and_kept(log: Path) -> None:
    lines = (log / "imu.csv").read_text().splitlines()
    (log / "imu.csv").write_text("\n".join([*lines, lines[-1]]) + "\n")
    done = program("import", "imu.csv", "--columns", "map.toml", "-o", "s.mcap", cwd=log)
    assert done.returncode == 0
    first = " ".join(done.stderr.split()).split(" Note: ")[0].removeprefix("Note: ")
    assert first.startswith("imu.csv: 1 sample stands at a time already taken")
    assert first.rstrip(".") in {warning.rstrip(".") for warning in read_session(log / "s.mcap").warnings}


@pytest.mark.parametrize(
    ("output", "sentence"),
    [("imu.csv", "is one of the files to read"), ("none/s.mcap", "there is no folder"), (".", "is a folder")],
)
def test_an_output_that_cannot_be_written_is_found_before_the_work(log: Path, output: str, sentence: str) -> None:
    done = run("import", log / "imu.csv", "--columns", log / "map.toml", "-o", log / output)
    assert sentence in str(done.exception)
    assert isinstance(done.exception, StrokeplaneError)
    assert names(log) == INPUTS


def test_what_may_be_the_only_copy_of_an_evening_is_not_written_over(log: Path) -> None:
    evening = log / "evening.mcap"
    evening.write_bytes(b"played, not invented")
    words = ("import", log / "imu.csv", "--columns", log / "map.toml", "-o", evening)
    for refused in (run(*words), run("simulate", "-o", evening, "--seconds", "4")):
        assert isinstance(refused.exception, OutputError)
        assert "evening.mcap exists; name a new file" in str(refused.exception)
    assert evening.read_bytes() == b"played, not invented"
    assert names(log) == sorted([*INPUTS, "evening.mcap"])
    # What is no session is not ours to replace, with --replace either; an imported session may be made again.
    assert isinstance(run(*words, "--replace").exception, OutputError)
    assert evening.read_bytes() == b"played, not invented"
    evening.unlink()
    assert run(*words).exit_code == 0
    assert isinstance(run(*words).exception, OutputError)
    assert run(*words, "--replace").exit_code == 0
    assert read_session(evening).raw.ticks.size == 300


@pytest.mark.parametrize(
    "arguments",
    [
        ("import", "exported.signals.parquet", "--columns", "map.toml", "--point", "x"),
        ("import", "--columns", "map.toml", "-o", "s.mcap"),
        ("import", "imu.csv", "--columns", "map.toml", "-o", "s.mcap", "--loud"),
        ("analyse",),
        ("analyse", "a.mcap", "b.mcap"),
        ("analyse", "a.mcap", "--strokes", "x", "--json", "x"),
        ("no such command",),
    ],
)
def test_wrong_usage_is_exit_code_2(arguments: tuple[str, ...]) -> None:
    assert run(*arguments).exit_code == 2


@pytest.mark.parametrize(
    ("words", "near"), [(("analyze", "a.mcap"), "analyse"), (("holdd",), "hold"), (("plan", "new", "lader"), "ladder")]
)
def test_an_unknown_command_is_answered_with_the_nearest(words: tuple[str, ...], near: str) -> None:
    assert f"Did you mean '{near}'?" in run(*words).output


def test_main_turns_known_errors_into_exit_code_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setattr(sys, "argv", ["strokeplane", "analyse", str(tmp_path / "none.mcap")])
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "none.mcap cannot be read (no such file or directory); check" in captured.err
    assert captured.err.count("\n") == 1


# The command analyse with a stand-in for what stands behind it.


@pytest.fixture
def session_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "s.mcap"
    write_session(path, make.session(500))

    def prepare_session(session: Session, progress: object) -> str:
        assert session.raw.ticks.size == 500
        return "prepared"

    def analyse_prepared(prepared: str, progress: object) -> SessionResult:
        assert prepared == "prepared"
        return make.result()

    def write_report(found: object, target: Path, light: bool) -> None:
        assert not light
        target.write_text("<p>report</p>")

    stand_in = SimpleNamespace(render_verdict=lambda result, width: f"verdict within {width}")
    monkeypatch.setattr("logger.many.analyse.prepare_session", prepare_session)
    monkeypatch.setattr("logger.many.analyse.analyse_prepared", analyse_prepared)
    monkeypatch.setitem(sys.modules, "logger.terminal.terminal_verdict", stand_in)  # type: ignore[misc]
    report = ModuleType("logger.report.session_page")
    report.write_report = write_report  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "logger.report.session_page", report)
    return path


def test_the_verdict_is_printed(session_path: Path) -> None:
    done = run("analyse", session_path)
    assert (done.exit_code, done.output) == (0, "verdict within 80\n")
    assert names(session_path.parent) == ["s.mcap"]


def test_all_outputs_are_written(session_path: Path) -> None:
    folder = session_path.parent
    done = run(
        "analyse", session_path, "--strokes", folder / "a.csv", "--json", folder / "a.json", "--html", folder / "a.html"
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert (folder / "a.csv").read_text().startswith("start_s,end_s,block,direction")
    assert json.loads((folder / "a.json").read_text())["blocks"][0]["tilt_side"] == "up"
    assert (folder / "a.html").read_text() == "<p>report</p>"
    assert names(folder) == ["a.csv", "a.html", "a.json", "s.mcap"]


def test_json_to_stdout_is_json_only(session_path: Path) -> None:
    done = run("analyse", session_path, "--json", "-")
    assert done.exit_code == 0
    assert json.loads(done.stdout)["version"] == "0.1.0"
    assert names(session_path.parent) == ["s.mcap"]


def test_the_session_is_never_written_over(session_path: Path) -> None:
    before = session_path.read_bytes()
    done = run("analyse", session_path, "--json", session_path)
    assert "is one of the files to read" in str(done.exception)
    assert session_path.read_bytes() == before


def test_what_the_analysis_says_names_the_file(session_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(prepared: str, progress: object) -> SessionResult:
        raise NotEnoughDataError("expected strokes, found none; play")

    monkeypatch.setattr("logger.many.analyse.analyse_prepared", refuse)
    done = run("analyse", session_path, "--json", session_path.parent / "a.json")
    assert isinstance(done.exception, NotEnoughDataError)
    # What was odd about the file is told too: it may be why.
    assert str(done.exception) == f"{session_path}: expected strokes, found none; play. written before"
    assert names(session_path.parent) == ["s.mcap"]


def test_no_progress_bar_where_stderr_is_no_terminal(session_path: Path) -> None:
    done = run("analyse", session_path)
    assert done.stderr == ""


# With the real thing behind.


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("simulated")
    done = CliRunner().invoke(
        cli, ["simulate", "-o", str(folder / "s.mcap"), "--seconds", "6", "--csv", "--seed", "3"], standalone_mode=False
    )
    assert done.exception is None, done.exception
    return folder


def test_a_simulated_log_comes_in_as_csv_as_it_was_recorded(simulated: Path) -> None:
    imported = simulated / "imported.mcap"
    (table,) = simulated.glob("*.imu.csv")
    (columns,) = simulated.glob("*.toml")
    (events,) = simulated.glob("*.events.csv")
    done = run("import", table, "--columns", columns, "--events", events, "-o", imported)
    assert done.exit_code == 0, (done.output, done.exception)
    a, b = read_session(simulated / "s.mcap"), read_session(imported)
    assert np.array_equal(a.raw.counts, b.raw.counts)
    assert np.array_equal(a.raw.ticks, b.raw.ticks)
    assert a.profile.accel_mps2_per_count == pytest.approx(b.profile.accel_mps2_per_count)
    assert a.profile.gyro_radps_per_count == pytest.approx(b.profile.gyro_radps_per_count)
    assert a.lever_mm == pytest.approx(b.lever_mm)
    assert [(e.kind, e.posture, e.label) for e in a.events] == [(e.kind, e.posture, e.label) for e in b.events]
    assert [e.start_s for e in a.events] == pytest.approx([e.start_s for e in b.events])


def test_a_damaged_session_is_analysed_and_its_damage_told(simulated: Path, tmp_path: Path) -> None:
    data = bytearray((simulated / "s.mcap").read_bytes())
    data[len(data) * 9 // 10] ^= 64
    (tmp_path / "s.mcap").write_bytes(data)
    done = program("analyse", "s.mcap", "--json", "-", "--strokes", "strokes.csv", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    answer = json.loads(done.stdout)
    assert any("damaged" in warning for warning in answer["session"]["warnings"])
    assert answer["session"]["lost_samples"] >= 500
    rows = (tmp_path / "strokes.csv").read_text().splitlines()[1:]
    assert len(rows) == answer["session"]["strokes"] > 10
