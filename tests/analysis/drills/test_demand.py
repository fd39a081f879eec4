"""Demand of a phrase, its twin, and the one line of text that stands for it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis.drills.phrases import (
    Note,
    Phrase,
    find_drill,
    make_twin,
    read_demand,
    read_phrase,
    require_changes,
    write_phrase,
)
from analysis.model.errors import InputError


def random_phrase(rng: np.random.Generator) -> Phrase:
    strings = int(rng.integers(1, 9))
    notes = tuple(
        Note(int(rng.integers(1, strings + 1)), int(rng.integers(0, 20)) if rng.random() < 0.5 else None)
        for _ in range(int(rng.integers(1, 25)))
    )
    return Phrase(strings, notes, "down" if rng.random() < 0.5 else "up", bool(rng.random() < 0.7))


def played_out(phrase: Phrase) -> list[tuple[int, int, str]]:
    """Brute force: play four passes stroke by stroke, list the changes until strings and strokes have come round.

    Shares nothing with the code under test but the phrase's plain fields.
    """
    sequence = [note.string for note in phrase.notes]
    if not phrase.loops:
        hand, seen = phrase.first_stroke, []
        for k, string in enumerate(sequence):
            if k + 1 < len(sequence) and sequence[k + 1] != string:
                seen.append((string, sequence[k + 1], hand))
            hand = {"down": "up", "up": "down"}[hand]
        return seen
    hand, played = phrase.first_stroke, []
    for _ in range(4):
        for string in sequence:
            played.append((string, hand))
            hand = {"down": "up", "up": "down"}[hand]
    for period in (len(sequence), 2 * len(sequence)):
        if played[period:] == played[:-period]:
            break
    return [(a, b, stroke) for (a, stroke), (b, _) in pairwise(played[: period + 1]) if a != b]


def test_demand_of_ten_thousand_random_phrases_against_brute_force() -> None:
    rng = np.random.default_rng(20240817)
    kinds = {"up": 0, "down": 0, "mixed": 0, "none": 0}
    for _ in range(10_000):
        phrase = random_phrase(rng)
        demand = read_demand(phrase)
        expected = played_out(phrase)
        assert [(c.from_string, c.to_string, c.after) for c in demand.changes] == expected
        strokes = {stroke for _, _, stroke in expected}
        kind = "mixed" if len(strokes) == 2 else next(iter(strokes), "none")
        assert demand.kind == kind
        assert demand.suited("up") == sum(stroke == "up" for _, _, stroke in expected)
        assert demand.suited("down") == sum(stroke == "down" for _, _, stroke in expected)
        assert demand.suited("both") == len(expected)
        assert demand.suited("level") == 0
        kinds[kind] += 1
    assert min(kinds.values()) > 100  # every kind was met often


def test_changes_of_direction_and_seams_against_brute_force() -> None:
    rng = np.random.default_rng(7)
    for _ in range(2000):
        phrase = random_phrase(rng)
        changes = read_demand(phrase).changes
        ways = [np.sign(c.to_string - c.from_string) for c in changes]
        for k, change in enumerate(changes):
            before = ways[k - 1] if k or phrase.loops else ways[k]
            assert change.reverses == (ways[k] != before)
            assert change.seam == ((change.index + 1) % len(phrase.notes) == 0)
            assert change.travel == ("down" if change.to_string < change.from_string else "up")


class TestFactsOfTheTrade:
    """Parity of strict alternation, as properties over random phrases (common practice, no source)."""

    @staticmethod
    def even_phrase(rng: np.random.Generator) -> Phrase:
        strings = int(rng.integers(2, 9))
        notes: list[Note] = []
        for _ in range(int(rng.integers(2, 8))):
            string = int(rng.integers(1, strings + 1))
            notes += [Note(string)] * (2 * int(rng.integers(1, 4)))
        return Phrase(strings, tuple(notes))

    def test_even_counts_from_a_downstroke_put_every_change_after_an_upstroke(self) -> None:
        rng = np.random.default_rng(11)
        for _ in range(1000):
            phrase = self.even_phrase(rng)
            assert read_demand(phrase).kind in ("up", "none")

    def test_one_note_later_on_a_downstroke_every_change_falls_after_a_downstroke(self) -> None:
        rng = np.random.default_rng(12)
        tried = 0
        for _ in range(1000):
            phrase = self.even_phrase(rng)
            if read_demand(phrase).kind == "none":
                continue
            later = Phrase(phrase.strings, phrase.notes[1:] + phrase.notes[:1], "down")
            assert read_demand(later).kind == "down"
            assert make_twin(phrase) == later
            tried += 1
        assert tried > 900

    def test_an_odd_loop_demands_both_strokes_equally(self) -> None:
        rng = np.random.default_rng(13)
        for _ in range(1000):
            strings = int(rng.integers(2, 9))
            notes = tuple(Note(int(s)) for s in rng.integers(1, strings + 1, 2 * int(rng.integers(1, 9)) + 1))
            demand = read_demand(Phrase(strings, notes))
            assert demand.after_down == demand.after_up
            assert demand.kind in ("mixed", "none")


def test_a_twin_keeps_every_change_and_swaps_its_stroke() -> None:
    rng = np.random.default_rng(5)
    swap = {"down": "up", "up": "down"}
    tried = 0
    for _ in range(3000):
        phrase = random_phrase(rng)
        if read_demand(phrase).kind == "none" or (phrase.loops and len(phrase.notes) % 2):
            continue
        twin = make_twin(phrase)
        swapped = sorted((a, b, swap[stroke]) for a, b, stroke in played_out(phrase))
        assert sorted(played_out(twin)) == swapped
        assert twin.first_stroke == phrase.first_stroke
        tried += 1
    assert tried > 1000


def test_text_of_a_phrase_is_read_back_as_the_same_phrase() -> None:
    rng = np.random.default_rng(3)
    for _ in range(2000):
        phrase = random_phrase(rng)
        assert read_phrase(write_phrase(phrase), phrase.strings) == phrase


@pytest.mark.parametrize(
    ("text", "strings", "words"),
    [
        ("", 6, "Expected a phrase"),
        ("down once", 6, "Expected a phrase"),
        ("4x2 3y2", 6, "'3y2'"),
        ("4x2 3:", 6, "'3:'"),
        ("4x2,3x2", 6, "'4x2,3x2'"),
        ("7x2", 6, "Note 1 is on string 7"),
        ("0x2", 6, "Note 1 is on string 0"),
        ("4x0", 6, "1 to 4096 notes"),
        ("4x99999", 6, "too large"),
        ("9999x1", 6, "too large"),
        ("4x9999", 6, "1 to 4096 notes"),
        ("4:99", 6, "fret 99"),
        ("4:123456789", 6, "fret 1234"),
        ("4x2 up 3x2", 6, "'up'"),
        ("٤x٢", 6, "Cannot read"),
    ],
)
def test_a_phrase_that_cannot_be_read_is_one_clear_sentence(text: str, strings: int, words: str) -> None:
    with pytest.raises(InputError, match=r"\S") as caught:
        read_phrase(text, strings)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_phrase_on_one_string_has_no_change_to_look_at() -> None:
    for act in (require_changes, make_twin):
        with pytest.raises(InputError, match="stays on string 4"):
            act(read_phrase("4x8", 6))


def test_an_odd_loop_has_no_twin() -> None:
    with pytest.raises(InputError, match="7 notes turns its strokes round"):
        make_twin(read_phrase("4x4 3x3", 6))


def test_a_drill_is_a_phrase_a_name_with_a_phrase_or_only_a_name() -> None:
    phrase = read_phrase("4x2 3x2", 6)
    assert find_drill("4x2 3x2", 6, {}) == phrase
    assert find_drill("my drill", 6, {"drill.my drill": "4x2 3x2"}) == phrase
    assert find_drill("my drill", 6, {}) is None
    assert find_drill("up", 6, {}) is None
    with pytest.raises(InputError, match="string 9"):
        find_drill("9x2", 6, {})
