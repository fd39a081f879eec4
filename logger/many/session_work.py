"""Bring a store of sessions up to date with several workers; one bad session stops none of the others.

Files are looked at and handed out only as workers become free, so that neither the number of sessions nor a slow disk
counts. A worker process that ends may take others with it: what they had in hand is tried again, one session at a
time, and only a session that twice ends its worker alone is given up: once might be another's doing.
"""

from __future__ import annotations

import contextlib
import itertools
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeAlias

from analysis.model.errors import ClusterError, StrokeplaneError
from logger.files.atomic_file import reason
from logger.many.session_store import Entry, SessionFile, SessionStore, hash_file

SETTLED_S = 2.0
"""A file changed less than this before it was looked at may change again within one tick of the file system's clock."""
WORKERS_ENVIRONMENT = {
    # One thread each for linear algebra: more would wait for each other.
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    # A stranger's file in the present folder that is called as one of our packages stays out.
    "PYTHONSAFEPATH": "1",
}
TRIES_ALONE = 2
ENDED = ": its analysis ended the worker process, perhaps for want of memory; run it again with fewer workers"

Analyse: TypeAlias = Callable[[Path], tuple[str, str | bytes]]
"""From a session's file to the hash of its bytes and what is kept of it; a function that other processes can import."""
Progress: TypeAlias = Callable[[str, float], None]


@dataclass(frozen=True)
class Crew:
    """Who does the work.

    Attributes
    ----------
    start : callable
        Gives fresh workers.
    window : callable
        How many sessions they have in hand at a time: more than there are workers, so that none waits.
    own : bool
        They are this process's own; it waits for them when it stops.
    ended : tuple of exception types
        Raised where a worker ended, maybe by another session's fault.
    """

    start: Callable[[], Executor]
    window: Callable[[], int]
    own: bool = True
    ended: tuple[type[Exception], ...] = (BrokenExecutor,)


@dataclass
class WorkDone:
    """What a round of work came to.

    Attributes
    ----------
    computed, kept : int
        Sessions analysed now, and known from before.
    failed : dict of str to Entry
        Sessions whose outcome is not kept, by name.
    worker_s : float
        What the sessions analysed now took their workers, together.
    """

    computed: int = 0
    kept: int = 0
    failed: dict[str, Entry] = field(default_factory=dict)
    worker_s: float = 0.0


def local_crew(jobs: int | None, sessions: int) -> Crew:
    """Processes of this computer, one a core unless ``jobs`` says otherwise; a thread if one is enough.

    Parameters
    ----------
    jobs : int or None
        Number of processes; None takes one a core.
    sessions : int
        Number of sessions to work on; never more processes than that.

    Returns
    -------
    Crew
    """
    workers = min(jobs or count_cores(), sessions)
    if workers <= 1:
        return Crew(lambda: ThreadPoolExecutor(1), lambda: 1)
    return Crew(lambda: _start_processes(workers), lambda: 2 * workers)


def count_cores() -> int:
    """Cores that this process may use, which on shared machines are fewer than there are."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1


def bring_up_to_date(
    store: SessionStore, named: Sequence[tuple[str, Path]], analyse: Analyse, crew: Crew, progress: Progress
) -> WorkDone:
    """Analyse every session that the store does not hold, and keep each as soon as it is done.

    Parameters
    ----------
    store : SessionStore
    named : sequence of (str, Path)
    analyse : callable
    crew : Crew
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    WorkDone

    Raises
    ------
    ClusterError
        The workers were lost, all of them, or cannot do this work; what was done is kept.
    """
    done = WorkDone()
    progress("looking for sessions", 0.0)
    for entry in work_through(find_unknown(store, named, done), analyse, crew):
        done.computed += 1
        done.worker_s += entry.seconds
        if entry.lasting:
            store.keep(entry)
        else:
            done.failed[entry.file.name] = entry
        progress("analysing sessions", (done.kept + done.computed) / len(named))
    return done


def outcomes(
    store: SessionStore, named: Sequence[tuple[str, Path]], done: WorkDone
) -> Iterator[tuple[str, Path, Entry]]:
    """Yield every session's outcome after the work was done, in the order of the names given."""
    for name, path in named:
        yield name, path, done.failed.get(name) or store.entry(name)


def work_through(files: Iterator[SessionFile], analyse: Analyse, crew: Crew) -> Iterator[Entry]:
    """Yield each file's outcome, exactly one, in the order in which they are done."""
    while lost := (yield from _until_broken(files, analyse, crew, crew.window)):
        waiting, losses = deque(lost), Counter[str]()
        suspects = _drain(waiting)
        while guilty := (yield from _until_broken(suspects, analyse, crew, lambda: 1)):
            (file,) = guilty
            losses[file.name] += 1
            if losses[file.name] < TRIES_ALONE:
                waiting.appendleft(file)
            else:
                yield Entry(file, "", None, ENDED, lasting=False)


