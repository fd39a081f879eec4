"""A whole session in the browser, from connecting to the report, with a pedal's two keys, a digit, and the hurt key.

The program runs as a player starts it, with the simulated player, six times as quick as life.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.session.session_file import read_session
from tests.browser import open_chromium, open_page, wait_until
from tests.logger.sources.board import Board, PtyBoard
from tests.logger.sources.motion import counts_of, resting
from tests.packaging.built import bin_folder
from tests.patience import PATIENCE_S

pytestmark = pytest.mark.browser

PLAN = """
name = "A short invented plan"

[[block]]
posture = "low"
tempo_bpm = 93
notes_per_beat = 4
drill = "4x2 3x2 2x2 3x2"
bars = 4
wanted = "up"
rest_s = 30

[[block]]
posture = "low"
tempo_bpm = 108
notes_per_beat = 4
seconds = 300
wanted = "up"
"""
READ = """(() => { const data = document.getElementById('stage').dataset;
const pedal = document.querySelector('#commands button[data-first=true]:not([hidden])');
return {step: data.step, phase: data.phase, title: document.querySelector('h1').textContent,
    where: document.getElementById('where').textContent,
    changes: data.picture === 'changes' ? document.getElementById('changes').innerText : '',
    more: data.picture === 'changes' ? document.getElementById('verdict-more').innerText : '',
    pedal: pedal ? pedal.dataset.command : '', rating: !document.getElementById('rating').hidden,
    quality: document.getElementById('quality').hidden ? '' : document.getElementById('quality').innerText}; })()"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with open_chromium() as browser:
        yield browser


@contextlib.contextmanager
def program(folder: Path, *words: object) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The running program and the address that it prints."""
    given = ["live", *map(str, words), "--port", "0", "--no-browser", "-o", "evening.mcap"]
    running = subprocess.Popen(
        [bin_folder(Path(sys.prefix)) / "strokeplane", *given],
        cwd=folder,
        env={**os.environ, "STROKEPLANE_HOME": str(folder / "home")},
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    assert running.stderr
    try:
        address = re.search(r"http://\S+", running.stderr.readline())
        assert address
        yield address[0], running
    finally:
        if running.poll() is None:
            running.kill()
        running.wait()
        running.stderr.close()


class Player:
    """Presses the pedal whenever the page offers to go on, rates with 0 (discomfort would end it), and keeps it."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.seen: list[dict[str, Any]] = []

    def read(self) -> dict[str, Any]:
        now = self.page.evaluate(READ)
        if not self.seen or now != self.seen[-1]:
            self.seen.append(now)
        return now

    def play_until(self, step: str, where: str = "") -> None:
        deadline = time.monotonic() + 5 * PATIENCE_S  # The gestures of an evening, perhaps.
        while (now := self.read())["step"] != step or where not in now["where"]:
            assert time.monotonic() < deadline, f"still {now}"
            if now["rating"]:
                self.page.keyboard.press("0")
            elif now["pedal"] == "next":
                self.page.keyboard.press("PageDown")
                # Presses that follow each other faster are one press of a pedal that bounces.
                self.page.wait_for_timeout(150)
            self.page.wait_for_timeout(60)

    def rate_until_changes(self) -> None:
        """Answer what is asked, and wait for the table of the drill's string changes."""
        deadline = time.monotonic() + PATIENCE_S
        while not (now := self.read())["changes"]:
            assert time.monotonic() < deadline, f"still {now}"
            if now["rating"]:
                self.page.keyboard.press("0")
            self.page.wait_for_timeout(60)


def test_a_session_from_connecting_to_the_report_without_a_mouse(browser: Any, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    words = ("plan.toml", "--source", "simulated", "--speed", 6, "--clumsy", "across")
    with (
        program(tmp_path, *words) as (address, running),
        open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch),
    ):
        page.goto(address)
        wait_until(page, "document.documentElement.dataset.ready === 'yes'")
        player = Player(page)
        player.play_until("ready")
        check_gestures(player.seen)

        # Another page sees the same; when both are closed the recording goes on.
        with open_page(browser) as (second, _):
            second.goto(address)
            wait_until(second, "document.getElementById('stage').dataset.step === 'ready'")
            assert second.locator("h1").text_content() == page.locator("h1").text_content()
        page.goto("about:blank")
        page.goto(address)
        wait_until(page, "document.getElementById('stage').dataset.step === 'ready'")

        # The first block goes by itself; the second is stopped by the pedal.
        player.play_until("rest", "Block 2 of 2")
        player.rate_until_changes()
        check_changes(player.seen)
        player.play_until("play", "Block 2 of 2")
        wait_until(page, "document.getElementById('tilt-number').textContent.includes('°')")
        assert page.locator("#target-line .text").text_content() != ""
        page.keyboard.press("Space")
        player.play_until("rest")
        wait_until(page, "!document.getElementById('verdict').hidden")
        assert len(page.locator("#verdict-sentence").text_content()) > 20
        player.play_until("play", "Block 2 of 2")  # by ratings and the pedal
        assert any(each["rating"] for each in player.seen)

        page.keyboard.press("h")
        wait_until(page, "document.getElementById('stage').dataset.step === 'hurt'")
        assert "clinician" in page.locator("#hurt").inner_text()
        assert page.locator("#commands button[data-command=next]:visible").count() == 0
        page.keyboard.press("e")
        page.keyboard.press("e")
        wait_until(page, "document.getElementById('stage').dataset.step === 'done'")
        assert watch.errors == []
        # The pedal alone: the report, then the end of the program. The report stays, and the recording is whole.
        page.keyboard.press("PageDown")
        report = page.frame_locator("#report-frame")
        assert "clear" in report.locator("h1").first.text_content()
        assert watch.errors == []
        check_recording(tmp_path / "evening.mcap")
        read_and_close(page)
        wait_until(page, "document.getElementById('offline').textContent.startsWith('The program is closed')")
        assert running.wait(PATIENCE_S) == 0


