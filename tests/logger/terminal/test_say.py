"""Sentences in a real terminal of 80 columns, and in a pipe."""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from pathlib import Path

import pytest

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


def test_sentences_stay_whole_in_a_pipe() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "strokeplane", "analyse", str(LONG)], capture_output=True, text=True, check=False
    )
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert len(done.stderr) > 100
