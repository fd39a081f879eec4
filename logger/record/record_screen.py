"""What the terminal shows while recording: a small table that stays in place, or plain lines without a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeAlias

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from logger.record.record_session import KEYS_LINE, RecordSession
from logger.record.recorder import RecordingState
from logger.record.second_sensor import SecondState
from logger.terminal.say import say, visible

Draw: TypeAlias = Callable[[RecordingState, RecordSession, int], None]


@contextmanager
def open_screen() -> Iterator[Draw]:
    """Yield a function that shows how the recording stands.

    Yields
    ------
    Draw
        Takes the recording's state, the session and the number of strokes.
    """
    console = Console(stderr=True)
    if not (sys.stderr.isatty() and console.is_terminal):
        yield PlainLines()
        return
    with Live(console=console, auto_refresh=False) as live:

        def draw(state: RecordingState, session: RecordSession, strokes: int) -> None:
            live.update(screen_table(state, session, strokes), refresh=True)

        yield draw


class PlainLines:
    """Say each message once, and each change of the link."""

    def __init__(self) -> None:
        self._said = ("", True)
        self._warned = ""
        self._second_linked = True

    def __call__(self, state: RecordingState, session: RecordSession, strokes: int) -> None:
        """Print what changed."""
        if state.warning != self._warned:
            self._warned = state.warning
            if state.warning:
                say(state.warning, err=True)
        message, linked = self._said
        if session.message != message:
            say(session.message, err=True)
        if state.linked != linked:
            say("The sensor is back." if state.linked else f"No samples: {state.reason}", err=True)
        self._said = (session.message, state.linked)
        second = state.instrument
        if second is not None and second.linked != self._second_linked:
            self._second_linked = second.linked
            say(second_words(second), err=True)


def second_words(second: SecondState) -> str:
    """One sentence on the link of the sensor on the instrument."""
    if second.linked:
        return "The instrument's sensor is sending."
    why = f": {second.reason}" if second.reason else ""
    return f"No samples from the instrument's sensor{why}. The hand's recording goes on."


def screen_table(state: RecordingState, session: RecordSession, strokes: int) -> Table:
    """Return the table that stands on the screen."""
    minutes, seconds = divmod(int(state.elapsed_s), 60)
    link = "samples are coming" if state.linked else f"NO SAMPLES: {state.reason}"
    table = Table.grid(padding=(0, 2))
    table.add_row("time", f"{minutes}:{seconds:02d}")
    table.add_row("now", _text(session.doing, style="bold"))
    table.add_row("posture", _text(session.posture))
    table.add_row("blocks", str(session.blocks))
    table.add_row("strokes", f"{strokes} or so in this block")
    table.add_row("sensor", _text(link, style="" if state.linked else "bold reverse"))
    table.add_row("lost", state.losses.sentence() + (f"; {state.gaps} link losses" if state.gaps else ""))
    second = state.instrument
    if second is not None:
        table.add_row("instrument", Text(second_words(second), style="" if second.linked else "bold reverse"))
        table.add_row("", f"{second.samples} samples, {second.losses.sentence()}")
    if state.warning:
        table.add_row("disk", _text(state.warning, style="bold reverse"))
    table.add_row("", _text(session.message, style="bold"))
    table.add_row("", Text(KEYS_LINE, style="dim"))
    return table


def _text(words: str, style: str = "") -> Text:
    """Words from outside: no markup, and nothing that steers the terminal."""
    return Text(visible(words), style=style)
