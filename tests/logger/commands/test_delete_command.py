"""Removing a player: sessions, sound, summaries, straps and evenings of that name, and of no other."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import InputError
from analysis.model.records import Instrument, Player
from analysis.model.session_parts import Attachment
from logger.cli import cli
from logger.many.session_cache import CACHE_NAME
from logger.many.session_store import Entry, SessionFile, SessionStore
from logger.player.ability_file import ability_path, keep_evenings
from logger.player.player_profile import PlayerProfile, Players, load_players, save_players
from logger.practice.ability import Ability, Evening
from logger.session.session_file import read_session, write_session
from tests.logger.session.make import session as make_session

SOUND = b"invented noise of a room"


def run(*arguments: str | Path, answer: str = "") -> Result:
    return CliRunner().invoke(cli, ["delete", *map(str, arguments)], input=answer)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two pupils' sessions, one with sound; their summaries, straps and evenings."""
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "home"))
    folder = tmp_path / "lessons"
    (folder / "older").mkdir(parents=True)
    sound = Attachment("sound", "monday.flac", hashlib.sha256(SOUND).hexdigest(), len(SOUND))
    (folder / "monday.flac").write_bytes(SOUND)
    for number, (name, player) in enumerate((("monday", "ada"), ("older/friday", "ada"), ("tuesday", "Ada"))):
        session = make_session(seed=number)
        kept = (sound,) if name == "monday" else ()
        write_session(folder / f"{name}.mcap", replace(session, player=Player(player), attachments=kept))
    store = SessionStore(folder / CACHE_NAME, "test")
    for path in sorted(folder.rglob("*.mcap")):
        session = read_session(path)
        store.keep(Entry(SessionFile(path.name, path, 1, 1), session.log_hash, f"secret of {session.player.name}"))
    store.close()
    for name in ("ada", "Ada"):
        keep_evenings(name, Ability((Evening(name, 10.0),)))
    save_players(
        Players((PlayerProfile(Player("ada"), Instrument()), PlayerProfile(Player("Ada"), Instrument())), "ada")
    )
    return folder


def test_all_of_one_player_goes_and_nothing_of_another(folder: Path) -> None:
    done = run(folder, "--player", "ada", "--yes")
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in folder.rglob("*.*")) == [CACHE_NAME, "tuesday.mcap"]
    assert b"secret of ada" not in (folder / CACHE_NAME).read_bytes()
    assert b"secret of Ada" in (folder / CACHE_NAME).read_bytes()
    players = load_players()
    assert ([p.player.name for p in players.profiles], players.active) == (["Ada"], "")
    assert list(json.loads(ability_path().read_text(encoding="utf-8"))["player"]) == ["Ada"]
    assert all(part in done.output for part in ("monday.flac", "players.toml", "evenings.json", CACHE_NAME))


def test_it_asks_first_and_a_no_changes_nothing(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.parent.rglob("*") if path.is_file()}
    done = run(folder, "--player", "ada", answer="n\n")
    assert done.exit_code == 1
    assert "monday.mcap" in done.output
    assert {path: path.read_bytes() for path in folder.parent.rglob("*") if path.is_file()} == before


def test_a_name_that_nobody_has_is_told_with_those_there_are(folder: Path) -> None:
    done = run(folder, "--player", "ad", "--yes")
    assert isinstance(done.exception, InputError)
    assert "'Ada', 'ada'" in str(done.exception)


def test_what_cannot_be_read_stays_and_is_told(folder: Path) -> None:
    (folder / "torn.mcap").write_bytes(b"no session")
    done = run(folder, "--player", "ada", "--yes")
    assert done.exit_code == 0
    assert "torn.mcap cannot be read and stays" in " ".join(done.output.split())
    assert (folder / "torn.mcap").exists()


def test_a_damaged_store_keeps_everything_and_says_so(folder: Path) -> None:
    (folder / CACHE_NAME).write_bytes(b"no store" * 200)
    done = run(folder, "--player", "ada", "--yes")
    assert done.exit_code == 1
    assert "delete it" in str(done.exception)
    assert (folder / "monday.mcap").exists()
    with pytest.raises(sqlite3.DatabaseError):
        sqlite3.connect(folder / CACHE_NAME).execute("SELECT * FROM summed_sessions")
