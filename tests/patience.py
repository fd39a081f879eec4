"""How long a test waits for what must come: so long that only a hang fails, however slow or busy the machine is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

PATIENCE_S = 120.0


def wait_for(condition: Callable[[], object]) -> None:
    """Wait until a condition holds."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.005)


class Lateness:
    """While it is entered: how much later than they asked threads of this process are woken, all in all, in seconds.

    What a program takes a time for, it may take longer for by so much where other work on the machine is in the way.
    """

    def __init__(self) -> None:
        self.sum_s = 0.0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._sleep, daemon=True)

    def __enter__(self) -> Lateness:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _sleep(self) -> None:
        while not self._over.is_set():
            due_s = time.monotonic() + 0.005
            time.sleep(0.005)
            self.sum_s += time.monotonic() - due_s
