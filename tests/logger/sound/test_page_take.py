"""What a page's microphone sends, without a browser: pieces into a file, stamps into a clock, and what is refused."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import InputError
from analysis.model.session_parts import Attachment
from logger.sound.page_microphone import Microphone, relate_clocks
from tests.optional import need_module

need_module("soundfile", "the extra sound")
HEAD = {"rate_hz": 16000, "settings": {"echoCancellation": False, "noiseSuppression": False, "autoGainControl": True}}


def piece(server_s: float, samples: np.ndarray) -> bytes:
    return struct.pack("<d", server_s) + samples.astype("<i2").tobytes()


def begun(folder: Path, text: str, kept: list[Attachment]):  # type: ignore[no-untyped-def]
    microphone = Microphone(lambda: None)
    return microphone, microphone.begin(text, folder / "a.mcap", lambda server_s: server_s - 100.0, kept.append)


def test_pieces_become_a_file_that_belongs_to_the_session(tmp_path: Path) -> None:
    kept: list[Attachment] = []
    microphone, take = begun(tmp_path, json.dumps(HEAD), kept)
    assert microphone.shown.status == "on"
    assert "automatic gain control is off" in microphone.shown.sentence, "what the browser does not turn off is said"
    with pytest.raises(InputError, match="another page"):
        microphone.begin(json.dumps(HEAD), tmp_path / "a.mcap", lambda s: s, kept.append)
    sound = (1000 * np.sin(np.arange(16000))).astype(np.int16)
    for k in range(4):
        take.add(piece(107.0 + k, sound))
    microphone.close()
    assert microphone.shown.status == "off"
    take.add(piece(200.0, sound))  # too late: nothing happens
    assert take.close(lambda s: s) is None
    import soundfile

    samples, rate = soundfile.read(tmp_path / "a.flac", dtype="int16")
    assert rate == 16000
    assert (samples == np.tile(sound, 4)).all()
    (only,) = kept
    assert only.name == "a.flac"
    assert only.clock is not None
    assert only.clock.offset_s == pytest.approx(7.0)


def test_a_second_take_gets_a_name_of_its_own_and_an_empty_one_leaves_no_file(tmp_path: Path) -> None:
    (tmp_path / "a.flac").write_bytes(b"somebody's")
    kept: list[Attachment] = []
    microphone, take = begun(tmp_path, json.dumps(HEAD), kept)
    microphone.end(take)
    assert kept == []
    assert [path.name for path in tmp_path.iterdir()] == ["a.flac"]
    assert (tmp_path / "a.flac").read_bytes() == b"somebody's"


def test_the_clock_follows_a_sound_card_that_runs_fast_and_pieces_that_come_late() -> None:
    own = np.arange(0, 600.0, 0.17)
    rng = np.random.default_rng(3)
    late = np.where(rng.random(own.size) < 0.2, rng.exponential(0.05, own.size), 0.0)
    server = 40.0 + own / (1 + 80e-6) + late
    clock = relate_clocks(list(zip(own.tolist(), server.tolist(), strict=True)), lambda server_s: server_s - 10.0)
    assert clock.offset_s == pytest.approx(30.0, abs=0.02)
    assert clock.rate == pytest.approx(1 / (1 + 80e-6), abs=1e-5)


@pytest.mark.parametrize(
    "text",
    ["", "[1]", '{"rate_hz": "much", "settings": {}}', '{"rate_hz": 48000}', '{"rate_hz": 4000, "settings": {}}',
     '{"rate_hz": 1e9, "settings": {}}', '{"rate_hz": NaN, "settings": {}}'],
)  # fmt: skip
def test_what_is_no_microphone_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError):
        begun(tmp_path, text, [])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("bad", [b"", b"12345678", b"123456789", piece(float("nan"), np.zeros(4))])
def test_a_piece_that_is_none_is_refused(tmp_path: Path, bad: bytes) -> None:
    _, take = begun(tmp_path, json.dumps(HEAD), [])
    with pytest.raises(InputError):
        take.add(bad)
