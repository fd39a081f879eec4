"""The click in audio time, rendered offline and measured; the tones as they are asked for. Ears are not replaced."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.drills.phrases import read_phrase
from analysis.drills.practice_form import PracticeForm, SectionBeats, lay_out
from logger.guide.play_transitions import click_of
from logger.guide.shown import Click
from logger.guide.stretch import Stretch, planned_stretch
from logger.live.protocol import Refused
from logger.practice.plan_orders import plan_practice
from logger.practice.practice_tracks import CLICK_S, CUE_HZ, CUE_S, KNOCK_S, KNOCKS
from tests.browser import open_chromium, open_page, wait_until
from tests.logger.live.page_stage import WATCH_TRIPS, PageStage, open_stage, scenes, strokes

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
    this.told = ['click', at]; window.heard.push(this.told); return click.call(this, at); };
  const silence = AudioBufferSourceNode.prototype.stop;  // What was taken back is not heard.
  AudioBufferSourceNode.prototype.stop = function () {
    window.heard = window.heard.filter(each => each !== this.told); return silence.call(this); };
  const Context = window.AudioContext;
  window.AudioContext = class extends Context { constructor(...a) { super(...a); window.contexts.push(this); } };
  const tone = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (at) { window.heard.push(['tone', at ?? 0]); return tone.call(this, at); };
})()"""


AUDIO_AHEAD_S = 7.0
# An audio clock that runs with the page's, as on a computer at leisure: what is measured is the page, whatever else the
# machine has to do. In a frame the page's time stands still, so that what is drawn is drawn at the time that was read.
EVEN_CLOCK = f"""(() => {{
  const now = performance.now.bind(performance), frame = window.requestAnimationFrame.bind(window);
  let held = null;
  performance.now = () => held ?? now();
  window.requestAnimationFrame = draw => frame(at => {{
    held = now();
    try {{ draw(at); }} finally {{ held = null; }} }});
  const audio_s = () => performance.now() / 1000 + {AUDIO_AHEAD_S};
  Object.defineProperty(BaseAudioContext.prototype, 'currentTime', {{ get: audio_s }});
  AudioContext.prototype.getOutputTimestamp = () => (
    {{ contextTime: audio_s(), performanceTime: performance.now() }});
}})()"""
# An answer that was under way for less than 8 ms tells the server's clock to 4 ms.
KNOWS_THE_TIME = "Math.min(...window.trips_ms.slice(-50)) < 8"


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


def record(shown: Any) -> dict[str, Any]:
    return {name: getattr(shown, name) for name in shown.__dataclass_fields__}


def irregular(seconds: float, seed: int) -> list[float]:
    """Moments of a timer that is late by up to two seconds; offline, they fall on blocks of 128 samples."""
    gaps = np.random.default_rng(seed).uniform(0.02, 2.2, 200)
    at = np.unique(np.round(np.cumsum(gaps) * RATE_HZ / 128)) * 128 / RATE_HZ
    return [float(t) for t in at if 0.01 < t < seconds - 0.1]


@pytest.mark.parametrize(("tempo_bpm", "beats_per_bar", "count_in"), [(97.0, 4, 4), (181.7, 3, 2), (47.3, 5, 0)])
def test_clicks_stand_within_two_milliseconds_however_late_the_timer(
    browser: Any, stage: PageStage, tempo_bpm: float, beats_per_bar: int, count_in: int
) -> None:
    click = Click.of(1, 0.5, tempo_bpm, SectionBeats(count_in, 24 - count_in), beats_per_bar)
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
    click = Click.of(1, 0.0, 120.0, SectionBeats(4, 116), 4)
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
        found = np.array(
            page.evaluate(script, [record(Click.of(1, 1.5, 100.0, SectionBeats(4, 4), 4)), [0.5, 1.0], 3, 0.0])
        )
    np.testing.assert_allclose(found[:, 0], 0.5 + 0.2 * np.arange(8), atol=0.002)


def test_beats_that_are_over_are_left_out_not_made_up_for(browser: Any, stage: PageStage) -> None:
    click = Click.of(1, -3.0, 60.0, SectionBeats(0, None), 4)
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = page.evaluate(RENDER, [record(click), [1.0, 2.0], 4, 0.0])
    assert [round(at) for at, _ in found] == [0, 1, 2, 3]
    assert found[1][1] > 1.2 * found[0][1]  # 4 beats after the first: an accent at 1 s, none at 0 s


def test_a_block_that_ends_takes_its_clicks_back(browser: Any, stage: PageStage) -> None:
    script = RENDER.replace("track.advance(); context.resume()", "track.set(null); context.resume()")
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = page.evaluate(script, [record(Click.of(1, 0.0, 120.0, SectionBeats(0, None), 4)), [0.512], 3, 0.0])
    assert [round(at, 2) for at, _ in found] == [0.0, 0.5]


