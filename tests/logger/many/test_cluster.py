"""The batch on a real Dask cluster of processes: one is killed mid-run; wrong addresses; workers of other versions."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from analysis.model.errors import ClusterError
from logger.many import dask_cluster
from logger.many.batch import find_sessions, run_batch
from logger.many.dask_cluster import open_cluster
from logger.many.session_store import SessionFile
from logger.many.session_work import work_through
from tests.logger.many.made import name_of_file
from tests.logger.many.test_batch import run, same_tables
from tests.optional import need_module
from tests.patience import PATIENCE_S

distributed = need_module("distributed")
need_module("pyarrow")


@pytest.fixture(autouse=True)
def patience(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_S", PATIENCE_S)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two worker processes, each with a nanny that starts a new one where it ends, on this computer only."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as running:
        yield running


@pytest.fixture
def client(cluster: Any) -> Iterator[Any]:
    with distributed.Client(cluster, set_as_default=False) as found:
        yield found


def test_the_same_tables_although_a_worker_is_killed(
    cluster: Any, client: Any, sessions: Path, by_one: Path, tmp_path: Path
) -> None:
    pids = client.run(os.getpid)
    assert os.getpid() not in pids.values()
    assert len(set(pids.values())) == 2
    killed = []

    def kill_a_busy_one(stage: str, share: float) -> None:
        busy = [worker for worker, tasks in client.processing().items() if tasks and worker in pids]
        if share > 0.2 and busy and not killed:
            killed.append(pids[busy[0]])
            os.kill(killed[0], signal.SIGKILL)

    named = find_sessions([str(sessions)])
    with open_cluster(cluster.scheduler_address) as crew:
        result = run_batch(named, tmp_path / "out", crew, kill_a_busy_one)
    assert killed
    # Every session came back exactly once, the one that the killed worker had in hand too.
    assert result.done.computed + result.done.kept == len(named)
    assert result.done.failed == {}
    assert same_tables(by_one, tmp_path / "out")


def test_a_session_that_ends_its_workers_is_given_up_alone(
    cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Every worker that ends takes seconds to come back: the scheduler itself tries no session again.
    monkeypatch.setattr(cluster.scheduler, "allowed_failures", 0)
    files = [SessionFile(name, tmp_path / name, 1, 1) for name in ("a", "ends", "b", "faulty", "c")]
    with open_cluster(cluster.scheduler_address) as crew:
        found = {entry.file.name: entry for entry in work_through(iter(files), name_of_file, crew)}
    assert sorted(found) == ["a", "b", "c", "ends", "faulty"]
    assert "ended the worker process" in found["ends"].sentence("ends")
    assert "ZeroDivisionError" in found["faulty"].sentence("faulty")
    assert [found[name].problem for name in "abc"] == [None] * 3


def test_the_command_goes_on_from_a_batch_of_one_worker(
    cluster: Any, sessions: Path, by_one: Path, tmp_path: Path
) -> None:
    shown = run(sessions / "player 1", "-o", tmp_path, "--dask", cluster.scheduler_address)
    assert shown.exit_code == 0, shown.output
    shown = run(sessions, "-o", tmp_path, "-j", "1")
    assert "; 7 known from before" in shown.output
    assert same_tables(by_one, tmp_path)


def test_workers_of_another_version_are_refused(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_cluster, "version", lambda name: "0.1" if name == "numpy" else version(name))
    with (
        pytest.raises(ClusterError, match=r"worker tcp.* has numpy [\d.]+, here it is 0\.1"),
        open_cluster(cluster.scheduler_address),
    ):
        pass
    # Also one that joined later, unseen.
    monkeypatch.setattr(dask_cluster, "_check_workers", lambda *_: None)
    files = [SessionFile("a", Path("a"), 1, 1)]
    with open_cluster(cluster.scheduler_address) as crew, pytest.raises(ClusterError, match="a worker has numpy"):
        list(work_through(iter(files), name_of_file, crew))


def test_an_address_where_nothing_answers_is_one_sentence(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_S", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as free:
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    for asked, sentence in ((address, "found none that answers"), ("nonsense", "such as tcp://127.0.0.1:8786")):
        with pytest.raises(ClusterError, match=sentence), open_cluster(asked):
            pass


def test_a_cluster_without_workers_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_S", 1.0)
    with (
        distributed.LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0") as empty,
        pytest.raises(ClusterError, match=r"expected workers at tcp.*--nthreads 1"),
        open_cluster(empty.scheduler_address),
    ):
        pass


def test_a_scheduler_that_goes_away_leaves_what_is_done(
    sessions: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask_cluster, "CONNECT_S", 30.0)  # It may be asked once more, and is waited for so long.
    named = find_sessions([str(sessions)])
    with distributed.LocalCluster(
        n_workers=1, processes=False, protocol="tcp", host="127.0.0.1", dashboard_address="127.0.0.1:0"
    ) as brief:
        seen = []

        def stop_it(stage: str, share: float) -> None:
            if share > 0.3 and not seen:
                seen.append(share)
                brief.close()

        with (
            pytest.raises(ClusterError, match="what was done is kept"),
            open_cluster(brief.scheduler_address) as crew,
        ):
            run_batch(named, tmp_path, crew, stop_it)
    assert "; 0 known" not in run(sessions, "-o", tmp_path, "-j", "1").output


def test_workers_that_cannot_be_counted_are_as_many_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dask_cluster, "COUNT_AGAIN_S", 0.0)
    answers: list[dict[str, int] | OSError] = [{"a": 2, "b": 1}, OSError("the scheduler is gone"), {"a": 2}]

    def nthreads() -> dict[str, int]:
        answer = answers.pop(0)
        if isinstance(answer, OSError):
            raise answer
        return answer

    window = dask_cluster._Window(SimpleNamespace(nthreads=nthreads))
    assert [window() for _ in range(3)] == [6, 6, 4]
