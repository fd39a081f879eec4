"""The live page in a real browser, its server played by the test: keys, states, links, sound, every reader."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from logger.guide.shown import GestureLive, Key
from logger.live.commands import Choose, Rate, Simple
from logger.live.protocol import ChangeTold, Notes, Pulse, Refused, Trace
from tests.browser import find_violations, open_chromium, open_page, wait_for_frame, wait_until
from tests.house.test_house import ROOT
from tests.logger.live.page_stage import OK, WATCH_TRIPS, PageStage, block, open_stage, scenes, strokes, unsure_s
from tests.patience import wait_for

pytestmark = pytest.mark.browser

PEDAL = ["Space", "Enter", "ArrowRight", "ArrowDown", "PageDown"]
COUNTING = (Key("again", "Count up"), Key("rate", "0 to 10"), Key("skip", "No answer"), Key("hurt", "Something hurts"))
BACK = ["ArrowLeft", "ArrowUp", "PageUp", "Backspace"]
SEES_ALL = (
    "document.querySelector('main').scrollHeight <= document.querySelector('main').clientHeight"
    " && document.documentElement.scrollHeight <= innerHeight"
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with open_chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def running_stage() -> Iterator[PageStage]:
    with open_stage() as stage:
        yield stage


@pytest.fixture
def stage(running_stage: PageStage) -> PageStage:
    running_stage.commands.clear()
    running_stage.state = None
    return running_stage


def opened(page: Any, stage: PageStage, scene: str) -> Any:
    show(stage, scene)
    page.goto(stage.url)
    wait_until(page, "document.documentElement.dataset.ready === 'yes'")
    return page


def mute(page: Any) -> None:
    """Switch the click off: a page that may not sound yet asks for a key after a second, and that takes room."""
    page.keyboard.press("m")


def show(stage: PageStage, scene: str) -> int:
    """Send a scene; its step's number."""
    return stage.show(scenes(stage.now_s())[scene]).step_number


def wait_for_step(page: Any, stage: PageStage) -> None:
    """Wait until the page shows the stage's state: scenes of one step differ in their title."""
    assert stage.state
    wait_until(page, f"document.getElementById('stage').dataset.step === '{stage.state.step}'")
    wait_until(page, f"document.querySelector('h1').textContent === {json.dumps(stage.state.title)}")


@pytest.mark.parametrize(
    ("width", "height", "theme", "looked_into"),
    [
        (
            1366,
            768,
            "light",
            ("setup", "setup_phone", "pivot", "poor", "ready", "play", "rest", "rating", "hurt", "done"),
        ),
        (390, 844, "dark", ("setup", "setup_phone", "poor", "rest", "rating", "lost", "hurt")),
    ],
)
def test_every_step_is_whole_without_error_fault_or_stranger(
    browser: Any, stage: PageStage, width: int, height: int, theme: str, looked_into: tuple[str, ...]
) -> None:
    with open_page(browser, viewport={"width": width, "height": height}, color_scheme=theme) as (page, watch):
        mute(opened(page, stage, "connect"))
        for scene, each in scenes(stage.now_s()).items():
            stage.show(each)
            if scene in ("play", "lost"):
                stage.push(strokes([22.0, 18.0, 12.0, 25.0], stage.now_s()))
                stage.push(Trace(stage.now_s(), ((0.0, 0.0), (1.0, 0.5), (2.0, 1.0))))
            wait_until(page, f"document.querySelector('h1').textContent === {json.dumps(each.title)}")
            assert page.locator("#stage").get_attribute("data-step") == each.step
            assert page.evaluate("document.documentElement.scrollWidth") <= width, scene
            if width > 1000 or each.step == "play" or scene == "rating":
                wait_until(page, SEES_ALL)  # A scene may share its title with the one before, and still be drawn.
            if scene in looked_into:
                assert find_violations(page) == [], scene
        assert watch.errors == []
        assert [url for url in watch.requests if not re.match(r"(http|ws)://127\.0\.0\.1:\d+/", url)] == []