def heard(page: Any, kind: str) -> list[float]:
    return [at for name, at in page.evaluate("window.heard") if name == kind]


def unlock(page: Any) -> None:
    """Press a key, after which a browser lets a page sound."""
    page.keyboard.press("m")
    page.keyboard.press("m")
    wait_until(page, "window.contexts[0]?.state === 'running'")


def off_beat_s(page: Any, stage: PageStage, times: np.ndarray, start_s: float) -> np.ndarray:
    """How far clicks, a second apart, stand from the beats of the server's clock, by the page's own clocks.

    Less what the two looks at the clocks were apart.
    """
    before_s, audio_s, after_s = stage.now_s(), page.evaluate("window.contexts[0].currentTime"), stage.now_s()
    beats = times - audio_s + 0.5 * (before_s + after_s) - start_s
    return np.maximum(0.0, np.abs(beats - np.round(beats)) - 0.5 * (after_s - before_s))


def test_the_page_clicks_at_the_servers_times_once_it_may(browser: Any, stage: PageStage) -> None:
    """By the browser's audio clock, which stalls and jumps on a busy computer: so most clicks, and to a tenth."""
    with open_page(browser) as (page, _):
        page.add_init_script(LISTEN)
        opened(page, stage, "ready")
        start_s = stage.now_s() + 0.8
        shown = scenes(stage.now_s())["count_in"]
        # Far longer than is waited for: a busy computer opens its sound late, and beats that are over stay silent.
        stage.show(replace(shown, click=Click.of(5, start_s, 60.0, SectionBeats(4, 600), 4)))
        page.wait_for_timeout(300)
        assert heard(page, "click") == []  # no key was pressed yet: a browser would refuse the sound
        unlock(page)
        wait_until(page, "window.heard.length >= 6")
        assert np.median(off_beat_s(page, stage, np.array(heard(page, "click")), start_s)) < 0.12