def read_and_close(page: Any) -> None:
    """Turn the report's pages with the pedal to its end, and close the program there."""
    first = "document.querySelector('#commands button[data-first=true]:not([hidden]) span')?.textContent ?? ''"
    deadline = time.monotonic() + PATIENCE_S
    # Where the machine stalls just at the end, a press is late enough to close it at once: then nothing is offered.
    while page.evaluate(first) not in ("Close the program", ""):
        assert time.monotonic() < deadline
        page.keyboard.press("PageDown")
        page.wait_for_timeout(150)
    page.wait_for_timeout(1600)
    page.keyboard.press("PageDown")


def check_gestures(seen: list[dict[str, Any]]) -> None:
    """All five and the side check were done; the one that was poor was said to be, with the reason, and done again."""
    titles = list(dict.fromkeys(each["title"] for each in seen if each["step"] == "gestures" and each["phase"]))
    assert len([title for title in titles if title != "Once more"]) == 6
    poor = [each for each in seen if each["phase"] == "poor"]
    assert len(poor) == 1
    assert poor[0]["quality"].startswith("✕")
    running = "".join(each["quality"] for each in seen if each["phase"] in ("running", "judging"))
    for words in ("still enough", "to and fro", "straight", "first way of rocking"):
        assert words in running


def check_changes(seen: list[dict[str, Any]]) -> None:
    """After the drill its table was shown: four string pairs, all after the upstroke, which clears."""
    tables = [each for each in seen if each["changes"]]
    assert tables
    rows = [line.split("\t") for line in tables[-1]["changes"].splitlines() if "stroke" in line]
    assert [row[0].strip()[:5] for row in rows] == ["2 → 3", "3 → 2", "3 → 4", "4 → 3"]
    assert {row[1] for row in rows} == {"upstroke"}
    assert sum(int(row[2]) for row in rows) >= 25
    assert sum(int(row[3]) for row in rows) <= 2
    assert "touched" in tables[-1]["more"] or "Weakest change" in tables[-1]["more"]


def check_recording(path: Path) -> None:
    """What the page led through stands in the file: a whole block, one stopped, one that pain ended, ratings."""
    events = read_session(path).events
    kinds = [event.kind for event in events]
    plays = [event for event in events if event.kind == "play"]
    assert [kind for kind in kinds if kind in ("across", "along", "pivot")] == ["across", "along", "pivot"]
    assert [play.posture for play in plays] == ["low"] * 3
    assert plays[0].end_s - plays[0].start_s == pytest.approx(16 * 0.6, abs=1.0)
    assert max(play.end_s - play.start_s for play in plays[1:]) < 290.0
    assert {(event.label, event.rating) for event in events if event.kind == "rating"} == {
        ("tension", 0.0),
        ("discomfort", 0.0),
    }
    assert kinds.index("hurt") > kinds.index("rating")
    assert path.with_suffix(".html").exists()


def test_a_sensor_that_is_pulled_out_is_missed_and_taken_up_again(browser: Any, tmp_path: Path) -> None:
    """A board behind a pseudo terminal, in real time. That it takes no more than a second, test_live_parts proves."""
    counts = counts_of(*resting(4.0))
    board = PtyBoard(Board(counts), str(tmp_path / "port"))
    try:
        with program(tmp_path, "--source", board.port) as (address, _), open_page(browser) as (page, watch):
            page.goto(address)
            wait_until(page, "document.getElementById('stage').dataset.step === 'setup'")
            wait_until(page, "document.getElementById('sensor-line').dataset.status === 'ok'")
            assert not page.locator("#lost").is_visible()
            board.unplug()
            wait_until(page, "!document.getElementById('lost').hidden")
            assert "cable" in page.locator("#lost").text_content()
            assert page.locator("#sensor-words").text_content() == "Sensor is silent"
            board.plug()
            wait_until(page, "document.getElementById('lost').hidden")
            assert page.locator("#sensor-words").text_content() == "Sensor is sending"
            assert watch.errors == []
    finally:
        board.close()
