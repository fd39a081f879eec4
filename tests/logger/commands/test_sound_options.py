"""The shipped take of the shipped session through the commands."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import SoundFileError
from logger.cli import cli
from logger.sample_logs import FOLDER, MISSED_STROKES, SOUND_LEAD_S
from logger.sound.sound_file import read_sound, write_sound
from tests.optional import need_module

need_module("soundfile", "the extra sound")

LOG, TAKE = FOLDER / "steady_and_tilted.mcap", FOLDER / "steady_and_tilted.ogg"


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, [*words], standalone_mode=False, catch_exceptions=True)


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    folder = tmp_path_factory.mktemp("analysed")
    options = ("--json", str(folder / "answer.json"), "--html", str(folder / "report.html"), "--no-remember", "--light")
    return run("analyse", str(LOG), "--sound", str(TAKE), *options), folder


def test_the_shipped_take_is_small() -> None:
    assert TAKE.stat().st_size < 300_000


def test_analyse_hears_the_take(analysed: tuple[Result, Path]) -> None:
    done, folder = analysed
    assert done.exception is None
    said = " ".join(done.output.split())
    assert "The sound has 147 notes where the motion has 150 strokes" in said
    answer = json.loads((folder / "answer.json").read_text(encoding="utf-8"))["sound"]
    assert answer["obstacle"] is None
    assert answer["clock"]["offset_s"] == pytest.approx(SOUND_LEAD_S, abs=0.01)
    assert sum(block["unheard"] for block in answer["blocks"]) == len(MISSED_STROKES)
    assert answer["tuning"]["semitones"] == 0
    assert answer["tuning"]["cents"] == pytest.approx(0.0, abs=8.0)
    assert len(answer["file_hash"]) == 64
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "What the sound says" in page
    assert "told with the help of the sound in block 2" in page


def test_drill_check_listens() -> None:
    done = run("drill", "check", str(LOG), "--sound", str(TAKE))
    assert done.exception is None
    assert "with the help of the sound" in done.output
    assert "24 string changes: 24 cleared" in done.output
    without = run("drill", "check", str(LOG))
    assert "sound" not in without.output


def test_another_recording_gives_no_answer_and_motion_stays(tmp_path: Path) -> None:
    take = read_sound(TAKE)
    turned = tmp_path / "turned.flac"
    write_sound(turned, np.ascontiguousarray(take.samples[::-1]), round(take.rate_hz))
    done = run("drill", "check", str(LOG), "--sound", str(turned))
    assert done.exception is None
    assert "No answer from sound: " in done.output
    assert "24 string changes: 24 cleared" in done.output


def test_a_tuning_that_does_not_fit_leaves_the_counts() -> None:
    done = run("drill", "check", str(LOG), "--sound", str(TAKE), "--tuning", "guitar")
    assert done.exception is None
    assert "with the help of the sound" not in done.output
    assert "The sound has 147 notes" in " ".join(done.output.split())


def test_a_bad_sound_file_is_refused_before_any_work(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    path.write_text("no sound")
    done = run("analyse", str(LOG), "--sound", str(path))
    assert isinstance(done.exception, SoundFileError)
    assert done.output == ""


def test_the_recording_is_never_written_over() -> None:
    before = TAKE.read_bytes()
    done = run("analyse", str(LOG), "--sound", str(TAKE), "--json", str(TAKE))
    assert done.exception is not None
    assert TAKE.read_bytes() == before
