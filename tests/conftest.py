"""Rules for every test run."""

from __future__ import annotations

import os

# One thread for linear algebra, set before numpy is imported: its matrices are small here, and where several runs
# share the cores, threads that wait for each other take six times the processor's time.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402

from tests.optional import REQUIRE_ALL  # noqa: E402

# How long an example takes says how busy the machine is, nothing else.
settings.register_profile("strokeplane", deadline=None)
settings.load_profile("strokeplane")

# Stand-ins for a board's modules, run by another interpreter.
collect_ignore = ["logger/sources/micropython_desk"]


def pytest_xdist_auto_num_workers() -> int:
    """Three workers to two cores: a third of the time a test waits for a clock, a browser or another program."""
    return max(1, round(1.5 * (os.process_cpu_count() if hasattr(os, "process_cpu_count") else os.cpu_count() or 1)))


LONG_FILES = (
    "logger/live/test_page_evening.py",
    "analysis/findings/test_arbiter.py",
    "house/test_docs.py",
    "logger/live/test_page_session.py",
    "logger/live/test_raps.py",
    "house/test_first_minutes.py",
    "analysis/questions/test_posture_sentences.py",
)
"""Files of few tests that take a minute and more: begun last, one worker would be left alone with them."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first; else the order in which they were found."""
    rank = {f"tests/{name}": number for number, name in enumerate(LONG_FILES)}
    items.sort(key=lambda item: rank.get(item.nodeid.partition("::")[0], len(rank)))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say why a run with skipped tests fails where every part is required."""
    if os.environ.get(REQUIRE_ALL) == "1" and terminalreporter.stats.get("skipped"):
        terminalreporter.write_line(f"{REQUIRE_ALL}=1: a skipped test counts as failed", red=True)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Where every part is required, a skipped test fails the run, whatever skipped it."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = isinstance(reporter, pytest.TerminalReporter) and bool(reporter.stats.get("skipped"))
    if os.environ.get(REQUIRE_ALL) == "1" and skipped and exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
