"""The questions' commands on sampled sessions of an invented player: answers, outputs, bad input."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import StrokeplaneError
from analysis.model.records import Event, Player, SessionResult
from analysis.report.question_sections import question_sections
from analysis.report.session_answers import answer_session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Recording
from analysis.synthesis.simulate import simulate
from logger.cli import cli
from logger.many.analyse import analyse_file
from logger.report.answer_output import plain, render_text
from logger.session.session_file import write_session

TEMPI = (90.0, 120.0, 150.0)
SECOND = Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two postures at three tempi each, A flattening with tempo, B tilted the other way; and a few more files."""
    folder = tmp_path_factory.mktemp("sessions")
    rng = np.random.default_rng(3)
    blocks = []
    for tempo in TEMPI:
        for posture in ("ABBA", "BAAB")[rng.integers(2)]:
            tilt = 24 - 18 / (1 + np.exp(-(tempo / 15 - 9.2) / 0.4)) if posture == "A" else -16.0
            blocks.append(
                PlayBlock(
                    tilt_deg=tilt,
                    posture=posture,
                    tempo_bpm=tempo,
                    notes_per_beat=4.0,
                    duration_s=5.0,
                    span_mm=24.0,
                    wanted="down" if posture == "A" else "up",
                )
            )
    base = replace(
        random_scenario(11, rate_hz=200.0),
        recording=Recording(lost_share=0.0),
        gestures=GesturePlan(per_posture=False, length="short"),
        rest_s=(1.0, 2.0),
    )
    scenario = replace(
        base, blocks=tuple(blocks), postures=(Posture("A"), SECOND), player=Player("invented", base.player.handed)
    )
    session = simulate(scenario, 11).session
    write_session(folder / "two.mcap", session)
    alone = replace(blocks[0], posture="A")
    untimed = replace(alone, tempo_bpm=None, notes_per_beat=None, strokes_per_s=7.0)
    untimed_session = simulate(replace(scenario, blocks=(untimed,) * 2), 13).session
    write_session(folder / "untimed.mcap", untimed_session)
    other = simulate(replace(base, blocks=(alone,), player=Player("another", base.player.handed)), 12).session
    write_session(folder / "other.mcap", other)
    rated = Event(other.events[-1].end_s, other.events[-1].end_s, "rating", label="tension", rating=12.0)
    write_session(folder / "rated.mcap", replace(other, events=(*other.events, rated), metadata={"number": "2"}))
    return folder


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in arguments])


def answer(*arguments: str | Path) -> dict[str, object]:
    result = run(*arguments, "--json", "-")
    assert result.exit_code == 0, result.exception or result.output
    document = json.loads(result.output)
    assert isinstance(document, dict)
    return document


def test_hold_answers_per_posture(folder: Path) -> None:
    document = answer("hold", folder / "two.mcap")
    first, second = document["hold"]  # type: ignore[misc]
    by_posture = {h["posture"]: h for h in (first, second)}  # type: ignore[index]
    assert by_posture["A"]["bound"] == "inside"
    assert by_posture["A"]["side"] == "down"
    assert 6.5 < by_posture["A"]["strokes_per_s"] < 9.8
    assert by_posture["A"]["failure"]["mode"] == "flattens"
    assert by_posture["B"]["side"] == "up"
    assert by_posture["B"]["bound"] == "at least"
    assert document["cautions"]
    assert document["synthetic"] is True
    shown = run("hold", folder / "two.mcap", "--posture", "A").output
    assert "at 4 notes a beat" in shown
    assert "see a clinician" in shown
    assert shown.isascii()
    assert max(len(line) for line in shown.splitlines()) <= 80


def test_steady_and_clears_answer(folder: Path) -> None:
    steady = answer("steady", folder / "two.mcap", "--posture", "B")["steady"][0]  # type: ignore[index]
    assert steady["levels"][0]["axis"]["mean_deg"] == pytest.approx(-16, abs=3)
    assert steady["between_sd_deg"]["low"] < steady["between_sd_deg"]["high"]
    clears = answer("clears", folder / "two.mcap", "--posture", "B")["clears"][0]  # type: ignore[index]
    assert clears["direction"] == "up"
    assert clears["share"]["value"] > 0.5 > clears["other_share"]


