"""What ``strokeplane`` alone says: six lines at most, commands that exist, fitting what the folder holds."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.cli import COMMANDS, cli
from logger.terminal.next_step import FolderContents, look_into, next_steps

CONTENTS = {
    "nothing": FolderContents(),
    "nothing, a known player": FolderContents(player_known=True),
    "a log": FolderContents(logs=("my log.csv",)),
    "a session": FolderContents(sessions=("a.mcap",), player_known=True),
    "weeks": FolderContents(sessions=("d.mcap", "c.mcap", "b.mcap", "a.mcap"), plans=("p.toml",), logs=("x.csv",)),
}


@pytest.mark.parametrize("name", CONTENTS)
def test_six_lines_of_commands_that_exist(name: str) -> None:
    lines = next_steps(CONTENTS[name])
    assert 3 <= len(lines) <= 6
    assert all(len(line) <= 80 for line in lines)
    for line in lines[1:]:
        command = line.split()[1]
        assert command in COMMANDS or command == "--help"


def test_what_comes_first_fits_the_folder() -> None:
    assert 'import "my log.csv"' in next_steps(CONTENTS["a log"])[1]
    assert "analyse a.mcap" in next_steps(CONTENTS["a session"])[1]
    assert "analyse d.mcap" in next_steps(CONTENTS["weeks"])[1]
    assert "progress ." in next_steps(CONTENTS["weeks"])[2]
    assert "start" in next_steps(CONTENTS["nothing"])[1]


def test_the_newest_session_is_named_and_only_a_plan_is_a_plan(tmp_path: Path) -> None:
    for age, name in enumerate(("new.mcap", "old.mcap", "plan.toml", "map.toml", "log.csv")):
        path = tmp_path / name
        path.write_text("[[block]]\n" if name == "plan.toml" else "", encoding="utf-8")
        os.utime(path, (1_000_000 - age, 1_000_000 - age))
    found = look_into(tmp_path, player_known=False)
    assert found.sessions == ("new.mcap", "old.mcap")
    assert (found.plans, found.logs) == (("plan.toml",), ("log.csv",))


def test_the_command_alone_says_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shown = CliRunner().invoke(cli, [])
    assert shown.exit_code == 0
    assert shown.output.startswith("In this folder: no session, log or plan yet.")