def test_the_phone_is_offered_until_it_sends(browser: Any, stage: PageStage) -> None:
    with open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch):
        opened(page, stage, "setup_phone")
        assert page.locator("#phone").is_visible()
        wait_until(page, "document.getElementById('phone-picture').naturalWidth > 100")
        assert "camera" in page.locator("#phone-words").text_content()
        assert "certificate" in page.locator("#phone-warning").text_content()
        assert page.locator("#instrument-words").text_content() == "Instrument: nothing yet"
        show(stage, "ready_phone")
        wait_for_step(page, stage)
        assert page.locator("#phone").is_hidden()
        assert page.locator("#instrument-words").text_content() == "Instrument, 59 a second"
        show(stage, "setup")
        wait_for_step(page, stage)
        assert page.locator("#phone").is_hidden()
        assert page.locator("#instrument-line").is_hidden()
        assert watch.errors == []


def test_the_options_and_keys_have_no_fault(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, watch):
        opened(page, stage, "ready").keyboard.press("?")
        assert page.locator("#options").is_visible()
        assert find_violations(page) == []
        page.keyboard.press("Escape")
        assert not page.locator("#options").is_visible()
        assert watch.errors == []


def test_help_documentation_and_page_tell_the_same_keys(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        table = page.evaluate("import('/static/words.js').then(m => m.KEYS)")
        shown = page.evaluate(
            "[...document.querySelectorAll('#key-table tbody tr')].map(r => [...r.cells].map(c => c.textContent))"
        )
    told = [[entry["names"], entry["help"]] for entry in table]
    assert shown == told
    keys = [key for entry in table for key in entry["keys"]]
    assert len(keys) == len(set(keys))
    documented = re.findall(r"^\| (.+?) \| (.+?) \|$", section("Keys"), re.MULTILINE)[2:]
    assert [list(row) for row in documented] == told
    # Every name in the list is a key in the table: "Space", "Page down", "P", "0 to 9".
    spoken = {" ": "space", "ArrowRight": "right", "ArrowDown": "down", "ArrowLeft": "left", "ArrowUp": "up"}
    for entry in table:
        for key in entry["keys"]:
            if not key.isdecimal():
                name = spoken.get(key, re.sub(r"(?<=[a-z])(?=[A-Z])", " ", key)).lower()
                assert name in entry["names"].lower(), (key, entry["names"])


def section(title: str) -> str:
    text = (ROOT / "docs" / "live.md").read_text(encoding="utf-8")
    found = re.search(rf"^## {title}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found
    return found[1]


def test_every_key_of_a_pedal_goes_on_and_back(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        for keys, name in ((PEDAL, "next"), (BACK, "again")):
            for key in keys:
                resting = scenes(stage.now_s())["rest"]
                number = stage.show(replace(resting, title=f"Rest before {key}")).step_number
                wait_for_step(page, stage)
                page.keyboard.press(key)
                stage.wait_for_command(lambda c, n=number, name=name: c == Simple(name, n))
        assert len(stage.commands) == len(PEDAL) + len(BACK)


def test_a_key_held_down_is_one_press(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        for _ in range(5):
            page.keyboard.down("PageDown")
        page.keyboard.up("PageDown")
        stage.wait_for_command(lambda c: c.name == "next")
        page.wait_for_timeout(100)
        assert len(stage.commands) == 1


def test_a_pedal_that_bounces_is_one_press(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rating")
        press_quickly(page, "PageUp", 3, every_ms=20)
        stage.wait_for_command(lambda c: c.name == "again")
        page.wait_for_timeout(150)
        assert len(stage.commands) == 1
        page.keyboard.press("PageUp")
        stage.wait_for_command(lambda c: len(stage.commands) == 2)


def press_quickly(page: Any, key: str, times: int, every_ms: float) -> None:
    """Press a key several times, so far apart by the browser's own stamps, however late the test or the page is."""
    page.evaluate(
        """([key, times, every_ms]) => {
            const begun = performance.now();
            for (let k = 0; k < times; k += 1) {
                const press = new KeyboardEvent('keydown', { key });
                Object.defineProperty(press, 'timeStamp', { value: begun + k * every_ms });
                document.dispatchEvent(press);
            }
        }""",
        [key, times, every_ms],
    )


def test_what_is_not_offered_is_not_sent_and_the_end_wants_two_presses(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "hurt")
        for key in [*PEDAL, *BACK, "p", "s", "5"]:
            page.keyboard.press(key)
        page.keyboard.press("e")
        assert "once more" in page.locator("#refused").text_content()
        assert stage.commands == []
        page.keyboard.press("e")
        assert stage.wait_for_command(lambda c: True).name == "finish"


def test_a_rating_is_one_key(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rating")
        assert page.locator("#rating").is_visible()
        for key, value in (("0", 0), ("7", 7), ("x", 10), ("X", 10)):
            stage.commands.clear()
            page.keyboard.press(key)
            assert stage.wait_for_command(lambda c: True) == Rate(value, stage.state.step_number)


def test_the_first_command_offered_is_the_pedals(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rating")
        assert page.locator("#commands button[data-first=true] kbd").text_content() == "Space"
        page.keyboard.press("Space")
        assert stage.wait_for_command(lambda c: True).name == "next"


def test_a_pedal_counts_up_and_accepts(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rating")
        page.keyboard.press("PageUp")
        number = stage.wait_for_command(lambda c: c.name == "again").seen
        rating = replace(scenes(0.0)["rating"].rating, counted=4)
        stage.show(replace(scenes(stage.now_s())["rating"], rating=rating, keys=(Key("next", "Accept 4"), *COUNTING)))
        wait_until(page, "document.querySelector('#commands [data-first=true] span').textContent === 'Accept 4'")
        assert page.locator("#rating-keys [aria-pressed=true]").all_inner_texts() == ["4"]
        page.keyboard.press("PageDown")
        assert stage.wait_for_command(lambda c: c.name == "next").seen > number


def test_hurt_is_always_possible(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "setup")
        for scene in ("setup", "pivot", "count_in", "play", "rest", "rating"):
            show(stage, scene)
            wait_for_step(page, stage)
            stage.commands.clear()
            page.keyboard.press("h")
            assert stage.wait_for_command(lambda c: True).name == "hurt"
        page.keyboard.press("?")
        stage.commands.clear()
        page.keyboard.press("h")
        assert stage.wait_for_command(lambda c: True).name == "hurt"


def test_a_slip_is_taken_back_with_the_left_pedal_below_the_strictest_words(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rating")
        show(stage, "slip")
        wait_for_step(page, stage)
        said = page.locator("#hurt p").all_text_contents()
        assert "see a clinician" in " ".join(said[:-1])
        assert "finger slipped" in said[-1]
        stage.commands.clear()
        page.keyboard.press("ArrowLeft")
        assert stage.wait_for_command(lambda c: True).name == "again"


def test_hurt_shows_the_words_and_offers_no_going_on(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "play")
        show(stage, "hurt")
        wait_for_step(page, stage)
        assert "see a clinician" in page.locator("#hurt").text_content()
        offered = "b => b.map(e => e.dataset.command)"
        assert page.locator("#commands button:visible").evaluate_all(offered) == ["finish"]
        assert page.locator("#words").inner_text().count("Stop playing.") == 1
        for key in PEDAL:
            page.keyboard.press(key)
        page.keyboard.press("s")
        page.keyboard.press("e")
        page.keyboard.press("e")
        assert stage.wait_for_command(lambda c: True).name == "finish", "no other key was a command"
        assert len(stage.commands) == 1


def test_buttons_do_what_their_keys_do_and_leave_the_pedal_free(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rest")
        page.locator("#commands button[data-command=again]").click()
        assert stage.wait_for_command(lambda c: True).name == "again"
        stage.commands.clear()
        page.keyboard.press("Space")
        assert stage.wait_for_command(lambda c: True).name == "next"
        # With the keyboard alone a button keeps the focus, and space presses it.
        stage.commands.clear()
        page.locator("#commands button[data-command=pause]").focus()
        page.keyboard.press("Space")
        assert stage.wait_for_command(lambda c: True).name == "pause"
        outline = "getComputedStyle(document.activeElement).outlineStyle"
        assert page.evaluate(outline) == "solid"


def test_choices_are_made_and_shown(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "setup")
        page.locator("#choose-instrument").select_option("mandolin")
        number = stage.state.step_number
        assert stage.wait_for_command(lambda c: c == Choose("instrument", "mandolin", number))
        assert page.locator("#choose-heights_mm").count() == 0
        page.locator("#choose-truer").select_option("yes")
        assert stage.wait_for_command(lambda c: c == Choose("truer", "yes", stage.state.step_number))
        stage.show(replace(stage.state, setup=replace(stage.state.setup, truer="yes")))
        page.locator("#choose-heights_mm").fill("11.5 12")
        page.keyboard.press("Tab")
        assert stage.wait_for_command(lambda c: c == Choose("heights_mm", "11.5 12", stage.state.step_number))
        page.locator("#choose-tempo_bpm").fill("96")
        page.keyboard.press("Tab")
        assert stage.wait_for_command(lambda c: c == Choose("tempo_bpm", "96", stage.state.step_number))
        assert page.locator("#choices label").all_text_contents()[:3] == ["Player", "Picking hand", "Instrument"]
        show(stage, "ready")
        wait_for_step(page, stage)
        assert not page.locator("#choices").is_visible()  # a plan decides
        show(stage, "setup_planned")
        wait_for_step(page, stage)
        assert page.locator("#choices label").all_text_contents() == [
            "Player",
            "Picking hand",
            "Instrument",
            "Two minutes for a truer answer",
        ]


def test_a_bad_gesture_says_what_to_do_and_never_hertz(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "poor")
        words = page.locator("#words").inner_text()
        assert "Longer moves, please" in words
        assert "4 of 8" in words
        assert "too slow" in words
        assert page.locator("#quality-sentence .mark").text_content() == "✕"
        for scene in ("prepare", "pivot", "poor"):
            show(stage, scene)
            wait_for_step(page, stage)
            assert not re.search(r"\bHz\b|hertz", page.content(), re.IGNORECASE)


@pytest.mark.parametrize(("cycles", "words"), [(None, "0 of 6"), (5.9, "5 of 6"), (6.0, "6 of 6"), (8.5, "6 of 6")])
def test_the_count_of_a_gesture_stops_at_enough(
    browser: Any, stage: PageStage, cycles: float | None, words: str
) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "poor")
        stage.push(GestureLive("across", None, "Go on.", cycles=cycles, cycles_wanted=6.0))
        wait_until(page, "document.getElementById('quality-sentence').innerText.includes('Go on.')")
        assert page.locator("#quality b").all_inner_texts() == [words]


def test_play_is_told_in_figures_words_and_marks(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        page.add_init_script(WATCH_TRIPS)
        opened(page, stage, "play")
        for tilts, number, side, target in (
            ([20.0, 22.0], "21°", "downstroke clears", "● on target"),
            ([9.0, 9.0], "9°", "too flat: clears neither way", "▲ tilt more"),
            ([50.0, 50.0], "50°", "downstroke clears", "● on target"),
            ([-20.0, -20.0], "\u221220°", "upstroke clears", "◆ the other way"),
            ([3.0, 3.0], "3°", "too flat: clears neither way", "▲ tilt more"),
        ):
            stage.push(strokes(tilts, stage.now_s()))
            wait_until(page, f"document.getElementById('tilt-number').textContent === '{number}'")
            assert page.locator("#tilt-side").text_content() == side
            assert side in page.locator("#end-view").get_attribute("aria-label")
            assert page.locator("#target-line").inner_text().replace("\n", " ") == target
        stage.push(Pulse(stage.now_s(), 65.0, 26000, 12, 0.0))
        wait_until(page, "document.getElementById('losses').textContent === '12'")
        assert page.locator("#recorded").text_content() == "1:05 recorded"
        end_s = stage.now_s() + 600.0
        playing = scenes(stage.now_s())["play"]
        running = block(starts_server_s=end_s - 630.0, ends_server_s=end_s)
        stage.show(replace(playing, title="Play on", block=running))
        assert left_off(page, stage, "time-words", end_s) < 0.3 + unsure_s(page, 1.0)
        assert re.fullmatch(r"\d+:\d\d left", page.locator("#time-words").text_content())


def drawn(page: Any) -> int:
    """How many dots of the picture have ink of the two accents."""
    return page.evaluate(
        """() => { const c = document.getElementById('end-view');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0;
        for (let k = 0; k < d.length; k += 4) if (d[k + 3] > 200 && Math.abs(d[k] - d[k + 2]) > 60) n += 1;
        return n; }"""
    )


def test_a_borrowed_tilt_says_whose_gestures_measure_it(browser: Any, stage: PageStage) -> None:
    with open_page(browser, viewport={"width": 390, "height": 844}) as (page, _):
        mute(opened(page, stage, "play"))
        stage.push(replace(strokes([22.0, 24.0], stage.now_s()), borrowed_from="low"))
        side = "document.getElementById('tilt-side').textContent"
        wait_until(page, f"{side}.endsWith('clears, by the gestures of posture low')")
        assert page.evaluate(SEES_ALL)


def test_the_picture_shows_strokes_and_forgets_them_with_a_new_block(browser: Any, stage: PageStage) -> None:
    with open_page(browser, viewport={"width": 1366, "height": 768}, color_scheme="light") as (page, _):
        opened(page, stage, "count_in")
        wait_for_frame(page)
        empty = drawn(page)
        show(stage, "play")
        wait_for_step(page, stage)
        stage.push(strokes([22.0, 24.0, 26.0, 28.0], stage.now_s()))
        wait_until(page, "document.getElementById('tilt-number').textContent === '25°'")
        wait_for_frame(page)
        assert drawn(page) > empty + 300
        show(stage, "count_in")
        wait_for_step(page, stage)
        wait_for_frame(page)
        assert drawn(page) <= empty + 50


def test_the_verdict_is_a_sentence_with_its_numbers(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        page.add_init_script(WATCH_TRIPS)
        opened(page, stage, "rest")
        words = page.locator("#words").inner_text()
        for piece in (
            "The downstroke cleared the strings",
            "94 %",
            "21° (20° to 23°)",
            "Next: Posture high",
        ):
            assert piece in words
        rows = page.locator("#changes tbody tr").all_inner_texts()
        assert [re.split(r"\s*\t\s*", row) for row in rows] == [
            ["3 → 4", "downstroke", "23", "1", "0"],
            ["4 → 3\n◆ weakest", "upstroke", "2", "22", "1"],
        ]
        assert "after an upstroke, cleared 2 of 24 times" in words
        end_s = stage.now_s() + 600.0
        resting = scenes(stage.now_s())["rest"]
        rest = replace(resting.rest, seconds=630.0, ends_server_s=end_s, left_s=600.0)
        stage.show(replace(resting, title="Rest on", rest=rest))
        assert left_off(page, stage, "time-words", end_s) < 0.3 + unsure_s(page, 1.0)
        assert re.fullmatch(r"Rest: \d+:\d\d left", page.locator("#time-words").text_content())


def test_without_a_drill_there_is_no_table_of_changes(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "rest_long")
        assert not page.locator("#changes").is_visible()


def test_the_link_comes_back_by_itself_and_nothing_is_sent_late(browser: Any) -> None:
    with open_stage() as stage, open_page(browser) as (page, _):
        opened(page, stage, "play")
        stage.shut()
        wait_until(page, "!document.getElementById('offline').hidden")
        assert "keeps trying" in page.locator("#offline").text_content()
        page.keyboard.press("Space")
        stage.state = scenes(stage.now_s())["rest"]
        stage.open()
        wait_until(page, "document.getElementById('stage').dataset.step === 'rest'")
        assert not page.locator("#offline").is_visible()
        page.wait_for_timeout(200)
        assert stage.commands == []
        page.keyboard.press("Space")
        assert stage.wait_for_command(lambda c: True).name == "next"


def test_a_server_with_nothing_to_say_is_not_taken_for_a_dead_one(browser: Any) -> None:
    with open_stage() as stage, open_page(browser) as (page, _):
        opened(page, stage, "done")
        page.wait_for_timeout(4500)
        assert stage.connections == 1
        stage.deaf = True
        wait_for(lambda: stage.connections > 1)  # One that fell asleep is opened anew.


def test_two_tabs_see_the_same(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (one, _), open_page(browser) as (two, _):
        opened(one, stage, "ready")
        opened(two, stage, "ready")
        show(stage, "play")
        stage.push(strokes([20.0, 22.0], stage.now_s()))
        for page in (one, two):
            wait_until(page, "document.getElementById('tilt-number').textContent === '21°'")
        one.keyboard.press("Space")
        two.keyboard.press("Space")
        stage.wait_for_command(lambda c: len(stage.commands) == 2)
        # Both saw the same step, so the program can count them once.
        assert stage.commands[0] == stage.commands[1]


def test_a_silent_sensor_is_shown_with_what_to_do(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "play")
        assert not page.locator("#lost").is_visible()
        show(stage, "lost")
        wait_until(page, "document.getElementById('lost').textContent.startsWith('No samples')")
        assert page.locator("#sensor-words").text_content() == "Sensor is silent"
        show(stage, "play")
        wait_until(page, "document.getElementById('lost').hidden")
        stage.push(Refused("There is nothing to repeat yet."))
        wait_until(page, "document.getElementById('refused').textContent.startsWith('There is nothing')")


def test_the_report_opens_from_the_pedal(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "done")
        assert page.locator("#report-link").get_attribute("href") == "/report"
        buttons = page.locator("#commands button:visible span").all_text_contents()
        assert buttons == ["Open the report", "Save the plan for the next evening", "Close the program"]
        page.keyboard.press("e")
        page.keyboard.press("e")
        assert stage.wait_for_command(lambda c: True).name == "next"


def shown_keys(page: Any) -> list[str]:
    return list(page.locator("#commands button:visible span").all_text_contents())


def test_the_pedal_reads_the_report_to_its_end_and_back(browser: Any, stage: PageStage) -> None:
    """Also after a click into the report, whose frame has no origin of its own."""
    stage.report_lines = 120
    with open_page(browser, viewport={"width": 1024, "height": 700}) as (page, watch):
        opened(page, stage, "done")
        page.keyboard.press("PageDown")
        frame = page.frame_locator("#report-frame")
        frame.locator("h1").wait_for()
        wait_until(page, "document.querySelector('#commands [data-command=next] span').textContent === 'Read on'")
        assert shown_keys(page) == ["Read on", "Back", "Close the program"]
        first, last = frame.get_by_text("Line 0", exact=True), frame.get_by_text("Line 119", exact=True)
        presses = 0
        while shown_keys(page)[0] == "Read on":
            presses += 1
            assert presses < 30
            if presses == 2:
                frame.get_by_text(f"Line {10 * presses}", exact=True).click()
            turn(page, "PageDown")
        assert presses >= 4
        assert in_view(page, last)
        assert not in_view(page, first)
        assert stage.commands == []
        for _ in range(presses):
            turn(page, "PageUp")
        assert in_view(page, first)
        page.keyboard.press("PageUp")
        page.locator("#report-frame").wait_for(state="hidden")  # from its beginning back to where it was opened
        page.wait_for_timeout(120)
        assert shown_keys(page)[0] == "Open the report"
        page.keyboard.press("PageUp")
        assert stage.wait_for_command(lambda c: True).name == "again"
        assert watch.errors == []


def turn(page: Any, key: str) -> None:
    """Press a key that turns the report's page, and wait until it is turned."""
    report = page.frames[1]
    before = report.evaluate("scrollY")
    page.keyboard.press(key)
    wait_for(lambda: report.evaluate("scrollY") != before)
    # What the report says next is heard after what it said of its place.
    page.evaluate(
        "window.heard = false; addEventListener('message', ({ data }) => { window.heard ||= data === 'on'; })"
    )
    report.evaluate("parent.postMessage('on', '*')")
    wait_until(page, "window.heard")
    page.wait_for_timeout(120)  # No foot is as quick as a pedal's bounce.


def in_view(page: Any, line: Any) -> bool:
    """Whether a line of the report lies within its frame."""
    box, frame = line.bounding_box(), page.locator("#report-frame").bounding_box()
    return bool(frame["y"] <= box["y"] and box["y"] + box["height"] <= frame["y"] + frame["height"] + 1)


def test_the_next_evenings_plan_is_offered_with_its_reasons_and_saved_by_the_other_pedal(
    browser: Any, stage: PageStage
) -> None:
    with open_page(browser, viewport={"width": 390, "height": 844}) as (page, _):
        opened(page, stage, "done")
        shown = stage.state
        words = page.locator("#tomorrow").inner_text()
        assert "22:00 of play" in words
        assert words.count("BPM") >= 3
        assert find_violations(page) == []
        page.keyboard.press("ArrowLeft")
        assert stage.wait_for_command(lambda c: True).name == "again"
        assert shown is not None
        assert shown.report is not None
        assert shown.report.plan is not None
        saved = replace(shown.report, plan=replace(shown.report.plan, saved="Saved as evening-next.toml."))
        stage.show(replace(shown, keys=shown.keys[:1], report=saved))
        wait_until(page, "document.getElementById('tomorrow-saved').textContent.includes('evening-next')")


def test_the_pedal_opens_the_report_and_then_closes_the_program(browser: Any, stage: PageStage) -> None:
    stage.report_lines = 0
    with open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch):
        opened(page, stage, "done")
        press_quickly(page, "PageDown", 2, every_ms=200)
        frame = page.frame_locator("#report-frame")
        assert frame.locator("h1").text_content() == "The report"
        assert page.evaluate(SEES_ALL)
        assert find_violations(page, "#report-frame") == []
        assert page.locator("#commands button:visible span").all_text_contents() == ["Close the program", "Back"]
        page.wait_for_timeout(1600)
        assert stage.commands == [], "a press that bounces closes nothing"
        page.keyboard.press("PageDown")
        assert stage.wait_for_command(lambda c: True).name == "next"
        stage.shut()
        wait_until(page, "!document.getElementById('offline').hidden")
        assert "report are saved" in page.locator("#offline").text_content()
        assert frame.locator("h1").text_content() == "The report", "what was opened stays"
        assert page.locator("#commands button:visible").count() == 0, "nothing is left to press"
        stage.open()
        assert watch.errors == [] or all("ERR_CONNECTION_REFUSED" in words for words in watch.errors)


@pytest.mark.parametrize("pace", [1.0, 3.0])
def test_the_page_counts_as_quickly_as_the_session(browser: Any, pace: float) -> None:
    """Time passes first: a page's clock that ran at another pace would be seconds off by then."""
    with open_stage(pace) as stage, open_page(browser) as (page, _):
        page.add_init_script(WATCH_TRIPS)
        opened(page, stage, "ready")
        page.wait_for_timeout(1500)
        now_s = stage.now_s()
        end_s = now_s + 600.0 * pace
        scene = scenes(now_s)
        stage.show(replace(scene["count_in"], click=None, block=block(starts_server_s=end_s)))
        assert left_off(page, stage, "count", end_s) < 0.3 + unsure_s(page, pace)
        stage.show(replace(scene["play"], block=block(starts_server_s=now_s, ends_server_s=end_s)))
        for _ in range(3):
            page.wait_for_timeout(700)
            assert left_off(page, stage, "time-words", end_s) < 0.3 + unsure_s(page, pace)


def test_a_quickened_session_that_waited_is_caught_up_with(browser: Any) -> None:
    with open_stage(3.0) as stage, open_page(browser) as (page, _):
        page.add_init_script(WATCH_TRIPS)
        opened(page, stage, "ready")
        now_s = stage.now_s()
        stage.show(replace(scenes(now_s)["play"], block=block(starts_server_s=now_s, ends_server_s=now_s + 600.0)))
        page.wait_for_timeout(300)
        stage.waited_s = 20.0
        told = page.evaluate("window.trips_ms.length")
        wait_until(page, f"window.trips_ms.length > {told + 1}")  # The first may have been under way.
        assert left_off(page, stage, "time-words", now_s + 600.0) < 0.3 + unsure_s(page, 3.0)


def left_off(page: Any, stage: PageStage, place: str, end_s: float | None) -> float:
    """How far the seconds that the page shows, rounded up, are from the session's own: just before, just after."""
    assert end_s is not None
    wait_for_step(page, stage)
    before = end_s - stage.now_s()
    # What is written anew was written between the two looks at the clock, be the page as late as it may.
    page.evaluate(f"document.getElementById('{place}').textContent = ''")
    wait_until(page, f"document.getElementById('{place}').textContent !== ''")
    words = page.locator(f"#{place}").inner_text()
    after = end_s - stage.now_s()
    minutes, seconds = re.findall(r"\d+", f"0:{words}")[-2:]
    shown = 60 * int(minutes) + int(seconds)
    return max(after - shown, shown - 1 - before)


def hand_places(page: Any) -> int:
    """At how many places the hand of the gesture's picture stands over thirty frames: half a second, or more."""
    return page.evaluate(
        """new Promise(done => {
            const seen = new Set();
            let frames = 0;
            const look = () => {
                seen.add(document.querySelector('#gesture-picture g:last-of-type')?.getAttribute('transform') ?? '');
                frames += 1;
                if (frames < 30) requestAnimationFrame(look); else done(seen.size);
            };
            requestAnimationFrame(look);
        })"""
    )


def test_pictures_move_unless_less_motion_is_asked_for(browser: Any, stage: PageStage) -> None:
    for motion, moves in (("no-preference", True), ("reduce", False)):
        with open_page(browser, reduced_motion=motion) as (page, _):
            opened(page, stage, "setup")
            for scene in ("pivot", "poor"):
                show(stage, scene)
                wait_for_step(page, stage)
                wait_for_frame(page)
                places = hand_places(page)
                assert places > 3 if moves else places == 1
                assert page.locator("#gesture-picture .arrow").count() == int(not moves)


def test_colours_follow_the_computer_or_the_players_choice(browser: Any, stage: PageStage) -> None:
    paper = "getComputedStyle(document.documentElement).backgroundColor"
    with open_page(browser, color_scheme="dark") as (page, _):
        opened(page, stage, "ready")
        assert page.evaluate(paper) == "rgb(23, 25, 27)"
        page.keyboard.press("?")
        page.locator("#prefer-colours").select_option("light")
        assert page.evaluate(paper) == "rgb(253, 252, 248)"
        page.reload()
        wait_until(page, "document.documentElement.dataset.ready === 'yes'")
        assert page.evaluate(paper) == "rgb(253, 252, 248)"


def test_a_page_keeps_going_when_the_state_lacks_everything(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, watch):
        opened(page, stage, "connect")
        bare = scenes(stage.now_s())["play"]
        for step in ("ready", "count_in", "play", "rest", "hurt", "done"):
            stage.show(replace(bare, step=step, plan=None, block=None, click=None, keys=(), sensor=OK))
            wait_for_step(page, stage)
        stage.push(strokes([20.0], stage.now_s()))
        page.wait_for_timeout(100)
        assert watch.errors == []


def test_the_next_posture_is_announced_and_stays_through_the_switch(browser: Any, stage: PageStage) -> None:
    with open_page(browser, viewport={"width": 390, "height": 844}) as (page, _):
        mute(opened(page, stage, "play"))
        assert not page.locator("#announce").is_visible()
        for scene in ("play_drill", "switch"):
            show(stage, scene)
            wait_for_step(page, stage)
            wait_until(page, "document.getElementById('announce').textContent === 'Next: posture high'")
            assert page.locator("#announce").is_visible()
            assert "Hands down" not in page.locator("#words").inner_text()
            assert page.locator("#tab-view").is_visible()
            assert page.locator("#figures").is_visible(), "what was played last stays to be seen"
            assert page.evaluate(SEES_ALL)
        assert page.locator("#spoken").text_content() == "Next: posture high" or scene == "switch"


def test_an_announcement_waits_for_its_bar(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        page.add_init_script(WATCH_TRIPS)
        opened(page, stage, "ready_drill")
        wait_until(page, "window.trips_ms.length > 0")
        shown = scenes(stage.now_s())["play_drill"]
        due_s = stage.now_s() + 2.0
        stage.show(replace(shown, coming=replace(shown.coming, announce_server_s=due_s)))
        wait_for_step(page, stage)
        wait_until(page, "!document.getElementById('announce').hidden")
        assert stage.now_s() > due_s - 0.05 - unsure_s(page, 1.0)


def test_notes_missing_and_added_are_counted_beside_the_picture(browser: Any, stage: PageStage) -> None:
    with open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch):
        opened(page, stage, "ready_drill")
        shown = scenes(stage.now_s())["play_drill"]
        stage.show(replace(shown, block=replace(shown.block, ends_server_s=stage.now_s() + 600.0)))  # Else it fades.
        wait_for_step(page, stage)
        told = [(1, "cleared", True), (3, "touched", True), (5, "not known", False), (7, "cleared", False)]
        changes = tuple(ChangeTold(place, verdict, final, stage.now_s()) for place, verdict, final in told)
        wait_for_frame(page)
        before = inked(page)
        stage.push(Notes(3, changes, 2, 1))
        wait_until(page, "document.getElementById('notes').textContent === '2, 1'")
        wait_for_frame(page)
        assert inked(page) > before + 300, "each change is marked on the tab"
        assert "notes missing, added" in page.locator("#figures").inner_text()
        assert watch.errors == []


def inked(page: Any) -> int:
    """How many dots of the tab have the colours of marks."""
    wait_until(page, "document.getElementById('tab-view').width > 0")
    return page.evaluate(
        """() => { const c = document.getElementById('tab-view');
        const d = c.getContext('2d').getImageData(0, 0, c.width, Math.round(c.height / 7)).data; let n = 0;
        const spread = (k) => Math.max(d[k], d[k + 1], d[k + 2]) - Math.min(d[k], d[k + 1], d[k + 2]);
        for (let k = 0; k < d.length; k += 4) if (d[k + 3] > 200 && spread(k) > 60) n += 1;
        return n; }"""
    )


def test_a_blind_block_shows_no_tilt_until_it_is_over(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "play_drill")
        page.keyboard.press("?")
        page.locator("#prefer-picture").select_option("off")
        page.keyboard.press("Escape")
        stage.push(strokes([20.0, 22.0], stage.now_s()))
        page.wait_for_timeout(100)
        for name in ("end-view", "tilt-now", "target-line"):
            assert page.evaluate(f"getComputedStyle(document.getElementById('{name}')).visibility") == "hidden"
        assert page.locator("#tab-view").is_visible()
        show(stage, "rest")
        wait_for_step(page, stage)
        assert page.locator("#verdict-sentence").is_visible()
