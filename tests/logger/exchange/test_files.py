"""CSV and Parquet: what stands in them, read with other programs, and the way back, exact to the count and tick."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.errors import InputError, OutputError
from analysis.model.records import Calibration, RawSamples, SensorProfile, Session
from analysis.model.stroke_columns import STROKE_COLUMNS, STROKE_CSV_COLUMNS
from analysis.report.block_answer_table import BLOCK_ANSWER_COLUMNS
from analysis.signal.si_units import counts_to_si, exact_decimals, si_to_counts
from logger.cli import cli
from logger.exchange.export_files import export_files, prepare_folder
from logger.exchange.export_tables import COUNT_NAMES, SI_COLUMNS, SI_NAMES, ExportSource, load_source
from logger.exchange.import_parquet import import_parquet
from logger.files.events_csv import read_events, says_simulated
from logger.session.session_file import read_session
from tests.house.test_house import ROOT
from tests.logger.exchange.make import saved, stored, with_gaps
from tests.logger.session.make import equal_samples, result, same_but_samples
from tests.optional import need_module

pq = need_module("pyarrow.parquet")
LOG = ROOT / "sample_logs" / "two_postures.mcap"

# Small matrices near one, biases of a real sensor, scales from 16 bits at 2 g to counts of a millionth g.
SMALL = st.floats(-0.05, 0.05)
SCALES = st.floats(1e-6, 0.1)


@st.composite
def calibrations(draw: st.DrawFn) -> Calibration:
    def matrix() -> tuple[tuple[float, float, float], ...]:
        m = np.eye(3) + np.array(draw(st.lists(SMALL, min_size=9, max_size=9))).reshape(3, 3)
        return tuple((float(a), float(b), float(c)) for a, b, c in m)

    def bias() -> tuple[float, float, float]:
        a, b, c = draw(st.lists(st.floats(-2, 2), min_size=3, max_size=3))
        return (a, b, c)

    return Calibration(bias(), matrix(), bias(), matrix(), "drawn")


@settings(max_examples=60, deadline=None)
@given(calibrations(), SCALES, SCALES, st.integers(0, 2**32 - 1))
def test_values_go_back_to_their_counts_from_double_and_from_text(
    calibration: Calibration, accel: float, gyro: float, seed: int
) -> None:
    profile = SensorProfile("drawn", 400.0, accel, gyro, tick_hz=1e6)
    counts = np.random.default_rng(seed).integers(-(2**20), 2**20, (50, 6), dtype=np.int32)
    si = counts_to_si(counts, profile, calibration)
    assert np.array_equal(np.rint(si_to_counts(si, profile, calibration)).T, counts)
    places = np.repeat(exact_decimals(profile, calibration), 3)
    text = np.array([[float(f"{v:.{d}f}") for v in row] for row, d in zip(si, places, strict=True)])
    back = si_to_counts(text, profile, calibration)
    assert np.array_equal(np.rint(back).T, counts)
    assert np.abs(back - counts.T).max() < 0.06


def test_values_are_matrix_times_value_less_bias() -> None:
    session = with_gaps(100)
    si = counts_to_si(session.raw.counts, session.profile, session.calibration)
    scales = (session.profile.accel_mps2_per_count, session.profile.gyro_radps_per_count)
    raw = session.raw.counts[11] * np.repeat(scales, 3)
    c = session.calibration
    assert np.allclose(si[:3, 11], np.array(c.accel_matrix) @ (raw[:3] - np.array(c.accel_bias_mps2)), rtol=1e-14)
    assert np.allclose(si[3:, 11], np.array(c.gyro_matrix) @ (raw[3:] - np.array(c.gyro_bias_radps)), rtol=1e-14)


def exported(path: Path, folder: Path, kind: str, raw: bool = False) -> ExportSource:
    source = load_source(path, strokes=False)
    prepare_folder(folder, [path], "csv" if kind == "csv" else "parquet", replace=False)
    export_files(source, folder, "csv" if kind == "csv" else "parquet", raw)
    return source


@pytest.mark.parametrize("raw", [False, True])
def test_parquet_brings_the_whole_session_back(tmp_path: Path, raw: bool) -> None:
    path = saved(tmp_path, "one", with_gaps())
    exported(path, tmp_path / "out", "parquet", raw)
    back, there = import_parquet(tmp_path / "out" / "one.signals.parquet"), stored(path)
    assert equal_samples(back.raw, there.raw)
    assert back.events == there.events
    assert same_but_samples(back, there)
    assert back.warnings == there.warnings


@pytest.mark.parametrize("tick_hz", [1e3, 32768.0, 1e6, 72e6, 1e9])
def test_ticks_of_any_clock_come_back(tmp_path: Path, tick_hz: float) -> None:
    made = with_gaps(200, lost=(5,))
    ticks = np.rint(np.arange(199) * tick_hz / 400.0 + 1.7e9 * tick_hz / 400.0).astype(np.int64)
    raw = RawSamples(ticks, made.raw.sequence, np.full(199, np.nan), made.raw.counts)
    session = replace(made, raw=raw, profile=replace(made.profile, tick_hz=tick_hz), events=())
    path = saved(tmp_path, "clock", session)
    exported(path, tmp_path / "out", "parquet")
    assert equal_samples(import_parquet(tmp_path / "out" / "clock.signals.parquet").raw, raw)
    exported(path, tmp_path / "text", "csv")
    table = pd.read_csv(tmp_path / "text" / "clock.signals.csv")
    assert np.array_equal(table["tick"], ticks)
    assert np.abs(table["time_s"] * tick_hz - ticks).max() <= max(0.25, 1e-15 * ticks.max() * 4)


def test_an_independent_reader_finds_values_units_and_provenance(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps())
    exported(path, tmp_path / "out", "parquet", raw=True)
    there = stored(path)
    table = pd.read_parquet(tmp_path / "out" / "one.signals.parquet")
    assert np.array_equal(table[list(COUNT_NAMES)], there.raw.counts)
    assert table[list(COUNT_NAMES)].dtypes.eq(np.int32).all()
    assert np.allclose(table[list(SI_NAMES)].T, counts_to_si(there.raw.counts, there.profile, there.calibration))
    schema = pq.read_schema(tmp_path / "out" / "one.signals.parquet")
    units = {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in schema}
    assert [units[column.name] for column in SI_COLUMNS] == ["m/s^2"] * 3 + ["rad/s"] * 3
    assert schema.metadata[b"strokeplane.source"] == b"one.mcap"
    assert schema.metadata[b"strokeplane.source_sha256"].decode() == there.log_hash
    assert json.loads(schema.metadata[b"strokeplane.session"])["calibration"]["source"] == "six positions"
    events = pd.read_parquet(tmp_path / "out" / "one.events.parquet")
    assert events["kind"].tolist() == ["still", "play", "rating"]


def test_the_csv_holds_counts_to_the_last_and_its_events_can_be_imported(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps())
    exported(path, tmp_path / "out", "csv", raw=True)
    there = stored(path)
    table = pd.read_csv(tmp_path / "out" / "one.signals.csv")
    assert np.array_equal(table[list(COUNT_NAMES)], there.raw.counts)
    assert np.array_equal(table["sequence"], there.raw.sequence)
    assert np.allclose(table["host_time_s"], there.raw.host_time_s, atol=1e-6, rtol=0)
    back = si_to_counts(table[list(SI_NAMES)].to_numpy().T, there.profile, there.calibration)
    assert np.array_equal(np.rint(back).T, there.raw.counts)
    assert [(e.kind, e.start_s) for e in read_events(tmp_path / "out" / "one.events.csv")] == [
        (e.kind, e.start_s) for e in there.events
    ]
    about = json.loads((tmp_path / "out" / "one.about.json").read_text(encoding="utf-8"))
    assert about["columns"]["signals"]["gyro_z_radps"]["unit"] == "rad/s"
    assert about["source_sha256"] == there.log_hash
    assert about["session"]["calibration"]["source"] == "six positions"


@pytest.mark.parametrize("words", ["=1+1", "+1", "-5 deg", "@a", "'quoted'", "''", '=HYPERLINK("x")', "\t=1"])
def test_no_cell_of_words_is_a_formula_and_all_come_back(tmp_path: Path, words: str) -> None:
    """A spreadsheet computes a cell that begins with one of = + - @ (common practice: an apostrophe in front)."""
    made = with_gaps(500)
    events = tuple(replace(e, label=words, posture=words, drill=words) for e in made.events[:2])
    saved(tmp_path, "s", replace(made, events=events))
    export_files(load_source(tmp_path / "s.mcap", strokes=False), tmp_path, "csv")
    table = pd.read_csv(tmp_path / "s.events.csv", dtype=str, keep_default_na=False)
    for name in ("label", "posture", "drill"):
        assert not table[name].str.contains(r"^[=+\-@\t\r]").any()
    back = read_events(tmp_path / "s.events.csv")
    assert [(e.label, e.posture, e.drill) for e in back] == [(words,) * 3] * 2


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_strokes_and_blocks_are_those_of_the_analysis(tmp_path: Path, kind: str) -> None:
    path = saved(tmp_path, "one", with_gaps())
    source = ExportSource(path, read_session(path), result())
    prepare_folder(tmp_path / "out", [path], "csv" if kind == "csv" else "parquet", replace=False)
    export_files(source, tmp_path / "out", "csv" if kind == "csv" else "parquet")
    read = pd.read_csv if kind == "csv" else pd.read_parquet
    strokes, blocks = read(tmp_path / "out" / f"one.strokes.{kind}"), read(tmp_path / "out" / f"one.blocks.{kind}")
    assert tuple(strokes) == (STROKE_CSV_COLUMNS if kind == "csv" else tuple(c.name for c in STROKE_COLUMNS))
    assert np.allclose(strokes["tilt_deg"], result().strokes["tilt_deg"], atol=5e-5)
    assert list(blocks) == [column.name for column in BLOCK_ANSWER_COLUMNS]
    assert blocks["tilt_ci95_low_deg"].tolist() == [-14.0]
    assert blocks["bow_mm"].isna().all()


def test_the_command_exports_a_shipped_log_and_reads_it_back(tmp_path: Path) -> None:
    run = CliRunner().invoke(cli, ["export", str(LOG), "--to", "parquet", "-o", str(tmp_path / "out")])
    assert (run.exit_code, run.exception) == (0, None), run.output
    strokes = pd.read_parquet(tmp_path / "out" / "two_postures.strokes.parquet")
    metadata = pq.read_schema(tmp_path / "out" / "two_postures.strokes.parquet").metadata
    assert len(strokes) > 200
    assert "reference" in json.loads(metadata[b"strokeplane.settings"])
    signals = str(tmp_path / "out" / "two_postures.signals.parquet")
    run = CliRunner().invoke(cli, ["import", signals, "-o", str(tmp_path / "back.mcap")])
    assert "30646 samples" in run.output
    assert equal_samples(read_session(tmp_path / "back.mcap").raw, read_session(LOG).raw)


def test_every_row_of_a_simulated_session_says_so_and_its_events_bring_the_mark_back(tmp_path: Path) -> None:
    run = CliRunner().invoke(cli, ["export", str(LOG), "--to", "csv", "-o", str(tmp_path / "out")])
    assert run.exit_code == 0, run.output
    for table in ("events", "strokes", "blocks"):
        read = pd.read_csv(tmp_path / "out" / f"two_postures.{table}.csv")
        assert list(read)[-1] == "synthetic"
        assert read["synthetic"].all()
    events = tmp_path / "out" / "two_postures.events.csv"
    assert says_simulated(events)
    assert len(read_events(events)) == len(read_session(LOG).events)
    about = json.loads((tmp_path / "out" / "two_postures.about.json").read_text(encoding="utf-8"))
    assert "nobody played" in about["columns"]["strokes"]["synthetic"]["meaning"]


def test_without_play_the_rest_is_exported_and_the_reason_told(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps())
    run = CliRunner().invoke(cli, ["export", str(path), "--to", "csv", "-o", str(tmp_path / "out")])
    assert run.exit_code == 0
    assert run.stderr.startswith("Note: No strokes and blocks in the export: ")
    names = sorted(file.name for file in (tmp_path / "out").iterdir())
    assert names == ["one.about.json", "one.events.csv", "one.signals.csv"]


def refused(*words: object) -> str:
    """What the command says of an error that a user can cure."""
    run = CliRunner().invoke(cli, [str(word) for word in words])
    assert isinstance(run.exception, InputError | OutputError), run.output
    return str(run.exception)


def test_what_was_exported_is_written_over_only_when_asked(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps(200))
    words = ("export", path, "--to", "csv", "--no-strokes", "-o", tmp_path / "out")
    assert CliRunner().invoke(cli, [str(word) for word in words]).exit_code == 0
    before = (tmp_path / "out" / "one.signals.csv").read_bytes()
    assert refused(*words).endswith("one.signals.csv exists; name another folder, or give --replace to write over it")
    (tmp_path / "out" / "one.strokes.csv").write_text("old", encoding="utf-8")
    assert CliRunner().invoke(cli, [str(word) for word in (*words, "--raw", "--replace")]).exit_code == 0
    assert len((tmp_path / "out" / "one.signals.csv").read_bytes()) > len(before)
    assert not (tmp_path / "out" / "one.strokes.csv").exists()


def test_folders_that_cannot_be_written(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps(200))
    assert "is a file; name a folder" in refused("export", path, "--to", "csv", "-o", path)
    assert "cannot be made (no such file" in refused("export", path, "--to", "csv", "-o", tmp_path / "no" / "out")
    other = tmp_path / "other"
    other.mkdir()
    twin = saved(other, "ONE", with_gaps(200, seed=1))
    said = refused("export", path, twin, "--to", "csv", "-o", tmp_path / "out")
    assert said.startswith("expected sessions with names of their own, found ")


def foreign(folder: Path) -> Path:
    pd.DataFrame({"a": [1.0, 2.0]}).to_parquet(folder / "foreign.parquet")
    return folder / "foreign.parquet"


def test_parquet_that_cannot_be_read(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps(200))
    exported(path, tmp_path / "out", "parquet")
    signals = tmp_path / "out" / "one.signals.parquet"
    back = ("-o", tmp_path / "back.mcap")
    assert "expected at least 2 rows and columns of numbers" in refused("import", foreign(tmp_path), *back)
    events = tmp_path / "out" / "one.events.parquet"
    assert "holds events, not samples; name the file that ends in .signals.parquet" in refused("import", events, *back)
    assert "cannot be read (" in refused("import", tmp_path / "none.parquet", *back)
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(signals.read_bytes()[:-40])
    assert "is Parquet that cannot be read" in refused("import", cut, *back)
    assert not (tmp_path / "back.mcap").exists()


def rewritten(signals: Path, session_entry: bytes | None, change: bool = False) -> None:
    table = pq.read_table(signals)
    metadata = dict(table.schema.metadata)
    if session_entry is not None:
        metadata[b"strokeplane.session"] = session_entry
    if change:
        values = table.column("accel_x_mps2").to_numpy().copy()
        values[3] += 0.4 * 9.80665 / 4096
        at = table.schema.get_field_index("accel_x_mps2")
        table = table.set_column(at, table.schema.field(at), [values])
    pq.write_table(table.replace_schema_metadata(metadata), signals)


def test_parquet_that_was_changed(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", replace(with_gaps(200), calibration=Calibration()))
    exported(path, tmp_path / "out", "parquet")
    signals = tmp_path / "out" / "one.signals.parquet"
    rewritten(signals, None, change=True)
    with pytest.raises(
        InputError, match=r"found -?[\d.]+ counts for accel_x_mps2 in sample 4; the values were changed"
    ):
        import_parquet(signals)
    rewritten(signals, b"{}")
    with pytest.raises(InputError, match="its metadata cannot be used"):
        import_parquet(signals)


def test_a_session_without_samples_is_refused(tmp_path: Path) -> None:
    made: Session = with_gaps(200)
    none = RawSamples(*(np.empty(0, kind) for kind in (np.int64, np.int64, np.float64)), np.empty((0, 6), np.int32))
    path = saved(tmp_path, "empty", replace(made, raw=none))
    assert "expected samples, found none" in refused("export", path, "--to", "csv", "-o", tmp_path / "out")


def test_options_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    for words, said in (
        (("export", LOG, "--to", "csv", "--task", "x"), "--task and --participant are for --to bids only"),
        (("export", LOG, "--to", "bids", "--raw"), "--raw is for csv and parquet"),
        (("export", LOG, "--to", "bids", "--participant", "x"), "expected NAME=LABEL"),
        (("import", "x.csv", "--columns", "m.toml", "--point", "x"), "--point is for a BIDS recording"),
    ):
        run = CliRunner().invoke(cli, [*(str(word) for word in words), "-o", str(tmp_path / "out")])
        assert run.exit_code == 2
        assert said in run.stderr


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_progress_only_ever_rises_to_the_whole(tmp_path: Path, kind: str) -> None:
    path = saved(tmp_path, "one", with_gaps(200_000))
    told: list[float] = []
    source = load_source(path, strokes=False)
    prepare_folder(tmp_path / "out", [path], "csv" if kind == "csv" else "parquet", replace=False)
    export_files(source, tmp_path / "out", "csv" if kind == "csv" else "parquet", progress=lambda _, s: told.append(s))
    assert len(told) > 1
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_samples_of_a_simulated_session_bring_the_mark_back_by_what_stands_beside_them(tmp_path: Path) -> None:
    session = replace(with_gaps(), metadata={"synthetic": "true"})
    export_files(ExportSource(tmp_path / "made.mcap", session), tmp_path, "csv")
    assert says_simulated(tmp_path / "made.signals.csv")
    (tmp_path / "made.about.json").unlink()
    assert not says_simulated(tmp_path / "made.signals.csv")
    export_files(ExportSource(tmp_path / "own.mcap", with_gaps()), tmp_path, "csv")
    assert not says_simulated(tmp_path / "own.signals.csv")
