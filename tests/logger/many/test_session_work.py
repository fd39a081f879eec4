"""Workers: sessions that end them, faults, what is tried again, what outlives whom."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from analysis.model.errors import OutputError
from logger.many.session_store import Entry, SessionFile, SessionStore
from logger.many.session_work import bring_up_to_date, local_crew, outcomes, work_through
from tests.house.test_house import ROOT
from tests.logger.many.made import name_of_file
from tests.patience import PATIENCE_S


def files(folder: Path, *names: str) -> list[tuple[str, Path]]:
    """Files of an hour ago: what was just written is known by its bytes only."""
    for name in names:
        path = folder / f"{name}.mcap"
        path.write_text(name, encoding="utf-8")
        os.utime(path, (path.stat().st_mtime - 3600,) * 2)
    return [(name, folder / f"{name}.mcap") for name in names]


def work(folder: Path, jobs: int, *names: str) -> dict[str, Entry]:
    tasks = [SessionFile(name, path, 1, 1) for name, path in files(folder, *names)]
    found = list(work_through(iter(tasks), name_of_file, local_crew(jobs, len(tasks))))
    assert Counter(entry.file.name for entry in found) == Counter(names)
    return {entry.file.name: entry for entry in found}


def test_a_session_that_ends_its_worker_takes_no_other_with_it(tmp_path: Path) -> None:
    good = [f"good {i}" for i in range(6)]
    found = work(tmp_path, 2, *good[:3], "ends", *good[3:], "ends once")
    assert [name for name, entry in found.items() if entry.problem] == ["ends"]
    assert "ended the worker process" in found["ends"].sentence("ends")
    assert not found["ends"].lasting
    # One thread each for linear algebra, unless the environment says otherwise, and not in this process.
    threads = " ".join(os.environ.get(name, "1") for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"))
    pids = {str(found[name].content).split()[0] for name in (*good, "ends once")}
    assert str(os.getpid()) not in pids
    assert {str(found[name].content).split(maxsplit=1)[1] for name in good} == {threads}


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_goes_wrong_is_a_sentence_and_stops_nothing(tmp_path: Path, jobs: int) -> None:
    found = work(tmp_path, jobs, "faulty", "poor", "gone", "good")
    assert found["good"].problem is None
    path = tmp_path / "poor.mcap"
    assert found["poor"].sentence(path) == f"{path}: expected more, found less; record again"
    assert found["gone"].sentence("gone") == "gone cannot be read"
    assert "ZeroDivisionError: a line and another" in found["faulty"].sentence("faulty")
    # A file that could not be read, or a fault of the program, may be gone the next time.
    assert {name: entry.lasting for name, entry in found.items()} == {
        "faulty": False,
        "poor": True,
        "gone": False,
        "good": True,
    }


def test_only_what_may_end_otherwise_is_tried_again(tmp_path: Path) -> None:
    named = files(tmp_path, "faulty", "good", "poor")
    named.append(("missing", tmp_path / "missing.mcap"))
    store = SessionStore(tmp_path / "store", "test")
    first = bring_up_to_date(store, named, name_of_file, local_crew(1, 3), lambda *_: None)
    again = bring_up_to_date(store, named, name_of_file, local_crew(1, 3), lambda *_: None)
    assert (first.computed, first.kept, sorted(first.failed)) == (3, 0, ["faulty", "missing"])
    assert (again.computed, again.kept, sorted(again.failed)) == (1, 2, ["faulty", "missing"])
    problems = {name: entry.problem is not None for name, _, entry in outcomes(store, named, again)}
    assert problems == {"faulty": True, "good": False, "poor": True, "missing": True}
    store.close()


def test_a_copy_of_a_bad_file_is_called_by_its_own_name(tmp_path: Path) -> None:
    named = files(tmp_path, "poor")
    store = SessionStore(tmp_path / "store", "test")
    bring_up_to_date(store, named, name_of_file, local_crew(1, 1), lambda *_: None)
    copy = tmp_path / "copy.mcap"
    copy.write_bytes(named[0][1].read_bytes())
    done = bring_up_to_date(store, [("copy", copy)], name_of_file, local_crew(1, 1), lambda *_: None)
    assert (done.computed, done.kept) == (0, 1)
    assert store.entry("copy").sentence("copy").startswith("copy: expected more")
    store.close()


def test_a_store_that_cannot_grow_is_one_sentence(tmp_path: Path) -> None:
    store = SessionStore(tmp_path / "store", "test")
    store.close()
    store = SessionStore(tmp_path / "store", "test")
    store._base.execute("PRAGMA max_page_count = 1")
    with pytest.raises(OutputError, match="cannot be written on"):
        store.keep(Entry(SessionFile("big", Path(), 1, 1), "", bytes(1 << 20)))
    store.close()


@pytest.mark.skipif(sys.platform != "linux", reason="looks for processes in /proc")
def test_workers_end_with_their_parent(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from logger.many.session_store import SessionFile\n"
        "from logger.many.session_work import local_crew, work_through\n"
        "from tests.logger.many.made import wait_long\n"
        "files = [SessionFile(str(i), Path(sys.argv[1]) / str(i), 1, 1) for i in range(2)]\n"
        "if __name__ == '__main__': list(work_through(iter(files), wait_long, local_crew(2, 2)))\n"
    )
    script = tmp_path / "run.py"
    script.write_text(code, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    parent = subprocess.Popen([sys.executable, str(script), str(tmp_path)], env=environment)
    try:
        pids = wait_for(lambda: [int(path.suffix[1:]) for path in tmp_path.glob("[01].*")], 2)
    finally:
        parent.send_signal(signal.SIGKILL)
        parent.wait()
    gone_by = time.monotonic() + PATIENCE_S
    while any(Path(f"/proc/{pid}").exists() for pid in pids):
        assert time.monotonic() < gone_by
        time.sleep(0.02)


def wait_for(look, count: int) -> list[int]:  # type: ignore[no-untyped-def]
    until = time.monotonic() + PATIENCE_S
    while len(found := look()) < count:
        assert time.monotonic() < until
        time.sleep(0.02)
    return found