def test_clicks_are_even_and_on_the_servers_beats(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        for script in (EVEN_CLOCK, WATCH_TRIPS, LISTEN):
            page.add_init_script(script)
        opened(page, stage, "ready")
        wait_until(page, KNOWS_THE_TIME)
        start_s = stage.now_s() + 0.8
        shown = scenes(stage.now_s())["count_in"]
        stage.show(replace(shown, click=Click.of(5, start_s, 60.0, SectionBeats(4, 600), 4)))
        unlock(page)
        wait_until(page, "window.heard.length >= 8")
        times = np.array(heard(page, "click"))
        assert np.abs(np.diff(times) - 1.0).max() < 0.002
        assert off_beat_s(page, stage, times, start_s).max() < 0.01


def test_the_tone_warns_after_so_many_strokes_outside_and_is_off_by_default(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        page.add_init_script(LISTEN)
        opened(page, stage, "play")
        page.keyboard.press("m")
        wait_until(page, "window.contexts[0]?.state === 'running'")
        told = itertools.count()

        def play(outside: int) -> int:
            stage.push(strokes([5.0] * 4, stage.now_s(), first=False, outside=outside))
            # What is pushed next is heard after it.
            words = f"That was number {next(told)}."
            stage.push(Refused(words))
            wait_until(page, f"document.getElementById('refused').textContent === '{words}'")
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


KINDS = """async ([click, silent]) => {
  const { soundOf } = await import('/static/click_track.js');
  return Array.from({ length: click.beats }, (_, beat) => soundOf(click, beat, silent));
}"""


def test_a_rest_is_never_accented_and_the_next_posture_sounds_differently(browser: Any, stage: PageStage) -> None:
    # Count-in 4, play 10 beats in bars of 4, of which the last 4 announce; rest 5, in which a bar would begin.
    click = Click.of(1, 0.0, 120.0, SectionBeats(4, 10, 5, switch=True), 4)
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        kinds = page.evaluate(KINDS, [record(click), 0])
        silent = page.evaluate(KINDS, [record(click), 2])
        rendered = RENDER.replace("quiet > 2000", "quiet > 700")
        found = np.array(page.evaluate(rendered, [record(click), [1.0, 3.0, 5.0, 7.0], 10, 0.0]))
    count_in = ["accent", "plain", "plain", "plain"]
    announce = ["announceFirst", "announce", "announceFirst", "announce"]
    assert kinds == [*count_in, *count_in, "accent", "plain", *announce, *["rest"] * 5]
    assert silent == [*count_in, *count_in, *["silent"] * 2, *announce, *["rest"] * 5], "what announces is never silent"
    # Two knocks 50 ms apart are told from one by more than pitch: in the rendering each counts as an onset.
    times = found[:, 0]
    double = [beat for beat in range(19) if np.sum(np.abs(times - (beat * 0.5 + 0.05)) < 0.004)]
    assert double == [10, 11, 12, 13]
    loudness = {beat: found[np.abs(times - beat * 0.5).argmin(), 1] for beat in range(19)}
    # On the first beat of the rest the cue sounds with the click; it rings on where a click is long over.
    assert max(loudness[beat] for beat in range(15, 19)) < 0.6 * loudness[5]
    assert click.cue_beat == 14
    assert np.sum(np.abs(times - 7.0) < 0.25) >= 1


# What the page's clicks and cue sound like, rendered alone: kind, loudest frequency, length in seconds.
SHAPES = """async () => {
  const { ClickTrack } = await import('/static/click_track.js');
  const context = new OfflineAudioContext(1, 48000, 48000);
  const track = new ClickTrack(context, context.destination, s => s);
  return Object.entries(track.sounds).map(([kind, buffer]) => [kind, Array.from(buffer.getChannelData(0))]);
}"""


def test_the_page_sounds_as_the_practice_tracks_do(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        shapes = {kind: np.array(sound) for kind, sound in page.evaluate(SHAPES)}
    names = {"accent": "accent", "plain": "plain", "rest": "rest", "announce": "announce"}
    for kind, knock in KNOCKS.items():
        sound = shapes[names.get(kind, "announceFirst")]
        one = sound[: round(CLICK_S * 48000)]
        hz = np.argmax(np.abs(np.fft.rfft(one, 48000)))
        assert hz == pytest.approx(knock.tone_hz, rel=0.05)
        assert np.abs(one).max() == pytest.approx(knock.size, rel=0.02)
        assert len(sound) / 48000 == pytest.approx(CLICK_S + KNOCK_S * (knock.knocks - 1), abs=1e-3)
    cue = shapes["cue"]
    assert len(cue) / 48000 == pytest.approx(CUE_S, abs=1e-3)
    assert np.argmax(np.abs(np.fft.rfft(cue, 48000))) == pytest.approx(CUE_HZ, rel=0.02)


TIMES = """async ([click, seconds]) => {
  const { ClickTrack, soundOf } = await import('/static/click_track.js');
  return Array.from({ length: click.beats }, (_, beat) => soundOf(click, beat));
}"""


def test_tracks_and_page_click_and_cue_at_the_same_times(browser: Any, stage: PageStage) -> None:
    """A practice with a pickup and a rest, as its WAV track has it, against the clicks of its plan's blocks."""
    phrase, twin = read_phrase("4:5 then 4:5*2-7 3:4-7", 6), read_phrase("4:5-7 3:4-7 2:5", 6)
    form = PracticeForm(tempi_bpm=(90.0, 97.0), repeats=3, rest_beats=2, beats_per_bar=3)
    practice = lay_out(phrase, twin, form)
    plan = plan_practice(practice, "both")
    told: list[tuple[float, str]] = []
    cues: list[float] = []
    now = 0.0
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        for place, block in enumerate(plan.blocks):
            after = planned_stretch(plan.blocks[place + 1]) if place + 1 < len(plan.blocks) else None
            click = click_of(planned_stretch(block), after, place, now)
            assert click is not None
            assert click.beats is not None
            beat_s = 60.0 / click.tempo_bpm
            kinds = page.evaluate(TIMES, [record(click), 1])
            told += [(now + beat_s * beat, kind) for beat, kind in enumerate(kinds)]
            cues += [] if click.cue_beat is None else [now + beat_s * click.cue_beat]
            now += click.beats * beat_s
    expected = [(practice.seconds_at(beat), sound) for beat, sound in practice.clicks]
    assert len(told) == len(expected)
    # MIDI, and with it the practice's clock, holds whole microseconds a beat.
    np.testing.assert_allclose([at for at, _ in told], [at for at, _ in expected], atol=1e-4)
    assert [kind for _, kind in told] == [sound.replace("announce first", "announceFirst") for _, sound in expected]
    np.testing.assert_allclose(cues, [practice.seconds_at(beat) for beat in practice.cues], atol=1e-4)


POSITIONS = """async ([block, at_s]) => {
  const { notePosition } = await import('/static/tab_view.js');
  return at_s.map(s => notePosition(block, s));
}"""


def test_the_cursor_runs_by_the_phrases_own_times(browser: Any, stage: PageStage) -> None:
    """At 60 BPM and one unit a beat a unit is a second: a pickup, a note of two, a rest in front of the cycle."""
    stretch = Stretch("A", 60.0, 1.0, "4x1 then r 4x1*2 3x1", pickup_beats=1)
    tab = stretch.tab(6)
    assert tab is not None
    block = {"tempo_bpm": 60.0, "notes_per_beat": 1.0, "starts_server_s": 100.0, "tab": record(tab)}
    # Pickup at 100; the cycle of 4 units from 101: a rest, the long note at 102, the next at 104; then again.
    expected = {
        99.0: -1.0,
        100.0: 0.0,
        101.0: 0.5,
        102.0: 1.0,
        103.0: 1.5,
        104.0: 2.0,
        105.0: 2.5,
        106.0: 1.0,
        108.5: 2.25,
    }
    with open_page(browser) as (page, _):
        opened(page, stage, "ready")
        found = page.evaluate(POSITIONS, [block, list(expected)])
    assert found == pytest.approx(list(expected.values()))


def test_the_next_blocks_click_is_scheduled_before_it_is_due_and_sounds_once(browser: Any, stage: PageStage) -> None:
    with open_page(browser) as (page, _):
        for script in (EVEN_CLOCK, WATCH_TRIPS, LISTEN):
            page.add_init_script(script)
        opened(page, stage, "ready")
        unlock(page)
        wait_until(page, KNOWS_THE_TIME)
        shown = scenes(stage.now_s())["play_drill"]
        assert shown.coming is not None
        number, lead_s, start_s = 7, 0.5, 0.0
        while stage.now_s() > start_s:  # Until the page had it before it was due, however late it may be.
            number, lead_s = number + 2, 2 * lead_s
            start_s = stage.now_s() + lead_s
            first = Click.of(number, start_s, 240.0, SectionBeats(0, 4, 1), 4)
            second = Click.of(number + 1, start_s + 1.25, 240.0, SectionBeats(0, 4), 4)
            page.evaluate("window.heard.length = 0")
            coming = replace(shown.coming, click=second)
            stage.show(replace(shown, title=f"Play {number}", click=first, coming=coming))
            wait_until(page, f"document.querySelector('h1').textContent === 'Play {number}'")
        wait_until(page, "window.heard.length >= 9")
        page.wait_for_timeout(1e3 * max(0.0, start_s + 1.15 - stage.now_s()))
        stage.show(replace(shown, title="On", click=second, coming=None))
        wait_until(page, "document.querySelector('h1').textContent === 'On'")
        page.wait_for_timeout(1500)
        times = heard(page, "click")
    assert len(times) == 9
    # Where the one goes over into the other they may differ by what the server's clock was known better meanwhile.
    steps = np.abs(np.diff(times) - 0.25)
    assert (steps > 0.002).sum() <= 1
    assert steps.max() < 0.006


# Where the cursor is drawn, and when, by the page's own look at its clock.
WATCH_CURSOR = """(() => {
  window.cursor = [];
  const fill = CanvasRenderingContext2D.prototype.fillRect;
  CanvasRenderingContext2D.prototype.fillRect = function (x, y, w, h) {
    if (this.canvas.id === 'tab-view' && w === 5) {
      window.cursor.push([performance.now(), x + 2.5, this.canvas.getBoundingClientRect().width]); }
    return fill.call(this, x, y, w, h); };
})()"""
PAST_SIX_CLICKS = f"""window.heard.length > 6
  && window.cursor.filter(([at]) => at / 1000 + {AUDIO_AHEAD_S} > window.heard[6][1]).length > 20"""


def test_cursor_and_click_agree_within_ten_milliseconds(browser: Any, stage: PageStage) -> None:
    """The cursor's place in every frame that is drawn, against the click next to it in audio time."""
    with open_page(browser) as (page, _):
        for script in (EVEN_CLOCK, WATCH_TRIPS, LISTEN, WATCH_CURSOR):
            page.add_init_script(script)
        opened(page, stage, "ready_drill")
        unlock(page)
        wait_until(page, KNOWS_THE_TIME)
        start_s = stage.now_s() + 0.5
        shown = scenes(stage.now_s())["play_drill"]
        assert shown.block is not None
        block = replace(shown.block, tempo_bpm=120.0, starts_server_s=start_s, ends_server_s=start_s + 600.0)
        click = Click.of(9, start_s, 120.0, SectionBeats(0, 1200), 4)
        stage.show(replace(shown, block=block, click=click, coming=None))
        wait_until(page, PAST_SIX_CLICKS)
        drawn, clicks = np.array(page.evaluate("window.cursor")), np.array(heard(page, "click"))
    drawn_s = drawn[:, 0] / 1e3 + AUDIO_AHEAD_S
    inside = (drawn_s > clicks[0]) & (drawn_s < clicks[-1])
    place = drawn[inside, 1] / (drawn[inside, 2] / (8 + 0.8)) - 1.1
    since_s = drawn_s[inside] - clicks[np.searchsorted(clicks, drawn_s[inside]) - 1]
    # Four notes a beat, eight a second.
    off_ms = (np.mod(place - 8.0 * since_s + 2.0, 4.0) - 2.0) * 1e3 / 8.0
    assert len(off_ms) > 20
    assert np.abs(off_ms).max() < 10.0, off_ms
