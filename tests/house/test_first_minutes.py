"""The ten-minute page, followed from top to bottom: a board behind a pseudo terminal, then the simulated player.

And each failure that it names, with the sentence that it says.
"""

from __future__ import annotations

import re
import shlex
import time
from pathlib import Path

import numpy as np
import pytest

from analysis.model.errors import DeviceError
from logger.session.session_file import read_session
from logger.sources.base import LinkSettings
from logger.sources.device_profile import load_profile
from logger.sources.open_source import open_source
from logger.sources.sensor_check import check_mark
from logger.sources.serial import explain_open_error
from tests.house.test_house import ROOT
from tests.house.test_tutorial import check, ports
from tests.logger.commands.test_sensor_commands import Program, plugged
from tests.logger.sources.motion import counts_of, resting
from tests.logger.sources.test_serial import Taker
from tests.patience import wait_for

PAGE = ROOT / "docs" / "first-minutes.md"
SHELL = re.compile(r"^```sh\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def shown() -> list[list[str]]:
    """The page's commands, in order."""
    lines = [line for block in SHELL.findall(PAGE.read_text(encoding="utf-8")) for line in block.splitlines()]
    return [shlex.split(line)[1:] for line in lines if line.startswith("strokeplane ")]


def test_from_the_box_to_a_report(tmp_path: Path) -> None:
    start, look, good, record, analyse = shown()
    assert Program(tmp_path, *start).end()[0] == 0
    ports(tmp_path, look)
    check(tmp_path, good)
    program = Program(tmp_path, *record, "--source", "simulated", "--speed", "20")
    wait_for(lambda: "Press g" in program.said())
    program.press(" ")
    wait_for(lambda: read_session(tmp_path / "first.mcap").raw.ticks.size > 36000)  # a minute and a half
    for keys in (" ", "q"):
        program.press(keys)
        time.sleep(0.3)
    assert program.end()[0] == 0
    assert len(read_session(tmp_path / "first.mcap").raw.ticks) > 5000
    assert Program(tmp_path, *analyse).end()[0] == 0
    assert (tmp_path / "first.html").exists()


def test_without_a_board_the_check_says_what_to_expect_of_the_simulated_sensor(tmp_path: Path) -> None:
    command = next(words for words in shown() if words[0] == "check")
    code, said = Program(tmp_path, *command, "--source", "simulated", "--no-wait", "--pace", "0.3").end()
    page, words = " ".join(PAGE.read_text(encoding="utf-8").split()), " ".join(said.split())
    assert "does none of the following" in words
    assert code == 1
    for told in ("not usable", "not still"):
        assert told in words
        assert f"`{told}`" in page
    assert "flick is seen" in page


def said_on_the_page(sentence: str) -> None:
    """One of the table's first columns must be in a sentence that the program says."""
    marks = [mark for row in PAGE.read_text(encoding="utf-8").splitlines() if row.startswith("| `") for mark in
             re.findall(r"`([^`]+)`", row.split("|")[1])]  # fmt: skip
    assert any(mark in sentence for mark in marks), sentence


def failure(source: str, profile: str = "frames") -> str:
    with pytest.raises(DeviceError) as error:
        open_source(source, load_profile(profile), LinkSettings(ready_s=1.5)).start(Taker())
    said_on_the_page(str(error.value))
    return str(error.value)


def test_each_failure_on_the_way_has_its_sentence(tmp_path: Path) -> None:
    said_on_the_page(explain_open_error("/dev/ttyACM0", PermissionError(13, "Permission denied")))
    said_on_the_page(explain_open_error("/dev/ttyACM0", OSError(16, "busy")))
    with plugged(tmp_path, counts_of(*resting(1.0))) as device:
        device.board.running = True
        assert "baud rate" in failure(device.port, "mpu6050"), "frames, read as lines: as a wrong baud rate would"
        device.board.take = lambda data: b""  # type: ignore[method-assign]
        device.board.due = lambda sending=True: b""  # type: ignore[method-assign]
        assert "switched on" in failure(device.port), "a board that sleeps"
    found = check_mark(np.array([9.81, 0.0, 0.0]), "+z")
    assert found.verdict == "not usable"
    said_on_the_page(found.found)


def test_a_cable_that_only_charges(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from logger.cli import cli

    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    answer = CliRunner().invoke(cli, ["ports", "--no-ble"])
    assert "some cables only charge" in " ".join(answer.output.split())
