"""The page's microphone, with Chromium's own fake one: asked for, read back, shown, kept beside the session.

The fake plays a file that the test wrote, so that what is kept can be held against it. It has no room, no latency of a
sound card and no processing that could fail to be off: that those are as a browser says them, this does not prove.
"""

from __future__ import annotations

import contextlib
import hashlib
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import signal as filters
from scipy.io import wavfile

from logger.session.session_file import read_session
from logger.sound.page_microphone import MicrophoneState
from logger.sound.session_take import own_sounds, read_own_sound
from tests.browser import open_chromium, open_page, wait_until
from tests.logger.live.page_stage import open_stage, scenes
from tests.logger.live.test_page_session import program
from tests.optional import need_module
from tests.patience import PATIENCE_S, wait_for

pytestmark = pytest.mark.browser

RATE_HZ = 48_000
BEEP_S, TONE_HZ = 0.5, 1000.0


def write_beeps(path: Path) -> None:
    """A second of beeps, one every half a second, which the browser repeats without a gap."""
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = 0.5 * np.sin(2 * np.pi * TONE_HZ * t) * (t % BEEP_S < 0.05)
    wavfile.write(path, RATE_HZ, (32767 * sound).astype(np.int16))


# The samples of every piece that the page sends.
KEEP_SENT = """(() => {
  window.sent = [];
  const send = WebSocket.prototype.send;
  WebSocket.prototype.send = function (data) {
    if (data instanceof Uint8Array) window.sent.push([...new Int16Array(data.buffer, 8)]);
    return send.call(this, data); };
})()"""


@contextlib.contextmanager
def browser_with_microphone(wav: Path, allowed: bool = True) -> Iterator[Any]:
    flags = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={wav}"]
    flags += ["--use-fake-ui-for-media-stream"] if allowed else ["--deny-permission-prompts"]
    with open_chromium(*flags) as browser, open_page(browser) as (page, _):
        yield page


def test_the_microphone_is_kept_beside_the_session_with_its_hash_and_clock(tmp_path: Path) -> None:
    soundfile = need_module("soundfile", "the extra sound")
    write_beeps(tmp_path / "beeps.wav")
    with (
        program(tmp_path, "--source", "simulated") as (address, running),
        browser_with_microphone(tmp_path / "beeps.wav") as page,
    ):
        page.add_init_script(KEEP_SENT)
        page.goto(address)
        wait_until(page, "document.getElementById('stage').dataset.step === 'setup'")
        page.keyboard.press("?")
        assert "in no export" in page.locator("#microphone-words").text_content()
        page.locator("#microphone-button").click()
        wait_until(page, "document.getElementById('microphone-level').value > -20")
        assert page.locator("#microphone-line").is_visible()
        page.wait_for_timeout(6000)
        page.locator("#microphone-button").click()
        wait_until(page, "document.getElementById('microphone-line').hidden")
        sent = np.concatenate([np.array(piece, dtype=np.int16) for piece in page.evaluate("window.sent")])
        path = tmp_path / "evening.mcap"
        wait_for(lambda: read_session(path).attachments)
        running.send_signal(signal.SIGINT)
        running.wait(PATIENCE_S)
    session = read_session(path)
    (kept,) = session.attachments
    assert (kept.kind, kept.name) == ("sound", "evening.flac")
    content = (tmp_path / kept.name).read_bytes()
    assert (hashlib.sha256(content).hexdigest(), len(content)) == (kept.sha256, kept.size_bytes)
    # Read by soundfile itself: FLAC, with what the browser says of its processing.
    with soundfile.SoundFile(tmp_path / kept.name) as file:
        assert (file.format, file.channels) == ("FLAC", 1)
        said = file.comment
        kept_samples, rate = file.read(dtype="int16"), file.samplerate
    assert said == "As the browser says: echo cancellation off; noise suppression off; automatic gain control off."
    # What is kept is what the page heard, none of it lost and none twice.
    np.testing.assert_array_equal(kept_samples, sent)
    sound = kept_samples / 32767
    assert len(sound) / rate > 5.0
    # And that is what was played: the tone, and a beep every half a second, but where the busy browser itself stalled.
    loud = np.abs(filters.hilbert(sound))
    frequency = np.argmax(np.abs(np.fft.rfft(sound, 4 * len(sound)))) * rate / (4 * len(sound))
    assert frequency == pytest.approx(TONE_HZ, abs=2.0)
    begun = np.flatnonzero((loud[1:] > 0.2) & (loud[:-1] <= 0.2)) / rate
    # The first one may have begun before the recording did.
    begun = begun[np.concatenate([[True], np.diff(begun) > 0.2])][1:]
    assert np.median(np.abs(np.diff(begun) - BEEP_S)) < 0.02
    assert kept.clock is not None
    assert 0.0 < kept.clock.offset_s < 60.0
    assert kept.clock.rate == pytest.approx(1.0, abs=2e-3)
    assert kept.clock.residual_s is not None
    assert kept.clock.residual_s < 0.2
    # It is found again by its hash, and no more once it is another file.
    assert own_sounds(path, session) == [tmp_path / "evening.flac"]
    own = read_own_sound(path, session)
    assert own is not None
    assert own.digest == kept.sha256
    (tmp_path / "evening.flac").write_bytes(content[:-1] + b"x")
    assert own_sounds(path, session) == []


def test_a_microphone_that_is_refused_is_one_sentence(tmp_path: Path) -> None:
    write_beeps(tmp_path / "beeps.wav")
    with open_stage() as stage, browser_with_microphone(tmp_path / "beeps.wav", allowed=False) as page:
        stage.show(replace(scenes(stage.now_s())["ready"], microphone=MicrophoneState("off")))
        page.goto(stage.url)
        wait_until(page, "document.documentElement.dataset.ready === 'yes'")
        page.keyboard.press("?")
        page.locator("#microphone-button").click()
        wait_until(page, "document.getElementById('microphone-words').textContent.includes('refused')")
        assert not page.locator("#microphone-line").is_visible()


def test_without_the_extra_the_page_says_what_it_would_add(tmp_path: Path) -> None:
    words = "sound needs the package soundfile, which is not installed; it would tell which string sounded"
    with open_stage() as stage, open_chromium() as browser, open_page(browser) as (page, _):
        stage.show(replace(scenes(stage.now_s())["ready"], microphone=MicrophoneState("missing", words)))
        page.goto(stage.url)
        wait_until(page, "document.documentElement.dataset.ready === 'yes'")
        page.keyboard.press("?")
        assert page.locator("#microphone-words").text_content() == words
        assert page.locator("#microphone-button").is_disabled()
        # A page of another device that is not secure has no microphone to give.
        page.evaluate("Object.defineProperty(navigator, 'mediaDevices', {value: undefined})")
        stage.show(replace(scenes(stage.now_s())["ready"], microphone=MicrophoneState("off")))
        wait_until(page, "!document.getElementById('microphone-button').disabled")
        page.locator("#microphone-button").click()
        wait_until(page, "document.getElementById('microphone-words').textContent.includes('secure')")
