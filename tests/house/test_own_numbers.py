"""Nothing falls back on the trade's usual example numbers: tempo, repeats, rest and scale are the player's own."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from logger.cli import cli
from tests.house.test_house import ROOT, tracked_files

# The shipped sessions keep their tempi: they are data of invented players, not defaults.
KEPT = ("sample_logs/", "logger/sample_logs.py", "tests/house/test_own_numbers.py", "CHANGELOG.md")
OLD_DEFAULTS = {
    "a tempo of one hundred": r"default=100\.0.*BPM|(?:tempo_bpm|USUAL_TEMPO)\w*[^=\n]*= *\(?100(?:\.0)?\b(?=.*default)"
    r"|first tempo of 100|USUAL_TEMPO|tempo(?:_bpm)?: (?:float|tuple\[float, \.\.\.\])[^=\n]*= \(?100",
    "four repeats": r"repeats: int(?: \| None)? = 4\b|\"--repeats\", default=|phrase four times|[Ff]our repeats",
    "one beat of rest": r"rest_beats: int(?: \| None)? = 1\b|default=1,.*[Bb]eats of rest|one beat of rest",
    "a minor pentatonic in A": r"default=\"1 b3 4 5 b7\"|\"--root\", default=|[Mm]inor pentatonic",
}


def lines_of(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8", errors="replace").splitlines()


def searched() -> list[Path]:
    kinds = {".py", ".md", ".toml", ".sh", ".js", ".html", ""}
    files = [path for path in tracked_files() if path.suffix in kinds or path.name == "Makefile"]
    return [path for path in files if not str(path.relative_to(ROOT)).startswith(KEPT)]


@pytest.mark.parametrize("name", OLD_DEFAULTS)
def test_no_file_holds_an_old_default(name: str) -> None:
    pattern = re.compile(OLD_DEFAULTS[name])
    found = [
        f"{path.relative_to(ROOT)}: {line}" for path in searched() for line in lines_of(path) if pattern.search(line)
    ]
    assert found == []


@pytest.mark.parametrize(
    "line",
    [
        'click.option("--tempo", default=100.0, show_default=True, help="First tempo, BPM.")',
        "    tempi_bpm: tuple[float, ...] = (100.0,)".replace("tempi_bpm", "tempo_bpm"),
        "    repeats: int = 4",
        "    rest_beats: int = 1",
        '@click.option("--root", default="A", show_default=True)',
    ],
)
def test_the_search_finds_what_it_looks_for(line: str) -> None:
    assert any(re.search(pattern, line) for pattern in OLD_DEFAULTS.values())


def options() -> list[tuple[str, click.Option]]:
    """Every option of the commands that make practice."""
    found = []
    context = click.Context(cli)
    for group_name in ("drill", "plan"):
        groups = [(group_name, cli.get_command(context, group_name))]
        while groups:
            name, command = groups.pop()
            if isinstance(command, click.Group):
                groups += [(f"{name} {each}", command.commands[each]) for each in command.commands]
            elif command is not None:
                found += [(name, option) for option in command.params if isinstance(option, click.Option)]
    return found


def test_tempo_repeats_rest_and_scale_have_no_default_of_a_command() -> None:
    seen = set()
    for name, option in options():
        if option.name in ("tempo", "last", "repeats", "rest_beats", "root", "degrees", "tuning", "position"):
            assert option.to_info_dict()["default"] is None, f"{name} --{option.name}"
            seen.add(option.name)
    assert seen == {"tempo", "last", "repeats", "rest_beats", "root", "degrees", "tuning", "position"}
