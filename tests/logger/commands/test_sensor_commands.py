"""ports, check, calibrate and record as a player runs them: real processes, a board behind a pseudo terminal."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import pty
import re
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.errors import StrokeplaneError
from analysis.model.records import OFF_HAND, RawSamples, Session
from analysis.signal.calibration import FACES
from logger.cli import cli
from logger.record.collect import Collector
from logger.session.session_file import read_session, write_session
from tests.logger.sources.board import Board, PtyBoard
from tests.logger.sources.make import random_counts
from tests.logger.sources.motion import RATE, SENSOR, counts_of, flick, raw_of, resting, strokes, turning
from tests.logger.sources.test_serial import assert_rows
from tests.patience import PATIENCE_S, wait_for


@contextlib.contextmanager
def plugged(tmp_path: Path, counts: np.ndarray) -> Iterator[PtyBoard]:
    device = PtyBoard(Board(counts.astype(np.int16)), str(tmp_path / "ttySTROKE"))
    try:
        yield device
    finally:
        device.close()


class Program:
    """A strokeplane process whose keys the test presses."""

    def __init__(self, tmp_path: Path, *arguments: str, limit_bytes: int | None = None, terminal: bool = False) -> None:
        def limit() -> None:
            if limit_bytes is not None:
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

        keys, self._keys = subprocess.PIPE, -1
        if terminal:
            self._keys, keys = pty.openpty()
        self._errors = (tmp_path / "stderr").open("w+")
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from logger.cli import main; main()", *arguments],
            stdin=keys,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            cwd=tmp_path,
            env={**os.environ, "STROKEPLANE_HOME": str(tmp_path / "home")},
            preexec_fn=limit,
        )

    def said(self) -> str:
        return Path(self._errors.name).read_text()

    def press(self, keys: str) -> None:
        if self._keys >= 0:
            os.write(self._keys, keys.encode())
            return
        assert self.process.stdin is not None
        self.process.stdin.write(keys.encode())
        self.process.stdin.flush()

    def end(self) -> tuple[int, str]:
        try:
            out, _ = self.process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise
        self._errors.close()
        return self.process.returncode, out.decode() + Path(self._errors.name).read_text()


def run(*arguments: str) -> tuple[int, str]:
    """Run in this process; nobody presses a key. A known error is its sentence, as in :func:`logger.cli.main`."""
    result = CliRunner().invoke(cli, arguments)
    if isinstance(result.exception, StrokeplaneError):
        return 1, result.output + str(result.exception)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


def test_ports_names_what_is_there_and_what_to_do() -> None:
    code, output = run("ports", "--scan", "0.1")
    assert code == 0
    assert "Bluetooth" in output or "ble:" in output


def test_check_of_a_good_sensor(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The four steps at a fifth of their length, on a board that begins to move when the program begins to look."""
    still = counts_of(*resting(3.3))
    turn = np.concatenate([counts_of(*turning(1.4, 0.0)), counts_of(*resting(9.0, (1, 0, 0)))])
    shake = counts_of(*[part[round(0.75 * RATE) :] for part in flick(4.0, 1.0, 45.0, 0.02)])
    moves = iter((still, turn, counts_of(*strokes(9.0)), shake))
    collect = Collector.collect

    with plugged(tmp_path, still) as device:

        def collect_along(collector: Collector, *given: Any) -> RawSamples:
            device.board.move(next(moves).astype(np.int16))
            return collect(collector, *given)

        monkeypatch.setattr(Collector, "collect", collect_along)
        code, output = run("check", "--source", device.port, "--pace", "0.2", "--no-wait", "--json")
    result = json.loads(next(line for line in output.splitlines() if line.startswith("{")))
    found = {finding["name"]: finding for finding in result["findings"]}
    verdicts = {name: finding["verdict"] for name, finding in found.items()}
    assert verdicts["noise"] == verdicts["mark +z"] == verdicts["gravity"] == "ok", found
    assert verdicts["mark +x"] == verdicts["streams agree"] == "ok", found
    assert verdicts["range"] == verdicts["strap"] == verdicts["losses"] == "ok", found
    assert float(found["sample rate"]["found"].split()[0]) == pytest.approx(400.0, abs=0.5)
    assert code == 0, output
    assert "3.90 V" in found["battery"]["found"]


def test_check_of_a_bad_sensor(tmp_path: Path) -> None:
    upside_down = counts_of(*resting(20.0, (0, 0, -1)))
    with plugged(tmp_path, upside_down) as device:
        code, output = run("check", "--source", device.port, "--pace", "0.1", "--no-wait")
    assert code == 1
    assert "not usable  mark +z: -z points up instead" in output
    assert "cannot be used as it is" in output


