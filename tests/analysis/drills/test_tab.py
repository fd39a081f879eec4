"""Text tab: written, read back, and refused with line and column."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.drills.phrases import Note, Phrase, Slur, read_phrase
from analysis.drills.tab import read_tab, write_tab
from analysis.drills.tuning import Tuning, read_degrees, read_root, read_tuning
from analysis.model.errors import InputError

GUITAR = read_tuning("guitar")

# An invented figure, written by hand.
HAND_WRITTEN = """\
# an invented figure
e |------------|---5-8-|
B |--------5-8-|-------|
G |----5-7-----|-x-----|
D |-5-7--------|-------|
A |------------|-------|
E |------------|-------|

e |-10-|
B |----|
G |----|
D |----|
A |----|
E |----|
"""


def test_a_tab_written_by_hand() -> None:
    phrase = read_tab(HAND_WRITTEN, GUITAR).phrase
    strings = [(4, 5), (4, 7), (3, 5), (3, 7), (2, 5), (2, 8), (3, None), (1, 5), (1, 8), (1, 10)]
    assert [(note.string, note.fret) for note in phrase.notes] == strings


@pytest.mark.parametrize(
    "change", [lambda t: t.replace("\n", "\r\n"), lambda t: "\ufeff" + t, lambda t: t.rstrip("\n")]
)
def test_line_ends_and_byte_order_marks_do_not_matter(change) -> None:
    assert read_tab(change(HAND_WRITTEN), GUITAR).phrase == read_tab(HAND_WRITTEN, GUITAR).phrase


@pytest.mark.parametrize(
    "spelled", ["guitar", "Bb1 Eb2", "G3", "C3 G3 D4 A4", "F#2 B2 E3 A3 C#4 F#4 B4", "A4 E4 C4 G4"]
)
def test_random_phrases_are_read_back_whatever_the_tuning(spelled: str) -> None:
    tuning = read_tuning(spelled)
    rng = np.random.default_rng(1)
    for _ in range(200):
        count = int(rng.integers(1, 40))
        frets = [None if rng.random() < 0.2 else int(rng.integers(0, 25)) for _ in range(count)]
        strings = rng.integers(1, tuning.strings + 1, count)
        notes = tuple(Note(int(s), f) for s, f in zip(strings, frets, strict=True))
        phrase = Phrase(tuning.strings, notes)
        text = write_tab(phrase, tuning)
        assert read_tab(text, tuning).phrase == phrase
        systems = [block.splitlines()[1:] for block in text.split("\n\n")]
        assert all(len({len(line) for line in lines if line}) == 1 for lines in systems)  # fixed width


def test_random_phrases_with_slurs_and_strokes_of_their_own_are_read_back() -> None:
    """A tab has no lengths; everything else comes back, slurs to another string too."""
    rng = np.random.default_rng(12)
    for _ in range(400):
        notes = []
        for _ in range(int(rng.integers(1, 40))):
            string = int(rng.integers(1, 7))
            kinds = rng.choice(["hammer-on", "pull-off", "slide", "tap"], int(rng.integers(0, 3)))
            slurs = [Slur(str(kind), int(rng.integers(0, 25))) for kind in kinds]  # type: ignore[arg-type]
            if slurs and rng.random() < 0.2:
                other = int(rng.integers(1, 7))
                slurs = [replace(slurs[0], kind="hammer-on", string=None if other == string else other)]
            stroke = ("down", "up")[int(rng.integers(2))] if rng.random() < 0.1 else None
            notes.append(Note(string, int(rng.integers(0, 25)), slurs=tuple(slurs), stroke=stroke))
        phrase = Phrase(6, tuple(notes), "down" if rng.random() < 0.5 else "up")
        read = read_tab(write_tab(phrase, GUITAR), GUITAR).phrase
        assert [replace(note, stroke=None) for note in read.notes] == [replace(note, stroke=None) for note in notes]
        count = len(notes)
        assert [read.stroke_at(k) for k in range(count)] == [phrase.stroke_at(k) for k in range(count)]


def test_string_one_stands_at_the_top() -> None:
    top = write_tab(read_phrase("1:7", 6), GUITAR).splitlines()[1]
    assert top.startswith("E|-7")
    assert write_tab(read_phrase("6:3", 6), GUITAR).splitlines()[6].startswith("E|-3")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no note"),
        ("e|--|\nB|--|\nG|--|\nD|--|\nA|--|\nE|--|", "no note"),
        ("hello", "row 1: the tab holds no note; expected string lines such as 'E|--5--7--|', found 'hello'"),
        ("|-5-|\n|---|\n|---|\n", "row 3: a system ends after 3 of 6"),
        ("|-5-|\n|---|\n\n|---|", "row 2: a system ends after 2 of 6"),
        ("e|-h5-|\nB|----|\nG|----|\nD|----|\nA|----|\nE|----|", "row 1, column 5: the first note has no stroke"),
        ("e|-5-&-|\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-----|", "row 1, column 6: cannot read '&'"),
        ("e|-5-|\nB|7-|\nG|---|\nD|---|\nA|---|\nE|---|", "row 2, column 3: cannot tell whether this note comes"),
        (
            "e|-5-|\nB|-6-|\nG|---|\nD|---|\nA|---|\nE|---|",
            "row 2, column 4: a second note at the same moment as on line 1",
        ),
        ("e|-12-|\nB|--6-|\nG|----|\nD|----|\nA|----|\nE|----|", "row 2, column 5: a second note"),
        ("e|-5-|\nG|---|\nB|---|\nD|---|\nA|---|\nE|---|", "row 2: this line is called 'G'"),
        ("e|-99|\nB|---|\nG|---|\nD|---|\nA|---|\nE|---|", "row 1, column 4: fret 99"),
        ("e|-577-|\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-----|", "row 1, column 4: fret 577"),
        ("e|\t5-|\nB|---|\nG|---|\nD|---|\nA|---|\nE|---|", "row 1, column 3: cannot read"),
    ],
)
def test_a_tab_that_does_not_parse_names_line_and_column(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read_tab(text, GUITAR)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_broken_tabs_never_raise_anything_else() -> None:
    rng = np.random.default_rng(2)
    letters = list("eBGDAE|-0123456789x#hp/~ \n\t\u00e9\u0665\u2028")
    read = 0
    for _ in range(3000):
        text = list(HAND_WRITTEN)
        for _ in range(int(rng.integers(1, 5))):
            place = int(rng.integers(len(text)))
            if rng.random() < 0.5:
                text[place] = str(rng.choice(letters))
            else:
                del text[place]
        message = ""
        try:
            read_tab("".join(text), GUITAR)
            read += 1
        except InputError as error:
            message = str(error)
        assert "\n" not in message
    assert 0 < read < 3000


@pytest.mark.parametrize(
    ("spelled", "words"),
    [
        ("", "found nothing"),
        ("E2 H2", "'H2'"),
        ("E2 A", "'A'"),
        ("C-2", "'C-2'|MIDI"),
        ("A9", "MIDI pitch 129"),
        ("E2,A2", "'E2,A2'"),
    ],
)
def test_an_impossible_tuning_is_one_clear_sentence(spelled: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_tuning(spelled)


def test_a_note_above_the_range_of_midi_and_a_tuning_that_does_not_fit() -> None:
    with pytest.raises(InputError, match="above G9"):
        Tuning((120,)).pitch(Note(1, 12))
    with pytest.raises(InputError, match="6 strings, the tuning has 4"):
        write_tab(read_phrase("4x2 3x2", 6), read_tuning("mandolin"))


def test_pitches_roots_and_degrees() -> None:
    # MIDI note numbers: middle C is 60, A at 440 Hz is 69.
    assert read_tuning("A4 C4").open_midi == (60, 69)
    assert GUITAR.open_midi == (64, 59, 55, 50, 45, 40)
    assert read_root("Bb") == 10
    assert read_degrees("1 2 b3 4 5 b6 b7") == (0, 2, 3, 5, 7, 8, 10)
    for bad in ("8", "bb3", "1", ""):
        with pytest.raises(InputError):
            read_degrees(bad)
    with pytest.raises(InputError, match="'H'"):
        read_root("H")
