"""The conformance kit: the C core, the reference firmware and the host's reader pass it; faulty ones do not."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from tests.firmware.compilers import CORE, DESK, SANITIZERS, compile_native
from tests.house.test_house import ROOT
from tests.logger.sources.firmware import Firmware, running
from tests.patience import PATIENCE_S

KIT = ROOT / "firmware_docs" / "conformance" / "conform.py"


def conform(*words: str) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, str(KIT), *words], capture_output=True, text=True, timeout=5 * PATIENCE_S, cwd=ROOT
    )
    assert done.stderr == "", done.stderr
    return done.returncode, done.stdout


def test_the_kit_itself() -> None:
    assert conform("vectors")[0] == 0


def test_the_c_core_conforms(tmp_path: Path) -> None:
    board = compile_native(tmp_path, "board", [CORE / "strokeplane.c", DESK / "desk_board.c"], SANITIZERS)
    code, said = conform("--rate", "1000", "board", str(board))
    assert code == 0, said
    assert "FAIL" not in said


def test_the_reference_firmware_conforms(tmp_path: Path) -> None:
    with running(Firmware(tmp_path, np.zeros((500, 6), np.int16), step_us=0)) as firmware:
        code, said = conform("--rate", "250", "--port", firmware.port, "board")
        assert code == 0, said + firmware.errors()


def test_the_hosts_reader_conforms() -> None:
    code, said = conform("reader", sys.executable, "-m", "tests.firmware.print_samples")
    assert code == 0, said


Change = tuple[str, str, str]
BOARD_FAULTS: dict[str, Change] = {
    "its own frames, echoed": ("if (type < 0x80u) {", "if (type < 0x02u) {", "answers its own echo"),
    "resume: numbers and ticks": (
        "device->running = (uint8_t)(type == START || device->settings.deaf);",
        "device->running = (uint8_t)(type == START); device->next = 7;",
        "counts anew at each start",
    ),
    "a new rate starts a new life": ("device->settings.boot++;", "", "keeps its boot with a new rate"),
    "identify: a sound hello": ("put8(device, s->tick_bits);", "put8(device, 33);", "claims a clock of 33 bits"),
    "every frame that came was sound": (
        "crc = 0xFFFFFFFFu;",
        "crc = size > 200u ? 1u : ~0u;",
        "sums long frames wrongly",
    ),
    "frame numbers count": ("device->frame_number++;", "device->frame_number |= 1u;", "does not count its frames"),
}


def test_faulty_boards_fail(tmp_path: Path) -> None:
    """Each with one fault put into the core; the kit must name the rule that is broken."""

    def told(rule: str, change: Change) -> tuple[str, str]:
        folder = tmp_path / change[2].replace(" ", "-")
        folder.mkdir()
        text = (CORE / "strokeplane.c").read_text(encoding="ascii")
        assert change[0] in text, change
        (folder / "strokeplane.c").write_text(text.replace(change[0], change[1], 1))
        options = ["-Wno-error=unused-parameter", f"-I{CORE}"]
        board = compile_native(folder, "board", [folder / "strokeplane.c", DESK / "desk_board.c"], options)
        code, said = conform("--rate", "1000", "board", str(board))
        assert code == 1, change[2]
        return rule, "\n".join(line for line in said.splitlines() if line.startswith("FAIL"))

    with ThreadPoolExecutor(len(BOARD_FAULTS)) as threads:
        for rule, failures in threads.map(lambda item: told(*item), BOARD_FAULTS.items()):
            assert f"FAIL {rule}" in failures, failures


@contextlib.contextmanager
def a_reader_that(folder: Path, spoil: Callable[[str], str]) -> Iterator[Path]:
    text = (Path(__file__).parent / "print_samples.py").read_text(encoding="utf-8")
    path = folder / "reader.py"
    path.write_text(
        f"import sys\nsys.path.insert(0, {str(ROOT)!r})\n" + spoil(text.split('"""', 2)[2].split("annotations")[1])
    )
    yield path


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("print(number, tick, *counts)", "print(number, tick, *counts[::-1])"),
        ("print(number, tick, *counts)", "print(number % 7, tick, *counts)"),
    ],
)
def test_faulty_readers_fail(tmp_path: Path, old: str, new: str) -> None:
    with a_reader_that(tmp_path, lambda text: text.replace(old, new)) as path:
        code, said = conform("reader", sys.executable, str(path))
    assert code == 1
    assert "FAIL frames in order" in said
