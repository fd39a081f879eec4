"""A second sensor, on the instrument: into a session by import, out of it by every export, and back again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from analysis.model.errors import InputError
from analysis.model.records import Player, RawSamples, SensorProfile, Session, Stream
from analysis.model.session_parts import ClockRelation, SensorIdentity
from analysis.signal.si_units import counts_to_si
from logger.cli import cli
from logger.exchange.bids_recording import BidsSettings
from logger.exchange.export_bids import export_bids
from logger.exchange.import_bids import import_bids
from logger.exchange.import_instrument import raps_clock
from logger.exchange.import_parquet import import_parquet
from logger.session.session_file import read_session
from tests.analysis.stroke.rapping import rap_accel
from tests.logger.exchange.make import saved, with_gaps
from tests.logger.exchange.validators import deno_errors, npm_errors
from tests.logger.session.make import equal_samples
from tests.optional import need_module

PHONE = SensorProfile("phone", 60.0, 0.01, 1e-4, tick_hz=1e6)
CLOCK = ClockRelation(-40.0, 1.00002, 0.004)
HAND_ID, PHONE_ID = SensorIdentity("2f01", "a controller", "1.4.0"), SensorIdentity("77aa", "", "0.9")


def instrument_stream(n: int = 400, seed: int = 3) -> Stream:
    """A phone's stream at 60 a second, three samples lost, its own time 40 s ahead of the hand's."""
    rng = np.random.default_rng(seed)
    index = np.delete(np.arange(n, dtype=np.int64), [20, 21, 90])
    ticks = np.rint(1e6 * (40.0 + index / 60.0)).astype(np.int64)
    host = 1.7e9 + index / 60.0
    counts = rng.integers(-30000, 30000, (index.size, 6), dtype=np.int32)
    return Stream("instrument", RawSamples(ticks, index + 7, host, counts), PHONE, clock=CLOCK, sensor=PHONE_ID)


def with_instrument(player: str = "player one") -> Session:
    return replace(with_gaps(player=player), sensor=HAND_ID, streams=(instrument_stream(),))


def same_streams(a: Session, b: Session, host: bool = True) -> bool:
    plain = [
        [
            replace(s, raw=replace(s.raw, host_time_s=s.raw.host_time_s if host else np.zeros(s.raw.ticks.size)))
            for s in x.streams
        ]
        for x in (a, b)
    ]
    return (
        len(plain[0]) == len(plain[1])
        and all(equal_samples(x.raw, y.raw) for x, y in zip(*plain, strict=True))
        and [(x.role, x.profile, x.calibration, x.clock, x.sensor) for x in a.streams]
        == [(y.role, y.profile, y.calibration, y.clock, y.sensor) for y in b.streams]
    )


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


# --- exports


def test_parquet_brings_both_sensors_back(tmp_path: Path) -> None:
    need_module("pyarrow", "the extra parquet")
    there = with_instrument()
    path = saved(tmp_path, "two", there)
    for raw in ([], ["--raw"]):
        out = tmp_path / ("raw" if raw else "si")
        assert run("export", path, "--to", "parquet", "--no-strokes", *raw, "-o", out).exit_code == 0
        back = import_parquet(out / "two.signals.parquet")
        assert same_streams(back, there)
        assert back.sensor == HAND_ID
        assert equal_samples(back.raw, there.raw)


def test_a_stream_that_is_not_beside_is_told_and_another_session_s_is_refused(tmp_path: Path) -> None:
    need_module("pyarrow", "the extra parquet")
    for name, player in (("two", "player one"), ("other", "player two")):
        path = saved(tmp_path, name, with_instrument(player))
        assert run("export", path, "--to", "parquet", "--no-strokes", "-o", tmp_path / "out").exit_code == 0
    beside = tmp_path / "out" / "two.instrument_signals.parquet"
    beside.unlink()
    back = import_parquet(tmp_path / "out" / "two.signals.parquet")
    assert back.streams == ()
    assert any("instrument's sensor" in sentence for sentence in back.warnings)
    shutil.copy(tmp_path / "out" / "other.instrument_signals.parquet", beside)
    with pytest.raises(InputError, match="not of the same session"):
        import_parquet(tmp_path / "out" / "two.signals.parquet")


def test_csv_has_a_table_for_each_sensor_on_both_clocks(tmp_path: Path) -> None:
    there = with_instrument()
    path = saved(tmp_path, "two", there)
    assert run("export", path, "--to", "csv", "--no-strokes", "-o", tmp_path / "out").exit_code == 0
    table = pd.read_csv(tmp_path / "out" / "two.instrument_signals.csv")
    stream = there.streams[0]
    assert table["tick"].to_numpy().tolist() == stream.raw.ticks.tolist()
    assert table["hand_time_s"].to_numpy() == pytest.approx(-40.0 + 1.00002 * stream.raw.ticks / 1e6, abs=1e-6)
    si = counts_to_si(stream.raw.counts, stream.profile, stream.calibration)
    assert table["gyro_z_radps"].to_numpy() == pytest.approx(si[5], abs=1e-4)
    about = json.loads((tmp_path / "out" / "two.about.json").read_text(encoding="utf-8"))
    assert about["session"]["sensor"]["id"] == "2f01"
    assert about["session"]["streams"][0]["sensor"]["firmware_version"] == "0.9"
    assert "hand_time_s" in about["columns"]["instrument_signals"]
    # An export with one sensor only leaves no table of an older one behind.
    saved(tmp_path, "two", replace(there, streams=()))
    again = run("export", path, "--to", "csv", "--no-strokes", "-o", tmp_path / "out")
    assert "instrument_signals.csv" in again.output or again.exit_code == 1
    assert run("export", path, "--to", "csv", "--no-strokes", "--replace", "-o", tmp_path / "out").exit_code == 0
    assert not (tmp_path / "out" / "two.instrument_signals.csv").exists()


@pytest.fixture(scope="module")
def dataset(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data set of a session with two sensors and one with one."""
    folder = tmp_path_factory.mktemp("two")
    paths = [saved(folder, "two", with_instrument()), saved(folder, "one", with_gaps(300, 2))]
    export_bids(paths, folder / "set", BidsSettings(strokes=False))
    return folder / "set"


