"""Tab as people write it: one invented file a kind, each with the phrase that a person reads from it by hand."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from analysis.drills.phrases import read_phrase
from analysis.drills.tab import read_tab
from analysis.drills.tuning import read_tuning
from analysis.model.errors import InputError

TABS = Path(__file__).parent / "tabs"
EXPECTED = tomllib.loads((TABS / "expected.toml").read_text(encoding="utf-8"))
READS = [name for name, kind in EXPECTED.items() if "reads" in kind]
REFUSED = [name for name, kind in EXPECTED.items() if "refused" in kind]
# Strokes, note values and endings: these are music, and read.
ROWS_THAT_SAY_HOW = {
    ("17_first_and_second_ending", 1),
    ("35_stroke_line_below", 7),
    ("36_bowing_signs_above", 1),
    ("49_note_values_above", 1),
}


def text_of(name: str) -> str:
    with (TABS / f"{name}.txt").open(encoding="utf-8", newline="") as file:
        return file.read()


def test_every_file_has_what_is_expected_of_it() -> None:
    assert sorted(path.stem for path in TABS.glob("*.txt")) == sorted(EXPECTED)
    assert len(READS) >= 37


@pytest.mark.parametrize("name", READS)
def test_a_kind_of_tab_reads_rightly(name: str) -> None:
    tuning = read_tuning(EXPECTED[name]["tuning"])
    assert read_tab(text_of(name), tuning).phrase == read_phrase(EXPECTED[name]["reads"], tuning.strings)


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_is_refused_with_its_line(name: str) -> None:
    with pytest.raises(InputError) as caught:
        read_tab(text_of(name), read_tuning(EXPECTED[name]["tuning"]))
    assert EXPECTED[name]["refused"] in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", READS)
def test_every_line_that_is_no_string_is_kept(name: str) -> None:
    """A line is read, or it is told with its number and text."""
    tuning = read_tuning(EXPECTED[name]["tuning"])
    read = read_tab(text_of(name), tuning)
    words = {remark.line: remark.text for remark in read.remarks}
    for number, line in enumerate(text_of(name).removeprefix("\ufeff").splitlines(), 1):
        is_music = sum(line.count(sign) for sign in "-—|│") >= 3 and "PM" not in line and "ring" not in line
        is_music |= line.startswith(("e|", "B|", "G|", "D|", "A|", "E|"))
        if line.strip() and not is_music and (name, number) not in ROWS_THAT_SAY_HOW:
            assert words.get(number) == line.strip()


def test_a_piece_of_ten_thousand_bars_is_one_sentence_with_its_line() -> None:
    one = "e|-5-7-|\nB|-----|\nG|-----|\nD|-----|\nA|-----|\nE|-----|\n\n"
    with pytest.raises(InputError, match=r"row \d+: the piece has more than 4096 notes"):
        read_tab(one * 10_000, read_tuning("guitar"))
    long = "\n".join(name + ("|-5-7-" if name == "D" else "|-----") * 10_000 + "|" for name in "eBGDAE")
    with pytest.raises(InputError, match="row 4: the piece has more than 4096 notes"):
        read_tab(long, read_tuning("guitar"))


def test_the_capo_raises_the_pitch_and_not_the_fret() -> None:
    read = read_tab(text_of("41_capo"), read_tuning("guitar"))
    assert read.capo == 2
    assert read_tuning("guitar").with_capo(2).pitch(read.phrase.notes[0]) == 50 + 5 + 2  # D3 is 50