def test_check_of_a_replay_at_any_pace(tmp_path: Path) -> None:
    """Steps last as long as the sensor says; a replay that ends in the middle is no silence."""
    counts = np.concatenate(
        # Longer at rest than a step lasts: at 20 times the speed a moment's delay of the computer is a second.
        [counts_of(*resting(60.0)), counts_of(*turning(9.0, 0.0)), counts_of(*strokes(9.0)), counts_of(*resting(9.0))]
    )
    write_session(tmp_path / "s.mcap", Session(raw_of(counts), SENSOR))
    arguments = ("check", "--source", f"replay:{tmp_path / 's.mcap'}", "--no-wait", "--speed", "20")
    _, output = run(*arguments)
    assert "ok  noise" in output
    assert "clock" not in output
    code, output = run(*arguments, "--pace", "3")
    assert code == 1
    assert "replay of s.mcap ended" in output
    assert "choose a longer session" in output


def face_counts(face: str, bias: np.ndarray, scale: np.ndarray) -> np.ndarray:
    up = np.zeros(3)
    up["xyz".index(face[1])] = 1.0 if face[0] == "+" else -1.0
    accel, gyro = resting(3.0, tuple(up))
    return counts_of(accel / 9.81 * 9.80623 * scale + bias, gyro, noise=0.5).astype(np.int16)


def turn_to_each_face(program: Program, device: PtyBoard, bias: np.ndarray, scale: np.ndarray) -> None:
    """Stand the board on each of its other faces and press a key: once more, where it was looked at too early."""
    for done, face in enumerate(face for face in FACES if face != "+z"):
        while (said := program.said()).count(" taken.") == done:
            answered = said.count(" taken.") + said.count("Not taken")
            wait_for(lambda: program.said().count("with one of these up") > answered)  # noqa: B023
            device.board.counts = face_counts(face, bias, scale)
            time.sleep(0.1)
            program.press(" ")
            wait_for(lambda: len(re.findall("(?<= )taken[.]|Not taken", program.said())) > answered)  # noqa: B023


def test_calibrate_finds_injected_errors_and_record_applies_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bias, scale = np.array([0.3, -0.2, 0.4]), np.array([1.02, 0.985, 1.01])
    with plugged(tmp_path, face_counts("+z", bias, scale)) as device:
        program = Program(tmp_path, "calibrate", "--source", device.port, "--pace", "0.35", "--latitude", "45")
        wait_for(lambda: "press a key" in program.said())
        program.press(" ")
        turn_to_each_face(program, device, bias, scale)
        code, output = program.end()
        assert code == 0, output
        assert "Kept in" in output
        (stored,) = (tmp_path / "home" / "calibrations").glob("*.json")
        assert stored.stem == device.board.hello.id
        monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "home"))
        path = tmp_path / "s.mcap"
        recorded, text = run("record", "--source", device.port, "-o", str(path), "--seconds", "0.5")
        assert recorded == 0, text
    calibration = read_session(path).calibration
    np.testing.assert_allclose(calibration.accel_bias_mps2, bias, atol=0.02)
    np.testing.assert_allclose(np.diag(calibration.accel_matrix), 1 / scale, atol=2e-3)
    np.testing.assert_allclose(np.degrees(calibration.gyro_bias_radps), 0.8, atol=0.02)
    assert calibration.source == "6 positions"


def test_calibrate_refuses_a_moving_sensor_and_keeps_nothing(tmp_path: Path) -> None:
    with plugged(tmp_path, counts_of(*strokes(20.0))) as device:
        program = Program(tmp_path, "calibrate", "--still-only", "--source", device.port, "--pace", "0.1")
        wait_for(lambda: "press a key" in program.said())
        program.press(" ")
        wait_for(lambda: "Not taken: expected a sensor at rest" in program.said())
        program.press("q")
        code, output = program.end()
    assert code == 1
    assert "nothing was changed" in output
    assert not (tmp_path / "home").exists()


