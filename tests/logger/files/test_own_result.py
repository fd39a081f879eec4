"""No writer of results replaces a recording or a stranger's file; each renews its own older result."""

from __future__ import annotations

import json
from pathlib import Path

import mido
import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import OutputError
from logger.cli import cli
from logger.files.own_result import begins_with, check_result, is_json, is_page, write_result
from logger.practice.practice_files import FILE_NAMES

SHORT = ("--seconds", "4", "--rate-hz", "100", "--gestures", "short")
DRILL = "4x2 3x2"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one made-up session that names a drill."""
    path = tmp_path_factory.mktemp("evenings")
    done = run("simulate", "-o", path / "X.mcap", *SHORT, "--drill", DRILL)
    assert done.exit_code == 0, done.output
    return path


def recording(folder: Path) -> Path:
    """A session that nobody can make again: its metadata do not say that it was made up."""
    from dataclasses import replace

    from logger.session.session_file import read_session, write_session

    path = folder / "Y.mcap"
    write_session(path, replace(read_session(folder / "X.mcap"), metadata={"note": "invented evening"}))
    return path


@pytest.mark.parametrize(
    "words",
    [
        ("analyse", "X.mcap", "--html", "Y.mcap"),
        ("analyse", "X.mcap", "--json", "Y.mcap"),
        ("analyse", "X.mcap", "--strokes", "Y.mcap"),
        ("progress", ".", "--json", "Y.mcap"),
        ("progress", ".", "--html", "Y.mcap"),
        ("steady", "X.mcap", "--json", "Y.mcap"),
        ("drill", "check", "X.mcap", "--changes", "Y.mcap"),
        ("simulate", "-o", "Y.mcap", *SHORT),
        ("simulate", "-o", "Y.mcap", *SHORT, "--replace"),
        ("plan", "new", "ladder", "--tempo", "90", "-o", "Y.mcap", "--replace"),
        ("import", "log.csv", "-o", "Y.mcap", "--replace"),
    ],
)
def test_a_recording_is_never_replaced(folder: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]) -> None:
    monkeypatch.chdir(folder)
    (folder / "log.csv").write_text("t,ax,ay,az,gx,gy,gz\n0,0,0,1,0,0,0\n")
    there = recording(folder)
    before = there.read_bytes()
    done = run(*words)
    assert isinstance(done.exception, OutputError), done.output
    assert "Y.mcap" in str(done.exception)
    assert there.read_bytes() == before


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("analyse", "X.mcap", "--html"), "notes.html"),
        (("analyse", "X.mcap", "--json"), "notes.json"),
        (("analyse", "X.mcap", "--strokes"), "notes.csv"),
        (("steady", "X.mcap", "--html"), "notes.html"),
        (("start", "--demo-to"), "notes.html"),
        (("plan", "new", "ladder", "--tempo", "90", "--replace", "-o"), "notes.toml"),
    ],
)
def test_a_strangers_file_is_never_replaced(
    folder: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], name: str
) -> None:
    monkeypatch.chdir(folder)
    (folder / name).write_text("<!DOCTYPE html>my own page about strokeplane\n")
    if words[0] == "start":
        pytest.importorskip("plotly")
        from logger.commands.start import show_demo
        from logger.player.player_profile import PlayerProfile

        with pytest.raises(OutputError, match="not an older result"):
            show_demo(PlayerProfile.__new__(PlayerProfile), folder / name)
    else:
        done = run(*words, name)
        assert isinstance(done.exception, OutputError), done.output
    assert (folder / name).read_text() == "<!DOCTYPE html>my own page about strokeplane\n"


def test_own_results_are_renewed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    for _ in range(2):
        done = run("analyse", "X.mcap", "--html", "own.html", "--json", "own.json", "--strokes", "own.csv")
        assert done.exit_code == 0, done.exception
        done = run("drill", "check", "X.mcap", "--changes", "changes.csv")
        assert done.exit_code == 0 or "no string change" in str(done.exception), done.exception
    assert next(iter(json.loads((folder / "own.json").read_text()))) == "made_by"
    # A page in the place of a JSON is another kind of result: refused.
    assert isinstance(run("analyse", "X.mcap", "--json", "own.html").exception, OutputError)


def test_the_questions_pages_say_who_made_them(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from logger.report.answer_output import put_out

    monkeypatch.chdir(folder)
    for _ in range(2):
        put_out("Steady", [], {"steady": []}, ("Stop when it hurts.",), (Path("q.json"), Path("q.html")))
    assert is_json((folder / "q.json").read_bytes()[:8192])
    assert is_page((folder / "q.html").read_bytes()[:8192])


def test_simulate_leaves_strangers_beside_alone_and_renews_its_own(tmp_path: Path) -> None:
    words = ("simulate", "-o", tmp_path / "a.mcap", *SHORT, "--csv")
    assert run(*words).exit_code == 0
    assert run(*words, "--replace").exit_code == 0
    before = (tmp_path / "a.mcap").read_bytes()
    (tmp_path / "a.events.csv").write_text("start_s,end_s,kind\n1,2,play\n")
    done = run(*words, "--replace", "--seed", "5")
    assert isinstance(done.exception, OutputError)
    assert (tmp_path / "a.mcap").read_bytes() == before
    assert (tmp_path / "a.events.csv").read_text().startswith("start_s")


def test_drill_write_renews_its_own_files_and_no_others(tmp_path: Path) -> None:
    words = ("drill", "write", DRILL, "--tempo", "93", "-o", tmp_path)
    assert run(*words).exit_code == 0
    done = run(*words)
    assert isinstance(done.exception, OutputError)
    assert "--replace" in str(done.exception)  # The plan may have been edited.
    assert run(*words, "--replace", "--tempo", "90").exit_code == 0
    assert mido.MidiFile(tmp_path / FILE_NAMES["midi"]).tracks[0].name == "Practice"
    kept = {name: (tmp_path / name).read_bytes() for name in FILE_NAMES.values()}
    for name in FILE_NAMES.values():
        (tmp_path / name).write_bytes(b"my own\n")
        done = run(*words, "--replace", "--tempo", "80")
        assert isinstance(done.exception, OutputError), name
        assert (tmp_path / name).read_bytes() == b"my own\n"
        (tmp_path / name).write_bytes(kept[name])
    assert {name: (tmp_path / name).read_bytes() for name in FILE_NAMES.values()} == kept


def test_signs() -> None:
    assert not is_page(b"<!DOCTYPE html>\n<p>&lt;meta name=generator content=strokeplane")
    assert not is_json(b'{"note": "x", "made_by": "strokeplane 1"}')
    assert begins_with("a,b")(b"a,b\r\n1,2\r\n")
    assert not begins_with("a,b")(b"a,b,c\n")


def test_an_empty_file_may_be_filled_and_a_link_is_followed(tmp_path: Path) -> None:
    empty = tmp_path / "made_by_mktemp"
    empty.touch()
    check_result(empty, is_json)
    real = tmp_path / "evening.mcap"
    real.write_bytes(b"\x89MCAP0\r\n")
    link = tmp_path / "link.json"
    link.symlink_to(real)
    with pytest.raises(OutputError, match="a recording"):
        write_result(link, "{}", is_json)
    assert real.read_bytes() == b"\x89MCAP0\r\n"
