"""An evening of switching in the browser: gestures, a switch block with two postures, its marks, the report, and the
next evening's plan, which ``strokeplane next`` makes, too."""

from __future__ import annotations

import contextlib
import itertools
import json
import re
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from logger.cli import cli
from logger.practice.plan import parse_plan, read_plan
from logger.session.session_file import read_session
from tests.browser import find_violations, open_chromium, open_page, wait_until
from tests.logger.live.test_page_session import Player, program, read_and_close
from tests.patience import PATIENCE_S

pytestmark = pytest.mark.browser

SWITCHES = 6
REPEATS = 5
"""Of eight notes, so that twelve strokes that change no string are left where the player comes into place late."""
PAIR = """
[[block]]
posture = "{posture}"
tempo_bpm = 96
notes_per_beat = 4
drill = "{drill}"
repeats = {repeats}
count_in_beats = {count_in}
rest_beats = {rest}
wanted = "{wanted}"
"""
LAST = """
[[block]]
posture = "low"
tempo_bpm = 96
notes_per_beat = 4
drill = "4x2 3x2 2x2 3x2"
repeats = 1
count_in_beats = 0
"""
# All that the page shows, however briefly.
WATCH = """(() => { window.seen = [];
const tell = () => { const stage = document.getElementById('stage')?.dataset ?? {};
    const told = document.getElementById('announce');
    const row = [stage.step, stage.switching, told && !told.hidden ? told.textContent : '',
        document.getElementById('notes')?.textContent, document.getElementById('title')?.textContent];
    const last = window.seen.at(-1);
    if (JSON.stringify(last) !== JSON.stringify(row)) window.seen.push(row); };
new MutationObserver(tell).observe(document, { subtree: true, childList: true, attributes: true });
})()"""


def plan_text(pairs: int) -> str:
    blocks = []
    for number in range(2 * pairs):
        first = number % 2 == 0
        drill = "4x2 3x2 2x2 3x2" if first else "up 4x2 3x2 2x2 3x2"
        posture, wanted = ("low", "up") if first else ("high", "down")
        count_in = 4 if number == 0 else 0
        blocks.append(
            PAIR.format(posture=posture, drill=drill, repeats=REPEATS, count_in=count_in, rest=1, wanted=wanted)
        )
    return 'name = "An invented evening"\n' + "".join(blocks) + LAST


