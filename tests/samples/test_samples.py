"""The shipped logs: made anew they are the same, the answer is the expected one, and that agrees with the truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.findings.arbiter import weigh_session
from analysis.model.records import SessionResult
from analysis.pipeline import analyse_session
from analysis.report.verdict import judge_session
from logger.exchange.import_csv import import_csv
from logger.many.analyse import analyse_file
from logger.report.result_files import render_result_json
from logger.sample_logs import (
    AS_CSV,
    FOLDER,
    NOTE,
    SAMPLES,
    WITH_SOUND,
    Sample,
    expected_summary,
    make_sample,
    render_sound,
    write_csv,
)
from logger.session.session_file import read_session
from logger.sound.sound_file import read_sound
from tests.optional import need_module

ROUNDING = 0.02
"""Twice what the expected summaries are rounded by: room for another machine's last digit, not for another answer."""

every_sample = pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.name)


def file(sample: Sample, ending: str) -> Path:
    return FOLDER / f"{sample.name}{ending}"


def load(sample: Sample, ending: str) -> Any:
    return json.loads(file(sample, ending).read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def results() -> dict[str, SessionResult]:
    return {sample.name: analyse_session(read_session(file(sample, ".mcap"))) for sample in SAMPLES}


def differences(expected: Any, found: Any, where: str = "") -> list[str]:
    """Places where two summaries differ by more than rounding."""
    if isinstance(expected, dict) and isinstance(found, dict):
        names = sorted(expected.keys() | found.keys())
        return [d for name in names for d in differences(expected.get(name), found.get(name), f"{where}.{name}")]
    if isinstance(expected, list) and isinstance(found, list) and len(expected) == len(found):
        return [
            d for i, pair in enumerate(zip(expected, found, strict=True)) for d in differences(*pair, f"{where}[{i}]")
        ]
    if isinstance(expected, float) and isinstance(found, float):
        return [] if abs(expected - found) <= ROUNDING else [f"{where}: expected {expected}, found {found}"]
    return [] if expected == found else [f"{where}: expected {expected!r}, found {found!r}"]


def test_what_is_shipped_is_complete_small_and_marked() -> None:
    endings = (".mcap", ".truth.csv", ".truth.json", ".expected.json")
    names = {f"{sample.name}{ending}" for sample in SAMPLES for ending in endings} | {"README.md", "demo.sh", "csv"}
    names.add(f"{WITH_SOUND.name}.ogg")
    assert {path.name for path in FOLDER.iterdir()} == names
    assert {path.name for path in (FOLDER / "csv").iterdir()} == {"IMU.csv", "MAP.toml", "EVENTS.csv"}
    assert max(path.stat().st_size for path in FOLDER.rglob("*")) < 700_000
    for sample in SAMPLES:
        metadata = read_session(file(sample, ".mcap")).metadata
        assert (metadata["synthetic"], metadata["note"]) == ("true", NOTE)
        assert load(sample, ".truth.json")["synthetic"] is True
    for path in (FOLDER / "csv").iterdir():
        assert path.read_text(encoding="utf-8").startswith("# synthetic: an invented")


def test_the_sound_made_anew_is_the_shipped_one() -> None:
    need_module("soundfile", "the extra sound")
    shipped = read_sound(file(WITH_SOUND, ".ogg"))
    made = render_sound(make_sample(WITH_SOUND))
    assert shipped.samples.size == made.size
    # Lossy: what is left out is far below what is there.
    assert np.corrcoef(shipped.samples, made)[0, 1] > 0.98


@every_sample
def test_made_anew_it_is_the_same_session_and_truth(sample: Sample) -> None:
    made = make_sample(sample)
    shipped = read_session(file(sample, ".mcap"))
    raws = [(made.session.raw, shipped.raw)]
    for one, other in zip(made.session.streams, shipped.streams, strict=True):
        raws.append((one.raw, other.raw))
        assert replace(other, raw=one.raw) == one
    for ours, theirs in raws:
        for name in ("counts", "ticks", "sequence"):
            assert np.array_equal(getattr(ours, name), getattr(theirs, name))
    assert replace(shipped, raw=made.session.raw, streams=made.session.streams, log_hash="") == made.session
    truth = pd.read_csv(file(sample, ".truth.csv"), dtype={"synthetic": str})
    assert set(truth.pop("synthetic")) == {"true"}
    pd.testing.assert_frame_equal(truth, made.truth.strokes, check_dtype=False, rtol=0, atol=1e-4)


@every_sample
def test_the_answer_is_the_expected_one(sample: Sample, results: dict[str, SessionResult]) -> None:
    assert differences(load(sample, ".expected.json"), expected_summary(results[sample.name])) == []


def test_the_comparison_notices_another_answer() -> None:
    expected = load(SAMPLES[0], ".expected.json")
    assert differences(expected, load(SAMPLES[0], ".expected.json")) == []
    tilt = expected["blocks"][1]["tilt_mean_deg"]
    for other in (("tilt_mean_deg", tilt + 0.03), ("tilt_side", "up"), ("tilt_ci95_deg", None), ("strokes", 1)):
        changed = load(SAMPLES[0], ".expected.json")
        changed["blocks"][1].update([other])
        assert len(differences(expected, changed)) == 1


@every_sample
def test_the_expected_answer_agrees_with_the_truth(sample: Sample) -> None:
    expected, truth = load(sample, ".expected.json"), load(sample, ".truth.json")
    strokes = pd.read_csv(file(sample, ".truth.csv"))
    assert expected["session"]["lost_samples"] == truth["lost_samples"]
    assert len(expected["blocks"]) == len(truth["blocks"]) == len(sample.blocks)
    for block, true in zip(expected["blocks"], truth["blocks"], strict=True):
        low, high = block["tilt_ci95_deg"]
        assert low <= true["tilt_mean_deg"] <= high, block["index"]
        assert block["tilt_side"] in ("none", "down" if true["tilt_mean_deg"] > 0 else "up")
        assert block["tilt_side"] != "none" or abs(true["tilt_mean_deg"]) < 3.0
        assert block["posture"] == true["posture"]
        assert abs(block["strokes"] - true["strokes"]) <= 1
        assert block["span_mm"] == pytest.approx(true["span_mm"], rel=0.05)
        played = strokes[strokes["block"] == block["index"]]
        clears = {stroke: (group["lift_mm"] > 0).mean() > 0.5 for stroke, group in played.groupby("direction")}
        kinds = {(True, True): "both", (True, False): "down", (False, True): "up", (False, False): "level"}
        assert block["clearing_stroke"] == kinds[bool(clears["down"]), bool(clears["up"])], block["index"]


def test_the_logs_say_what_they_are_named_for(results: dict[str, SessionResult]) -> None:
    steady, level, postures, _ = (results[sample.name].blocks for sample in SAMPLES)
    assert [block.clearing_stroke for block in steady] == ["down", "down"]
    assert [block.clearing_stroke for block in level] == ["down", "down", "level", "level"]
    assert {(block.posture, block.clearing_stroke) for block in postures} == {
        ("hand resting", "down"), ("hand lifted", "up"),
    }  # fmt: skip


def test_the_sensor_on_the_instrument_sees_what_the_hand_alone_takes_for_tilt() -> None:
    sample = next(each for each in SAMPLES if each.watch is not None)
    true = load(sample, ".truth.json")["blocks"]
    watched = analyse_file(file(sample, ".mcap")).result
    alone = analyse_file(file(sample, ".mcap"), instrument=False).result
    assert watched.witness is not None
    for block, hand, truth in zip(watched.blocks, alone.blocks, true, strict=True):
        assert block.tilt_mean_deg == pytest.approx(truth["tilt_mean_deg"], abs=2.0)
        assert hand.tilt_mean_deg == pytest.approx(truth["tilt_mean_deg"] + sample.lean_deg, abs=2.5)
        low, high = block.tilt_ci95_deg or (0.0, 0.0)
        assert low < truth["tilt_mean_deg"] < high
    assert judge_session(alone).certainty != "sure"


def test_string_changes_are_marked_where_the_drill_is_known(results: dict[str, SessionResult]) -> None:
    found = results["steady_and_tilted"].strokes
    truth = pd.read_csv(file(SAMPLES[0], ".truth.csv"))
    assert set(found.loc[found["block"] == 0, "string_change"]) == {"unknown"}
    drill = found[found["block"] == 1]
    at = np.abs(truth["contact_s"].to_numpy()[None] - drill["contact_s"].to_numpy()[:, None])
    true = truth["string_change"].to_numpy()[at.argmin(axis=1)]
    told = (drill["string_change"] != "unknown").to_numpy().copy()
    told[-1] = False  # the drill would go on; the player stopped
    assert told.mean() > 0.9
    assert ((drill["string_change"] == "true").to_numpy() == true)[told].all()
    assert set(drill.loc[drill["string_change"] == "true", "direction"]) == {"down"}


def test_the_csv_is_the_same_log(tmp_path: Path, results: dict[str, SessionResult]) -> None:
    write_csv(make_sample(AS_CSV), tmp_path)
    shipped = FOLDER / "csv"
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (shipped / path.name).read_bytes()
    session = read_session(file(AS_CSV, ".mcap"))
    imported = import_csv(shipped / "IMU.csv", shipped / "MAP.toml", shipped / "EVENTS.csv")
    assert imported.warnings == ()
    assert np.array_equal(imported.raw.counts, session.raw.counts)
    assert np.array_equal(imported.raw.ticks, session.raw.ticks)
    answer = json.loads(render_result_json(weigh_session(analyse_session(imported))))
    for block, own in zip(results[AS_CSV.name].blocks, answer["blocks"], strict=True):
        assert own["strokes"] == block.strokes
        assert own["tilt_mean_deg"] == pytest.approx(block.tilt_mean_deg, abs=0.1)
