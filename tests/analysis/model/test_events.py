"""Events: the table's checks, and which of two overlapping events counts."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.model.errors import InputError
from analysis.model.events import check_events, play_blocks, resolve_overlaps
from analysis.model.records import EVENT_KINDS, Event, EventKind
from logger.files.events_csv import read_events

HEADER = "start_s,end_s,kind,label,posture,tempo_bpm,notes_per_beat,drill,rating,wanted\n"


def read(tmp_path: Path, text: str) -> tuple[Event, ...]:
    path = tmp_path / "events.csv"
    path.write_text(text, encoding="utf-8")
    return read_events(path)


def test_a_full_row_and_a_bare_row(tmp_path: Path) -> None:
    events = read(tmp_path, HEADER + "1.5,60,play,take 1,A,100,4,two strings,7,up\n61,64,still,off hand,,,,,,\n")
    assert events == (
        Event(1.5, 60.0, "play", "take 1", "A", 100.0, 4.0, "two strings", 7.0, "up", 2),
        Event(61.0, 64.0, "still", "off hand", row=3),
    )


def test_decimal_comma_and_columns_left_out(tmp_path: Path) -> None:
    events = read(tmp_path, "\ufeffkind;start_s;end_s;tempo_bpm\nplay;1,5;60,25;92,5\n")
    assert events == (Event(1.5, 60.25, "play", tempo_bpm=92.5, row=2),)


def test_a_moment_needs_no_end(tmp_path: Path) -> None:
    events = read(tmp_path, HEADER + "70,,rating,,,,,,6,\n71,,hurt,thumb,,,,,,\n")
    assert [(e.start_s, e.end_s, e.kind) for e in events] == [(70.0, 70.0, "rating"), (71.0, 71.0, "hurt")]


def test_gestures_may_be_repeated(tmp_path: Path) -> None:
    rows = "".join(f"{10 * k},{10 * k + 8},{kind},,,,,,,\n" for k, kind in enumerate(["across", "along"] * 3))
    assert len(read(tmp_path, HEADER + rows)) == 6


def test_a_table_without_rows_has_no_events(tmp_path: Path) -> None:
    assert read(tmp_path, HEADER) == ()


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ("1,2,jump,,,,,,,", r"row 2: expected still, across, .*hurt in kind, found 'jump'; correct"),
        ("1,2,,,,,,,,", r"row 2: expected still, .* in kind, found an empty cell"),
        ("x,2,play,,,,,,,", r"row 2: expected a number in start_s, found 'x'; correct"),
        ("nan,2,play,,,,,,,", r"row 2: expected a number in start_s, found 'nan'; correct"),
        (",2,play,,,,,,,", r"row 2: expected a number in start_s, found an empty cell; enter"),
        ("1,,play,,,,,,,", r"row 2: expected end_s after start_s \(1\), found an empty cell; correct"),
        ("2,1,play,,,,,,,", r"row 2: expected end_s after start_s \(2\), found 1; correct"),
        ("2,2,across,,,,,,,", r"row 2: expected end_s after start_s \(2\), found 2; correct"),
        ("1,2,play,,,fast,,,,", r"row 2: expected a number from 1 to 1000 in tempo_bpm, found 'fast'"),
        ("1,2,play,,,-5,,,,", r"row 2: expected a number from 1 to 1000 in tempo_bpm, found '-5'"),
        ("1,2,play,,,,0,,,", r"row 2: expected a number from 0.05 to 64 in notes_per_beat, found '0'"),
        ("1,2,rating,,,,,,11,", r"row 2: expected a number from 0 to 10 in rating, found '11'"),
        ("1,2,rating,,,,,,-0.5,", r"row 2: expected a number from 0 to 10 in rating, found '-0.5'"),
        ("1,2,rating,,,,,,,", r"row 2: expected a rating from 0 to 10, found an empty cell; enter it"),
        ("1,2,play,,,,,,,both", r"row 2: expected down, up in wanted, found 'both'"),
        ("1,2,play,,", r"row 2: expected 10 cells as in the header, found 5"),
        ("1,5,play,,,,,,,\n4,8,play,,,,,,,", r"expected one play at a time, found play in row 2 .*row 3 .*overlapping"),
        ("1,5,across,,,,,,,\n4,8,along,,,,,,,", r"expected one gesture at a time, found across in row 2 .*overlapping"),
    ],
)
def test_bad_rows_are_refused(tmp_path: Path, row: str, sentence: str) -> None:
    with pytest.raises(InputError, match=rf"events\.csv.*{sentence}"):
        read(tmp_path, HEADER + row + "\n")


@pytest.mark.parametrize("rating", ["0", "10", "7.5"])
def test_ratings_from_0_to_10(tmp_path: Path, rating: str) -> None:
    assert read(tmp_path, HEADER + f"1,2,rating,,,,,,{rating},\n")[0].rating == float(rating)


@pytest.mark.parametrize(
    ("header", "sentence"),
    [
        ("start_s,end_s,kind,tempo\n", r"row 1: column 'tempo' is not known; use start_s, end_s"),
        ("start,end,kind\n", r"expected a header with column 'start_s', 'end_s', found"),
        ("start_s,end_s,kind,label,label\n", r"row 1: two columns are called 'label'"),
        ("", r"is empty"),
    ],
)
def test_bad_headers_are_refused(tmp_path: Path, header: str, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        read(tmp_path, header)


# Precedence: hurt beats gesture beats rest beats play.

ORDER: list[EventKind] = ["play", "rest", "pivot", "hurt"]


@pytest.mark.parametrize("weak", range(4))
@pytest.mark.parametrize("strong", range(4))
def test_the_stronger_of_two_cuts_the_weaker(weak: int, strong: int) -> None:
    if weak >= strong:
        return
    cut = resolve_overlaps([Event(0.0, 10.0, ORDER[weak]), Event(4.0, 6.0, ORDER[strong])])
    assert [(e.start_s, e.end_s, e.kind) for e in cut] == [
        (0.0, 4.0, ORDER[weak]),
        (4.0, 6.0, ORDER[strong]),
        (6.0, 10.0, ORDER[weak]),
    ]


def test_a_stronger_event_around_a_weaker_one_leaves_nothing() -> None:
    assert resolve_overlaps([Event(2.0, 3.0, "play"), Event(0.0, 9.0, "rest")]) == (Event(0.0, 9.0, "rest"),)


def test_ratings_and_moments_neither_cut_nor_are_cut() -> None:
    events = (Event(0.0, 10.0, "play"), Event(3.0, 5.0, "rating", rating=5.0), Event(7.0, 7.0, "hurt"))
    assert resolve_overlaps(events) == events


def test_a_play_event_is_one_block_whatever_is_cut_out_of_it() -> None:
    blocks = play_blocks(
        [
            Event(50.0, 60.0, "play", "second"),
            Event(20.0, 25.0, "hurt"),
            Event(0.0, 40.0, "play", "first"),
            Event(70.0, 75.0, "play", "third"),
            Event(69.0, 80.0, "rest"),
            Event(22.0, 30.0, "rest"),
        ]
    )
    assert [(b.index, b.event.label) for b in blocks] == [(0, "first"), (1, "second"), (2, "third")]
    assert blocks[0].pieces == ((0.0, 20.0), (30.0, 40.0))
    assert blocks[1].pieces == ((50.0, 60.0),)
    assert blocks[2].pieces == ()


STRENGTH = {
    "play": 0,
    "rest": 1,
    "still": 2,
    "across": 2,
    "along": 2,
    "pivot": 2,
    "rock": 2,
    "side check": 2,
    "angle check": 2,
    "hurt": 3,
}


@st.composite
def allowed_events(draw: st.DrawFn) -> list[Event]:
    """Events on whole seconds, none of one group overlapping another of it."""
    events = []
    for kinds in (["play"], ["rest"], ["still", "across", "along", "pivot", "rock"], ["hurt"]):
        edges = sorted(draw(st.sets(st.integers(0, 40), max_size=8)))
        for start, end in zip(edges[::2], edges[1::2], strict=False):
            events.append(Event(float(start), float(end), draw(st.sampled_from(kinds))))  # type: ignore[arg-type]
    return draw(st.permutations(events))


@given(allowed_events())
def test_at_any_moment_the_strongest_event_is_left(events: list[Event]) -> None:
    """Against a plain look at every half second."""
    check_events(events)
    cut = resolve_overlaps(events)
    for half in range(80):
        moment = half / 2 + 0.25
        there = [e for e in events if e.start_s <= moment < e.end_s]
        left = [e.kind for e in cut if e.start_s <= moment < e.end_s]
        strongest = [e.kind for e in there if STRENGTH[e.kind] == max(STRENGTH[o.kind] for o in there)]
        assert left == strongest


def test_every_kind_has_its_place() -> None:
    assert set(STRENGTH) | {"rating"} == set(EVENT_KINDS)