def test_an_evening_of_switching(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(plan_text(SWITCHES // 2), encoding="utf-8")
    words = ("plan.toml", "--source", "simulated", "--speed", 4)
    run(tmp_path, "start", "--name", "an invented player", "--handed", "right", "--no-demo")
    with (
        open_chromium() as browser,
        program(tmp_path, *words) as (address, running),
        open_page(browser, viewport={"width": 390, "height": 844}, color_scheme="dark") as (page, watch),
    ):
        page.add_init_script(WATCH)
        page.goto(address)
        wait_until(page, "document.documentElement.dataset.ready === 'yes'")
        player = Player(page)
        player.play_until("ready")
        page.keyboard.press("PageDown")
        wait_until(page, "window.seen.some(([step]) => step === 'play')")
        assert find_violations(page) == []
        follow_to_rest(page)
        seen = page.evaluate("window.seen")
        page.keyboard.press("e")
        page.keyboard.press("e")
        wait_until(page, "document.getElementById('stage').dataset.step === 'done'")
        assert watch.errors == []
        page.wait_for_timeout(1500)
        assert "Recording ended" in page.locator("#sensor-line").inner_text(), "a sensor that was let go is no fault"
        assert "No samples are coming" not in page.locator("body").inner_text()
        wait_until(page, "document.getElementById('tomorrow-reasons').innerText.includes('BPM')")
        reasons = page.locator("#tomorrow-reasons").inner_text()
        assert find_violations(page) == []
        page.keyboard.press("ArrowLeft")
        wait_until(page, "document.getElementById('tomorrow-saved').textContent.includes('evening-next.toml')")
        page.keyboard.press("PageDown")
        read_and_close(page)
        assert running.wait(PATIENCE_S) == 0
    check_next_evening(tmp_path, reasons)
    assert any(step == "play" and re.fullmatch("[0-9]+, [0-9]+", notes) for step, _, _, notes, _ in seen)
    told = [words for _, _, words, _, _ in seen if words]
    assert "Next: posture high" in told
    assert "Next: posture low" in told
    assert not any(title == "Rest" for step, switching, _, _, title in seen if switching == "true")
    check_evening(tmp_path / "evening.mcap")


def run(folder: Path, *words: str) -> str:
    """Run a command in a folder; what it prints."""
    with contextlib.chdir(folder):
        done = CliRunner().invoke(cli, words, env={"STROKEPLANE_HOME": str(folder / "home")}, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


def check_next_evening(folder: Path, reasons: str) -> None:
    """The plan that was saved is the one that was shown, can be played, and is what ``next`` makes of the evening."""
    saved = read_plan(folder / "evening-next.toml")
    assert {block.posture for block in saved.blocks if block.kind == "play"} <= {"low", "high"}
    assert saved.play_s <= 60 * 5.0 + 20.0, "five minutes at most after so short an evening"
    assert "Posture" in reasons
    assert "BPM" in reasons
    assert parse_plan(run(folder, "next", "--player", "an invented player"), "kept") == saved
    assert parse_plan(run(folder, "next", "evening.mcap"), "again") == saved, "the same evening counts once"
    kept = json.loads((folder / "home" / "evenings.json").read_text(encoding="utf-8"))
    (evening,) = kept["player"]["an invented player"]
    assert date.fromisoformat(evening["day"]) <= datetime.now().date()
    assert "cannot" not in run(folder, "plan", "check", "evening-next.toml")


def follow_to_rest(page: Any) -> None:
    """Touch nothing until the plan is over."""
    wait_until(page, "!document.getElementById('rating').hidden")


def check_evening(path: Path) -> None:
    """Switches came on the beat; gestures once a posture; most of the time between first and last note was play."""
    session = read_session(path)
    plays = [event for event in session.events if event.kind == "play"]
    assert [event.posture for event in plays] == ["low", "high"] * (SWITCHES // 2) + ["low"]
    beat_s = 60.0 / 96.0
    for before, after in itertools.pairwise(plays):
        assert after.start_s - before.start_s == pytest.approx((2 * REPEATS + 1) * beat_s, abs=0.03)
    kinds = [(event.kind, event.posture) for event in session.events if event.kind in ("across", "along", "pivot")]
    once = [("along", "low"), *itertools.product(("across", "pivot"), ("low", "high"))]
    assert sorted(kinds) == sorted(once)
    played_s = sum(event.end_s - event.start_s for event in plays)
    assert played_s / (plays[-1].end_s - plays[0].start_s) > 0.8


def test_practice_without_a_sensor(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(plan_text(4), encoding="utf-8")
    with (
        open_chromium() as browser,
        program(tmp_path, "plan.toml", "--source", "none") as (address, running),
        open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch),
    ):
        page.add_init_script(WATCH)
        page.goto(address)
        wait_until(page, "document.getElementById('stage').dataset.step === 'setup'")
        page.keyboard.press("PageDown")
        wait_until(page, "document.getElementById('stage').dataset.step === 'ready'")
        page.keyboard.press("PageDown")
        # A switch: from block to block tab and title stay, and nobody has to be quick to see them.
        wait_until(page, "window.seen.some(([step]) => step === 'play')")
        assert page.locator("#tab-view").is_visible()
        assert page.locator("#title").is_visible()
        assert page.locator("#figures").is_hidden()
        wait_until(page, "window.seen.some(([, , told]) => told === 'Next: posture high')")
        page.keyboard.press("e")
        page.keyboard.press("e")
        wait_until(page, "document.getElementById('stage').dataset.step === 'done'")
        assert re.search("would add the tilt", page.locator("#words").inner_text())
        page.keyboard.press("PageDown")
        assert running.wait(PATIENCE_S) == 0
        assert watch.errors == []
    assert not list(tmp_path.glob("*.mcap"))