def motion(top: Path, system: str) -> Path:
    (path,) = top.glob(f"sub-*/ses-01/motion/*_tracksys-{system}_motion.tsv")
    return path


def test_bids_has_a_tracking_system_for_each_sensor(dataset: Path) -> None:
    there = with_instrument()
    records = {}
    for system in ("imu", "instrument"):
        path = motion(dataset, system)
        records[system] = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        assert records[system]["TrackingSystemName"] == system
    assert records["imu"]["SamplingFrequency"] == 400.0
    assert records["instrument"]["SamplingFrequency"] == 60.0
    assert records["instrument"]["SamplingFrequencyEffective"] == pytest.approx(60.0, abs=1e-3)
    assert records["instrument"]["DeviceSerialNumber"] == "77aa"
    assert "firmware 1.4.0" in records["imu"]["SoftwareVersions"]
    channels = pd.read_csv(str(motion(dataset, "instrument")).replace("_motion", "_channels"), sep="\t")
    assert set(channels["tracked_point"].dropna()) == {"Instrument"}
    table = pd.read_csv(motion(dataset, "instrument"), sep="\t", header=None, na_values="n/a")
    assert table.isna().all(axis=1).sum() == 3
    scans = pd.read_csv(next(dataset.glob("sub-*/ses-01/*_scans.tsv")), sep="\t")
    began = dict(zip(scans["filename"], scans["acq_time"].map(datetime.fromisoformat), strict=True))
    apart = {name.split("tracksys-")[1].split("_")[0]: moment for name, moment in began.items()}
    # The instrument's first sample is at 40 s of its own time, which is 0.0008 s of the hand's: so says the relation.
    hand_first_s = there.raw.ticks[0] / there.profile.tick_hz
    lag_s = (apart["instrument"] - apart["imu"]).total_seconds()
    assert lag_s == pytest.approx(-40.0 + 1.00002 * 40.0 - hand_first_s, abs=2e-6)


