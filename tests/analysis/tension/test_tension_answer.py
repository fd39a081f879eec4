"""The whole answer: through the chain, on the command line, in the report; one sentence where it cannot be given."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.cautions import HURT, STOP, session_cautions
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import Event
from analysis.report.question_sections import question_sections
from analysis.report.session_answers import answer_session
from analysis.report.tension_sections import say_level, tension_section
from analysis.tension.assessment import measure_tension
from analysis.tension.caution_level import SENTENCES
from analysis.tension.marker_table import MARKERS, TENSION_COLUMNS, tabulate_tension
from logger.cli import cli
from logger.report.answer_output import render_text
from logger.session.session_file import write_session
from tests.analysis.tension.played import long_result, long_session, rating, short_result, with_events


def test_growing_tremor_is_found_through_the_whole_chain() -> None:
    found = measure_tension(long_result(1.0))
    assert found.level.level in ("watch", "ease off")
    assert any(reason.startswith("tremor at rest") for reason in found.level.reasons)
    tremor = next(trend for trend in found.trends if trend.marker.key == "tremor_mps2")
    assert tremor.drift is not None
    assert found.breaks is not None
    assert tremor.drift.per_hour.low > 0
    assert tremor.drift.per_hour.low < np.log(2) / (found.breaks.session_min / 60) < tremor.drift.per_hour.high
    # What grows evenly has no step of its own; the best one still goes up.
    assert tremor.change is not None
    assert tremor.change.step > 0
    assert [trend.marker.key for trend in found.trends] == [m.key for m in MARKERS if m.key != "rating"]


def test_the_table_holds_what_it_says() -> None:
    table = tabulate_tension(with_events(long_result(1.0), rating(3.0, at_s=long_result(1.0).blocks[4].end_s + 2)))
    assert list(table.columns) == [column.name for column in TENSION_COLUMNS]
    assert table["rating"].dropna().to_dict() == {4: 3.0}
    assert (table["clock_pct"].dropna() >= 0).all()
    assert table["start_s"].is_monotonic_increasing


def test_discomfort_is_said_first_everywhere() -> None:
    """Even in a session far too short to compare anything, and above whatever the markers say."""
    hurt = Event(1e4, 1e4, "hurt")
    for result in (with_events(short_result(), hurt), with_events(long_result(1.0), hurt)):
        found = measure_tension(result)
        assert found.level.hurt
        assert say_level(found.level).startswith(HURT)
        assert STOP in say_level(found.level)
        section = next(s for s in question_sections(answer_session(result)) if s.id == "tension")
        assert section.sentence.startswith(HURT)


def test_cautions_that_an_answer_says_are_not_said_again() -> None:
    result = with_events(short_result(), Event(1e4, 1e4, "hurt"))
    cautions = session_cautions(result.events, True)
    text = " ".join(render_text([tension_section(measure_tension(result), pictures=False)], cautions).split())
    for caution in cautions:
        assert text.replace("! ", "").count(caution) == 1


def test_the_report_has_the_section_where_the_session_is_long() -> None:
    assert "tension" in [section.id for section in question_sections(answer_session(long_result(1.0)))]
    assert "tension" not in [section.id for section in question_sections(answer_session(short_result()))]


def test_too_short_a_session() -> None:
    with pytest.raises(NotEnoughDataError, match=r"expected at least 20 minutes .* found 0 minutes with 2; record"):
        measure_tension(short_result())


def test_no_strokes() -> None:
    result = short_result()
    with pytest.raises(NotEnoughDataError, match="at least 12 strokes outside string changes, found none"):
        measure_tension(replace(result, strokes=result.strokes.iloc[:0]))


def test_ratings_out_of_range() -> None:
    with pytest.raises(InputError, match="expected ratings from 0 to 10, found 14"):
        measure_tension(with_events(long_result(1.0), rating(14.0)))


def test_a_session_without_still_moments_says_so() -> None:
    found = measure_tension(replace(long_result(1.0), still_moments=()))
    assert found.remarks[0].startswith("tremor cannot be told: no still moment was found")
    assert "rest the hand on the strings" in found.remarks[0]
    assert "tremor_mps2" not in [trend.marker.key for trend in found.trends]


def test_no_section_says_safe_or_names_a_limit() -> None:
    section = tension_section(measure_tension(long_result(1.0)))
    texts = [" ".join((section.title, section.sentence, *section.notes)), *map(str, SENTENCES.values())]
    assert not [text for text in texts if re.search(r"\bsafe|healthy|diagnos|below the limit", text, re.IGNORECASE)]
    for said in ("Context only: hand activity", "not comparable with any limit", "says nothing about health"):
        assert said in texts[0]
    assert "at most 5 in 100 steady sessions" in texts[0]


@pytest.fixture(scope="module")
def session_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "evening.mcap"
    write_session(path, long_session(1.0).session)
    return path


def test_the_command(session_path: Path, tmp_path: Path) -> None:
    page, answer = tmp_path / "page.html", tmp_path / "answer.json"
    given = ["tension", str(session_path), "--html", str(page), "--json", str(answer), "--break-every", "12"]
    done = CliRunner().invoke(cli, given, env={"COLUMNS": "80"})
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert lines[0] == "Is tension building up?"
    assert any(line.startswith("tremor at rest (m/s2)") for line in lines)
    assert "2 planned (5 minutes in every 12)" in " ".join(done.output.split())
    assert "safe" not in done.output.lower()
    said = json.loads(answer.read_text(encoding="utf-8"))
    assert said["tension"]["level"]["level"] in ("watch", "ease off")
    assert said["tension"]["level"]["false_alarms"] == 0.05
    assert len(said["tension"]["blocks"]) == 30
    html = page.read_text(encoding="utf-8")
    assert "Is tension building up?" in html
    assert html.count("minutes from the start of play") == len(said["tension"]["trends"])


def test_a_plan_of_breaks_that_leaves_no_time_is_one_sentence(session_path: Path) -> None:
    done = CliRunner().invoke(cli, ["tension", str(session_path), "--break-every", "4"])
    assert isinstance(done.exception, InputError)
    assert "expected breaks shorter than the time they come back in" in str(done.exception)
