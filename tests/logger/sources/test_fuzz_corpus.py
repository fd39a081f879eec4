"""Every input that fuzzing has kept, without the fuzzer; and what ``make fuzz`` would start from."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.logger.sources.fuzz_readers import CORPUS, check_one, seeds
from tests.optional import need_module


def test_kept_inputs_and_seeds() -> None:
    kept = {path.name: path.read_bytes() for path in CORPUS.iterdir()}
    assert set(seeds()) <= set(kept), "run make fuzz once to write the seeds"
    for data in [*kept.values(), *seeds().values()]:
        check_one(data)


def test_every_cut_of_every_seed() -> None:
    for data in seeds().values():
        for end in range(0, len(data), 3):
            check_one(data[:end])


@pytest.mark.soak
def test_a_minute_of_fuzzing(tmp_path: Path) -> None:
    need_module("atheris", "extra 'test', Linux only")
    command = [sys.executable, str(Path(__file__).parent / "fuzz_readers.py"), "-max_total_time=60", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
