"""What a reboot costs: from the last sample of one life to the first of the next, by the real source."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.firmware.compilers import CORE, DESK, SANITIZERS, compile_native, environment
from tests.firmware.project import Item, LinkSettings, RawSamples, join_samples, load_profile, open_source
from tests.logger.sources.board import Board, PtyBoard
from tests.optional import missing
from tests.patience import PATIENCE_S, Lateness, wait_for

if sys.platform != "linux":
    missing("boards on the desk need pseudo terminals")

FRAMES = load_profile("frames")
BOOT_S = 0.05  # What the board on the desk takes to start again.
REACH_S = 0.5


@contextlib.contextmanager
def on_a_terminal(program: Path, *words: str) -> Iterator[str]:
    """A program on its streams, as a serial port."""
    board_end, host_end = pty.openpty()
    tty.setraw(host_end)
    process = subprocess.Popen([str(program), *words], stdin=board_end, stdout=board_end, env=environment())
    os.close(board_end)
    try:
        yield os.ttyname(host_end)
    finally:
        process.kill()
        process.wait()
        os.close(host_end)


def samples_of(items: list[Item]) -> RawSamples:
    return join_samples([item for item in list(items) if isinstance(item, RawSamples)])


def wait_until_samples(items: list[Item], n: int) -> None:
    wait_for(lambda: sum(len(item.ticks) for item in list(items) if isinstance(item, RawSamples)) >= n)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sources = [CORE / "strokeplane.c", DESK / "desk_board.c"]
    return compile_native(tmp_path_factory.mktemp("board"), "board", sources, SANITIZERS)


def test_a_reboot_that_says_hello(program: Path) -> None:
    """The C core in real time, restarted in the middle; its hello brings a start at once."""
    items: list[Item] = []
    with on_a_terminal(program, "reboot", "1500") as port:
        source = open_source(port, FRAMES, LinkSettings(ready_s=PATIENCE_S, silence_s=30.0))
        source.start(items.extend)
        with Lateness() as late:
            wait_until_samples(items, 1200)
        source.stop()
    got = samples_of(items)
    assert source.losses.restarts == 1
    lost_s = (np.diff(got.sequence).max() - 1) / 500.0
    print(f"a reboot of {BOOT_S} s cost {lost_s:.3f} s")
    assert BOOT_S / 2 < lost_s < REACH_S + late.sum_s
    # The made-up part reads the number of the sample in its life: it began again from 0, and nothing came twice.
    assert (np.diff(got.counts[:, 0]) < 0).sum() == 1
    assert (np.diff(got.ticks) > 0).all()


def test_a_reboot_whose_hello_is_lost(tmp_path: Path) -> None:
    """A board that comes back idle and silent but for its status: a quarter of a second without samples is enough."""
    counts = np.random.default_rng(3).integers(-32768, 32768, (4000, 6), dtype=np.int16)
    items: list[Item] = []
    device = PtyBoard(Board(counts), str(tmp_path / "board"))
    try:
        source = open_source(device.port, FRAMES, LinkSettings(ready_s=PATIENCE_S, silence_s=30.0))
        source.start(items.extend)
        wait_until_samples(items, 1000)
        device.board.reboot()
        with Lateness() as late:
            wait_until_samples(items, 1400)
        source.stop()
    finally:
        device.close()
    got = samples_of(items)
    assert source.losses.restarts == 1
    lost_s = (np.diff(got.sequence).max() - 1) / 400.0
    print(f"a reboot without hello cost {lost_s:.3f} s")
    assert lost_s < REACH_S + late.sum_s