@pytest.mark.parametrize("validate", [deno_errors, npm_errors])
def test_both_validators_accept_two_tracking_systems(dataset: Path, validate: Callable[[Path], list[str]]) -> None:
    assert validate(dataset) == []


def test_bids_brings_both_sensors_back(dataset: Path, tmp_path: Path) -> None:
    back, there = import_bids(motion(dataset, "imu")), with_instrument()
    assert same_streams(replace(back, player=Player()), there, host=False)
    with pytest.raises(InputError, match="name the hand's"):
        import_bids(motion(dataset, "instrument"))
    # The whole set: a session a hand's recording, no more.
    result = run("import", dataset, "-o", tmp_path / "back")
    assert result.exit_code == 0, result.output
    sessions = [read_session(path) for path in sorted((tmp_path / "back").glob("*.mcap"))]
    assert [len(session.streams) for session in sessions] in ([1, 0], [0, 1])


def test_verify_and_repair_keep_both_sensors(tmp_path: Path) -> None:
    path = saved(tmp_path, "two", with_instrument())
    shown = run("verify", path)
    assert shown.exit_code == 0
    assert "instrument (1): 397 samples" in " ".join(shown.output.split())
    # Cut in the middle of the instrument's samples, which come last: the hand's are whole.
    data = path.read_bytes()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(data[: int(0.93 * len(data))])
    assert run("verify", cut, "--repair", tmp_path / "mended.mcap").exit_code in (0, 1)
    mended = read_session(tmp_path / "mended.mcap")
    assert equal_samples(mended.raw, with_instrument().raw)
    assert mended.streams[0].clock == CLOCK
    assert mended.sensor == HAND_ID


# --- import


HEAD = "time,ax,ay,az,gx,gy,gz\n"