def test_record_guided_by_keys(tmp_path: Path) -> None:
    counts = random_counts(5000, 9)
    (tmp_path / "setup.toml").write_text(
        '[player]\nhanded = "left"\n[instrument]\ncourses = 4\nstrings = 8\nspacing_mm = 9.0\n'
        "[sensor]\nlever_mm = [60, 5, -30]\n"
    )
    with plugged(tmp_path, counts) as device:
        program = Program(
            tmp_path, "record", "--source", device.port, "-o", "s.mcap", "--setup", "setup.toml",
            "--posture", "resting", "--posture", "free", "--tempo", "93", "--notes-per-beat", "4", "--wanted", "up",
        )  # fmt: skip
        wait_for(lambda: "Press g" in program.said())
        program.press("g")
        time.sleep(0.3)
        for keys in (" ", " ", "2", " ", "z", "z", "t", "4", "h", "q"):
            program.press(keys)
            time.sleep(0.15)
        code, output = program.end()
    assert code == 0, output
    assert "Lay the sensor on the table" in output
    assert "no sample lost" in output
    assert "see a clinician" in output
    session = read_session(tmp_path / "s.mcap")
    assert_rows(session.raw, counts)
    assert (np.diff(session.raw.sequence) == 1).all()
    assert session.player.handed == "left"
    assert session.instrument.courses == 4
    assert session.lever_mm == (60.0, 5.0, -30.0)
    kinds = [(e.kind, e.label, e.posture) for e in sorted(session.events, key=lambda e: (e.start_s, e.end_s))]
    assert kinds == [
        ("still", OFF_HAND, ""),
        ("play", "block 1", "resting"),
        ("rest", "", "resting"),
        ("play", "block 2", "free"),
        ("rest", "paused", "free"),
        ("play", "block 3", "free"),
        ("rating", "tension", "free"),
        ("hurt", "", "free"),
    ]
    plays = [e for e in session.events if e.kind == "play"]
    assert {(e.tempo_bpm, e.notes_per_beat, e.wanted) for e in plays} == {(93.0, 4.0, "up")}
    ordered = sorted((e for e in session.events if e.kind != "rating"), key=lambda e: e.start_s)
    for before, after in itertools.pairwise(ordered):
        assert before.end_s <= after.start_s + 1e-9


def test_record_asks_for_the_strings_heights_where_stills_on_the_soundboard_are_wanted(tmp_path: Path) -> None:
    with plugged(tmp_path, random_counts(5000, 9)) as device:
        program = Program(tmp_path, "record", "--source", device.port, "-o", "s.mcap", "--truer", terminal=True)
        wait_for(lambda: "Heights, mm" in program.said())
        assert "the string that a downstroke meets first" in program.said()
        program.press("11.5\n")
        wait_for(lambda: "two heights from" in program.said())
        program.press("11.5 12\n")
        wait_for(lambda: "Press g" in program.said())
        program.press("q")
        code, output = program.end()
    assert code == 0, output
    assert read_session(tmp_path / "s.mcap").metadata["soundboard.heights_mm"] == "11.5 12"


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_signals_end_cleanly(tmp_path: Path, name: str) -> None:
    counts = random_counts(5000, 9)
    with plugged(tmp_path, counts) as device:
        program = Program(tmp_path, "record", "--source", device.port, "-o", "s.mcap")
        wait_for(lambda: "Press g" in program.said())
        program.press(" ")
        wait_for(lambda: read_session(tmp_path / "s.mcap").events)
        program.process.send_signal(getattr(signal, name))
        code, output = program.end()
    assert code == 0, output
    session = read_session(tmp_path / "s.mcap")
    assert session.warnings == (), "closed properly"
    assert session.events[0].kind == "play"
    assert_rows(session.raw, counts)


def test_a_disk_without_room_ends_with_one_sentence(tmp_path: Path) -> None:
    """The operating system itself refuses to write further."""
    counts = random_counts(5000, 9)
    with plugged(tmp_path, counts) as device:
        program = Program(tmp_path, "record", "--source", device.port, "-o", "s.mcap", limit_bytes=30_000)
        code, output = program.end()
    assert code == 1
    assert "what was synced before is safe, free some space" in output
    assert "Traceback" not in output
    session = read_session(tmp_path / "s.mcap")
    assert len(session.raw.ticks) > 100
    assert_rows(session.raw, counts)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--source", "nowhere"), "there is no port nowhere"),
        (("--source", "simulated:x"), "expected simulated or simulated:SEED"),
        (("--profile", "nothing", "--source", "x"), "no profile is called"),
        (("--source", "replay:none.mcap"), "none.mcap cannot be read"),
        (("--setup", "none.toml", "--source", "x"), "none.toml cannot be read as TOML"),
    ],
)
def test_record_errors_are_one_sentence(arguments: tuple[str, ...], message: str) -> None:
    code, output = run("record", *arguments)
    assert code == 1
    assert message in output


def test_replay_ends_by_itself_and_keeps_every_sample(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path))
    counts = random_counts(5000, 9)
    first, second = tmp_path / "a.mcap", tmp_path / "b.mcap"
    with plugged(tmp_path, counts) as device:
        assert run("record", "--source", device.port, "-o", str(first), "--seconds", "1.5")[0] == 0
    code, output = run("record", "--source", f"replay:{first}", "--speed", "5", "-o", str(second))
    assert code == 0, output
    one, two = read_session(first).raw, read_session(second).raw
    assert len(one.ticks) > 200
    np.testing.assert_array_equal(one.ticks, two.ticks)
    np.testing.assert_array_equal(one.sequence, two.sequence)
    np.testing.assert_array_equal(one.counts, two.counts)
