"""Let the workers of a Dask cluster do what this computer's own would do: the same function, the same store.

The cluster is somebody else's: it is neither started nor stopped here, and its scheduler sees to workers that come and
go. Workers need the session files under the same paths, and the same versions of everything that computes.
"""

from __future__ import annotations

import contextlib
import functools
import logging
import re
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, Future
from importlib.metadata import version
from pathlib import Path
from typing import Any

from analysis.model.errors import ClusterError
from logger.files.missing_package import missing_package
from logger.many.session_store import fingerprint
from logger.many.session_work import Analyse, Crew

ADDRESS = re.compile(r"([a-z]+://)?[^/:\s]+:\d+|([a-z]+://)?\[[0-9a-f:]+\]:\d+")
CONNECT_S = 10.0
ASK_AGAIN_S = 0.2
COUNT_AGAIN_S = 5.0
IN_HAND = 2
COMPUTING = ("numpy", "scipy", "pandas", "vqf", "pyarrow")


@contextlib.contextmanager
def open_cluster(address: str) -> Iterator[Crew]:
    """Meet a cluster and check that its workers compute what this computer would.

    Parameters
    ----------
    address : str
        Of its scheduler, as ``tcp://127.0.0.1:8786``.

    Yields
    ------
    Crew
        Ready to work; the link is closed afterwards.

    Raises
    ------
    InputError
        The package is missing here.
    ClusterError
        Nothing answers, there is no worker, or one is of another version.
    """
    try:
        import distributed
    except ModuleNotFoundError as error:
        raise missing_package("a cluster", "distributed", "cluster") from error
    if not ADDRESS.fullmatch(address):
        raise ClusterError(
            expected="a scheduler's address such as tcp://127.0.0.1:8786",
            found=f"{address}",
            next_step="name one",
        )
    # Its own lines on lost workers and links would stand between ours; what matters is said as an error.
    for name in [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            expected=f"the scheduler of a Dask cluster at {address}",
            found="none that answers",
            next_step="start one with dask scheduler, and name the address that it prints",
        ) from error
    with client:
        _check_workers(client, address)
        start = functools.partial(_CheckingExecutor, client)
        yield Crew(start, _Window(client), own=False, ended=(distributed.KilledWorker,))


def own_versions() -> dict[str, str]:
    """Versions of what computes, in this process."""
    return {
        "strokeplane": f"{version('strokeplane')} ({fingerprint('cluster')[:8]})",
        **{name: version(name) for name in COMPUTING},
    }


def analyse_checked(expected: Mapping[str, str], analyse: Analyse, path: Path) -> tuple[str, str | bytes]:
    """Analyse on a worker, which may have come after the others were checked.

    Raises
    ------
    ClusterError
        The worker is of another version.
    """
    found = _own_versions_once()
    if found != expected:
        raise ClusterError(_difference("a worker", expected, found))
    return analyse(path)


_own_versions_once = functools.cache(own_versions)


class _CheckingExecutor(Executor):
    """The cluster as an executor; every worker checks its versions before it works."""

    def __init__(self, client: Any) -> None:
        # Impure: the same session asked for twice is analysed twice, not taken from another run's memory.
        self._inner = client.get_executor(pure=False)
        self._versions = own_versions()

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        analyse, *rest = args
        checked = functools.partial(analyse_checked, self._versions, analyse)
        future: Future[Any] = self._inner.submit(function, checked, *rest, **kwargs)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._inner.shutdown(wait=wait)


class _Window:
    """How many sessions to hand out: a few a thread of the cluster, counted anew now and then."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._counted_s = -COUNT_AGAIN_S
        self._window = IN_HAND

    def __call__(self) -> int:
        if time.monotonic() - self._counted_s >= COUNT_AGAIN_S:
            self._counted_s = time.monotonic()
            # A scheduler that is gone is told of by what it has in hand.
            with contextlib.suppress(OSError):
                self._window = IN_HAND * max(1, sum(self._client.nthreads().values()))
        return self._window


def _check_workers(client: Any, address: str) -> None:
    until_s = time.monotonic() + CONNECT_S
    while not client.nthreads():
        if time.monotonic() >= until_s:
            raise ClusterError(
                expected=f"workers at {address}",
                found="none",
                next_step=f"start some with dask worker {address} --nthreads 1",
            )
        time.sleep(ASK_AGAIN_S)
    expected = own_versions()
    for worker, found in sorted(client.run(own_versions, on_error="return").items()):
        if isinstance(found, Exception):
            raise ClusterError(
                f"the worker {worker} cannot do this work ({' '.join(str(found).split())})",
                next_step="install there what is installed here, strokeplane included",
            )
        if found != expected:
            raise ClusterError(_difference(f"the worker {worker}", expected, found))


def _difference(worker: str, expected: Mapping[str, str], found: Mapping[str, str]) -> str:
    name = next(name for name in expected if found.get(name) != expected[name])
    return (
        f"{worker} has {name} {found.get(name, 'of another kind')}, here it is {expected[name]}: its results could "
        "differ; install the same versions everywhere"
    )
