"""Slurs, rests, pickups, stated strokes: parity against a reader that plays the text out, and twins of every kind."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from analysis.drills.notes import Metre, Note, Phrase, Slur
from analysis.drills.phrases import find_drill, make_twin, read_demand, read_phrase, write_phrase
from analysis.drills.twins import WAYS, find_twin, list_twins
from analysis.model.errors import InputError

OTHER = {"down": "up", "up": "down"}


def draw_group(rng: np.random.Generator, strings: int) -> list[tuple]:
    """One picked note with what comes of it, as plain tokens."""
    string = int(rng.integers(1, strings + 1))
    stroke = str(rng.choice(["down", "up"])) if rng.random() < 0.06 else None
    tokens: list[tuple] = [("pick", string, stroke)]
    while rng.random() < 0.25:
        kind = str(rng.choice(["hammer-on", "pull-off", "slide", "tap"]))
        on = int(rng.integers(1, strings + 1)) if rng.random() < 0.1 else string
        tokens.append(("slur", on, kind))
    if rng.random() < 0.2:
        tokens.append(("rest",))
    return tokens


def draw_tokens(rng: np.random.Generator, strings: int, most: int) -> list[tuple]:
    return [token for _ in range(int(rng.integers(1, most))) for token in draw_group(rng, strings)]


def notes_of(tokens: list[tuple], rng: np.random.Generator) -> tuple[Note, ...]:
    notes: list[Note] = []
    for kind, *more in tokens:
        length = Fraction(int(rng.integers(1, 5)), int(rng.integers(1, 4)))
        fret = int(rng.integers(0, 20))
        if kind == "pick":
            notes.append(Note(more[0], fret, length, stroke=more[1]))
        elif kind == "slur":
            string = None if more[0] == notes[-1].string else more[0]
            notes[-1] = replace(notes[-1], slurs=(*notes[-1].slurs, Slur(more[1], fret, length, string)))
        else:
            notes[-1] = replace(notes[-1], rest=length)
    return tuple(notes)


def play(lead: list[tuple], body: list[tuple], first: str, passes: int) -> list[tuple[int, int, str]]:
    """Brute force: a hand that goes through the tokens; place in the body (or -1), string and stroke of each pick."""
    hand, played = first, []
    for place, (kind, *more) in [(-1, t) for t in lead] + list(enumerate(body)) * passes:
        if kind == "pick":
            stroke = more[1] or hand
            played.append((place, more[0], stroke))
            hand = OTHER[stroke]
    return played


def settled_changes(lead: list[tuple], body: list[tuple], first: str) -> set[tuple[int, int, int, str]]:
    """Changes of the passes six to nine, by which every phrase has come round."""
    before = len(play(lead, body, first, 6))
    tail = play(lead, body, first, 11)[before:]
    per_pass = sum(token[0] == "pick" for token in body)
    pairs = list(pairwise(tail))[: 4 * per_pass]
    return {(a[0], a[1], b[1], a[2]) for a, b in pairs if a[1] != b[1]}


def test_parity_of_ten_thousand_phrases_with_slurs_rests_and_pickups() -> None:
    rng = np.random.default_rng(20261126)
    seen = {"lead": 0, "slur": 0, "rest": 0, "stated": 0, "once": 0}
    for _ in range(10_000):
        strings = int(rng.integers(1, 10))
        lead = draw_tokens(rng, strings, 4) if rng.random() < 0.3 else []
        body = draw_tokens(rng, strings, 14)
        first = str(rng.choice(["down", "up"]))
        loops = bool(rng.random() < 0.7)
        phrase = Phrase(strings, notes_of(body, rng), first, loops, notes_of(lead, rng))  # type: ignore[arg-type]
        played = play(lead, body, first, 3)
        assert [(phrase.string_at(k), phrase.stroke_at(k)) for k in range(len(played))] == [p[1:] for p in played]
        assert phrase.downstrokes(np.arange(len(played))).tolist() == [p[2] == "down" for p in played]
        changes = read_demand(phrase).changes
        if loops:
            picks = [k for k, token in enumerate(body) if token[0] == "pick"]
            found = {(picks[c.index % len(picks)], c.from_string, c.to_string, c.after) for c in changes}
            assert found == settled_changes(lead, body, first)
        else:
            once = play(lead, body, first, 1)
            expected = [(a[1], b[1], a[2]) for a, b in pairwise(once) if a[1] != b[1]]
            assert [(c.from_string, c.to_string, c.after) for c in changes] == expected
        kinds = {token[0] for token in body}
        seen["lead"] += bool(lead)
        seen["once"] += not loops
        seen["stated"] += phrase.states_strokes
        seen["slur"] += "slur" in kinds
        seen["rest"] += "rest" in kinds
    assert min(seen.values()) > 1000


def test_any_phrase_is_read_back_from_its_line_of_text() -> None:
    rng = np.random.default_rng(8)
    for _ in range(1500):
        strings = int(rng.integers(1, 10))
        lead = notes_of(draw_tokens(rng, strings, 4), rng) if rng.random() < 0.3 else ()
        phrase = Phrase(
            strings,
            notes_of(draw_tokens(rng, strings, 14), rng),
            "down" if rng.random() < 0.5 else "up",
            bool(rng.random() < 0.5),
            lead,
            rest=Fraction(int(rng.integers(0, 3)), 2),
            lead_rest=Fraction(int(rng.integers(0, 3)), 2) if lead else 0,
            swing=Fraction(2, 3) if rng.random() < 0.3 else None,
            metre=Metre(7, 8, Fraction(1, 16)) if rng.random() < 0.3 and sum(n.span for n in lead) < 12 else None,
        )
        text = write_phrase(phrase)
        assert read_phrase(text, strings) == phrase, text
        assert find_drill(text, strings, {}) == phrase


def test_hand_counted_phrases() -> None:
    # Counted by hand: the slurred note takes no stroke, so the change falls after the downstroke of the second pick.
    assert read_demand(read_phrase("4:5h7-5 3:4-5-7 once", 6)).kind == "up"
    assert read_demand(read_phrase("4:5-7h8-5 3:4 once", 6)).kind == "down"
    assert [c.after for c in read_demand(read_phrase("4x1 r*2 3x1 once", 6)).changes] == ["down"]
    # A pickup on a downstroke: the loop starts on an upstroke.
    assert read_demand(read_phrase("4x1 then 4x2 3x2", 6)).kind == "down"
    # A phrase that states its strokes: two downstrokes in a row, across two strings in the stroke's own way.
    assert [c.after for c in read_demand(read_phrase("4:5d 3:5d-7u 4:7u", 6)).changes] == ["down", "up"]


def test_time_of_swing_triplets_and_rests() -> None:
    swung = read_phrase("swing=2/3 4x4", 6)
    assert [start for start, *_ in swung.sounds(1)] == [0, Fraction(4, 3), 2, Fraction(10, 3)]
    triplet = read_phrase("4x3*2/3 r 3x1", 6)
    assert [start for start, *_ in triplet.sounds(1)] == [0, Fraction(2, 3), Fraction(4, 3), 3]
    assert triplet.pass_units == 4
    tied = read_phrase("4:5*3h7*1/2-5*1/2", 6)
    assert [(start, length, place) for start, length, _, _, place in tied.sounds(1)] == [
        (0, 3, 0),
        (3, Fraction(1, 2), None),
        (Fraction(7, 2), Fraction(1, 2), 1),
    ]


def test_bars_repeats_and_endings() -> None:
    seven = read_phrase("metre=7/8 note=1/8 4x4 3x3 | 4x2 3x5 |", 6)
    assert seven.metre is not None
    assert (seven.metre.bar_units, seven.metre.units_per_beat, seven.metre.beats_per_bar) == (7, 1, 7)
    assert Metre(6, 8, Fraction(1, 8)).beats_per_bar == 2
    with pytest.raises(InputError, match="a bar does not add up; expected 7 units between bar lines, found 6"):
        read_phrase("metre=7/8 note=1/8 4x4 3x2 | 4x2 3x5", 6)
    with pytest.raises(InputError, match="needs a metre"):
        read_phrase("4x4 | 3x2", 6)
    endings = read_phrase("( 4x1 1. 3x1 ) 2. 2x1 1x1", 6)
    assert [note.string for note in endings.notes] == [4, 3, 4, 2, 1]
    assert [note.string for note in read_phrase("( 4x1 3x1 )*3 2x1", 6).notes] == [4, 3, 4, 3, 4, 3, 2]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("4:h5", "begins with a note that has no stroke"),
        ("4x1 r 4:h5", "a slur comes after a rest"),
        ("4:5h7d", "states a stroke; it has none"),
        ("4:5*0", "lasts no time"),
        ("4:5*1/0", "lower number is 0"),
        ("note=1/8 4x2", "without metre="),
        ("metre=7/0 4x2", "lower number is 0"),
        ("metre=7/9 4x2", "such as 7/8"),
        ("swing=1/3 4x2", "swing is out of bounds"),
        ("( 4x2", "not closed"),
        ("4x2 )", "never began"),
        ("( ( 4x2 ) )", "repeat in a repeat|stands in a repeat"),
        ("( 4x1 )*999", "1 to 64 times"),
        ("( 4x1000 )*64", "1 to 4096 notes"),
        ("4x1 then", "1 to 4096 notes"),
        ("metre=2/4 note=1/4 4x3 then 4x2", "longer than a bar"),
        ("4x2 r*9999", "no time or more than"),
    ],
)
def test_what_cannot_be_played_is_one_sentence(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_phrase(text, 6)
    assert "\n" not in str(caught.value)


def loop_changes(phrase: Phrase) -> list[tuple[int, int, str]]:
    return sorted((c.from_string, c.to_string, c.after) for c in read_demand(phrase).changes)


def test_every_twin_keeps_every_change_and_swaps_its_stroke() -> None:
    rng = np.random.default_rng(5)
    count = dict.fromkeys(WAYS, 0)
    for _ in range(3000):
        strings = int(rng.integers(2, 8))
        lead = notes_of(draw_tokens(rng, strings, 4), rng) if rng.random() < 0.2 else ()
        phrase = Phrase(strings, notes_of(draw_tokens(rng, strings, 12), rng), "down", bool(rng.random() < 0.6), lead)
        turns = phrase.loops and phrase.cycle_notes > len(phrase.notes)
        if read_demand(phrase).kind == "none" or turns:
            continue
        swapped = sorted((a, b, OTHER[stroke]) for a, b, stroke in loop_changes(phrase))
        twins = list_twins(phrase)
        assert [t.way for t in twins] == [way for way in WAYS if way in {t.way for t in twins}]
        for twin in twins:
            assert loop_changes(twin.phrase) == swapped, (twin.way, write_phrase(phrase), write_phrase(twin.phrase))
            count[twin.way] += 1
            if twin.way in ("slur", "rest", "one note more") and not lead:
                assert twin.phrase.lead_units + twin.phrase.pass_units == phrase.pass_units * (1 + phrase.loops)
            if twin.way == "first stroke":
                assert [t[:4] for t in twin.phrase.sounds(2)] == [t[:4] for t in phrase.sounds(2)]
    assert min(count.values()) > 50, count


def test_twins_by_name() -> None:
    phrase = read_phrase("4:5-7 3:4-7", 6)
    assert [twin.way for twin in list_twins(phrase)] == list(WAYS)
    texts = {twin.way: write_phrase(twin.phrase) for twin in list_twins(phrase)}
    assert texts == {
        "first stroke": "up 4:5-7 3:4-7",
        "slur": "4:5h7 3:4-7 then 4:5-7 3:4-7",
        "pickup": "4:5 then 4:5-7 3:4-7",
        "one note more": "4:5*1/2-5*1/2-7 3:4-7 then 4:5-7 3:4-7",
        "rest": "r 4:7 3:4-7 then 4:5-7 3:4-7",
        "one note later": "4:7 3:4-7 4:5",
    }
    assert find_twin(phrase).way == "first stroke"
    assert find_twin(phrase, "pickup").phrase.lead[0].fret == 5
    with pytest.raises(InputError, match="no twin by slur"):
        find_twin(read_phrase("4x1 3x1", 6), "slur")
    with pytest.raises(InputError, match="7 notes turns its strokes round"):
        list_twins(read_phrase("4x4 3x3", 6))
    with pytest.raises(InputError, match="its other twins"):
        make_twin(read_phrase("4:5d 3:4u", 6))
