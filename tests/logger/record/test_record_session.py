"""Keys of the terminal: what they do to the recording, and what is said."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.model.records import OFF_HAND, Event
from analysis.reference.mounting import MountingChange
from logger.record.record_session import BlockSettings, RecordSession
from logger.terminal.keys import LEFT, PAGE_DOWN, PAGE_UP, RIGHT


class Tape:
    """Stands in for a recorder: keeps what it is told."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.told: list[tuple[str, Any]] = []

    def log_time_s(self) -> float:
        return self.now_s

    def begin(self, event: Any, at_s: float) -> None:
        self.told.append(("begin", event.kind))

    def end(self, at_s: float, kind: str | None) -> None:
        self.told.append(("end", kind))

    def add(self, event: Any) -> None:
        self.told.append(("add", (event.label, event.rating, event.start_s)))

    @property
    def ratings(self) -> list[Any]:
        return [told for what, told in self.told if what == "add"]


def session() -> tuple[RecordSession, Tape]:
    tape = Tape()
    counter = SimpleNamespace(strokes=0, pause=lambda: None, reset=lambda: None)
    return RecordSession(tape, counter, BlockSettings(("A", "B"))), tape  # type: ignore[arg-type]


@pytest.mark.parametrize(("key", "value"), [("0", 0.0), ("9", 9.0), ("x", 10.0)])
def test_a_rating_is_one_key_from_0_to_10(key: str, value: float) -> None:
    run, tape = session()
    run.press("t")
    assert "0 (none) to 10 (worst)" in run.message
    run.press(key)
    assert tape.ratings == [("tension", value, 100.0)]
    assert run.message == f"Tension {value:g} noted."


@pytest.mark.parametrize(("count", "accept"), [("+", " "), (LEFT, RIGHT), (PAGE_UP, PAGE_DOWN)])
def test_one_key_counts_a_rating_up_and_another_accepts(count: str, accept: str) -> None:
    run, tape = session()
    run.press("d")
    for _ in range(11):
        run.press(count)
    assert run.message.startswith("Discomfort 10:")
    run.press(accept)
    assert "clinician" in run.message
    assert not tape.ratings, "for a moment it can be taken back"
    tape.now_s += 11.0
    run.tick()
    assert tape.ratings == [("discomfort", 10.0, 100.0)]
    assert run.hurt


def test_a_slip_is_asked_again_and_an_end_keeps_what_stands() -> None:
    run, tape = session()
    run.press("d")
    run.press("3")
    assert "u to be asked again" in run.message
    run.press("u")
    run.press("ü")
    assert run.message != "No rating taken."
    run.press("0")
    assert (tape.ratings, run.hurt) == ([("discomfort", 0.0, 100.0)], False)
    run.press("d")
    run.press("2")
    run.press("q")
    assert tape.ratings[1:] == [("discomfort", 2.0, 100.0)]
    assert run.hurt
    assert run.finished


def test_any_other_key_is_no_rating_and_hurt_counts_at_once() -> None:
    run, tape = session()
    run.press("t")
    run.press("ü")
    assert (tape.ratings, run.message) == ([], "No rating taken.")
    run.press(" ")
    run.press("t")
    run.press("h")
    assert "clinician" in run.message
    assert tape.told[-1] == ("begin", "hurt")
    assert run.hurt


def test_a_pedal_leads_through_gestures_and_blocks() -> None:
    run, tape = session()
    for _ in range(5):
        run.press(PAGE_DOWN)
        tape.now_s += 9.5
        run.tick()
    assert [kind for what, kind in tape.told if what == "begin"] == ["still", "still", "across", "along", "pivot"]
    assert run.message == "Gestures done. Press space to start a block."
    run.press(PAGE_DOWN)
    run.press(PAGE_DOWN)
    assert [kind for what, kind in tape.told if what == "begin"][-2:] == ["play", "rest"]


def test_a_first_still_that_moved_and_a_slipped_sensor_are_said_while_it_costs_nothing() -> None:
    """What is seen is the watch's to say, see :mod:`tests.logger.sliding.test_event_watch`; here what follows."""
    tape = Tape()
    events = iter([Event(1.0, 4.0, "still", OFF_HAND), Event(60.0, 90.0, "play"), Event(95.0, 120.0, "play")])
    tape.end = lambda at_s, kind: next(events)  # type: ignore[method-assign]
    counter = SimpleNamespace(strokes=40, pause=lambda: None, reset=lambda: None)
    change = MountingChange("A", 50.0, 60.0, 9.0, np.array([1.0, 0.0, 0.0]))
    changes = iter([change, None])
    watch = SimpleNamespace(moved=lambda _: True, new_gestures_wanted=lambda *_: next(changes))
    run = RecordSession(tape, counter, BlockSettings(), watch)  # type: ignore[arg-type]
    run.press("g")
    tape.now_s += 4.0
    run.tick()
    assert "not on your lap" in run.message
    assert "Press u" in run.message
    for asked in (True, False):
        run.press(" ")
        run.press(" ")
        assert ("gravity turned by 9 deg" in run.message) is asked
        assert ("Press g for new gestures" in run.message) is asked