def _drain(waiting: deque[SessionFile]) -> Iterator[SessionFile]:
    """Yield from the left, also what is put there meanwhile."""
    while waiting:
        yield waiting.popleft()


def _until_broken(
    files: Iterator[SessionFile], analyse: Analyse, crew: Crew, window: Callable[[], int]
) -> Generator[Entry, None, list[SessionFile]]:
    """Yield outcomes until there are no more files or the workers end; return the files that they had in hand."""
    running: dict[Future[Entry], SessionFile] = {}
    workers = crew.start()
    try:
        while True:
            lost = []
            for file in itertools.islice(files, max(0, window() - len(running))):
                try:
                    running[workers.submit(analyse_one, analyse, file)] = file
                except crew.ended:
                    lost.append(file)
                    break
            if not running and not lost:
                return []
            done = wait(running, return_when=FIRST_COMPLETED).done
            if lost or any(_is_lost(future, crew) for future in done):
                done = wait(running).done
            for future in done:
                file = running.pop(future)
                if _is_lost(future, crew):
                    lost.append(file)
                else:
                    yield _outcome(file, future)
            if lost:
                return lost
    finally:
        for future in running:
            future.cancel()
        workers.shutdown(wait=crew.own)


def analyse_one(analyse: Analyse, file: SessionFile) -> Entry:
    """Analyse one session, in whatever process; an error that a user can cure becomes its sentence."""
    began = time.perf_counter()
    try:
        digest, content = analyse(file.path)
    except ClusterError:
        raise
    except StrokeplaneError as error:
        text = str(error)
        problem = text.removeprefix(str(file.path)) if text.startswith(str(file.path)) else f": {text}"
        digest, lasting = "", not isinstance(error.__cause__, OSError)
        with contextlib.suppress(OSError):
            digest = hash_file(file.path)
        return Entry(file, digest, None, problem, lasting, time.perf_counter() - began)
    return Entry(file, digest, content, seconds=time.perf_counter() - began)


def find_unknown(store: SessionStore, named: Sequence[tuple[str, Path]], done: WorkDone) -> Iterator[SessionFile]:
    """Yield the files that must be analysed; count the others."""
    for name, path in named:
        file = SessionFile(name, path, -1, -1)
        try:
            now_ns = time.time_ns()
            stat = path.stat()
            settled = now_ns - stat.st_mtime_ns > SETTLED_S * 1e9
            file = replace(file, size=stat.st_size, changed_ns=stat.st_mtime_ns if settled else -1)
            known = store.holds(file)
        except OSError as error:
            done.failed[name] = Entry(file, "", None, f" cannot be read ({reason(error)})", lasting=False)
            continue
        if known:
            done.kept += 1
        else:
            yield file


def _is_lost(future: Future[Entry], crew: Crew) -> bool:
    return not future.cancelled() and isinstance(future.exception(), crew.ended)


def _outcome(file: SessionFile, future: Future[Entry]) -> Entry:
    """What a worker found, or the sentence on what kept it from finding anything."""
    if future.cancelled():
        raise ClusterError(
            "the cluster's scheduler went away",
            next_step="what was done is kept, start it and run the same command again",
        )
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, ClusterError):
        raise error
    if isinstance(error, ImportError):
        raise ClusterError(
            f"a worker lacks a package ({error})",
            next_step="install there what is installed here",
        ) from error
    words = " ".join(f"{type(error).__name__}: {error}".split())
    return Entry(file, "", None, f": a fault of this program stopped its analysis ({words}); report it", lasting=False)


def _start_processes(workers: int) -> ProcessPoolExecutor:
    """Worker processes, this one's own."""
    for name, value in WORKERS_ENVIRONMENT.items():
        os.environ.setdefault(name, value)  # Inherited; for this process it comes too late to count.
    # A plain fork of a process with threads may hang; a server that has imported everything forks safely and at once.
    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    context.set_forkserver_preload(["logger.many.analyse"])
    return ProcessPoolExecutor(workers, context, initializer=_prepare_worker)


def _prepare_worker() -> None:
    """Make a worker end with its parent, however that ends, and at once when a key stops both."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is not None:

        def leave() -> None:
            parent.join()
            os._exit(1)

        threading.Thread(target=leave, daemon=True).start()
