"""The tutorial's commands that need a sensor, run as they stand there: with a stand-in where the sensor would be.

``check`` and ``calibrate`` get a board behind a pseudo terminal, ``record`` and ``live`` the simulated player. The rest
of the page's commands are run by ``test_docs``.
"""

from __future__ import annotations

import json
import re
import shlex
import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from logger.live.guard import lan_address
from logger.session.session_file import read_session
from tests.house.test_docs import blocks, commands
from tests.house.test_house import ROOT
from tests.logger.commands.test_sensor_commands import Program, face_counts, plugged, turn_to_each_face
from tests.logger.sources.motion import counts_of, flick, resting, strokes, turning
from tests.optional import need_module
from tests.patience import wait_for

PAGE = ROOT / "docs" / "tutorial.md"
SHELL = re.compile(r"^```sh\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def shown() -> dict[str, list[str]]:
    """Arguments of every command with a sensor on the page, by its name."""
    lines = [line for block in SHELL.findall(PAGE.read_text(encoding="utf-8")) for line in block.splitlines()]
    words = [shlex.split(line, comments=True)[1:] for line in lines if line.startswith("strokeplane ")]
    return {" ".join([arguments[0], *(["phone"] if "phone" in arguments else [])]): arguments for arguments in words}


def ports(folder: Path, arguments: list[str]) -> None:
    code, output = Program(folder, *arguments, "--scan", "0.1").end()
    assert code == 0, output


def check(folder: Path, arguments: list[str]) -> None:
    """A quick check of a board that lies, turns, plays and is flicked: it must come to a verdict on every line."""
    moves = [counts_of(*resting(1.5)), counts_of(*turning(0.3, 0.0)), counts_of(*strokes(0.8))]
    moves.append(counts_of(*flick(2.0, 1.0, 45.0, 0.02)))
    with plugged(folder, np.concatenate(moves)) as device:
        more = ("--source", device.port, "--pace", "0.1", "--no-wait", "--json")
        _, output = Program(folder, *arguments, *more).end()
    findings = json.loads(next(line for line in output.splitlines() if line.startswith("{")))["findings"]
    assert {"sample rate", "losses", "range"} <= {finding["name"] for finding in findings}


def calibrate(folder: Path, arguments: list[str]) -> None:
    bias, scale = np.array([0.1, -0.2, 0.1]), np.array([1.01, 0.99, 1.0])
    with plugged(folder, face_counts("+z", bias, scale)) as device:
        program = Program(folder, *arguments, "--source", device.port, "--pace", "0.35")
        wait_for(lambda: "press a key" in program.said())
        program.press(" ")
        turn_to_each_face(program, device, bias, scale)
        code, output = program.end()
    assert code == 0, output
    assert "Kept in" in output


def record(folder: Path, arguments: list[str]) -> None:
    program = Program(folder, *arguments, "--source", "simulated")
    wait_for(lambda: "Press g" in program.said())
    for keys in ("g", " ", " ", "q"):
        program.press(keys)
        time.sleep(0.3)
    code, output = program.end()
    assert code == 0, output
    played = [event for event in read_session(folder / "tonight.mcap").events if event.kind == "play"]
    assert [(event.tempo_bpm, event.notes_per_beat, event.wanted) for event in played] == [(88.0, 4.0, "down")]


PLAN = ("plan", "new", "ladder", "--tempo", "90", "--seconds", "20", "-o", "ladder.toml")


def live(folder: Path, arguments: list[str]) -> None:
    (plan,) = [
        command
        for language, block, _ in blocks(PAGE)
        for command in (commands(block) if language == "console" else ())
        if command.startswith("strokeplane plan new")
    ]
    code, output = Program(folder, *shlex.split(plan)[1:]).end()
    assert code == 0, output
    program = Program(folder, *arguments, "--source", "simulated", "--no-browser", "--port", "0")
    recording = folder / "tonight.mcap"
    wait_for(lambda: recording.exists() and read_session(recording).raw.ticks.size > 100)
    program.process.send_signal(signal.SIGINT)
    code, output = program.end()
    assert code == 0, output


def live_with_a_phone(folder: Path, arguments: list[str]) -> None:
    """The phone's page is offered at this computer's address; where it has none, one sentence says so."""
    need_module("cryptography", "the extra phone")
    assert Program(folder, *PLAN).end()[0] == 0
    more = ("--source", "simulated", "--no-browser", "--port", "0", "--seconds", "4")
    code, output = Program(folder, *arguments, *more).end()
    assert code == 0, output
    if lan_address() is None:
        return
    assert "Open this on the phone, in the same network: https://" in output
    assert "made the certificate itself" in " ".join(output.split())
    assert read_session(folder / "tonight.mcap").streams == (), "no phone came"


RUN: dict[str, Callable[[Path, list[str]], None]] = {
    "ports": ports,
    "check": check,
    "calibrate": calibrate,
    "record": record,
    "live": live,
    "live phone": live_with_a_phone,
}


def test_the_page_shows_these_commands_with_a_sensor_and_no_other() -> None:
    assert set(shown()) == set(RUN)


@pytest.mark.parametrize("name", RUN)
def test_a_command_of_the_tutorial_with_a_sensor(name: str, tmp_path: Path) -> None:
    RUN[name](tmp_path, shown()[name])
