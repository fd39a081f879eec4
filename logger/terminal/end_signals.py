"""Signals that end a command, so that it can close what it has open."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def ended_by_signals() -> Iterator[threading.Event]:
    """Turn SIGTERM, SIGHUP and Ctrl-C into an event for a while, so that the file is closed properly.

    Yields
    ------
    threading.Event
        Set when a signal came.
    """
    stopping = threading.Event()
    names = [name for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), lambda *_: stopping.set()) for name in names}
    try:
        yield stopping
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
