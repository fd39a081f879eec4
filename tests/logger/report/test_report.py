"""The page: its numbers are the JSON's, sections come and go as they apply, nothing from outside, nothing unescaped."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import HURT, STOP
from analysis.model.errors import OutputError
from analysis.model.glossary import TERMS
from analysis.model.number_words import degrees, of_100
from analysis.model.records import Event, Instrument, Player, SessionResult
from analysis.report.session_sections import HAND_NOTE
from logger.report.result_files import render_result_json
from logger.report.session_page import library_name, render_report, write_report
from tests.analysis.report.make_result import START_S, Made, Play, make_result
from tests.logger.report.page_text import Page, read_page

LADDER = tuple(
    Play(tilt_deg=tilt, tempo_bpm=bpm, rate=bpm / 15, scatter_deg=1.5)
    for bpm, tilt in ((90.0, 22.0), (104.0, 21.0), (120.0, 12.0))
)


def page_of(result: SessionResult) -> Page:
    """The page without the plotting library, which is no text of ours."""
    return read_page(render_report(weigh_session(result), light=True))


@pytest.fixture(scope="module")
def result() -> SessionResult:
    return make_result(*LADDER, made=Made(lost_samples=37, instrument=Instrument(radius_mm=305.0)))


@pytest.fixture(scope="module")
def page(result: SessionResult) -> Page:
    return page_of(result)


@pytest.fixture(scope="module")
def answer(result: SessionResult) -> Any:
    return json.loads(render_result_json(weigh_session(result)))


def test_the_blocks_table_holds_the_numbers_of_the_json(page: Page, answer: Any) -> None:
    rows = page.tables["blocks"]
    assert len(rows) == len(answer["blocks"])
    for row, block in zip(rows, answer["blocks"], strict=True):
        assert row[0] == f"Block {block['index'] + 1}"
        assert row[2] == block["posture"]
        assert row[3] == f"{block['tempo_bpm']:g} BPM"
        assert row[4] == str(block["strokes"])
        assert row[5] == degrees(block["tilt_mean_deg"])
        assert row[6] == " to ".join(degrees(end) for end in block["tilt_ci95_deg"])
        assert row[7] == degrees(block["tilt_sd_deg"])
        assert row[8] == f"down: {of_100(block['share_clearing'])}"


def test_the_session_numbers_are_those_of_the_json(page: Page, answer: Any) -> None:
    session = answer["session"]
    quality = {row[0]: row for row in page.tables["quality"]}
    assert quality["Samples"][1].startswith(f"{session['lost_samples']} of ")
    assert quality["Session offset"][2] == f"±{degrees(1.96 * session['tilt_offset_se_deg'])} (95 %)"
    assert quality["Strokes"][1].startswith(f"{session['strokes']} strokes")
    parts = answer["blocks"][0]["tilt_offset_parts_deg"]
    across = next(row for name, row in quality.items() if name.startswith("Gesture across"))
    assert across[2] == f"±{degrees(1.96 * parts['across'])} (95 %)"
    assert answer["log_hash"] in page.details
    assert answer["version"] in page.details
    assert "305.0" in page.details


def test_the_verdicts_numbers_are_those_of_the_json(page: Page, answer: Any) -> None:
    fast = answer["blocks"][2]
    hold = answer["findings"][0]["measured"][0]
    assert f"up to {60 * hold['value'] / 4:.0f} BPM" in page.texts["answer"]
    assert f"only {of_100(fast['share_clearing'])}" in page.texts["answer"]
    for block in answer["blocks"][1:]:
        assert " to ".join(degrees(end) for end in block["tilt_ci95_deg"]) in page.texts["answer"]
    assert f"{abs(fast['lift_mm']):.1f} mm" in page.texts["lift"]


def test_the_figures_hold_the_blocks_means(page: Page, answer: Any) -> None:
    figure = page.data["against-speed-figures"][0]["pictures"][0]["figure"]
    means = next(trace for trace in figure["data"] if trace.get("name", "").startswith("block means"))
    assert decode(means["y"]) == pytest.approx([block["tilt_mean_deg"] for block in answer["blocks"]], abs=1e-4)


def decode(value: Any) -> list[float]:
    """A figure's array: plain, or base64 of the type that it names."""
    if isinstance(value, list):
        return value
    import base64

    import numpy as np

    return np.frombuffer(base64.b64decode(value["bdata"]), dtype=np.dtype(value["dtype"])).tolist()


def test_sections_that_do_not_apply_are_absent(page: Page) -> None:
    assert {"end-view", "blocks", "over-time", "against-speed", "distribution", "lift", "single-strokes"} <= set(
        page.texts
    )
    one = page_of(make_result(Play()))
    assert "against-speed" not in one.texts
    hand = page_of(make_result(Play(), made=Made(hand=True)))
    assert "lift" not in hand.texts


