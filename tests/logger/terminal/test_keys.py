"""Keys as a terminal sends them: characters one by one, a pedal's keys whole."""

from __future__ import annotations

import os
import sys

import pytest

from logger.terminal.keys import LEFT, PAGE_DOWN, PAGE_UP, RIGHT, _PosixKeys

# Control sequences: ECMA-48, 5th edition, 8.3.18 and 8.3.20 (cursor left and right); the pages as xterm sends them.
SENT = b"a" + b"\x1b[D" + b"\x1b[C" + b"7" + b"\x1b[5~" + b"\x1b[6~" + b" "


@pytest.mark.skipif(sys.platform == "win32", reason="posix terminals")
def test_every_key_comes_whole() -> None:
    reading, writing = os.pipe()
    try:
        os.write(writing, SENT)
        keys = _PosixKeys(reading)
        assert [keys.read(0.5) for _ in range(7)] == ["a", LEFT, RIGHT, "7", PAGE_UP, PAGE_DOWN, " "]
        os.write(writing, b"\x1b")
        assert keys.read(0.5) == "\x1b", "the escape key alone"
        os.close(writing)
        writing = -1
        assert keys.read(0.01) is None
    finally:
        os.close(reading)
        if writing >= 0:
            os.close(writing)
