"""Every table of the player's questions on a terminal of 80 columns: all its cells whole, side by side."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from analysis.model.records import SessionResult
from analysis.questions.clearing import judge_clearing
from analysis.questions.consistency import measure_consistency
from analysis.questions.hold import find_hold_tempo
from analysis.questions.posture import compare_postures
from analysis.questions.progress import follow_progress
from analysis.questions.summarise_session import summarise_session
from analysis.report.question_sections import clearing_section, comparison_section, consistency_section, hold_section
from analysis.report.sections import Section, Table
from analysis.report.tension_sections import tension_section
from analysis.tension.assessment import Tension, measure_tension
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session
from logger.many.session_cache import FolderSummaries
from logger.report.answer_output import put_out, render_text
from logger.report.progress_page import progress_page
from logger.terminal.ascii_text import plain_text

RESTING, LIFTED = "hand resting", "hand lifted"


@cache
def ladder() -> SessionResult:
    """Two postures with long names, each a ladder of tempi with notes a beat."""
    rng = np.random.default_rng(1)
    blocks = [
        DrawnBlock(
            p, v, 12.0, 22 - 14 / (1 + np.exp(-2 * (v - 9))), tempo_bpm=15 * v, notes_per_beat=4.0, wanted="down"
        )
        for v in rng.permutation([7.0, 8.0, 9.0, 10.0, 11.0, 12.0])
        for p in ((RESTING, LIFTED) if rng.random() < 0.5 else (LIFTED, RESTING))
    ]
    return draw_session(blocks, Drawing(0.2, 0.3, frame_se_deg=0.3), rng)


@cache
def evening() -> Tension:
    rng = np.random.default_rng(2)
    blocks = [DrawnBlock(seconds=40.0)] * 30
    return measure_tension(draw_session(blocks, Drawing(rest_s=25.0), rng))


def players() -> Section:
    """A teacher's table: long names, a hold tempo with its bound."""
    found = []
    for number, name in enumerate(("a player of some name", "B")):
        result = draw_session(
            [DrawnBlock(strokes_per_s=v, tilt_deg=20.0) for v in (7.0, 8.0, 9.0, 10.0)],
            Drawing(player=name),
            np.random.default_rng(number),
        )
        found.append(summarise_session(result, f"{number}.mcap", 1.7e9 + 86400.0 * number))
    return progress_page(follow_progress(found), FolderSummaries(tuple(found), (), 2, 0), pictures=False)[0]


def sections() -> dict[str, Section]:
    both = (RESTING, LIFTED)
    return {
        "hold": hold_section([find_hold_tempo([ladder()], p) for p in both]),
        "steady": consistency_section([measure_consistency([ladder()], p) for p in both]),
        "clears": clearing_section([judge_clearing([ladder()], p) for p in both]),
        "compare": comparison_section(compare_postures([ladder()], both)),
        "tension": tension_section(evening(), pictures=False),
        "progress": players(),
    }


def test_every_table_stands_side_by_side_in_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for name, section in sections().items():
        table = section.table
        assert isinstance(table, Table), name
        lines = render_text([section], ()).splitlines()
        assert max(map(len, lines)) <= 80
        for row in table.rows:
            cells = [" ".join(plain_text(cell).split()) for cell in row]
            whole = [line for line in lines if line.startswith(cells[0]) and all(cell in line for cell in cells)]
            assert whole, f"{name}: {row}"


def test_steady_tension_tells_what_each_marker_could_show() -> None:
    level = evening().level
    assert level.level == "steady"
    table = tension_section(evening(), pictures=False).table
    assert table is not None
    assert table.columns[-1] == "Could show"
    shown = {row[0].split(" (")[0] for row in table.rows if row[-1]}
    assert shown == {marker.name for marker, _ in level.visible}


def test_json_says_what_the_screen_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    section = sections()["compare"]
    path = tmp_path / "answer.json"
    put_out(
        "Postures", [section], {"comparison": compare_postures([ladder()], (RESTING, LIFTED))}, ("Stop.",), (path, None)
    )
    capsys.readouterr()
    document = json.loads(path.read_text(encoding="utf-8"))
    (said,) = document["said"]
    assert said["sentence"] == section.sentence
    assert said["notes"] == list(section.notes)
    assert [row["95 % interval"] for row in said["table"]] == [
        row[4] for row in (section.table or Table("", (), ())).rows
    ]
    assert document["comparison"]["recommendation"]["kind"] in ("one", "open", "either", "trade-off")