def test_against_the_hand_every_section_with_a_tilt_says_so() -> None:
    page = page_of(make_result(Play(), made=Made(hand=True)))
    assert "against the hand's own mean plane" in page.texts["answer"]
    for name in ("end-view", "blocks", "over-time", "distribution", "single-strokes"):
        assert HAND_NOTE in page.texts[name], name
    for name in ("over-time", "distribution"):
        layout = page.data[f"{name}-figures"][0]["pictures"][0]["figure"]["layout"]
        axes = [layout[axis]["title"]["text"] for axis in ("xaxis", "yaxis")]
        assert "tilt against the hand's plane" in axes


def test_an_unknown_arch_is_said(page: Page) -> None:
    assert "radius of 305 mm" in page.texts["end-view"]
    assert "arch was not given" in page_of(make_result(Play())).texts["end-view"]


def test_words_are_explained_once_where_they_first_stand(result: SessionResult) -> None:
    html = render_report(weigh_session(result), light=True)
    explained = re.findall(r"<dt>([^<]+)</dt> <dd>", html)
    assert len(explained) == len(set(explained))
    assert {"tilt", "dead band", "lift", "session offset", "block"} <= set(explained)
    sections = re.findall(r"<section.*?</section>", html, flags=re.DOTALL)
    plain = re.findall(r"<section.*?</section>", re.sub(r"<dl.*?</dl>", "", html, flags=re.DOTALL), flags=re.DOTALL)
    assert len(sections) == len(plain)
    for term in (term for term in TERMS if term.word in explained):
        where = next(i for i, section in enumerate(sections) if f"<dt>{term.word}</dt>" in section)
        earlier = [re.sub(r"<script.*?</script>|<[^>]+>", " ", section, flags=re.DOTALL) for section in plain[:where]]
        assert not re.search(rf"\b(?:{term.pattern})\b", " ".join(earlier)), term.word


def test_cautions_and_the_stop_words_stand_on_the_page(page: Page, result: SessionResult) -> None:
    for caution in result.cautions:
        assert caution in page.texts["cautions"]
    assert result.cautions[0] in page.texts["answer"]
    hurt = page_of(make_result(Play(), made=Made(events=(Event(START_S + 50, START_S + 50, "hurt"),))))
    assert HURT in hurt.texts["answer"]
    assert STOP in hurt.texts["answer"]


def test_what_the_player_typed_cannot_change_the_page() -> None:
    evil = '</script><script>alert(1)</script>&"<b>'
    made = Made(player=Player(evil), instrument=Instrument(name=evil), warnings=(evil,))
    result = make_result(Play(posture=evil), Play(posture="B"), made=made)
    html = render_report(weigh_session(result), title=evil, light=True)
    ours = {tag for tag, _ in page_of(make_result(Play(), Play(posture="B"))).tags}
    read = read_page(html)
    assert {tag for tag, _ in read.tags} <= ours | {"dl", "dt", "dd"}
    assert "alert(1)</script>" not in html
    assert read.tables["blocks"][0][2] == evil


def test_nothing_is_fetched_from_elsewhere(page: Page) -> None:
    for tag, own in page.tags:
        if tag in ("script", "img", "link", "iframe", "source"):
            target = own.get("src") or own.get("href")
            assert target in (None, library_name()), (tag, own)
    assert page.tags.count(("script", {"src": library_name()})) == 1


def test_light_reports_share_one_library(tmp_path: Path, result: SessionResult) -> None:
    write_report(weigh_session(result), tmp_path / "one.html", light=True)
    library = tmp_path / library_name()
    before = library.stat().st_mtime_ns
    write_report(weigh_session(result), tmp_path / "two.html", light=True)
    assert library.stat().st_mtime_ns == before
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([library_name(), "one.html", "two.html"])
    assert (tmp_path / "one.html").stat().st_size < 700_000


def test_a_whole_evening_stays_under_six_megabytes(tmp_path: Path) -> None:
    """Two hours of play, 40 blocks of three minutes at 8 strokes/s in two postures."""
    plays = [Play(posture="AB"[i % 2], seconds=180.0, rate=8.0 + i / 10, tempo_bpm=120.0 + i) for i in range(40)]
    path = tmp_path / "evening.html"
    write_report(weigh_session(make_result(*plays)), path)
    assert path.stat().st_size < 6_000_000


def test_a_folder_that_is_not_there_is_a_clear_error(tmp_path: Path, result: SessionResult) -> None:
    with pytest.raises(OutputError, match="there is no folder"):
        write_report(weigh_session(result), tmp_path / "missing" / "report.html")
