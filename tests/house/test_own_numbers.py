"""Nothing falls back on the trade's usual example numbers or on words that are not ours: the whole tree is searched."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from logger.cli import cli
from tests.house.test_house import ROOT, tracked_files

# What was changed is told in the change log.
KEPT = ("tests/house/test_own_numbers.py", "CHANGELOG.md")
OLD_DEFAULTS = {
    "a tempo of one hundred": r"(?i)default=100\.0.*BPM"
    r"|\b(?:tempo|tempi)\w*[^\w\n,.;)]{0,3}(?:[=:(]|, \")[^\w\n,.;)]{0,3}100(?:\.0)?\b(?!_)"
    r"|tempo\w*: [^=\n]*= \(?100(?:\.0)?\b|\b(?:one )?(?:100|hundred) (?:BPM|beats a minute)|USUAL_TEMPO",
    "four repeats": r"(?i)\brepeats\W{1,4}(?:4|four)\b|repeats: [^=\n]*= 4\b|\"--repeats\", default="
    r"|phrase four times|\b(?:four|4) repeats",
    "one beat of rest": r"(?i)\brest_beats['\"]?\]?\s*[=:]+\s*1\b|rest_beats: [^=\n]*= 1\b|default=1,.*beats of rest"
    r"|\b(?:one|1) beat of rest",
    "a minor pentatonic in A": r"(?i)1 b3 4 5 b7|\"--root\", default=|pentatonic|\bA minor\b"
    r"|6:5-8 5:5-7|5:5-7 4:5-7|1:8-5 2:8-5",
}
OLD_WORDS = {
    # A stroke that clears neither way is "too flat"; the aim is a target; strokes change direction; a hatch rises.
    "stuck": r"(?i)\bstuck\b",
    "zone": r"(?i)(?<!time )\bzones?\b",
    "turnaround": r"(?i)turn-?around",
    "slant": r"(?i)slant",
}


def lines_of(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8", errors="replace").splitlines()


def searched() -> list[Path]:
    kinds = {".py", ".md", ".toml", ".sh", ".js", ".css", ".html", ".svg", ".txt", ".json", ".yml", ""}
    files = [path for path in tracked_files() if path.suffix in kinds or path.name == "Makefile"]
    return [path for path in files if not str(path.relative_to(ROOT)).startswith(KEPT)]


@pytest.mark.parametrize("name", [*OLD_DEFAULTS, *OLD_WORDS])
def test_no_file_holds_an_old_default_or_word(name: str) -> None:
    pattern = re.compile((OLD_DEFAULTS | OLD_WORDS)[name])
    found = [
        f"{path.relative_to(ROOT)}: {line}"
        for path in searched()
        for line in (str(path.relative_to(ROOT)), *lines_of(path))
        if pattern.search(line)
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
        '    words = ("drill", "write", DRILL, "--tempo", "100", "-o", folder)',
        '        "tempo_bpm": 100.0,',
        'title = "Posture low, 100 BPM, 30 s"',
        "repeats = 4",
        "PracticeForm(tempi_bpm=(93.0,), rest_beats=1)",
        'read_phrase("1:8-5 2:8-5 3:7-5")',
        '    return "stuck" if neither else side',
        ".target-zone { fill: none }",
        "turnaround_s = 0.1",
        'label = "slanted down"',
    ],
)
def test_the_search_finds_what_it_looks_for(line: str) -> None:
    assert any(re.search(pattern, line) for pattern in (OLD_DEFAULTS | OLD_WORDS).values())


@pytest.mark.parametrize(
    "line",
    ["tempo_bpm = 93", "--tempo 84 --to 108", "in 94 of 100 strokes", "tempo_ladder(90, 100, 5)", "a time zone"],
)
def test_the_search_leaves_the_rest_alone(line: str) -> None:
    assert not any(re.search(pattern, line) for pattern in (OLD_DEFAULTS | OLD_WORDS).values())


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
