"""Sentences in a real terminal of 80 columns, and in a pipe."""

from __future__ import annotations

import ast
import io
import json
import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from rich.console import Console
from rich.progress import Progress

from logger.terminal.progress_bar import progress_columns
from logger.terminal.say import visible
from tests.house.test_house import all_modules, name_of

LONG = Path("an evening in November") / "with a long name.mcap"


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
def test_sentences_are_wrapped_between_words_in_a_terminal() -> None:
    import fcntl
    import termios

    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    done = subprocess.run(
        [sys.executable, "-m", "strokeplane", "analyse", str(LONG)],
        stdin=theirs, stdout=theirs, stderr=theirs, env=environment, check=False,
    )  # fmt: skip
    os.close(theirs)
    shown = os.read(ours, 65536).decode().replace("\r\n", "\n")
    os.close(ours)
    assert done.returncode == 1
    lines = shown.splitlines()
    assert len(lines) > 1
    assert max(map(len, lines)) <= 80
    assert f"{LONG} cannot be read (no such file or directory); check" in " ".join(lines)


@pytest.mark.parametrize("steering", ["\x1b[2J", "\x9b31m", "\x07", "\r", "\u202e", "\udcff"])
def test_what_steers_a_terminal_is_shown_and_never_sent(steering: str) -> None:
    """ECMA-48's controls (C0, C1), Unicode's marks of direction, and bytes of a name that are no UTF-8."""
    shown = visible(f"a{steering}b")
    assert shown.isascii()
    assert shown.isprintable()
    assert visible("naïve ♪\tn\n") == "naïve ♪\tn\n"
    text = json.dumps({"posture": f"a{steering}b"}, ensure_ascii=False)
    assert json.loads(visible(text)) == {"posture": f"a{steering}b"}


@pytest.mark.parametrize(
    "arguments",
    [
        ("analyse", "\x1b[31mred.mcap"), ("analyse", "\udcff.mcap"), ("hold", "x.mcap", "--wanted", "\x1b[31m"),
        ("plan", "check", "\x1b]0;title\x07.toml"), ("drill", "show", "\x1b[5m"),
    ],
)  # fmt: skip
def test_names_are_never_sent_as_they_are(arguments: tuple[str, ...]) -> None:
    done = subprocess.run([sys.executable, "-m", "strokeplane", *arguments], capture_output=True, check=False)
    assert done.returncode in (1, 2)
    assert b"Traceback" not in done.stderr
    assert not set(done.stderr + done.stdout) & {0x07, 0x1B}


def test_names_are_no_markup_beside_a_progress_bar(tmp_path: Path) -> None:
    """In a terminal, where the bar is drawn; square brackets are markup to the library that draws it."""
    bar = Console(file=io.StringIO(), force_terminal=True)
    column = progress_columns()[0]
    progress = Progress(column, console=bar)
    task = progress.add_task(visible("[/]\x1b[2J.mcap"), total=1.0)
    assert str(column.render(progress.tasks[task])) == "[/]\\u001b[2J.mcap"


def test_a_terminal_that_lacks_letters_gets_their_numbers(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "strokeplane", "analyse", "naïve ♪.mcap"]
    done = subprocess.run(
        command, capture_output=True, env={**os.environ, "PYTHONIOENCODING": "latin-1"}, cwd=tmp_path, check=False
    )
    assert done.returncode == 1
    assert done.stderr.startswith(b"strokeplane: na\xefve \\u266a.mcap cannot be read")


@pytest.mark.parametrize("path", all_modules(), ids=name_of)
def test_everything_is_printed_in_one_place(path: Path) -> None:
    if path.name != "say.py":
        names = {ast.unparse(n.func) for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Call)}
        assert not names & {"print", "click.echo", "click.secho", "sys.stdout.write", "sys.stderr.write"}


def test_sentences_stay_whole_in_a_pipe() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "strokeplane", "analyse", str(LONG)], capture_output=True, text=True, check=False
    )
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert len(done.stderr) > 100