def test_compare_answers_and_writes_a_page(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "postures.html"
    comparison = answer("compare", folder / "two.mcap", "--posture", "A", "--posture", "B", "--html", page)[
        "comparison"
    ]
    tilt = next(m for m in comparison["measures"] if m["key"] == "tilt_deg")  # type: ignore[index]
    assert tilt["verdict"] == "different"
    assert tilt["difference"]["value"] < -20
    assert tilt["frame_se"] > 0.2
    text = page.read_text(encoding="utf-8")
    assert "Which posture" in text
    assert "see a clinician" in text
    assert not re.search(r"<(?:script|img|link)[^>]*(?:src|href)=\"?(?:https?:)?//", text)


def test_margins_are_set_for_each_quantity(folder: Path) -> None:
    asked = ("compare", folder / "two.mcap", "--margin", "spread=0.1", "--margin", "size=7.5")
    measures = answer(*asked)["comparison"]["measures"]  # type: ignore[index]
    margins = {m["key"]: m["equivalence"]["margin"] for m in measures}
    assert (margins["tilt_sd_deg"], margins["span_mm"], margins["timing_pct"]) == (0.1, 7.5, 2.0)


def test_progress_groups_by_player_and_is_quick_the_second_time(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "players.html"
    first = answer("progress", folder, "--html", page)
    assert first["computed"] == 4
    assert {p["player"] for p in first["players"]} == {"invented", "another"}  # type: ignore[attr-defined]
    assert answer("progress", folder)["computed"] == 0
    shown = run("progress", folder).output
    assert "2 players" in shown
    assert shown.isascii()
    alone = run("progress", folder, "--player", "another").output
    assert "another: " in alone
    assert "too few to tell a change" in alone
    assert "invented" in page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def result(folder: Path) -> SessionResult:
    return analyse_file(folder / "two.mcap").result


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("hold", "two.mcap", "other.mcap"), "one player, found another, invented"),
        (("hold", "other.mcap"), "found 1 speed"),
        (("compare", "other.mcap"), "found only A"),
        (("hold", "other.mcap", "--posture", "Z"), "found 'Z'"),
        (("steady", "other.mcap", "--posture", "Z"), "found 'Z'"),
        (("clears", "other.mcap", "--posture", "Z"), "found 'Z'"),
        (("compare", "other.mcap", "--posture", "A", "--posture", "Z"), "found 'Z'"),
        (("hold", "other.mcap", "other.mcap"), "same session"),
        (("hold", "missing.mcap"), "cannot be read"),
        (("progress", ".", "--player", "nobody"), "found 'nobody'"),
        (("hold", "two.mcap", "--html", "two.mcap"), "one of the files to read"),
        (("hold", "two.mcap", "--drill", "Z"), "found 'Z'"),
        (("hold", "untimed.mcap"), "no tempo given"),
        (("steady", "two.mcap", "other.mcap"), "one player, found another, invented"),
        (("clears", "two.mcap", "other.mcap"), "one player, found another, invented"),
        (("compare", "two.mcap", "other.mcap"), "one player, found another, invented"),
        (("tension", "other.mcap"), "found 0 minutes with 1"),
        (("tension", "rated.mcap"), "rating of Event from 0 to 10, found 12"),
        (("drill", "check", "two.mcap"), "no block names a drill"),
        (("drill", "check", "two.mcap", "--json", "two.mcap"), "one of the files to read"),
    ],
)
def test_bad_input_is_one_sentence(
    folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(folder)
    result = run(*arguments)
    assert isinstance(result.exception, StrokeplaneError), result.output
    assert words in str(result.exception)
    assert "\n" not in str(result.exception)


@pytest.mark.parametrize(
    "arguments",
    [
        ("compare", "two.mcap", "--margin", "3"),
        ("compare", "two.mcap", "--margin", "tilt=wide"),
        ("compare", "two.mcap", "--margin", "tilt=0"),
        ("compare", "two.mcap", "--posture", "A"),
        ("hold",),
        ("hold", "two.mcap", "--json", "a", "--html", "a"),
    ],
)
def test_wrong_use_is_exit_code_two(folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]) -> None:
    monkeypatch.chdir(folder)
    assert run(*arguments).exit_code == 2


def test_the_report_gets_the_questions_as_sections(result: SessionResult) -> None:
    sections = question_sections(answer_session(result))
    assert [s.id for s in sections] == ["hold", "steady", "room", "postures", "switches"]
    for section in sections:
        assert section.sentence.endswith(".")
        assert section.choices
        assert all(picture.description for choice in section.choices for picture in choice.pictures)
    # A figure drawn from the same numbers as the sentence.
    hold = next(s for s in sections if s.id == "hold")
    figure = hold.choices[0].pictures[0].figure
    assert any("blocks" in (trace.name or "") for trace in figure.data)


def test_sections_that_do_not_apply_are_absent(folder: Path) -> None:
    result = analyse_file(folder / "other.mcap").result
    assert [s.id for s in question_sections(answer_session(result))] == ["room"]


def test_a_comparison_that_is_refused_says_why_in_the_report(result: SessionResult) -> None:
    blocks = tuple(replace(b, posture="A" if b.index < 6 else "B") for b in result.blocks)
    strokes = result.strokes.assign(posture=np.where(result.strokes["block"].fillna(0) < 6, "A", "B"))
    section = question_sections(answer_session(replace(result, blocks=blocks, strokes=strokes)))[-1]
    assert section.id == "postures"
    assert "cannot be compared here" in section.sentence


def test_json_holds_no_numbers_that_json_lacks() -> None:
    event = Event(1.0, float("inf"), "rating", rating=float("nan"))
    assert plain({"event": event, "array": np.array([1.0, np.nan])}) == {
        "event": {**plain(event), "end_s": None, "rating": None},
        "array": [1.0, None],
    }
    with pytest.raises(TypeError):
        plain(object())


def test_text_for_a_terminal_ends_with_the_cautions() -> None:
    assert render_text([], ("Stop.",)) == "! Stop."
