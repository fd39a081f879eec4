"""A session's own sound: found by its hash, heard by itself, left out of exports, deleted with its session."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from analysis.model.session_parts import Attachment
from logger.cli import cli
from logger.sample_logs import FOLDER
from logger.session.session_file import read_session, write_session
from tests.optional import need_module

need_module("soundfile", "the extra sound")
LOG, TAKE = FOLDER / "steady_and_tilted.mcap", FOLDER / "steady_and_tilted.ogg"


def run(*words: str, given: str = "") -> Result:
    return CliRunner().invoke(cli, [*words], input=given, standalone_mode=False, catch_exceptions=True)


@pytest.fixture
def with_sound(tmp_path: Path) -> Path:
    """The shipped session as its page would have left it: the take beside it, with its hash in the file."""
    content = TAKE.read_bytes()
    (tmp_path / "evening.ogg").write_bytes(content)
    kept = Attachment("sound", "evening.ogg", hashlib.sha256(content).hexdigest(), len(content))
    path = tmp_path / "evening.mcap"
    write_session(path, replace(read_session(LOG), attachments=(kept,)))
    return path


def test_drill_check_hears_the_sessions_own_sound_without_being_told(with_sound: Path) -> None:
    done = run("drill", "check", str(with_sound))
    assert done.exception is None
    assert "with the help of the sound" in done.output
    # Without its file, or with another one of its name, motion answers and it is said.
    sound = with_sound.with_name("evening.ogg")
    sound.write_bytes(TAKE.read_bytes()[:-1] + b"x")
    done = run("drill", "check", str(with_sound))
    assert done.exception is None
    assert "does not lie beside it any more" in " ".join(done.output.split())
    assert "with the help of the sound" not in done.output


def test_an_export_leaves_the_sound_out_unless_it_is_asked_for(with_sound: Path, tmp_path: Path) -> None:
    plain, asked = tmp_path / "plain", tmp_path / "asked"
    assert run("export", str(with_sound), "--to", "csv", "-o", str(plain), "--no-strokes").exception is None
    assert not [file for file in plain.rglob("*") if file.suffix in (".ogg", ".flac", ".wav", ".mcap")]
    assert run("export", str(with_sound), "--to", "csv", "-o", str(asked), "--no-strokes", "--sound").exception is None
    assert (asked / "evening.ogg").read_bytes() == TAKE.read_bytes()
    refused = run("export", str(with_sound), "--to", "bids", "-o", str(tmp_path / "bids"), "--sound")
    assert "holds motion only" in str(refused.exception)


def test_the_sound_goes_with_its_session_and_nothing_else_does(with_sound: Path) -> None:
    folder = with_sound.parent
    (folder / "evening.html").write_text("a report", encoding="utf-8")
    other = folder / "other.mcap"
    shutil.copy(with_sound, other)
    (folder / "notes.ogg").write_bytes(b"not of this session")
    kept = run("delete", str(with_sound), given="n\n")
    assert kept.exception is not None
    assert with_sound.exists()
    done = run("delete", str(with_sound), given="y\n")
    assert done.exception is None
    assert sorted(each.name for each in folder.iterdir()) == ["evening.html", "notes.ogg", "other.mcap"]


def test_what_only_bears_the_name_stays(with_sound: Path) -> None:
    sound = with_sound.with_name("evening.ogg")
    sound.write_bytes(b"another recording")
    assert run("delete", "--yes", str(with_sound)).exception is None
    assert not with_sound.exists()
    assert sound.read_bytes() == b"another recording"
    assert "no such file" in str(run("delete", "--yes", str(with_sound)).exception).lower()
