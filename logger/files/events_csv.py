"""EVENTS.csv: what the player did when; ``docs/import.md`` explains every column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal, cast

from analysis.model.errors import InputError
from analysis.model.events import check_events
from analysis.model.records import EVENT_KINDS, Event, EventKind
from analysis.model.stroke_columns import SYNTHETIC_COLUMN
from logger.files.csv_cells import unguarded
from logger.files.csv_table import find_layout, read_number, read_rows
from logger.files.nested_text import load_json

SIGNALS, ABOUT = ".signals.csv", ".about.json"
"""How an exported table of samples ends, and what stands beside it."""
REQUIRED = ("start_s", "end_s", "kind")
COLUMNS = (*REQUIRED, "label", "posture", "tempo_bpm", "notes_per_beat", "drill", "rating", "wanted")
MOMENTS: tuple[EventKind, ...] = ("rating", "hurt")
"""Kinds that may be a moment: without an end, or with an end equal to the start."""


def read_events(path: Path) -> tuple[Event, ...]:
    """Read and check an events table.

    Parameters
    ----------
    path : Path
        CSV with ``start_s``, ``end_s``, ``kind`` and any of the other :data:`COLUMNS`.

    Returns
    -------
    tuple of Event
        In the order of the file.

    Raises
    ------
    InputError
        A column or value that cannot be used, or events that contradict each other; file and row are named.
    """
    layout = find_layout(path, REQUIRED)
    unknown = [name for name in layout.names if name and name not in (*COLUMNS, SYNTHETIC_COLUMN.name)]
    if unknown:
        raise InputError(
            f"column {unknown[0]!r} is not known",
            next_step=f"use {', '.join(COLUMNS)}",
            file=str(path),
            row=int(layout.header_row),
        )
    twice = [name for name in layout.names if name and layout.names.count(name) > 1]
    if twice:
        raise InputError(
            f"two columns are called {twice[0]!r}",
            next_step="remove one of them",
            file=str(path),
            row=int(layout.header_row),
        )
    events = []
    for row, cells in read_rows(layout):
        events.append(read_event(path, row, dict(zip(layout.names, cells, strict=True)), layout.decimal))
    try:
        check_events(events)
    except InputError as error:
        raise InputError(
            f"{error}",
            file=str(path),
        ) from error
    return tuple(events)


def read_event(path: Path, row: int, cells: Mapping[str, str], decimal: str = ".") -> Event:
    """One event from its cells by column.

    Parameters
    ----------
    path : Path
        Of the file, for the sentence.
    row : int
        Number of the row, for the sentence.
    cells : mapping of str to str
        Texts by column's name.
    decimal : str
        The mark before decimals.

    Returns
    -------
    Event

    Raises
    ------
    InputError
        A value that cannot be used; file and row are named.
    """
    return _Row(path, row, cells, decimal).event()


def says_simulated(path: Path) -> bool:
    """Whether a text file bears the simulator's mark: in its first line, in its exports' column, or beside its samples.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
        False for what is no file.
    """
    if not path.is_file():
        return False
    if path.name.endswith(SIGNALS):
        # A column would be as long as the samples: the mark of an exported table of samples stands beside it.
        beside = path.with_name(path.name.removesuffix(SIGNALS) + ABOUT)
        about = load_json(beside.read_text(encoding="utf-8")) if beside.is_file() else {}
        return isinstance(about, dict) and about.get("synthetic") is True
    with path.open("rb") as stream:
        first = stream.readline(4096)
    return first.startswith(b"# synthetic") or first.rstrip().endswith(f",{SYNTHETIC_COLUMN.name}".encode())


def check_within(events: Sequence[Event], start_s: float, end_s: float, path: Path) -> list[str]:
    """Compare events with the time that the log covers.

    Parameters
    ----------
    events : sequence of Event
    start_s, end_s : float
        Times of the log's first and last sample.
    path : Path
        Of the events' file, for the sentence.

    Returns
    -------
    list of str
        A sentence if some events lie outside.

    Raises
    ------
    InputError
        No event touches the log: the clocks are different.
    """
    outside = [event for event in events if event.end_s < start_s or event.start_s > end_s]
    if events and len(outside) == len(events):
        raise InputError(
            expected=f"events between {start_s:g} and {end_s:g} s, the log's own times",
            found=f"all of them outside (this one starts at {events[0].start_s:g} s)",
            next_step="shift them to the log's clock",
            file=str(path),
            row=events[0].row or 0,
        )
    if not outside:
        return []
    rows = ", ".join(str(event.row) for event in outside[:10])
    return [f"{len(outside)} of {len(events)} events lie outside the log and say nothing (rows {rows} of {path.name})."]


class _Row:
    """One row of the table, cell by cell, with sentences that name file and row."""

    def __init__(self, path: Path, row: int, cells: Mapping[str, str], decimal: str) -> None:
        self._where = f"{path}, row {row}"
        self._row = row
        self._cells = cells
        self._decimal = decimal

    def event(self) -> Event:
        """The row as an event."""
        kind = cast(EventKind, self._one_of("kind", EVENT_KINDS))
        start_s = self._number("start_s")
        end_s = self._number("end_s")
        if start_s is None:
            raise InputError(
                expected="a number in start_s",
                found="an empty cell",
                next_step="enter the start",
                file=str(self._where),
            )
        if end_s is None and kind in MOMENTS:
            end_s = start_s
        if end_s is None or end_s < start_s or (end_s == start_s and kind not in MOMENTS):
            found = "an empty cell" if end_s is None else f"{end_s:g}"
            raise InputError(
                expected=f"end_s after start_s ({start_s:g})",
                found=f"{found}",
                next_step="correct the times",
                file=str(self._where),
            )
        rating = self._number("rating", 0.0, 10.0)
        if kind == "rating" and rating is None:
            raise InputError(
                expected="a rating from 0 to 10",
                found="an empty cell",
                next_step="enter it",
                file=str(self._where),
            )
        return Event(
            start_s=start_s,
            end_s=end_s,
            kind=kind,
            label=self._words("label"),
            posture=self._words("posture"),
            tempo_bpm=self._number("tempo_bpm", 1.0, 1000.0),
            notes_per_beat=self._number("notes_per_beat", 0.05, 64.0),
            drill=self._words("drill"),
            rating=rating,
            wanted=cast(Literal["down", "up"] | None, self._one_of("wanted", ("down", "up"), optional=True)),
            row=self._row,
        )

    def _words(self, name: str) -> str:
        """Words as they were before the cell was made safe for spreadsheets."""
        return unguarded(self._cells.get(name, ""))

    def _number(self, name: str, low: float = -1e12, high: float = 1e12) -> float | None:
        """A number in bounds; None if the cell is empty or the column is not there."""
        text = self._cells.get(name, "")
        if not text:
            return None
        value = read_number(text, self._decimal)
        if value is None or not low <= value <= high:
            bounds = "" if high >= 1e12 else f" from {low:g} to {high:g}"
            raise InputError(
                expected=f"a number{bounds} in {name}",
                found=f"{text!r}",
                next_step="correct the cell",
                file=str(self._where),
            )
        return value

    def _one_of(self, name: str, choices: Sequence[str], optional: bool = False) -> str | None:
        """One of the choices; None if the cell is empty and may be."""
        text = self._cells.get(name, "")
        if optional and not text:
            return None
        if text not in choices:
            found = repr(text) if text else "an empty cell"
            raise InputError(
                expected=f"{', '.join(choices)} in {name}",
                found=f"{found}",
                next_step="correct the cell",
                file=str(self._where),
            )
        return text
