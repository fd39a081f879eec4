"""The click in audio time, rendered offline and measured; the tones as they are asked for. Ears are not replaced."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from logger.guide.shown import Click
from tests.browser import open_chromium, open_page, wait_until
from tests.logger.live.page_stage import PageStage, open_stage, scenes, strokes

pytestmark = pytest.mark.browser

RATE_HZ = 48000

# Render clicks offline; the track is advanced only at `advances_s`, as by the timer of a busy page.
RENDER = """async ([click, advances_s, seconds, drift]) => {
  const { ClickTrack } = await import('/static/click_track.js');
  const context = new OfflineAudioContext(1, seconds * 48000, 48000);
  const track = new ClickTrack(context, context.destination, s => s + drift * context.currentTime);
  track.set(click);
  for (const at of advances_s) context.suspend(at).then(() => { track.advance(); context.resume(); });
  const sound = (await context.startRendering()).getChannelData(0);
  const onsets = [];
  let quiet = 9999;
  for (let k = 0; k < sound.length; k += 1) {
    if (Math.abs(sound[k]) > 0.02) { if (quiet > 2000) onsets.push(k); quiet = 0; } else quiet += 1;
  }
  return onsets.map(k => [k / 48000, Math.max(...sound.slice(k, k + 480).map(Math.abs))]);
}"""

# Keep every sound that the page starts: its kind and its audio time, and the contexts.
LISTEN = """(() => {
  window.heard = []; window.contexts = [];
  const click = AudioBufferSourceNode.prototype.start;
  AudioBufferSourceNode.prototype.start = function (at) {
    window.heard.push(['click', at]); return click.call(this, at); };
  const Context = window.AudioContext;
  window.AudioContext = class extends Context { constructor(...a) { super(...a); window.contexts.push(this); } };
  const tone = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (at) { window.heard.push(['tone', at ?? 0]); return tone.call(this, at); };
})()"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with open_chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def stage() -> Iterator[PageStage]:
    with open_stage() as stage:
        yield stage


def opened(page: Any, stage: PageStage, scene: str) -> None:
    stage.state = None
    stage.show(scenes(stage.now_s())[scene])
    page.goto(stage.url)
    wait_until(page, "document.documentElement.dataset.ready === 'yes'")


def record(click: Click) -> dict[str, Any]:
    return {name: getattr(click, name) for name in click.__dataclass_fields__}


def irregular(seconds: float, seed: int) -> list[float]:
    """Moments of a timer that is late by up to two seconds; offline, they fall on blocks of 128 samples."""
    gaps = np.random.default_rng(seed).uniform(0.02, 2.2, 200)
    at = np.unique(np.round(np.cumsum(gaps) * RATE_HZ / 128)) * 128 / RATE_HZ
    return [float(t) for t in at if 0.01 < t < seconds - 0.1]


@pytest.mark.parametrize(("tempo_bpm", "beats_per_bar", "count_in"), [(100.0, 4, 4), (181.7, 3, 2), (47.3, 5, 0)])
def test_clicks_stand_within_two_milliseconds_however_late_the_timer(
    browser: Any, stage: PageStage, tempo_bpm: float, beats_per_bar: int, count_in: int
) -> None:
    click = Click(1, 0.5, tempo_bpm, count_in, beats_per_bar, 24)
    seconds = 1.5 + 24 * 60 / tempo_bpm
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = np.array(page.evaluate(RENDER, [record(click), irregular(seconds, 7), int(seconds), 0.0]))
    expected = 0.5 + np.arange(24) * 60 / tempo_bpm
    expected = expected[expected < int(seconds) - 0.02]
    assert len(found) == len(expected)
    assert np.abs(found[:, 0] - expected).max() < 0.002
    beats = np.arange(len(expected))
    accents = np.where(beats < count_in, beats == 0, (beats - count_in) % beats_per_bar == 0)
    assert found[accents, 1].min() > 1.2 * found[~accents, 1].max()


