"""The report in a real browser with the network off: it draws, asks for nothing, and serves every reader."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from analysis.findings.arbiter import weigh_session
from analysis.model.records import Instrument
from logger.cli import cli
from logger.report.session_page import write_report
from tests.analysis.report.make_result import Made, Play, make_result
from tests.browser import find_violations, open_chromium, open_page, wait_until
from tests.house.test_house import ROOT
from tests.patience import wait_for

pytestmark = pytest.mark.browser

PLAYS = (
    Play(tilt_deg=20, tempo_bpm=90.0, rate=6.0, seconds=10.0),
    Play(tilt_deg=13, tempo_bpm=120.0, rate=8.0, seconds=10.0),
    Play(tilt_deg=-18, posture="B", tempo_bpm=90.0, rate=6.0, seconds=10.0),
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with open_chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "evening.html"
    write_report(weigh_session(make_result(*PLAYS, made=Made(instrument=Instrument(radius_mm=305.0)))), path)
    return path


def opened(page: Any, path: Path) -> Any:
    page.goto(path.as_uri())
    page.wait_for_function("document.documentElement.dataset.drawn === 'yes'")
    page.wait_for_function("document.querySelector('.figure .main-svg') !== null")
    return page


def read_through(page: Any) -> None:
    """Go down the page as a reader does, until every figure is drawn."""
    for element in page.locator(".pictures").all():
        element.scroll_into_view_if_needed()
    page.wait_for_function(
        "[...document.querySelectorAll('.figure')].every(f => f.querySelector('.main-svg, .gl-container'))"
    )


@pytest.mark.parametrize(("width", "theme"), [(360, "dark"), (1280, "light")])
def test_it_opens_without_a_network_an_error_or_a_fault(browser: Any, report: Path, width: int, theme: str) -> None:
    settings = {"viewport": {"width": width, "height": 800}, "color_scheme": theme, "offline": True}
    with open_page(browser, **settings) as (page, watch):
        opened(page, report)
        read_through(page)
        assert watch.errors == []
        assert [url for url in watch.requests if not url.startswith(("file:", "data:", "blob:"))] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert find_violations(page, ".figure > *") == []


def test_every_figure_fits_its_place_and_shows_the_theme(browser: Any, report: Path) -> None:
    with open_page(browser, viewport={"width": 360, "height": 800}, color_scheme="dark") as (page, _):
        opened(page, report)
        read_through(page)
        wide = page.evaluate(
            "[...document.querySelectorAll('.figure')].filter(f => f.querySelector('.main-svg')"
            " && f.querySelector('.main-svg').getBoundingClientRect().width > f.clientWidth + 1).length"
        )
        assert wide == 0
        paper = "getComputedStyle(document.querySelector('.figure .main-svg')).backgroundColor"
        assert page.evaluate(paper) == "rgb(23, 25, 27)"
        page.emulate_media(color_scheme="light")
        page.wait_for_function(f"{paper} === 'rgb(253, 252, 248)'")


def test_differences_of_two_long_posture_names_fit_a_telephone_and_print(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "postures.html"
    asked = ["compare", str(ROOT / "sample_logs" / "two_postures.mcap"), "--html", str(path)]
    assert CliRunner().invoke(cli, asked, catch_exceptions=False).exit_code == 0
    with open_page(browser, viewport={"width": 390, "height": 844}) as (page, _):
        opened(page, path)
        read_through(page)
        titles = page.evaluate(
            "[...document.querySelectorAll('.figure')].flatMap(f =>"
            " [...f.querySelectorAll('.xtitle, .ytitle')].map(t => {"
            " const at = t.getBoundingClientRect(), place = f.getBoundingClientRect();"
            " return [t.textContent, at.left - place.left, place.right - at.right,"
            " at.top - place.top, place.bottom - at.bottom]; }))"
        )
        page.evaluate(
            "addEventListener('beforeprint', () => {"
            " const differences = [...document.querySelectorAll('.figure')].at(-1).querySelectorAll('.ytick text');"
            " window.labels = [...differences].map(t => t.getBoundingClientRect()).map(at => [at.top, at.bottom]); })"
        )
        page.pdf(path=tmp_path / "postures.pdf", prefer_css_page_size=True)
        labels = sorted(page.evaluate("window.labels"))
    assert any("hand lifted less hand" in words for words, *_ in titles)
    assert [title for title in titles if min(title[1:]) < 0] == []
    assert len(labels) == 6
    assert [upper for upper, lower in pairwise(labels) if upper[1] > lower[0]] == []


def test_nothing_that_holds_together_leaves_half_a_sheet_blank(browser: Any, tmp_path: Path) -> None:
    """A part that may not be broken goes to the next sheet where it does not fit, and leaves the rest of this blank."""
    path = tmp_path / "postures.html"
    asked = ["compare", str(ROOT / "sample_logs" / "two_postures.mcap"), "--html", str(path)]
    assert CliRunner().invoke(cli, asked, catch_exceptions=False).exit_code == 0
    # A4 less its margins, at 96 pixels an inch.
    with open_page(browser, viewport={"width": 680, "height": 1009}) as (page, _):
        opened(page, path)
        read_through(page)
        page.emulate_media(media="print")
        tall = page.evaluate(
            "[...document.querySelectorAll('main *')].filter(e => getComputedStyle(e).breakInside === 'avoid'"
            " && e.getBoundingClientRect().height > 1009 / 2).map(e => e.tagName + '.' + e.className)"
        )
    assert tall == []


def test_strokes_are_clicked_through_with_the_keyboard(browser: Any, report: Path) -> None:
    with open_page(browser) as (page, watch):
        opened(page, report)
        note = page.locator("#single-strokes-figures-note")
        first = note.text_content()
        page.locator("#single-strokes button[data-step='1']").focus()
        page.keyboard.press("Enter")
        wait_for(lambda: note.text_content() != first)
        assert page.locator("#single-strokes-figures-select").evaluate("s => s.selectedIndex") == 1
        page.locator("#single-strokes button[data-step='-1']").press("Enter")
        wait_for(lambda: note.text_content() == first)
        label = page.locator("#single-strokes .figure").first.get_attribute("aria-label")
        assert first in label
        assert watch.errors == []


def test_printing_takes_light_paper_and_the_pages_width(browser: Any, report: Path, tmp_path: Path) -> None:
    with open_page(browser, color_scheme="dark") as (page, watch):
        opened(page, report)
        page.evaluate(
            "addEventListener('beforeprint', () => { window.seen = [...document.querySelectorAll('.figure .main-svg')]"
            ".map(s => [s.getBoundingClientRect().width, getComputedStyle(s).backgroundColor]); })"
        )
        page.pdf(path=tmp_path / "report.pdf", prefer_css_page_size=True)
        seen = page.evaluate("window.seen")
        assert max(width for width, _ in seen) <= 660
        assert {colour for _, colour in seen} <= {"rgb(253, 252, 248)", "rgba(0, 0, 0, 0)"}
        # Afterwards the screen has its own paper again.
        background = "getComputedStyle(document.querySelector('.figure .main-svg')).backgroundColor"
        wait_until(page, f"{background} === 'rgb(23, 25, 27)'")
        assert watch.errors == []
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")


def test_a_light_report_finds_its_library_beside_it(browser: Any, tmp_path: Path) -> None:
    write_report(weigh_session(make_result(Play(seconds=5.0))), tmp_path / "light.html", light=True)
    with open_page(browser, offline=True) as (page, watch):
        opened(page, tmp_path / "light.html")
        assert watch.errors == []
        assert all(url.startswith("file:") for url in watch.requests if not url.startswith(("data:", "blob:")))


def test_a_report_against_the_hand_serves_every_reader_too(browser: Any, tmp_path: Path) -> None:
    write_report(weigh_session(make_result(Play(seconds=5.0), made=Made(hand=True))), tmp_path / "hand.html")
    with open_page(browser, offline=True) as (page, watch):
        opened(page, tmp_path / "hand.html")
        assert watch.errors == []
        assert find_violations(page, ".figure > *") == []
        assert page.locator("#against-hand").is_visible()


def test_the_checker_finds_a_planted_fault(browser: Any, report: Path) -> None:
    with open_page(browser) as (page, _):
        opened(page, report)
        page.evaluate("document.querySelector('.choose label').remove()")
        assert any("select-name" in fault for fault in find_violations(page, ".figure > *"))
