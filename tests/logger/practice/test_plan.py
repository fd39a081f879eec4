"""Plans as files: they come back as they were written, and every mistake is named with its place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.drills.phrases import read_phrase
from analysis.model.errors import InputError
from logger.practice.plan import NUMBERS, WHOLE_NUMBERS, Plan, PlanBlock, parse_plan, read_plan, render_plan

printable = st.text(st.characters(exclude_categories=("C", "Zl", "Zp", "Zs")), max_size=30)


@st.composite
def plays(draw: st.DrawFn) -> PlanBlock:
    values: dict[str, Any] = {"posture": draw(printable), "note": draw(printable)}
    values["wanted"] = draw(st.sampled_from(["down", "up", None]))
    with_tempo = draw(st.booleans())
    if with_tempo:
        values["tempo_bpm"] = draw(st.floats(*NUMBERS["tempo_bpm"]))
        values["notes_per_beat"] = draw(st.floats(*NUMBERS["notes_per_beat"]))
        values["count_in_beats"] = draw(st.integers(*WHOLE_NUMBERS["count_in_beats"]))
        values["beats_per_bar"] = draw(st.integers(1, 16))
    rests = [{}, {"rest_s": draw(st.floats(0, 600))}]
    lengths: list[dict[str, Any]] = [{"seconds": draw(st.floats(1, 600))}]
    if with_tempo:
        rests.append({"rest_beats": draw(st.integers(0, 64))})
        lengths += [{"bars": draw(st.integers(1, 8))}, {"repeats": draw(st.integers(1, 4)), "drill": "4x2 3x2"}]
    return PlanBlock(**values, **draw(st.sampled_from(rests)), **draw(st.sampled_from(lengths)))


breaks = st.builds(PlanBlock, kind=st.just("rest"), seconds=st.floats(1, 600), note=printable)


@settings(max_examples=60, deadline=None)
@given(printable, st.lists(st.one_of(plays(), breaks), max_size=4), plays())
def test_a_plan_reads_back_as_it_was_written(name: str, blocks: list[PlanBlock], last: PlanBlock) -> None:
    plan = Plan(name, (*blocks, last))
    assert parse_plan(render_plan(plan), "here") == plan


def test_quotes_and_control_characters_survive_the_file(tmp_path: Path) -> None:
    plan = Plan('quotes " and \\ and ş', (PlanBlock(posture="Übung 'ş'", seconds=2.0),))
    path = tmp_path / "plan.toml"
    path.write_text(render_plan(plan), encoding="utf-8")
    assert read_plan(path) == plan


def test_an_edge_is_kept_and_a_wrong_one_refused() -> None:
    plan = Plan("", (PlanBlock(seconds=2.0),), edge="-20/100")
    assert parse_plan(render_plan(plan), "here") == plan
    for wrong in ("steep", "20/0", "120/100"):
        with pytest.raises(InputError, match="edge"):
            parse_plan(f'edge = "{wrong}"\n[[block]]\nseconds = 2', "here")


def test_times_by_hand() -> None:
    # 3 repeats of 8 notes at 4 a beat are 6 beats; at 120 a minute half a second each.
    repeats = PlanBlock(tempo_bpm=120, notes_per_beat=4, drill="4x4 3x4", repeats=3, rest_beats=2)
    assert (repeats.play_beats, repeats.play_s, repeats.count_in_s, repeats.rest_after_s) == (6, 3.0, 2.0, 1.0)
    # 1 repeat of 6 notes is a beat and a half: the second beat is taken whole.
    assert PlanBlock(tempo_bpm=120, notes_per_beat=4, drill="4x3 3x3", repeats=1).play_beats == 2
    bars = PlanBlock(tempo_bpm=90, bars=3, beats_per_bar=3, count_in_beats=3, rest_s=20)
    assert (bars.play_beats, bars.play_s, bars.count_in_s, bars.rest_after_s) == (9, 6.0, 2.0, 20.0)
    free = PlanBlock(seconds=45)
    assert (free.play_beats, free.play_s, free.count_in_s, free.beat_s) == (None, 45, 0.0, None)
    pause = PlanBlock(kind="rest", seconds=60)
    plan = Plan("", (repeats, pause, bars))
    assert plan.play_s == 9.0
    assert plan.total_s == (2 + 3 + 1) + 60 + (2 + 6)  # the last rest is not waited for


def test_the_drill_is_a_phrase_in_the_programs_own_words() -> None:
    block = parse_plan(
        '[[block]]\ntempo_bpm = 93\nnotes_per_beat = 4\ndrill = "up 4:5-7 3x2"\nrepeats = 2', "x"
    ).blocks[0]
    assert block.phrase == read_phrase("up 4:5-7 3x2", 18)


HEAD = 'name = "x"\n\n[[block]]\nseconds = 5\n\n'
MISTAKES = [
    ("tempo_bpm = 500\nseconds = 5", "line 7, block 2: tempo_bpm must be a number from 20 to 400, not 500"),
    ('seconds = 5\ntempo_bpm = "fast"', "line 8, block 2: tempo_bpm must be a number"),
    ("seconds = 5\ntempo = 93", "line 8, block 2: key 'tempo' is not known"),
    ("tempo_bpm = 93", "line 6, block 2: seconds: give one of repeats, bars, seconds; found none of them"),
    ("tempo_bpm = 93\nbars = 2\nseconds = 5", "line 9, block 2: seconds: give one of .* found bars and seconds"),
    ("bars = 2", "line 7, block 2: bars needs a tempo; give tempo_bpm"),
    ("seconds = 3\nrest_beats = 1", "line 8, block 2: rest_beats needs a tempo"),
    ("tempo_bpm = 90\nbars = 2\nrest_s = 1\nrest_beats = 1", "line 9, block 2: rest_s and rest_beats are both given"),
    ("tempo_bpm = 90\nrepeats = 2", "line 8, block 2: repeats counts passes of a drill; give drill"),
    ('seconds = 2\ndrill = "4y2"', "line 8, block 2: drill is no phrase: "),
    ('seconds = 2\nwanted = "left"', "line 8, block 2: wanted must be one of down, up, not 'left'"),
    ('kind = "rest"\nseconds = 60\nposture = "A"', "line 9, block 2: posture has no meaning in a rest"),
    ('kind = "rest"', "line 6, block 2: seconds is missing: say how long the rest lasts"),
    ('seconds = 5\nposture = "two\\nlines"', "line 8, block 2: posture must be one line"),
    ("seconds = 5\nbeats_per_bar = 2.5", "line 8, block 2: beats_per_bar must be a whole number"),
    ("seconds = true", "line 7, block 2: seconds must be a number"),
    ("seconds = nan", "line 7, block 2: seconds must be a number"),
]


@pytest.mark.parametrize(("lines", "sentence"), MISTAKES)
def test_a_mistake_is_named_with_line_block_and_field(lines: str, sentence: str) -> None:
    with pytest.raises(InputError, match=f"^evening.toml, {sentence}") as caught:
        parse_plan(f"{HEAD}[[block]]\n{lines}\n", "evening.toml")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "block: give 1 to 500 blocks"),
        ('[[block]]\nkind = "rest"\nseconds = 5', "one of them play; found 1"),
        ("[[block]]\nseconds = five\n", "is not TOML: .*line 2"),
        ("[block]\nseconds = 5", "write \\[\\[block\\]\\] above each"),
        ("block = [1]", "write \\[\\[block\\]\\] above each"),
        ("title = 1\n[[block]]\nseconds = 5", "key 'title' is not known"),
        ("[[block]]\nseconds = 3600\n" * 5, "last 5.0 hours together; keep a plan under 4"),
        ("[[block]]\nseconds = 1\n" * 501, "found 501"),
        ("block = [{seconds = 5}, {seconds = 0}]", "block 2: seconds must be a number from 1 to 3600, not 0"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(InputError, match=f"evening.toml.*{sentence}"):
        parse_plan(text, "evening.toml")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "\xfc"')
    with pytest.raises(InputError, match="not UTF-8"):
        read_plan(tmp_path / "latin.toml")