def test_a_drift_of_the_clocks_is_followed_unheard(browser: Any, stage: PageStage) -> None:
    """A server's clock that gains 100 parts in a million: after a minute 6 ms, made up for beat by beat."""
    click = Click(1, 0.0, 120.0, 4, 4, 120)
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = np.array(page.evaluate(RENDER, [record(click), irregular(62, 3), 61, 1e-4]))[:, 0]
    steps = np.diff(found)
    assert np.abs(steps - 0.5).max() < 0.002
    due = np.arange(len(found)) * 0.5
    assert np.abs(found - due - 1e-4 * due).max() < 0.002


def test_the_click_of_a_quickened_session_is_as_quick(browser: Any, stage: PageStage) -> None:
    script = RENDER.replace("s + drift * context.currentTime", "s / 3")
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = np.array(page.evaluate(script, [record(Click(1, 1.5, 100.0, 4, 4, 8)), [0.5, 1.0], 3, 0.0]))
    np.testing.assert_allclose(found[:, 0], 0.5 + 0.2 * np.arange(8), atol=0.002)


def test_beats_that_are_over_are_left_out_not_made_up_for(browser: Any, stage: PageStage) -> None:
    click = Click(1, -3.0, 60.0, 0, 4, None)
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = page.evaluate(RENDER, [record(click), [1.0, 2.0], 4, 0.0])
    assert [round(at) for at, _ in found] == [0, 1, 2, 3]
    assert found[1][1] > 1.2 * found[0][1]  # 4 beats after the first: an accent at 1 s, none at 0 s


def test_a_block_that_ends_takes_its_clicks_back(browser: Any, stage: PageStage) -> None:
    script = RENDER.replace("track.advance(); context.resume()", "track.set(null); context.resume()")
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = page.evaluate(script, [record(Click(1, 0.0, 120.0, 0, 4, None)), [0.512], 3, 0.0])
    assert [round(at, 2) for at, _ in found] == [0.0, 0.5]


def heard(page: Any, kind: str) -> list[float]:
    return [at for name, at in page.evaluate("window.heard") if name == kind]


def test_the_page_clicks_at_the_servers_times_once_it_may(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        page.add_init_script(LISTEN)
        opened(page, stage, "ready")
        start_s = stage.now_s() + 0.8
        shown = scenes(stage.now_s())["count_in"]
        stage.show(replace(shown, click=Click(5, start_s, 240.0, 4, 4, 8)))
        page.wait_for_timeout(300)
        assert heard(page, "click") == []  # no key was pressed yet: a browser would refuse the sound
        page.keyboard.press("m")
        page.keyboard.press("m")
        wait_until(page, "window.contexts[0]?.state === 'running'")
        wait_until(page, "window.heard.length >= 8", 6)
        times = heard(page, "click")
        assert np.abs(np.diff(times) - 0.25).max() < 0.002
        # Where the first click stands on the server's clock, by the page's own clocks.
        now_s, audio_s = stage.now_s(), page.evaluate("window.contexts[0].currentTime")
        assert times[-1] - audio_s == pytest.approx(start_s + 7 * 0.25 - now_s, abs=0.12)


def test_the_tone_warns_after_so_many_strokes_outside_and_is_off_by_default(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        page.add_init_script(LISTEN)
        opened(page, stage, "play")
        page.keyboard.press("m")
        wait_until(page, "window.contexts[0]?.state === 'running'")

        def play(outside: int) -> int:
            stage.push(strokes([5.0] * 4, stage.now_s(), first=False, outside=outside))
            page.wait_for_timeout(60)
            return len(heard(page, "tone"))

        assert play(9) == 0
        page.keyboard.press("t")  # on: after four strokes
        assert [play(k) for k in (0, 3, 4, 5, 7, 8, 0, 3, 4)] == [0, 0, 1, 1, 1, 2, 2, 2, 3]
        page.keyboard.press("t")
        assert play(12) == 3
        page.keyboard.press("?")
        page.locator("#prefer-pitch").select_option("on")
        assert play(0) == 4  # one tone that goes on
        assert play(0) == 4
