"""Result files: the strokes CSV's columns and cells, the JSON's fields and nulls."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.findings.arbiter import weigh_session
from analysis.model.errors import OutputError
from analysis.model.records import ReferenceSummary
from analysis.reference.reference_grade import grade_reference
from logger.report.result_files import render_result_json, render_strokes_csv, write_result_json, write_strokes_csv
from tests.logger.session import make

COLUMNS = (
    "start_s,end_s,block,direction,tilt_deg,tilt_se_deg,span_mm,bow_mm,lift_mm,string_change,strokes_per_s,posture,"
    "tempo_bpm"
)


def test_the_strokes_csv_has_these_columns_and_cells() -> None:
    text = render_strokes_csv(make.strokes_table(3))
    lines = text.splitlines()
    assert lines[0] == COLUMNS
    assert lines[1] == '10.0,10.125,0,down,12.3457,0.5,15.0,0.0,1.5,unknown,8.0,"flat, ""loose""",'
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows[1]["lift_mm"] == ""
    assert rows[2]["block"] == ""
    assert text.endswith("\n")
    assert "nan" not in text.lower()


def test_times_keep_microseconds_since_1970() -> None:
    table = make.strokes_table(1)
    table["start_s"] = 1_700_000_000.123457
    assert render_strokes_csv(table).splitlines()[1].startswith("1700000000.123457,")


def test_a_session_without_strokes_has_a_header() -> None:
    assert render_strokes_csv(make.strokes_table(3).iloc[:0]) == COLUMNS + "\n"


def test_pandas_reads_the_strokes_back(tmp_path: Path) -> None:
    path = tmp_path / "strokes.csv"
    write_strokes_csv(make.result(), path)
    table = pd.read_csv(path)
    assert np.allclose(table["tilt_deg"], make.strokes_table()["tilt_deg"], atol=5e-5)
    assert table["tempo_bpm"].isna().all()


def answer() -> Any:
    def refuse(name: str) -> float:
        raise AssertionError(f"{name} in the JSON")

    return json.loads(render_result_json(weigh_session(make.result())), parse_constant=refuse)


def test_the_json_has_every_field_and_null_for_what_is_missing() -> None:
    parsed = answer()
    session = parsed["session"]
    for name in (
        "rate_hz", "duration_s", "lost_samples", "clipped_samples", "reference", "tilt_offset_se_deg", "lever_mm",
        "lever_se_mm", "warnings",
    ):  # fmt: skip
        assert name in session
    assert session["lever_se_mm"] == [None, 1.0, 1.0]
    assert session["reference"] == {
        "kind": "gestures",
        "quality": "good",
        "gestures": [
            {
                "kind": "across", "start_s": 1.0, "end_s": 6.0, "posture": "A", "cycles": 10.0, "extent_mm": 60.0,
                "straightness": 0.98, "usable": True, "remark": "",
            }
        ],
        "repetitions": {"across": 1, "along": 1, "pivot": 1},
    }  # fmt: skip
    (block,) = parsed["blocks"]
    for name in (
        "index", "start_s", "end_s", "posture", "tempo_bpm", "strokes", "strokes_per_s", "tilt_mean_deg", "tilt_sd_deg",
        "tilt_ci95_deg", "tilt_side", "clearing_stroke", "share_clearing", "span_mm", "bow_mm", "lift_mm",
    ):  # fmt: skip
        assert name in block
    assert block["tilt_ci95_deg"] == [-14.0, -10.0]
    assert block["bow_mm"] is None
    assert block["lift_mm"] is None
    assert parsed["cautions"] == ["Stop when it hurts."]
    assert parsed["settings"] == {"strokes": {"prominence_mm": 2.5, "orders": [1, 2]}, "grid": [0, 1]}
    assert parsed["version"] == "0.1.0"
    assert parsed["log_hash"] == "ab" * 32
    assert [(mark["kind"], mark["rating"]) for mark in session["ratings"]] == [("rating", 8.0), ("hurt", None)]


def test_what_json_does_not_know_is_not_guessed() -> None:
    with pytest.raises(TypeError, match="Path has no form in JSON"):
        render_result_json(weigh_session(replace(make.result(), settings={"where": Path("x")})))


@pytest.mark.parametrize(
    ("kind", "usable", "offset_se_deg", "grade"),
    [
        ("hand", True, None, "none"),
        ("hand", True, 1.0, "none"),
        ("gestures", True, 2.0, "good"),
        ("gestures", False, 2.0, "usable"),
        ("gestures", True, 2.1, "usable"),
        ("gestures", True, 4.1, "poor"),
        ("gestures", True, None, "poor"),
    ],
)
def test_grades_of_the_reference(kind: Any, usable: bool, offset_se_deg: float | None, grade: str) -> None:
    gesture = replace(make.result().reference.gestures[0], usable=usable)
    assert grade_reference(ReferenceSummary(kind, (gesture,), {}), offset_se_deg) == grade


def test_results_are_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    write_result_json(weigh_session(make.result()), path)
    before = path.read_bytes()
    with pytest.raises(TypeError):
        write_result_json(weigh_session(replace(make.result(), settings={"where": Path("x")})), path)
    assert path.read_bytes() == before
    with pytest.raises(OutputError, match="there is no folder"):
        write_strokes_csv(make.result(), tmp_path / "none" / "strokes.csv")
    assert list(tmp_path.iterdir()) == [path]
