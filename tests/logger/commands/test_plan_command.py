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
    "ladder": ["--tempo", "84", "--drill", "4:5-7 3:4-7 2:5-8 3:7-4", "--wanted", "up"],
    "postures": ["a wrist that is bent a lot", "Übung ş", "--seed", "1", "--tempo", "92"],
    "switch": ["4:5-7 3:4-7", "--tempo", "96", "--to", "124", "--notes-per-beat", "3/2"],
    "long": ["--minutes", "90", "--tempo", "76"],
    "free": [],
}


def run(*words: object) -> str:
    done = CliRunner().invoke(cli, ["plan", *map(str, words)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


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
    starts = {
        parse_plan(run("new", "postures", "low", "high", "--tempo", "92"), "x").blocks[0].posture for _ in range(24)
    }
    assert starts == {"low", "high"}  # fails by chance once in eight million runs


def test_check_names_the_mistake_and_the_remarks(tmp_path: Path) -> None:
    bad, poor = tmp_path / "bad.toml", tmp_path / "poor.toml"
    bad.write_text("[[block]]\nseconds = 0\n")
    with pytest.raises(InputError, match=r"bad\.toml, line 2, block 1: seconds must be"):
        run("check", bad)
    blocks = [f'[[block]]\nposture = "{posture}"\ntempo_bpm = 93\nseconds = 10\n' for posture in "AABB"]
    poor.write_text("\n".join(blocks))
    assert "Note: Posture A comes earlier" in run("check", poor).replace("\n", " ")


@pytest.mark.parametrize(
    "words",
    [
        ["ladder", "--tempo", "5"],
        ["ladder", "--tempo", "84", "--seconds", "0"],
        ["long", "--tempo", "84", "--rest", "-1"],
    ],
)
def test_what_no_plan_may_hold_is_refused_before_it_is_written(words: list[str], tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    with pytest.raises(InputError, match="must be a number from"):
        run("new", *words, "-o", path)
    assert not path.exists()


def test_a_plan_that_is_there_is_left_alone(tmp_path: Path) -> None:
    plan = tmp_path / "mine.toml"
    plan.write_text("# by hand\n", encoding="utf-8")
    words = ["plan", "new", "ladder", "--tempo", "84", "-o", str(plan)]
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


@pytest.mark.parametrize("words", [["ladder"], ["postures", "low", "high"], ["switch", "4x2 3x2"], ["long"]])
def test_without_a_tempo_nothing_is_made_up(words: list[str]) -> None:
    """No tempo and nobody to ask: one sentence that says how to come by one."""
    with pytest.raises(InputError, match="nothing says how fast you play") as caught:
        run("new", *words)
    assert "plan new free" in str(caught.value)


def test_the_tempo_comes_from_the_players_own_hold_or_from_free_play(tmp_path: Path) -> None:
    from analysis.questions.hold import find_hold_tempo
    from analysis.synthesis.scenario import PlayBlock, Scenario
    from analysis.synthesis.simulate import simulate
    from logger.many.analyse import analyse_files
    from logger.session.session_file import write_session

    shipped = Path(__file__).parents[3] / "sample_logs" / "level_at_speed.mcap"
    hold = find_hold_tempo(analyse_files([shipped]))
    own = 60 * hold.strokes_per_s / 4
    done = CliRunner().invoke(cli, ["plan", "new", "ladder", "--hold", str(shipped)], catch_exceptions=False)
    tempi = [block.tempo_bpm for block in parse_plan(done.stdout, "x").blocks]
    assert tempi[0] == round(0.8 * own)
    assert tempi[0] < own < tempi[-1] <= 1.25 * own + 1
    free = tmp_path / "free.mcap"
    write_session(free, simulate(Scenario(blocks=(PlayBlock(duration_s=20.0, strokes_per_s=6.0),)), 1).session)
    long = CliRunner().invoke(cli, ["plan", "new", "long", "--hold", str(free)], catch_exceptions=False)
    assert parse_plan(long.stdout, "x").blocks[0].tempo_bpm == pytest.approx(0.7 * 90, abs=2)
