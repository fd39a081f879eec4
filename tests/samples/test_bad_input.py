"""What a player reads when a log is damaged, badly made or gives no answer: one clear sentence, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.errors import InputError, NotEnoughDataError, StrokeplaneError
from analysis.model.records import Session
from analysis.pipeline import analyse_session
from analysis.synthesis.simulate import simulate
from logger.cli import cli
from logger.sample_logs import FOLDER, SAMPLES
from logger.session import session_chunks, session_records
from logger.session.session_file import read_session, write_session
from tests.packaging.built import bin_folder

LOG = FOLDER / "steady_and_tilted.mcap"
PROGRAM = bin_folder(Path(sys.prefix)) / "strokeplane"


@pytest.fixture(scope="module")
def session() -> Session:
    return read_session(LOG)


def keep(session: Session, rows: np.ndarray) -> Session:
    raw = session.raw
    return replace(
        session,
        raw=replace(
            raw,
            ticks=raw.ticks[rows],
            sequence=raw.sequence[rows],
            host_time_s=raw.host_time_s[rows],
            counts=raw.counts[rows],
        ),
    )


def until(session: Session, seconds: float) -> Session:
    return keep(session, np.flatnonzero(session.raw.ticks < seconds * session.profile.tick_hz))


def refusal(path: Path) -> str:
    """The one sentence with which the command refuses a file."""
    done = CliRunner().invoke(cli, ["analyse", str(path)], standalone_mode=False)
    assert isinstance(done.exception, StrokeplaneError), done.exception
    assert done.output == ""
    said = str(done.exception)
    assert "\n" not in said
    assert path.name in said
    return said


def damaged(path: Path, change: Callable[[bytes], bytes]) -> Path:
    path.write_bytes(change(LOG.read_bytes()))
    return path


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda data: b"", "is empty; copy or record it again"),
        (lambda data: data[:300], "no readable session settings"),
        (lambda data: b"t,ax,ay\n1,2,3\n", "is text, not a session file"),
        (lambda data: bytes(range(256)) * 20, "no readable session settings"),
        (lambda data: data[:100_000], "The file was cut short"),
    ],
    ids=["empty", "head only", "text", "noise", "cut before play"],
)
def test_a_file_that_gives_no_answer(change: Callable[[bytes], bytes], sentence: str, tmp_path: Path) -> None:
    assert sentence in refusal(damaged(tmp_path / "s.mcap", change))


def test_a_file_of_a_newer_version(session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as newer:
        for module in (session_records, session_chunks):
            newer.setattr(module, "FORMAT_VERSION", session_records.FORMAT_VERSION + 1)
        write_session(tmp_path / "s.mcap", session)
    assert "written by a newer strokeplane; update strokeplane" in refusal(tmp_path / "s.mcap")


def test_a_flipped_bit_costs_a_chunk_and_is_told(tmp_path: Path) -> None:
    path = damaged(tmp_path / "s.mcap", lambda data: data[:200_000] + bytes([data[200_000] ^ 4]) + data[200_001:])
    done = CliRunner().invoke(cli, ["analyse", str(path)], standalone_mode=False)
    assert done.exception is None
    assert "chunks are damaged and were left out: 512 of" in " ".join(done.output.split())


@pytest.mark.parametrize("seconds", [3.5, 9.0, 19.0, 26.0, 31.0])
def test_a_log_that_ends_before_play_is_one_sentence(session: Session, seconds: float) -> None:
    """It may end in the middle of any gesture."""
    with pytest.raises(NotEnoughDataError, match=r"expected (at least a second of play|strokes of play)"):
        analyse_session(until(session, seconds))


def test_a_log_that_ends_early_keeps_its_blocks_and_says_so(session: Session) -> None:
    result = analyse_session(until(session, 65.0))
    assert [block.index for block in result.blocks] == [0, 1]
    assert result.blocks[0].strokes == 75
    assert result.blocks[1].strokes == 0
    assert any(warning.startswith("1 of 11 events lie outside the log") for warning in result.warnings)


@pytest.mark.parametrize("start_s", [12.0, 16.0, 22.0, 27.0])
def test_a_hole_in_any_gesture_is_survived(session: Session, start_s: float) -> None:
    at_s = session.raw.ticks / session.profile.tick_hz
    result = analyse_session(keep(session, np.flatnonzero((at_s < start_s) | (at_s > start_s + 4.5))))
    assert [block.strokes for block in result.blocks] == [75, 75]
    assert any("samples are missing" in warning for warning in result.warnings)


def test_blocks_that_overlap_are_refused(session: Session) -> None:
    longer = tuple(replace(e, end_s=e.end_s + 10) if e.kind == "play" else e for e in session.events)
    with pytest.raises(InputError, match="one play at a time"):
        analyse_session(replace(session, events=longer))


@pytest.mark.parametrize(
    ("poor", "sentence"),
    [
        ({"poor_across": True}, "across and along to be nearly at right angles"),
        ({"poor_pivot": True}, "keep the tip on one spot and rock the hand"),
        ({"missing": ("along",)}, "along missing or not usable"),
    ],
    ids=["parallel", "no rocking", "missing"],
)
def test_gestures_done_badly_are_named_on_the_screen(poor: dict[str, object], sentence: str, tmp_path: Path) -> None:
    scenario = SAMPLES[0].scenario
    scenario = replace(scenario, blocks=scenario.blocks[:1], gestures=replace(scenario.gestures, **poor))
    write_session(tmp_path / "s.mcap", simulate(scenario, 11).session)
    done = CliRunner().invoke(cli, ["analyse", str(tmp_path / "s.mcap")], standalone_mode=False)
    assert done.exception is None
    assert sentence in " ".join(done.output.split())


def test_no_strokes_at_all(tmp_path: Path) -> None:
    write_session(tmp_path / "s.mcap", simulate(replace(SAMPLES[0].scenario, blocks=()), 11).session)
    assert "expected strokes of play, found none" in refusal(tmp_path / "s.mcap")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, a Linux device that is always full")
@pytest.mark.parametrize("arguments", [(), ("--json", "/dev/full")])
def test_a_full_disk_is_one_sentence_and_exit_code_1(arguments: tuple[str, ...]) -> None:
    # As a player has it: with a buffer, whatever this test's own environment says.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [PROGRAM, "analyse", str(LOG), *arguments],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            env=environment,
        )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "o space left on device" in done.stderr
