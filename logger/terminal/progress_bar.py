"""A progress bar on stderr for whatever takes longer than a second; nothing where stderr is no terminal."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from logger.terminal.say import visible

if TYPE_CHECKING:
    from rich.progress import ProgressColumn

SHOW_AFTER_S = 1.0


@contextlib.contextmanager
def show_progress() -> Iterator[Callable[[str, float], None]]:
    """Give a callable that takes a stage's name and the share of it that is done, 0 to 1.

    Yields
    ------
    Callable[[str, float], None]

    Examples
    --------
    >>> with show_progress() as progress:
    ...     progress("reading", 0.5)
    """
    if not sys.stderr.isatty():
        yield lambda stage, share: None
        return
    from rich.console import Console
    from rich.progress import Progress

    bar = Progress(*progress_columns(), console=Console(stderr=True), transient=True)
    task = bar.add_task("starting", total=1.0)
    timer = threading.Timer(SHOW_AFTER_S, bar.start)
    timer.daemon = True
    timer.start()
    try:
        yield lambda stage, share: bar.update(task, description=visible(stage), completed=share)
    finally:
        timer.cancel()
        timer.join()
        bar.stop()


def progress_columns() -> tuple[ProgressColumn, ...]:
    """Stage, bar, share and time; a stage may hold a file's name, which is no markup."""
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn

    return TextColumn("{task.description}", markup=False), BarColumn(), TaskProgressColumn(), TimeElapsedColumn()


def part_of(
    progress: Callable[[str, float], None], start: float, stop: float, name: str = ""
) -> Callable[[str, float], None]:
    """What a part of a longer task is told to report to: its 0 to 1 becomes ``start`` to ``stop`` of the whole.

    Parameters
    ----------
    progress : callable
        Takes a stage's name and a share of the whole, 0 to 1.
    start, stop : float
        Shares of the whole, 0 to 1.
    name : str
        Put before every stage.

    Returns
    -------
    callable
        Takes a stage's name and a share of the part, 0 to 1.

    Examples
    --------
    >>> part_of(lambda stage, share: print(stage, share), 0.5, 1.0, "a.mcap")("reading", 0.5)
    a.mcap: reading 0.75
    """
    label = f"{name}: " if name else ""
    return lambda stage, share: progress(label + stage, start + share * (stop - start))
