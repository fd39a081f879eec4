"""Summaries kept beside the sessions: what is analysed again, what is not, and files that are no sessions."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.model.errors import InputError
from analysis.model.records import Event, Session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import PlayBlock
from analysis.synthesis.simulate import simulate
from logger.many import session_cache
from logger.many.session_cache import CACHE_NAME, FolderSummaries, decode_summary, encode_summary, summarise_folder
from logger.session.session_file import read_session, write_session


@pytest.fixture(scope="module")
def session() -> Session:
    block = PlayBlock(strokes_per_s=6.0, tilt_deg=14.0, duration_s=5.0, drill="tune")
    scenario = replace(random_scenario(4, rate_hz=100.0), blocks=(block, block), rest_s=(1.0, 2.0))
    return simulate(scenario, 4).session


@pytest.fixture
def folder(tmp_path: Path, session: Session) -> Path:
    for i in range(3):
        name = tmp_path / ("deep" if i else ".") / f"{i}.mcap"
        name.parent.mkdir(exist_ok=True)
        write_session(name, replace(session, metadata={"number": str(i)}))
    return tmp_path


def look(folder: Path) -> FolderSummaries:
    return summarise_folder(folder, jobs=1)


def test_a_session_is_analysed_once(folder: Path) -> None:
    first, second = look(folder), look(folder)
    assert (first.computed, first.kept) == (3, 0)
    assert (second.computed, second.kept) == (0, 3)
    assert first.summaries == second.summaries
    assert [s.name for s in first.summaries] == ["0.mcap", "deep/1.mcap", "deep/2.mcap"]
    assert first.summaries[0].groups[0].drill == "tune"
    assert first.problems == ()


def test_started_is_the_first_samples_time(folder: Path) -> None:
    host = read_session(folder / "0.mcap").raw.host_time_s
    assert look(folder).summaries[0].started_s == pytest.approx(host[0])


def test_a_changed_file_is_analysed_alone(folder: Path, session: Session) -> None:
    look(folder)
    write_session(folder / "0.mcap", replace(session, metadata={"number": "changed"}))
    found = look(folder)
    assert (found.computed, found.kept) == (1, 2)


def test_a_change_that_keeps_size_and_time_within_a_tick_is_seen(folder: Path) -> None:
    look(folder)
    path = folder / "0.mcap"
    stat = path.stat()
    other = (folder / "deep" / "1.mcap").read_bytes()
    path.write_bytes(other)
    # As if both writes had fallen into one tick of a coarse clock.
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert path.stat().st_size == stat.st_size
    found = look(folder)
    assert found.computed == 0
    summary = next(s for s in found.summaries if s.name == "0.mcap")
    assert summary == replace(next(s for s in found.summaries if s.name == "deep/1.mcap"), name="0.mcap")


def test_a_file_that_was_moved_or_copied_costs_nothing(folder: Path) -> None:
    look(folder)
    (folder / "0.mcap").rename(folder / "moved.mcap")
    shutil.copy(folder / "deep" / "1.mcap", folder / "copy.mcap")
    found = look(folder)
    assert found.computed == 0
    assert [s.name for s in found.summaries] == ["copy.mcap", "deep/1.mcap", "deep/2.mcap", "moved.mcap"]


def test_another_version_of_the_analysis_asks_for_all_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    look(folder)
    monkeypatch.setattr(session_cache, "fingerprint", lambda: "another")
    assert look(folder).computed == 3
    assert look(folder).computed == 0


def test_the_fingerprint_knows_every_module() -> None:
    assert session_cache.fingerprint() == session_cache.fingerprint()
    assert len(session_cache.fingerprint()) == 64


def test_foreign_and_broken_files_get_a_sentence_each_and_stop_nothing(folder: Path, session: Session) -> None:
    (folder / "notes.txt").write_text("not a session", encoding="utf-8")
    (folder / "report.html").write_text("<p>", encoding="utf-8")
    (folder / "foreign.mcap").write_bytes(b"\x89MCAP0\r\n" + bytes(40))
    (folder / "empty.mcap").write_bytes(b"")
    rated = Event(1.0, 1.0, "rating", "tension", rating=11.0)
    write_session(folder / "rated.mcap", replace(session, events=(*session.events, rated)))
    found = look(folder)
    assert len(found.summaries) == 3
    assert len(found.problems) == 3
    for name in ("foreign.mcap", "empty.mcap", "rated.mcap"):
        (sentence,) = [p for p in found.problems if name in p]
        assert "\n" not in sentence
        assert sentence.startswith(str(folder / name))
    assert "from 0 to 10, found 11" in next(p for p in found.problems if "rated" in p)
    # A file that failed is not analysed again either.
    again = look(folder)
    assert again.computed == 0
    assert again.problems == found.problems


def test_a_cache_that_is_damaged_or_cannot_be_kept_is_said(folder: Path) -> None:
    (folder / CACHE_NAME).write_bytes(b"nonsense" * 100)
    found = look(folder)
    assert len(found.summaries) == 3
    assert "cannot be used" in found.problems[0]
    (folder / CACHE_NAME).unlink()
    (folder / CACHE_NAME).mkdir()
    assert "cannot be used" in look(folder).problems[0]


def test_what_was_done_is_kept_when_a_run_is_stopped(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(stage: str, share: float) -> None:
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        summarise_folder(folder, 1, stop)
    found = look(folder)
    assert (found.computed, found.kept) == (1, 2)


def test_two_processes_find_what_one_finds(folder: Path) -> None:
    several = summarise_folder(folder, jobs=2)
    (folder / CACHE_NAME).unlink()
    assert several.summaries == look(folder).summaries


def test_a_summary_survives_its_json(folder: Path) -> None:
    for summary in look(folder).summaries:
        assert decode_summary(encode_summary(summary)) == summary


def test_the_cache_holds_the_files_hash(folder: Path) -> None:
    look(folder)
    with sqlite3.connect(folder / CACHE_NAME) as cache:
        rows: Sequence[tuple[str, str]] = cache.execute(
            "SELECT name, hash FROM summed_sessions ORDER BY name"
        ).fetchall()
    assert rows[0] == ("0.mcap", read_session(folder / "0.mcap").log_hash)


@pytest.mark.parametrize("name", ["missing", "empty"])
def test_a_folder_without_sessions_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="expected"):
        look(tmp_path / name)
