"""Sound files of any recorder, held against the standard library's wave, and what is said of bad ones."""

from __future__ import annotations

import builtins
import hashlib
import math
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.model.errors import SoundFileError
from analysis.sound.working_rate import Decimator, working_factor
from logger.sound.sound_file import need_soundfile, read_sound, write_sound
from tests.optional import need_module

soundfile = need_module("soundfile", "the extra sound")


def plucks(rate_hz: int, seconds: float = 3.0, gain: float = 0.4) -> np.ndarray:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    noise = 0.002 * np.random.default_rng(1).normal(size=t.size)
    return (gain * np.sin(2 * np.pi * 220.0 * t) * np.exp(-6 * (t % 0.5)) + noise).astype(np.float32)


def write(path: Path, samples: np.ndarray, rate_hz: int, **more: Any) -> Path:
    soundfile.write(path, samples, rate_hz, **more)
    return path


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000])
def test_every_rate_keeps_time_and_pitch(rate_hz: int, tmp_path: Path) -> None:
    sound = read_sound(write(tmp_path / "take.wav", plucks(rate_hz), rate_hz))
    assert 8000 <= sound.rate_hz < 32000.1
    assert sound.duration_s == pytest.approx(3.0, abs=1e-3)
    assert sound.remarks == ()
    spectrum = np.abs(np.fft.rfft(sound.samples))
    assert np.argmax(spectrum) * sound.rate_hz / sound.samples.size == pytest.approx(220.0, abs=0.5)
    # The loudest moment of the first pluck stays where it is.
    wanted = plucks(rate_hz)[:: working_factor(rate_hz)]
    assert np.corrcoef(sound.samples[: wanted.size], wanted)[0, 1] > 0.998


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_every_kind_of_number(subtype: str, tmp_path: Path) -> None:
    sound = read_sound(write(tmp_path / "take.wav", plucks(16000), 16000, subtype=subtype))
    assert sound.samples == pytest.approx(plucks(16000), abs=0.01 if subtype == "PCM_U8" else 1e-4)
    assert sound.samples.dtype == np.float32