def log_text(rate_hz: float, start_s: float, seconds: float, seed: int, moving: float = 1.0) -> str:
    """A log in m/s2 and deg/s with gravity in it and some turning."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(rate_hz * seconds)) / rate_hz
    gyro = moving * 40.0 * np.stack([np.sin(2 * np.pi * f * t) for f in (0.7, 0.9, 1.1)]) + rng.normal(
        0, 0.1, (3, t.size)
    )
    angle = np.radians(gyro).cumsum(axis=1) / rate_hz
    accel = 9.81 * np.stack([np.sin(angle[1]), -np.sin(angle[0]), np.cos(angle[0]) * np.cos(angle[1])])
    accel += rng.normal(0, 0.02, accel.shape)
    rows = np.column_stack([t + start_s, accel.T, gyro.T])
    return HEAD + "".join(",".join(f"{value:.6f}" for value in row) + "\n" for row in rows)


def test_two_logs_become_one_session(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text(log_text(200.0, 1.7e9, 30.0, 1), encoding="utf-8")
    (tmp_path / "phone.csv").write_text(log_text(60.0, 1.7e9 + 2.5, 26.0, 2, 0.5), encoding="utf-8")
    result = run("import", tmp_path / "hand.csv", "--instrument", tmp_path / "phone.csv", "-o", tmp_path / "s.mcap")
    assert result.exit_code == 0, result.output
    session = read_session(tmp_path / "s.mcap")
    (stream,) = session.streams
    assert stream.role == "instrument"
    assert stream.profile.rate_hz == pytest.approx(60.0, rel=1e-4)
    assert session.profile.rate_hz == pytest.approx(200.0, rel=1e-4)
    assert stream.clock is not None
    first_s = stream.raw.ticks[0] / stream.profile.tick_hz
    on_hand_s = stream.clock.offset_s + stream.clock.rate * first_s
    assert on_hand_s - session.raw.ticks[0] / session.profile.tick_hz == pytest.approx(2.5, abs=1e-5)
    assert "On the instrument: 1560 samples at 60/s" in " ".join(result.output.split())
    assert (tmp_path / "s.instrument.map.toml").is_file()
    again = run(
        "import", tmp_path / "hand.csv", "--instrument", tmp_path / "phone.csv", "--instrument-columns",
        tmp_path / "s.instrument.map.toml", "-o", tmp_path / "t.mcap",
    )  # fmt: skip
    assert again.exit_code == 0, again.output
    assert same_streams(read_session(tmp_path / "t.mcap"), session)


def test_without_dates_no_clock_is_made_up(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text(log_text(200.0, 0.0, 30.0, 1), encoding="utf-8")
    (tmp_path / "phone.csv").write_text(log_text(60.0, 100.0, 26.0, 2, 0.5), encoding="utf-8")
    result = run("import", tmp_path / "hand.csv", "--instrument", tmp_path / "phone.csv", "-o", tmp_path / "s.mcap")
    assert result.exit_code == 0, result.output
    assert read_session(tmp_path / "s.mcap").streams[0].clock is None
    assert "rap three times" in " ".join(result.output.split())


def test_bad_pairs_of_logs_are_refused_with_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "hand.csv").write_text(log_text(200.0, 1.7e9, 30.0, 1), encoding="utf-8")
    (tmp_path / "later.csv").write_text(log_text(60.0, 1.7e9 + 86_400.0, 30.0, 2), encoding="utf-8")
    (tmp_path / "none.csv").write_text("nothing\n", encoding="utf-8")
    for name, words in (("later.csv", "some time in common"), ("none.csv", "none.csv"), ("missing.csv", "missing.csv")):
        result = run("import", tmp_path / "hand.csv", "--instrument", tmp_path / name, "-o", tmp_path / "s.mcap")
        assert result.exit_code == 1, name
        assert words in str(result.exception)
        assert not (tmp_path / "s.mcap").exists()
    wrong = run("import", tmp_path / "hand.csv", "--instrument-columns", "map.toml")
    assert wrong.exit_code == 2
    over = run("import", tmp_path / "hand.csv", "--instrument", tmp_path / "later.csv", "-o", tmp_path / "later.csv")
    assert over.exit_code == 1


# --- clocks by raps


def rapped(rate_hz: float, seeds: tuple[int, ...], zero_s: float, quick: float = 1.0) -> Session:
    """A log with three raps for each seed, 40 s of rest between; its clock begins at ``zero_s``."""
    parts = []
    for seed in seeds:
        parts.append(rap_accel(np.random.default_rng(seed), rate_hz, 16 * 9.80665))
        still = np.random.default_rng(seed + 100).normal(0.0, 0.05, (int(40.0 * rate_hz), 3))
        parts.append(still + parts[-1][-1])
    accel = np.concatenate(parts)
    counts = np.zeros((len(accel), 6), np.int32)
    counts[:, :3] = np.rint(accel / 0.005)
    ticks = np.rint(1e6 * (zero_s + quick * np.arange(len(accel)) / rate_hz)).astype(np.int64)
    raw = RawSamples(ticks, np.arange(len(accel)), np.full(len(accel), np.nan), counts)
    return Session(raw, SensorProfile("rapped", rate_hz, 0.005, 1e-3, tick_hz=1e6))


def test_three_raps_that_both_felt_tie_two_clocks_without_a_date() -> None:
    hand = rapped(400.0, (1, 2, 3), 5.0)
    clock = raps_clock(hand, rapped(200.0, (1, 2, 3), 1000.0, 1.0002))
    assert clock is not None
    for own_s in (1010.0, 1080.0):
        truth_s = 5.0 + (own_s - 1000.0) / 1.0002
        assert clock.offset_s + clock.rate * own_s == pytest.approx(truth_s, abs=clock.residual_s)
    assert clock.rate == pytest.approx(1.0 / 1.0002, abs=2e-4)


def test_raps_that_fit_in_no_way_or_in_several_tie_nothing() -> None:
    hand = rapped(400.0, (1, 2), 5.0)
    assert raps_clock(hand, rapped(200.0, (4,), 1000.0)) is None
    # The same three raps again and again: either of them may be the one.
    assert raps_clock(rapped(400.0, (1, 1), 5.0), rapped(200.0, (1,), 1000.0)) is None
