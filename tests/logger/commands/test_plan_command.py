"""The command: patterns written, checked and shown in 80 columns, mistakes in one sentence."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.model.errors import InputError, OutputError
from logger.cli import cli
from logger.practice.plan import parse_plan, read_plan

PATTERNS = {
    "ladder": ["--drill", "4:5-7 3:4-7 2:5-8 3:7-4", "--wanted", "up"],
    "postures": ["a wrist that is bent a lot", "Übung ş", "--seed", "1"],
    "switch": ["4:5-7 3:4-7", "--to", "124", "--notes-per-beat", "3/2"],
    "long": ["--minutes", "90"],
}


def run(*words: object) -> str:
    done = CliRunner().invoke(cli, ["plan", *map(str, words)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_pattern_is_written_checked_and_shown(pattern: str, tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    run("new", pattern, *PATTERNS[pattern], "-o", path)
    printed = run("new", pattern, *PATTERNS[pattern])
    assert parse_plan(printed, "printed") == read_plan(path)
    assert "of play" in run("check", path)
    assert "Note:" not in run("check", path)
    shown = run("show", path).splitlines()
    assert max(map(len, shown)) <= 80
    rows = [line for line in shown if re.match(r"\d+ +\d+:", line)]
    assert len(rows) == len(read_plan(path).blocks)


def test_without_a_seed_the_start_is_drawn() -> None:
    starts = {parse_plan(run("new", "postures", "low", "high"), "x").blocks[0].posture for _ in range(24)}
    assert starts == {"low", "high"}  # fails by chance once in eight million runs


def test_check_names_the_mistake_and_the_remarks(tmp_path: Path) -> None:
    bad, poor = tmp_path / "bad.toml", tmp_path / "poor.toml"
    bad.write_text("[[block]]\nseconds = 0\n")
    with pytest.raises(InputError, match=r"bad\.toml, line 2, block 1: seconds must be"):
        run("check", bad)
    blocks = [f'[[block]]\nposture = "{posture}"\ntempo_bpm = 100\nseconds = 10\n' for posture in "AABB"]
    poor.write_text("\n".join(blocks))
    assert "Note: Posture A comes earlier" in run("check", poor).replace("\n", " ")


@pytest.mark.parametrize("words", [["ladder", "--tempo", "5"], ["ladder", "--seconds", "0"], ["long", "--rest", "-1"]])
def test_what_no_plan_may_hold_is_refused_before_it_is_written(words: list[str], tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    with pytest.raises(InputError, match="must be a number from"):
        run("new", *words, "-o", path)
    assert not path.exists()


def test_a_plan_that_is_there_is_left_alone(tmp_path: Path) -> None:
    plan = tmp_path / "mine.toml"
    plan.write_text("# by hand\n", encoding="utf-8")
    words = ["plan", "new", "ladder", "-o", str(plan)]
    refused = CliRunner().invoke(cli, words)
    assert isinstance(refused.exception, OutputError)
    assert "--replace" in str(refused.exception)
    assert plan.read_text(encoding="utf-8") == "# by hand\n"
    # A text that is no plan is not ours to replace; a plan is, where that is said.
    assert isinstance(CliRunner().invoke(cli, [*words, "--replace"]).exception, OutputError)
    plan.unlink()
    assert CliRunner().invoke(cli, words).exit_code == 0
    assert CliRunner().invoke(cli, [*words, "--replace"]).exit_code == 0
    assert "[[block]]" in plan.read_text(encoding="utf-8")
