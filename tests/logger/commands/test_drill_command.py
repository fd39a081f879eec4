"""``strokeplane drill`` as a player types it."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import StrokeplaneError
from analysis.model.records import Instrument
from benchmarks.drill_sessions import DrillPlayer, play
from logger.cli import cli
from logger.session.session_file import write_session


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, ["drill", *words], catch_exceptions=True)


def shown(*words: str) -> str:
    result = run(*words)
    assert result.exit_code == 0, result.output
    assert max(len(line) for line in result.output.splitlines()) <= 120
    return result.stdout


def refused(*words: str) -> str:
    error = run(*words).exception
    assert isinstance(error, StrokeplaneError), error
    assert "\n" not in str(error)
    return str(error)


def test_show_says_what_a_phrase_demands_and_whom_it_suits() -> None:
    text = shown("show", "4:5-7 3:4-7")
    assert "Demands the upstroke: every string change follows an upstroke (2 of 2)." in text
    assert "A hand whose upstroke clears plays all 2 changes clear: it suits." in text
    assert "A hand whose downstroke clears has to jump at all 2 changes: try the twin." in text
    assert "D|-5-7-----|" in text
    assert "the loop's seam" in text
    only = shown("show", "4x3 3x2", "--clearing", "up")
    assert "the strokes swap on every pass" in only
    assert "plays 2 of 4 changes clear and has to jump at 2" in only
    assert "downstroke clears" not in only


def test_twin_and_first_stroke() -> None:
    assert "Demands the downstroke" in shown("twin", "4x2 3x2")
    assert "Twin: 4x1 3x2 4x1" in shown("twin", "4x2 3x2", "--way", "one note later")
    ways = [line.split(":")[0][5:] for line in shown("twin", "4x2 3x2").splitlines() if line[2:4] in ("1.", "2.")]
    assert ways == ["first stroke", "slur"]
    assert "Demands the downstroke" in shown("show", "4x2 3x2", "--first", "up")
    assert "Demands the downstroke" in shown("show", "up 4x2 3x2")


def test_a_tab_from_a_file(tmp_path: Path) -> None:
    tab = tmp_path / "figure.txt"
    tab.write_text("E|-----0-2-|\nA|-0-2-----|\nD|---------|\nG|---------|\n", encoding="utf-8")
    assert "Phrase: 2:0-2 1:0-2 once" in shown("show", "--from", str(tab), "--tuning", "mandolin", "--once")
    tab.write_text("E|-----0-2-|\nA|-0-?-----|\nD|---------|\nG|---------|\n", encoding="utf-8")
    assert "row 2, column 6" in refused("show", "--from", str(tab), "--tuning", "mandolin")
    assert "figure.txt" in refused("show", "--from", str(tab), "--tuning", "mandolin")
    tab.write_bytes(b"\xff\xfe\x00")
    assert "cannot be read as text" in refused("show", "--from", str(tab))
    assert "cannot be read (" in refused("show", "--from", str(tmp_path / "none.txt"))


def test_generate_is_the_same_for_the_same_seed() -> None:
    one, again, other = (shown("generate", "--seed", seed) for seed in ("4", "4", "5"))
    assert one == again != other
    assert "Demands the upstroke" in one
    assert "Demands the downstroke" in one
    assert "No loop" in refused("generate", "--leap", "1", "--degrees", "1 5")


def test_write_makes_the_files(tmp_path: Path) -> None:
    folder = tmp_path / "material"
    text = shown("write", "4:5-7 3:4-7", "-o", str(folder), "--tempo", "91", "--to", "107", "--postures", "low", "high")
    assert len(text.splitlines()) == 3 + 3
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    assert [block["tempo_bpm"] for block in plan["block"]] == [91, 91, 99, 99, 107, 107]
    assert [block["posture"] for block in plan["block"][:2]] == ["low", "high"]


def test_one_string_and_seven_eighths_can_be_shown_and_written(tmp_path: Path) -> None:
    one = shown("show", "4:5-7-8-7")
    assert "Demands no stroke" in one
    assert "It suits every hand." in one
    seven = "metre=7/8 note=1/8 4:5-7-5 3:4-7-5-4"
    assert "swap on every pass" in shown("show", seven)
    for name, phrase in (("one", "4:5-7-8-7"), ("seven", seven)):
        shown("write", phrase, "-o", str(tmp_path / name), "--tempo", "140", "--seconds", "5")
    plan = tomllib.loads((tmp_path / "seven" / "plan.toml").read_text(encoding="utf-8"))["block"]
    assert [block["drill"] for block in plan] == [seven, f"up {seven}"]
    assert {block["beats_per_bar"] for block in plan} == {7}
    assert {block["rest_beats"] for block in plan} == {7}


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("twin", "4x2 3x1"), "odd"),
        (("twin", "4x1 3x1", "--way", "slur"), "no twin by slur"),
        (("show", "9x2 4x2"), "string 9"),
        (("show", "4x2 3x2", "--tuning", "E2 H3"), "'H3'"),
        (("show", "4x2 3z2"), "'3z2'"),
        (("twin", "4x8"), "stays on string 4"),
        (("write", "4x2 3x2", "-o", "x", "--notes-per-beat", "many"), "'many'"),
        (("write", "4x2 3x2", "-o", "x", "--tempo", "96", "--to", "90", "--step", "8"), "take steps of"),
        (("write", "4:36-35 3x2", "-o", "x", "--tuning", "E8 A8 D9 G9", "--tempo", "90"), "above G9"),
    ],
)
def test_bad_input_is_one_sentence_and_writes_nothing(words, sentence, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert sentence in refused(*words).replace("turns its strokes round", "odd")
    assert list(tmp_path.iterdir()) == []


def test_usage_errors_exit_with_two() -> None:
    assert run("show").exit_code == 2
    assert run("show", "4x2 3x2", "--from", "x").exit_code == 2
    assert run("write", "4x2 3x2").exit_code == 2


def test_check_names_the_weakest_change(tmp_path: Path) -> None:
    session, table = tmp_path / "evening.mcap", tmp_path / "changes.csv"
    simulated = play(DrillPlayer(8.0, -24.0, 24.0, ("up", "down"), Instrument()), 3, 9.0)
    write_session(session, simulated.session)
    text = shown("check", str(session), "--changes", str(table))
    lines = text.splitlines()
    head = next(line for line in lines if "not known" in line and "sure, %" in line)
    table_lines = lines[lines.index(head) :][: lines[lines.index(head) :].index("")]
    assert len(table_lines) >= 5
    # Sentences are broken to the terminal's width as they are printed; a table cannot be.
    assert max(map(len, table_lines)) <= 80
    assert "Weakest change: string" in text
    assert "after a downstroke" in text
    assert "In this posture the downstroke does not clear" in text
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["block"] for row in rows} == {"0", "1"}
    assert {row["verdict"] for row in rows} <= {"cleared", "touched", "not known"}
    assert len(rows) >= 36
    assert "is one of the files to read" in refused("check", str(session), "--changes", str(session))


def test_check_of_a_session_without_drills(tmp_path: Path) -> None:
    from analysis.synthesis.scenario import PlayBlock, Scenario
    from analysis.synthesis.simulate import simulate

    session = tmp_path / "plain.mcap"
    write_session(session, simulate(Scenario(blocks=(PlayBlock(duration_s=4.0),)), 1).session)
    assert "no block names a drill" in refused("check", str(session))
