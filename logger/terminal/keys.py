"""Single key presses from a terminal, without Enter; from a pipe, one key for each character."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Iterator
from typing import Protocol

CTRL_C = "\x03"
LEFT, RIGHT, PAGE_UP, PAGE_DOWN = "\x1b[D", "\x1b[C", "\x1b[5~", "\x1b[6~"
"""What a terminal sends for the keys of a page-turning pedal (ECMA-48's control sequences, xterm's function keys)."""
ESCAPE = b"\x1b"
WINDOWS_KEYS = {"K": LEFT, "M": RIGHT, "I": PAGE_UP, "Q": PAGE_DOWN}
"""Second codes of the same keys in a Windows console (from memory)."""
MOST_SEQUENCE = 8
SEQUENCE_S = 0.02


class Keys(Protocol):
    """Where key presses come from."""

    def read(self, timeout_s: float) -> str | None:
        """Return the next key, or None if none came in time.

        Parameters
        ----------
        timeout_s : float

        Returns
        -------
        str or None
        """
        ...


@contextlib.contextmanager
def open_keys() -> Iterator[Keys]:
    """Read keys from standard input for a while; the terminal is put back as it was.

    Yields
    ------
    Keys
    """
    if sys.platform == "win32":
        yield _WindowsKeys()
        return
    try:
        descriptor = sys.stdin.fileno()
    except (OSError, ValueError):  # No standard input, as under a test runner or a service.
        yield NoKeys()
        return
    if not os.isatty(descriptor):
        yield _PosixKeys(descriptor)
        return
    import termios
    import tty

    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)
        yield _PosixKeys(descriptor)
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


class NoKeys:
    """Nobody presses anything."""

    def read(self, timeout_s: float) -> str | None:
        """Wait, return None."""
        time.sleep(timeout_s)
        return None


class _PosixKeys:
    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._ended = False

    def read(self, timeout_s: float) -> str | None:
        """See :class:`Keys`."""
        if self._ended:
            time.sleep(timeout_s)
            return None
        ready, _, _ = select.select([self._descriptor], [], [], timeout_s)
        if not ready:
            return None
        data = os.read(self._descriptor, 1)
        self._ended = not data
        if data == ESCAPE:
            data += self._rest_of_sequence()
        return data.decode("ascii", "replace") if data else None

    def _rest_of_sequence(self) -> bytes:
        """What a key that is no character sends after its escape; nothing after the escape key itself."""
        rest = b""
        while len(rest) < MOST_SEQUENCE and select.select([self._descriptor], [], [], SEQUENCE_S)[0]:
            byte = os.read(self._descriptor, 1)
            rest += byte
            # CSI sequences end with a byte from @ to ~ (ECMA-48, 5.4); the bracket itself is their second byte.
            if not byte or (len(rest) > 1 and b"@" <= byte <= b"~"):
                break
        return rest


class _WindowsKeys:
    def read(self, timeout_s: float) -> str | None:
        """See :class:`Keys`."""
        import msvcrt  # Windows only.

        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            if msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
                key = str(msvcrt.getwch())  # type: ignore[attr-defined,unused-ignore]
                if key in ("\x00", "\xe0"):
                    return WINDOWS_KEYS.get(str(msvcrt.getwch()))  # type: ignore[attr-defined,unused-ignore]
                return key
            time.sleep(0.01)
        return None
