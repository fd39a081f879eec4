"""A folder of sessions, and the tables that one worker makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.many.batch import find_sessions, run_batch
from logger.many.session_work import local_crew
from tests.logger.many.made import write_sessions
from tests.optional import need_module

SESSIONS = 10


@pytest.fixture(scope="package")
def sessions(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sessions")
    write_sessions(folder, SESSIONS)
    (folder / "empty.mcap").write_bytes(b"")
    (folder / "player 0" / "text.mcap").write_text("not a session", encoding="utf-8")
    copy = folder / "player 1" / "copy.mcap"
    copy.write_bytes((folder / "player 0" / "00.mcap").read_bytes())
    return folder


@pytest.fixture(scope="package")
def by_one(sessions: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    need_module("pyarrow")
    folder = tmp_path_factory.mktemp("by one") / "out"
    named = find_sessions([str(sessions)])
    run_batch(named, folder, local_crew(1, len(named)), lambda *_: None)
    return folder
