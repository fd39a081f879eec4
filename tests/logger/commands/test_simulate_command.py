"""``strokeplane simulate`` as a person runs it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from logger.cli import cli
from logger.session.session_file import read_session


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(cli, ["simulate", *arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    options = ("--tilt", "20", "--tilt", "0", "--tempo", "120", "--seconds", "4", "--gestures", "short", "--seed", "3")
    code, _ = run("-o", str(folder / "made.mcap"), *options, "--posture-change", "5", "--wanted", "down", "--csv")
    assert code == 0
    return folder


def test_session_and_truth_agree(folder: Path) -> None:
    session = read_session(folder / "made.mcap")
    strokes = pd.read_csv(folder / "made.truth.csv")
    truth = json.loads((folder / "made.truth.json").read_text(encoding="utf-8"))
    plays = [e for e in session.events if e.kind == "play"]
    assert [e.posture for e in plays] == ["A", "A", "B", "B"]
    assert all(e.tempo_bpm == 120 and e.wanted == "down" for e in plays)
    assert session.metadata["synthetic"] == "true"
    assert truth["synthetic"] is True
    assert len(strokes) == 4 * 32
    means = [block["tilt_mean_deg"] for block in truth["blocks"]]
    np.testing.assert_allclose(means, [20.0, 0.0, 25.0, 5.0], atol=2.5)
    np.testing.assert_allclose(means, strokes.groupby("block")["tilt_deg"].mean(), atol=1e-5)
    assert plays[2].start_s < strokes[strokes["block"] == 2]["start_s"].min() < plays[2].end_s


def test_csv_holds_the_same_samples_and_events(folder: Path) -> None:
    session = read_session(folder / "made.mcap")
    table = pd.read_csv(folder / "made.imu.csv", comment="#")
    columns = tomllib.loads((folder / "made.map.toml").read_text(encoding="utf-8"))
    assert columns["time"] == {"column": "tick", "unit": "ticks", "tick_hz": 1e6}
    np.testing.assert_array_equal(table["tick"], session.raw.ticks)
    names = columns["accel"]["columns"] + columns["gyro"]["columns"]
    np.testing.assert_array_equal(table[names], session.raw.counts)
    # Range 8 g over 32768 counts, and 1000 deg/s over 32768.
    assert columns["sensor"]["accel_per_g"] == pytest.approx(4096.0)
    assert columns["sensor"]["gyro_per_dps"] == pytest.approx(32.768)
    events = pd.read_csv(folder / "made.events.csv", comment="#")
    assert list(events["kind"]) == [e.kind for e in session.events]
    np.testing.assert_allclose(events["start_s"], [e.start_s for e in session.events], rtol=0, atol=1e-9)


def test_same_command_writes_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        code, _ = run("-o", str(tmp_path / f"{name}.mcap"), "--seconds", "2", "--gestures", "short")
        assert code == 0
    for suffix in (".mcap", ".truth.csv", ".truth.json"):
        assert (tmp_path / f"a{suffix}").read_bytes() == (tmp_path / f"b{suffix}").read_bytes()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--tilt", "1", "--tilt", "2", "--rate", "4", "--rate", "5", "--rate", "6"), "give it once or 3 times"),
        (("--seconds", "0"), "above zero"),
        (("--rate", "-3"), "above zero"),
        (("--grade", "best"), "--grade"),
    ],
)
def test_options_that_make_no_sense_are_refused_in_one_sentence(
    tmp_path: Path, options: tuple[str, ...], words: str
) -> None:
    code, output = run("-o", str(tmp_path / "x.mcap"), *options)
    assert code == 2
    assert words in output
    assert list(tmp_path.iterdir()) == []