def test_a_wave_file_is_what_the_standard_library_reads(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    write_sound(path, plucks(16000), 16000)
    with wave.open(str(path)) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (16000, 1, 2)
        theirs = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768
    assert read_sound(path).samples == pytest.approx(theirs, abs=1e-6)
    # And the other way round.
    other = tmp_path / "other.wav"
    with wave.open(str(other), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(2)
        file.setframerate(16000)
        file.writeframes(np.repeat((plucks(16000) * 32767).astype("<i2"), 2).tobytes())
    assert read_sound(other).samples == pytest.approx(plucks(16000), abs=1e-4)


@pytest.mark.parametrize("name", ["take.wav", "take.flac", "take.ogg"])
def test_what_is_written_comes_back(name: str, tmp_path: Path) -> None:
    samples = plucks(16000, 70.0)
    write_sound(tmp_path / name, samples, 16000)
    sound = read_sound(tmp_path / name)
    assert sound.name == name
    assert sound.digest == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()
    size = min(sound.samples.size, samples.size)
    assert abs(sound.samples.size - samples.size) < 10
    assert np.corrcoef(sound.samples[:size], samples[:size])[0, 1] > 0.999


def test_stereo_is_mixed_and_a_turned_channel_is_not_lost(tmp_path: Path) -> None:
    one = plucks(16000)
    mixed = read_sound(write(tmp_path / "both.wav", np.column_stack([one, 0.5 * one]), 16000))
    assert mixed.samples == pytest.approx(0.75 * one, abs=1e-3)
    turned = read_sound(write(tmp_path / "turned.wav", np.column_stack([0.5 * one, -one]), 16000))
    assert np.abs(turned.samples) == pytest.approx(np.abs(one), abs=1e-3)


def test_clipping_is_measured_and_a_usual_take_has_none(tmp_path: Path) -> None:
    assert read_sound(write(tmp_path / "clean.wav", plucks(44100, 5.0), 44100)).clipped_share < 1e-3
    loud = np.clip(6 * plucks(44100, 5.0), -1, 1)
    assert read_sound(write(tmp_path / "clipped.wav", loud, 44100)).clipped_share > 0.01
    # A limit below full scale, as a recorder's own input has it.
    assert read_sound(write(tmp_path / "limited.wav", 0.5 * loud, 44100)).clipped_share > 0.01
    # Floats may go above full scale and are not clipped for that.
    assert read_sound(write(tmp_path / "above.wav", 4 * plucks(44100), 44100, subtype="FLOAT")).clipped_share < 1e-3
    assert read_sound(write(tmp_path / "silent.wav", np.zeros(16000), 16000)).clipped_share == 0.0


@pytest.mark.parametrize("name", ["take.wav", "take.flac", "take.ogg"])
def test_a_file_cut_short_is_read_as_far_as_it_goes(name: str, tmp_path: Path) -> None:
    whole, cut = tmp_path / name, tmp_path / f"cut_{name}"
    write_sound(whole, plucks(16000, 60.0), 16000)
    data = whole.read_bytes()
    cut.write_bytes(data[: len(data) // 2])
    sound = read_sound(cut)
    assert 20 < sound.duration_s < 40
    assert "was cut short" in sound.remarks[0]
    cut.write_bytes(data[:30])
    with pytest.raises(SoundFileError) as refused:
        read_sound(cut)
    assert str(cut) in str(refused.value)


def bad(tmp_path: Path) -> dict[str, tuple[Path, str]]:
    text = tmp_path / "text.wav"
    text.write_text("t,ax,ay\n1,2,3\n")
    empty = tmp_path / "empty.wav"
    empty.write_bytes(b"")
    none = write(tmp_path / "none.wav", np.zeros(0), 16000)
    slow = write(tmp_path / "slow.wav", plucks(4000), 4000)
    fast = write(tmp_path / "fast.wav", plucks(384000, 0.1), 384000)
    hole = plucks(16000)
    hole[100] = math.nan
    holed = write(tmp_path / "hole.wav", hole, 16000, subtype="FLOAT")
    return {
        "text": (text, "not readable as sound"),
        "empty": (empty, "not readable as sound"),
        "none": (none, "no sound in it"),
        "slow": (slow, "expected 8000 to 192000 samples a second, found 4000"),
        "fast": (fast, "found 384000"),
        "hole": (holed, "values that are no numbers"),
        "missing": (tmp_path / "nowhere.wav", "no such file"),
        "folder": (tmp_path, "no such file"),
    }


@pytest.mark.parametrize("name", ["text", "empty", "none", "slow", "fast", "hole", "missing", "folder"])
def test_bad_files_are_one_sentence(name: str, tmp_path: Path) -> None:
    path, sentence = bad(tmp_path)[name]
    with pytest.raises(SoundFileError) as refused:
        read_sound(path)
    said = str(refused.value)
    assert sentence in said
    assert str(path) in said
    assert "\n" not in said
    assert refused.value.facts["next_step"]


def test_without_the_extra_it_says_what_it_would_add(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = builtins.__import__

    def without(name: str, *args: Any, **more: Any) -> Any:
        if name == "soundfile":
            raise ModuleNotFoundError("No module named 'soundfile'", name="soundfile")
        return usual(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(SoundFileError, match=r"which string sounded.*\[sound\]"):
        need_soundfile()


def test_a_sound_is_never_written_under_another_name(tmp_path: Path) -> None:
    with pytest.raises(SoundFileError, match="a name that ends in"):
        write_sound(tmp_path / "take.mp3", plucks(16000), 16000)


@pytest.mark.parametrize("factor", [1, 2, 3, 12])
def test_pieces_give_what_the_whole_gives(factor: int) -> None:
    rng = np.random.default_rng(factor)
    samples = rng.normal(size=20_011).astype(np.float32)
    whole = Decimator(factor)
    one = np.concatenate([whole.push(samples), whole.finish()])
    piecewise = Decimator(factor)
    parts = [piecewise.push(part) for part in np.split(samples, np.sort(rng.integers(0, samples.size, 9)))]
    assert np.concatenate([*parts, piecewise.finish()]).tolist() == one.tolist()
    assert one.size == -(-samples.size // factor)
