"""Cautions stand wherever play or a sensor on skin is asked for, or a body is judged, and in one wording."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from analysis.model.cautions import CELL, HURT, NOT_MEDICAL, PLAYING, SIMULATED, SKIN, STOP, WEARING, session_cautions
from analysis.model.stroke_columns import STROKE_COLUMNS
from logger.exchange.bids_documents import dataset_documents, derivative_documents
from logger.exchange.export_tables import ExportSource, about, provenance
from logger.guide.asked_gestures import full_gestures
from logger.guide.guide_state import Script
from logger.guide.machine import begin
from logger.guide.orders import Chosen
from logger.guide.phases import SettingUp
from logger.guide.stretch import FreePlay
from logger.guide.view import view
from logger.practice.plan import Plan, PlanBlock
from logger.report.result_files import render_table_csv
from logger.terminal.plan_text import show_plan
from tests.house.test_house import ROOT
from tests.logger.session.make import session as make_session

# Pages that lead to playing, to wearing a sensor, or to setting up a board.
PAGES = {
    "README.md": (STOP, SKIN, CELL),
    "docs/index.md": (STOP,),
    "docs/drills.md": (STOP,),
    "docs/live.md": (STOP, SKIN, CELL),
    "docs/plans.md": (STOP,),
    "docs/questions.md": (STOP,),
    "docs/reading-the-report.md": (STOP,),
    "docs/sensors.md": (STOP, SKIN, CELL),
    "docs/sound.md": (STOP,),
    "docs/tension.md": (STOP,),
    "docs/tutorial.md": (STOP, SKIN, CELL),
    "firmware_docs/README.md": (STOP, SKIN, CELL),
    "firmware_docs/BOARDS.md": (CELL,),
}
# Sources that take the words from the one place.
SAID = {
    "logger/commands/batch.py": ("STOP", "NOT_MEDICAL"),
    "logger/commands/drill_check.py": ("STOP", "NOT_MEDICAL"),
    "logger/commands/live.py": ("STOP", "SKIN", "CELL"),
    "logger/commands/record.py": ("STOP", "SKIN", "CELL"),
    "logger/commands/start.py": ("WEARING",),
    "logger/guide/view.py": ("STOP", "SKIN", "HURT", "NOT_MEDICAL"),
    "logger/practice/plan.py": ("STOP",),
    "logger/practice/practice_files.py": ("STOP",),
    "logger/report/progress_page.py": ("STOP", "BREAKS", "NOT_MEDICAL"),
    "logger/terminal/plan_text.py": ("PLAYING",),
}
# Other advice on the same thing would be weaker or stricter than these words.
RIVALS = re.compile(r"if it (?:returns|stays|returns or stays)|means stop, and see a\s+clinician(?! before you go on)")


def flat(path: str) -> str:
    return " ".join((ROOT / path).read_text(encoding="utf-8").split()).lower()


@pytest.mark.parametrize("page", PAGES)
def test_pages_that_lead_to_playing_or_wearing_say_so(page: str) -> None:
    text = flat(page)
    wanted = [sentence.rstrip(".").lower() for sentence in PAGES[page]]
    assert [sentence for sentence in wanted if sentence not in text and sentence[4:] not in text] == []


# What a page says that leads to playing, to wearing a sensor, to a board with a cell; and what it then must say.
LEADS_TO = (
    (r"strokeplane (?:record|live|plan|next|start)\b|strokeplane drill (?!check)", (STOP,)),
    (r"strokeplane (?:record|live)\b(?! --lsl)|\bstrap(?:ped)? (?:it|the sensor) ", (STOP, SKIN, CELL)),
    (r"\blithium\b|\bcharges?\b [^.]*\bcell\b|\bcell\b [^.]*\bcharg", (CELL,)),
)
ELSEWHERE = {
    "docs/batch.md": "on other programs and many computers; who records has come by docs/live.md or docs/sensors.md",
}
"""Pages whose commands are no invitation to play, and why."""


def every_page() -> list[str]:
    folders = ("docs", "firmware_docs", "sample_logs")
    paths = [path for folder in folders for path in (ROOT / folder).rglob("*.md")]
    return sorted(path.relative_to(ROOT).as_posix() for path in (*paths, ROOT / "README.md"))


@pytest.mark.parametrize("page", every_page())
def test_every_page_that_leads_there_carries_the_words(page: str) -> None:
    """Walks all pages, those of tomorrow too: what a page says decides, not a list."""
    text = flat(page)
    wanted = {caution for sign, said in LEADS_TO if re.search(sign, text, re.IGNORECASE) for caution in said}
    lacking = [c for c in wanted if c.rstrip(".").lower() not in text and c.rstrip(".").lower()[4:] not in text]
    assert not lacking or page in ELSEWHERE
    assert lacking or page not in ELSEWHERE, "it needs no exception any more"


def test_what_is_played_from_and_worn_says_so_where_it_is_met(tmp_path: Path) -> None:
    """The files and screens themselves, not their sources: plan, practice files, set-up, drill check, data sets."""
    from click.testing import CliRunner

    from logger.cli import cli
    from logger.exchange.export_files import export_files

    def run(*arguments: str) -> str:
        done = CliRunner().invoke(cli, list(arguments), catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return " ".join(done.output.split())

    sample = str(ROOT / "sample_logs/steady_and_tilted.mcap")
    assert STOP in run("drill", "check", sample)
    plan = tmp_path / "plan.toml"
    run("plan", "new", "ladder", "--tempo", "70", "--drill", "4x1 3x2 4x1", "-o", str(plan))
    assert STOP in plan.read_text(encoding="utf-8")
    assert all(caution in run("plan", "show", str(plan)) for caution in PLAYING)
    source = ExportSource(tmp_path / "evening.mcap", make_session())
    import pyarrow.parquet as pq

    for path in export_files(source, tmp_path, "parquet"):
        assert STOP in (pq.read_schema(path).metadata or {})[b"strokeplane.cautions"].decode()
    for path in export_files(source, tmp_path, "csv"):
        if path.suffix == ".json":
            assert STOP in path.read_text(encoding="utf-8")
    guide, _ = begin(Script(), Chosen(0.0, full_gestures(False), FreePlay(), 10.0))
    hint = view(replace(guide, phase=SettingUp())).hint
    assert STOP in hint
    assert SKIN in hint


@pytest.mark.parametrize("source", SAID)
def test_screens_take_the_words_from_one_place(source: str) -> None:
    text = (ROOT / source).read_text(encoding="utf-8")
    imported = re.search(r"from analysis\.model\.cautions import ([\w, ()\n]+)", text)
    assert imported
    assert [name for name in SAID[source] if text.count(name) < 2 or name not in imported.group(1)] == []


def test_no_second_wording_of_the_advice() -> None:
    folders = ("analysis", "logger", "docs", "firmware_docs", "sample_logs")
    paths = [p for folder in folders for p in (ROOT / folder).rglob("*") if p.suffix in (".py", ".md", ".js", ".html")]
    found = [str(p.relative_to(ROOT)) for p in (*paths, ROOT / "README.md") if RIVALS.search(p.read_text("utf-8"))]
    assert found == []


def test_a_plan_on_screen_ends_with_the_cautions_of_play() -> None:
    shown = " ".join(show_plan(Plan("Evening", (PlanBlock(seconds=20.0),))).split())
    assert [caution for caution in PLAYING if caution not in shown] == []


def test_what_hurts_has_the_strictest_words() -> None:
    assert HURT.endswith("see a clinician before you go on.")
    assert STOP.endswith("see a clinician before you go on.")
    assert set(WEARING) == {STOP, SKIN, CELL, NOT_MEDICAL}


@pytest.mark.parametrize("simulated", [True, False])
def test_exports_carry_the_cautions_and_the_simulators_mark(simulated: bool) -> None:
    metadata = {"synthetic": "true"} if simulated else {}
    source = ExportSource(Path("evening.mcap"), replace(make_session(), metadata=metadata))
    for table in ("signals", "events"):
        said = provenance(source, table)
        assert STOP in said["cautions"]
        assert (SIMULATED in said["cautions"], said["synthetic"]) == (simulated, str(simulated).lower())
    told = about(source, {})
    assert STOP in told["cautions"]
    assert told["synthetic"] is simulated
    listed = STROKE_COLUMNS[:1]
    table = render_table_csv(pd.DataFrame({listed[0].name: [1.0]}), listed, simulated)
    assert table.splitlines() == (["start_s,synthetic", "1.0,true"] if simulated else ["start_s", "1.0"])
    for documents in (dataset_documents({"01": "right"}, simulated), derivative_documents(simulated)):
        assert STOP in documents["README.md"]
        assert ("simulated: nobody played them" in documents["README.md"]) is simulated
    assert (SIMULATED in session_cautions((), True, simulated)) is simulated
