"""Motion-BIDS: what is written, the way back exact to the count, other programs' recordings, and every bad input."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.errors import InputError, OutputError
from analysis.model.records import Event, Player, RawSamples, Session
from analysis.pipeline import analyse_session
from analysis.signal.si_units import counts_to_si
from logger.cli import cli
from logger.exchange.bids_recording import BidsSettings
from logger.exchange.check_bids import check_dataset
from logger.exchange.export_bids import export_bids
from logger.exchange.import_bids import import_bids
from logger.exchange.motion_bids import make_label, participant_labels, session_labels
from logger.session.session_file import read_session
from tests.house.test_house import ROOT
from tests.logger.exchange.make import saved, stored, with_gaps
from tests.logger.session.make import same_but_samples

PLAIN = BidsSettings(strokes=False)
LOG = ROOT / "sample_logs" / "steady_and_tilted.mcap"


def motion(top: Path) -> Path:
    (path,) = top.glob("sub-*/ses-*/motion/*_motion.tsv")
    return path


def beside(path: Path, ending: str) -> Path:
    return path.with_name(path.name.replace("_motion.tsv", ending))


def channels_of(top: Path) -> Path:
    return beside(motion(top), "_channels.tsv")


@pytest.fixture
def dataset(tmp_path: Path) -> Path:
    """A data set of one short session."""
    export_bids([saved(tmp_path, "one", with_gaps(300))], tmp_path / "set", PLAIN)
    return tmp_path / "set"


def test_rows_are_even_and_missing_samples_are_never_made_up(tmp_path: Path, dataset: Path) -> None:
    there = stored(tmp_path / "one.mcap")
    table = pd.read_csv(motion(dataset), sep="\t", header=None, na_values="n/a")
    assert table.shape == (300, 7)
    lost = table.isna().all(axis=1)
    assert np.flatnonzero(lost).tolist() == [7, 90, 91, 92]
    assert not table[~lost].isna().any(axis=None)
    si = counts_to_si(there.raw.counts, there.profile, there.calibration)
    assert np.allclose(table[~lost].to_numpy()[:, 1:], si.T, atol=5e-4)
    assert np.allclose(table[~lost][0], (there.raw.ticks - there.raw.ticks[0]) / 1e6, atol=1e-9)
    scans = pd.read_csv(next(dataset.rglob("*_scans.tsv")), sep="\t")
    assert scans.loc[0, ["missing_samples", "gaps", "repeated_samples_left_out"]].tolist() == [4, 2, 0]
    assert scans.loc[0, "acq_time"] == "2023-11-14T22:13:20.000000Z"


def test_sidecar_and_channels_say_what_the_standard_wants(dataset: Path) -> None:
    record = json.loads(beside(motion(dataset), "_motion.json").read_text(encoding="utf-8"))
    assert record["TaskName"] == "picking"
    assert record["SamplingFrequency"] == 400.0
    assert record["SamplingFrequencyEffective"] == pytest.approx(400.0, abs=1e-6)
    assert record["RecordingDuration"] == pytest.approx(0.75)
    assert (record["ACCELChannelCount"], record["GYROChannelCount"], record["MotionChannelCount"]) == (3, 3, 7)
    channels = pd.read_csv(beside(motion(dataset), "_channels.tsv"), sep="\t", keep_default_na=False)
    assert list(channels)[:5] == ["name", "component", "type", "tracked_point", "units"]
    assert channels["type"].tolist() == ["LATENCY", *["ACCEL"] * 3, *["GYRO"] * 3]
    assert channels["units"].tolist() == ["s", *["m/s^2"] * 3, *["rad/s"] * 3]
    assert set(channels["tracked_point"][1:]) == {"RightHand"}
    participants = pd.read_csv(dataset / "participants.tsv", sep="\t")
    assert participants.to_dict("records") == [{"participant_id": "sub-playerone", "picking_hand": "right"}]


@pytest.mark.parametrize("part", [1, 91, 1 << 16])
def test_a_session_comes_back_exact_in_counts_and_ticks(
    tmp_path: Path, dataset: Path, monkeypatch: pytest.MonkeyPatch, part: int
) -> None:
    """In whatever parts it is read: some without a sample, one that ends in a gap, or all at once."""
    monkeypatch.setattr("logger.exchange.import_bids.ROWS_PER_PART", part)
    there, back = stored(tmp_path / "one.mcap"), import_bids(motion(dataset))
    assert np.array_equal(back.raw.counts, there.raw.counts)
    assert np.array_equal(back.raw.ticks, there.raw.ticks)
    assert np.array_equal(back.raw.sequence, there.raw.sequence)
    assert back.raw.host_time_s[0] == pytest.approx(there.raw.host_time_s[0], abs=1e-5)
    assert np.isnan(back.raw.host_time_s[1:]).all()
    # The player goes by the label; a tab cannot stand in a TSV.
    expected = [replace(e, label=e.label.replace("\t", " ")) for e in there.events]
    assert list(back.events) == [replace(e, row=b.row) for e, b in zip(expected, back.events, strict=True)]
    assert same_but_samples(replace(back, events=()), replace(there, events=(), player=Player("playerone", "right")))


@settings(max_examples=15, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sets(st.integers(1, 198), max_size=60),
    st.sampled_from([1e3, 32768.0, 1e6, 72e6]),
    st.integers(-(10**9), 10**12),
)
def test_any_pattern_of_gaps_comes_back(
    tmp_path_factory: pytest.TempPathFactory, seed: int, lost: set[int], tick_hz: float, first: int
) -> None:
    folder = tmp_path_factory.mktemp("gaps")
    made = with_gaps(200, seed, lost=tuple(lost))
    ticks = np.rint((made.raw.sequence - 50) * tick_hz / 100.0).astype(np.int64) + first
    raw = RawSamples(ticks, made.raw.sequence, np.full(ticks.size, np.nan), made.raw.counts)
    profile = replace(made.profile, tick_hz=tick_hz, rate_hz=100.0)
    path = saved(folder, "one", replace(made, raw=raw, profile=profile, events=()))
    (told,) = export_bids([path], folder / "set", PLAIN)
    assert told.missing == len(lost)
    back = import_bids(motion(folder / "set")).raw
    assert np.array_equal(back.counts, raw.counts)
    assert np.array_equal(back.ticks, raw.ticks)
    assert np.array_equal(back.sequence, raw.sequence)


def test_several_players_and_sessions_in_one_data_set(tmp_path: Path) -> None:
    def dated(session: Session, days: int) -> Session:
        raw = session.raw
        return replace(session, raw=replace(raw, host_time_s=raw.host_time_s + 86400.0 * days))

    paths = [
        saved(tmp_path, "b", dated(with_gaps(200, 1, "Player B", ()), 2)),
        saved(tmp_path, "a", dated(with_gaps(200, 2, "Player B", ()), 1)),
        saved(tmp_path, "c", with_gaps(200, 3, "Spielerin Ü, 2", ())),
    ]
    told = export_bids(paths, tmp_path / "set", PLAIN)
    # Sessions are numbered in the order in which they were recorded.
    assert [(t.place.participant, t.place.session) for t in told] == [
        ("PlayerB", "02"), ("PlayerB", "01"), ("SpielerinU2", "01"),
    ]  # fmt: skip
    participants = pd.read_csv(tmp_path / "set" / "participants.tsv", sep="\t")
    assert participants["participant_id"].tolist() == ["sub-PlayerB", "sub-SpielerinU2"]
    run = CliRunner().invoke(cli, ["import", str(tmp_path / "set"), "-o", str(tmp_path / "back")])
    assert run.exit_code == 0, run.output
    names = [
        "sub-PlayerB_ses-02_task-picking_tracksys-imu.mcap",
        "sub-PlayerB_ses-01_task-picking_tracksys-imu.mcap",
        "sub-SpielerinU2_ses-01_task-picking_tracksys-imu.mcap",
    ]
    for path, name in zip(paths, names, strict=True):
        assert np.array_equal(read_session(tmp_path / "back" / name).raw.counts, read_session(path).raw.counts)


def test_the_player_s_name_stays_out_where_a_label_is_given(tmp_path: Path) -> None:
    path = saved(tmp_path, "one", with_gaps(200, player="An Invented Person"))
    words = ["--to", "bids", "--no-strokes", "--participant", "An Invented Person=p07", "--task", "scales"]
    run = CliRunner().invoke(cli, ["export", str(path), *words, "-o", str(tmp_path / "set")])
    assert run.exit_code == 0, run.output
    assert "196 of them" not in run.output
    assert "sub-p07_ses-01_task-scales_tracksys-imu, 200 rows, 4 of them missing (n/a) in 2 gaps." in run.output
    for file in (tmp_path / "set").rglob("*"):
        assert "Invented" not in str(file)
        assert file.is_dir() or b"Invented" not in file.read_bytes()


def test_strokes_and_blocks_stand_among_the_derivatives(tmp_path: Path) -> None:
    run = CliRunner().invoke(cli, ["export", str(LOG), "--to", "bids", "-o", str(tmp_path / "set")])
    assert run.exit_code == 0, run.output
    (strokes,) = (tmp_path / "set" / "derivatives" / "strokeplane").rglob("*_acq-strokes_events.tsv")
    table = pd.read_csv(strokes, sep="\t", na_values="n/a")
    assert set(table["trial_type"]) == {"down", "up"}
    assert len(table) > 100
    assert (np.diff(table["onset"]) > 0).all()
    (blocks,) = (tmp_path / "set" / "derivatives" / "strokeplane").rglob("*_acq-blocks_events.tsv")
    assert pd.read_csv(blocks, sep="\t")["trial_type"].tolist() == ["down", "down"]
    assert json.loads(strokes.with_suffix(".json").read_text(encoding="utf-8"))["tilt_deg"]["Units"] == "deg"


def test_repeated_samples_are_counted_and_told(tmp_path: Path) -> None:
    made = with_gaps(200, lost=())
    raw = made.raw
    again = np.insert(np.arange(200), 100, 100)
    doubled = RawSamples(raw.ticks[again], raw.sequence[again], raw.host_time_s[again], raw.counts[again])
    path = saved(tmp_path, "one", replace(made, raw=doubled))
    words = ["export", str(path), "--to", "bids", "--no-strokes", "-o", str(tmp_path / "set")]
    run = CliRunner().invoke(cli, words)
    assert "1 samples stood where another one stands, and were left out" in run.stderr
    assert "200 rows, 0 of them missing" in run.stdout


# Labels


def test_labels_hold_letters_and_digits() -> None:
    assert make_label("Zoë's 2nd, left-handed") == "Zoes2ndlefthanded"
    assert make_label("♪ 弦") == ""


def test_sessions_without_a_time_come_last() -> None:
    nan = float("nan")
    assert session_labels(["a", "b", "a", "a"], [nan, 5.0, 9.0, 7.0]) == ["03", "01", "02", "01"]
    assert session_labels(["a"] * 100, [nan] * 100)[99] == "100"


@pytest.mark.parametrize(
    ("players", "said"),
    [
        ([Player("")], r"a\.mcap: expected a player's name with letters or digits, found ''; .*--participant ''=p01"),
        ([Player("♪")], "found '♪'; give a label"),
        ([Player("A. B"), Player("A-B")], "two players, 'A. B' and 'A-B', would both be participant AB"),
        ([Player("ab"), Player("AB")], "two players, 'ab' and 'AB', would both be participant"),
        (
            [Player("x", "left"), Player("x")],
            "participant x plays with the left hand in one and the right",
        ),
    ],
)
def test_players_who_cannot_be_told_apart(players: list[Player], said: str) -> None:
    with pytest.raises(InputError, match=said):
        participant_labels([(player, f"{'abc'[i]}.mcap") for i, player in enumerate(players)], {})


def test_a_label_may_be_given_to_a_player_without_a_name() -> None:
    assert participant_labels([(Player(""), "a"), (Player("x"), "b")], {"": "p01"}) == ["p01", "x"]


# What cannot be written


def refused(*words: object) -> str:
    run = CliRunner().invoke(cli, [str(word) for word in words])
    assert isinstance(run.exception, InputError | OutputError), (run.output, run.exception)
    return str(run.exception)


def test_a_data_set_is_replaced_only_when_asked_and_only_one_of_ours(tmp_path: Path, dataset: Path) -> None:
    path = saved(tmp_path, "two", with_gaps(200, 5, "other"))
    words = ("export", path, "--to", "bids", "--no-strokes", "-o")
    assert "is not empty; name a new folder, or give --replace" in refused(*words, dataset)
    run = CliRunner().invoke(cli, [*(str(word) for word in words), str(dataset), "--replace"])
    assert run.exit_code == 0, run.output
    assert [folder.name for folder in dataset.glob("sub-*")] == ["sub-other"]
    other = tmp_path / "precious"
    other.mkdir()
    (other / "notes.txt").write_text("keep", encoding="utf-8")
    assert "holds something that strokeplane did not write" in refused(*words, other, "--replace")
    assert (other / "notes.txt").read_text(encoding="utf-8") == "keep"
    assert "is a file" in refused(*words, path)
    assert "there is no folder" in refused(*words, tmp_path / "no" / "set")
    assert "holds the same session" in refused("export", path, path, *words[2:], tmp_path / "new")
    assert "expected a task of letters and digits, found 'a b'" in refused(*words, tmp_path / "new", "--task", "a b")


def test_a_session_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    good = saved(tmp_path, "good", with_gaps(200))
    short = saved(tmp_path, "short", with_gaps(40, 1, lost=()))
    words = ("export", good, short, "--to", "bids", "--no-strokes", "-o", tmp_path / "set")
    assert "short.mcap: expected at least 64 samples, found 40" in refused(*words)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["good.mcap", "short.mcap"]


# What the public validators do not see


def without_channels(top: Path) -> None:
    channels_of(top).unlink()
    channels_of(top).with_suffix(".json").unlink()


def with_header(top: Path) -> None:
    path = motion(top)
    path.write_bytes(b"latency\tax\tay\taz\tgx\tgy\tgz\n" + path.read_bytes())


def wrong_unit(top: Path) -> None:
    edit(channels_of(top), "rad/s", "furlong")


def one_channel_less(top: Path) -> None:
    path = channels_of(top)
    path.write_text("\n".join(path.read_text(encoding="utf-8").split("\n")[:-2]) + "\n", encoding="utf-8")


def one_channel_less_and_counted_so(top: Path) -> None:
    one_channel_less(top)
    edit(beside(motion(top), "_motion.json"), '"MotionChannelCount": 7', '"MotionChannelCount": 6')
    edit(beside(motion(top), "_motion.json"), '"GYROChannelCount": 3', '"GYROChannelCount": 2')


def one_cell_more_far_down(top: Path) -> None:
    lines = motion(top).read_bytes().split(b"\n")
    lines[250] += b"\t1"
    motion(top).write_bytes(b"\n".join(lines))


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


UNSEEN: list[tuple[Callable[[Path], None], str]] = [
    (without_channels, "expected a channels.tsv that names its columns, found none"),
    (with_header, "expected numbers from the first row on, found 'latency'; a motion.tsv has no header row"),
    (wrong_unit, "expected channel gyro_x (GYRO) in rad/s or deg/s, found 'furlong'"),
    (one_channel_less, "expected MotionChannelCount 6, as many as channels.tsv has, found 7"),
    (one_channel_less_and_counted_so, "row 1: expected 6 cells, one for each row of channels.tsv, found 7"),
    (one_cell_more_far_down, "row 251: expected 7 cells, one for each row of channels.tsv, found 8"),
]


@pytest.mark.parametrize(("spoil", "said"), UNSEEN, ids=[spoil.__name__ for spoil, _ in UNSEEN])
def test_our_own_checks_see_what_validators_do_not(
    tmp_path: Path, dataset: Path, spoil: Callable[[Path], None], said: str
) -> None:
    assert check_dataset(dataset) == []
    spoil(dataset)
    (fault,) = check_dataset(dataset)
    assert said in fault
    assert said in refused("import", dataset, "-o", tmp_path / "back.mcap")


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda top: beside(motion(top), "_motion.json").unlink(), "expected a motion.json beside it, found none"),
        (lambda top: edit(beside(motion(top), "_motion.json"), '"TaskName"', '"Task"'), "to state TaskName and"),
        (lambda top: edit(beside(motion(top), "_motion.json"), "{", "["), "is not valid JSON"),
        (lambda top: edit(channels_of(top), "component\ttype", "type\tcomponent"), "under the columns"),
        (lambda top: edit(beside(motion(top), "_channels.tsv"), "LATENCY", "TIME"), "has type 'TIME', which is none"),
        (lambda top: edit(channels_of(top), "gyro_z\t", "gyro_z "), "row 8: expected 6 cells, found 5"),
        (lambda top: edit(beside(motion(top), "_channels.json"), '"FirstTick"', '"First"'), "cannot be used ("),
        (lambda top: motion(top).write_bytes(b""), "expected rows of numbers, found none"),
        (lambda top: motion(top).write_bytes(b"1\t1\t1\t1\t1\t1\t1\n1\t1\t1\tx\t1\t1\t1\n"), "expected numbers or n/a"),
        (lambda top: edit(next(top.rglob("*_events.tsv")), "7.5", "75"), "expected a number from 0 to 10 in rating"),
    ],
)  # fmt: skip
def test_data_sets_that_cannot_be_read(
    tmp_path: Path, dataset: Path, spoil: Callable[[Path], object], said: str
) -> None:
    spoil(dataset)
    assert said in refused("import", dataset, "-o", tmp_path / "back.mcap")
    assert not (tmp_path / "back.mcap").exists()


def test_values_that_were_changed_are_refused(dataset: Path) -> None:
    lines = motion(dataset).read_text(encoding="utf-8").split("\n")
    cells = lines[20].split("\t")
    cells[1] = f"{float(cells[1]) + 0.4 * 9.80665 / 4096:.5f}"
    lines[20] = "\t".join(cells)
    motion(dataset).write_text("\n".join(lines), encoding="utf-8", newline="\n")
    with pytest.raises(InputError, match="the values were changed since they were exported"):
        import_bids(motion(dataset))
    # Found by fuzzing: a value whose counts are beyond every number.
    cells[1] = "1.7e308"
    lines[20] = "\t".join(cells)
    motion(dataset).write_text("\n".join(lines), encoding="utf-8", newline="\n")
    with pytest.raises(InputError, match=r"inf counts for .* in sample"):
        import_bids(motion(dataset))


def test_folders_that_are_no_data_set(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert "or a Motion-BIDS data set" in refused("import", tmp_path / "empty", "-o", tmp_path / "x.mcap")
    assert "found none; check its name" in refused("import", tmp_path / "a_motion.tsv", "-o", tmp_path / "x.mcap")
    for number in range(2):
        saved(tmp_path, f"s{number}", with_gaps(200, number, f"p{number}"))
    export_bids([tmp_path / "s0.mcap", tmp_path / "s1.mcap"], tmp_path / "two", PLAIN)
    assert "holds 2 recordings; name a folder" in refused("import", tmp_path / "two", "-o", tmp_path / "x.mcap")


# Recordings of other programs


def foreign(top: Path, points: tuple[str, ...] = ("wrist",), latency: bool = False) -> Path:
    """A data set that another program could have written: g and deg/s, the sidecar once for all, at the top."""
    folder = top / "sub-01" / "motion"
    folder.mkdir(parents=True)
    (top / "dataset_description.json").write_text('{"Name": "x", "BIDSVersion": "1.10.0"}', encoding="utf-8")
    record = '{"TaskName": "strum", "SamplingFrequency": 50}'
    (top / "task-strum_motion.json").write_text(record, encoding="utf-8")
    rows = ["name\tcomponent\ttype\ttracked_point\tunits"]
    for point in points:
        rows += [f"{point}_g{axis}\t{axis}\tGYRO\t{point}\tdeg/s" for axis in "xyz"]
        rows += [f"{point}_a{axis}\t{axis}\tACCEL\t{point}\tg" for axis in "zyx"]
    rows += ["t\tn/a\tLATENCY\tn/a\ts"] if latency else []
    stem = "sub-01_task-strum_tracksys-a"
    (folder / f"{stem}_channels.tsv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    lines = []
    for n in range(100):
        values = [f"{axis + 0.01 * n + 100 * p}" for p in range(len(points)) for axis in (1, 2, 3, 0.3, 0.2, 1.1)]
        lines.append("\t".join(["n/a"] * len(values) if n == 60 else values) + (f"\t{5 + n / 50}" if latency else ""))
    (folder / f"{stem}_motion.tsv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    events = "onset\tduration\ttrial_type\n0.2\t0.5\tplay\n1\tn/a\tbeep\n"
    (folder / "sub-01_task-strum_events.tsv").write_text(events, encoding="utf-8")
    return folder / f"{stem}_motion.tsv"


def test_another_program_s_recording_is_read_in_its_units(tmp_path: Path) -> None:
    session = import_bids(foreign(tmp_path))
    si = counts_to_si(session.raw.counts, session.profile, session.calibration)
    n = np.delete(np.arange(100), 60)
    assert np.allclose(si[0], 9.80665 * (1.1 + 0.01 * n), atol=1e-5)
    assert np.allclose(si[2], 9.80665 * (0.3 + 0.01 * n), atol=1e-5)
    assert np.allclose(si[3], np.radians(1 + 0.01 * n), atol=1e-7)
    assert np.array_equal(session.raw.sequence, n)
    assert np.allclose(session.raw.ticks / session.profile.tick_hz, n / 50)
    assert session.profile.rate_hz == 50
    assert [(e.kind, e.start_s, e.end_s) for e in session.events] == [("play", 0.2, 0.7)]
    assert session.warnings[-1] == "1 events of kinds that strokeplane does not know were left out."


def test_another_program_s_own_times_are_kept(tmp_path: Path) -> None:
    session = import_bids(foreign(tmp_path, latency=True))
    assert session.raw.ticks[:3].tolist() == [5_000_000_000, 5_020_000_000, 5_040_000_000]


def test_one_of_several_sensors_must_be_named(tmp_path: Path) -> None:
    path = foreign(tmp_path, ("wrist", "hand"))
    with pytest.raises(InputError, match="sensors at wrist, hand; name the one on the picking hand with --point"):
        import_bids(path)
    with pytest.raises(InputError, match="no whole sensor at 'foot'; name one of wrist, hand"):
        import_bids(path, "foot")
    assert import_bids(path, "hand").raw.counts[0, 3] == 10_100_000


def test_half_a_sensor_is_refused(tmp_path: Path) -> None:
    path = foreign(tmp_path)
    edit(beside(path, "_channels.tsv"), "ACCEL\twrist\tg", "POS\twrist\tm")
    with pytest.raises(InputError, match="expected three channels of type ACCEL and three of type GYRO"):
        import_bids(path)
    edit(beside(path, "_channels.tsv"), "POS\twrist\tm", "ACCEL\twrist\tg")
    edit(beside(path, "_channels.tsv"), "wrist_gx\tx\tGYRO\twrist\tdeg/s", "wrist_gx\tx\tGYRO\twrist\trad/s")
    with pytest.raises(InputError, match="expected one unit for the three axes of a sensor"):
        import_bids(path)


def test_events_keep_their_clock(tmp_path: Path) -> None:
    made = with_gaps(300, lost=())
    later = replace(made.raw, ticks=made.raw.ticks + 10**12)
    events = (Event(1_000_000.25, 1_000_000.5, "play"),)
    path = saved(tmp_path, "late", replace(made, raw=later, events=events))
    export_bids([path], tmp_path / "set", PLAIN)
    (event,) = import_bids(motion(tmp_path / "set")).events
    assert (event.start_s, event.end_s) == (1_000_000.25, 1_000_000.5)


def test_a_session_that_went_round_gives_the_same_strokes(tmp_path: Path) -> None:
    export_bids([LOG], tmp_path / "set", PLAIN)
    there = analyse_session(read_session(LOG)).strokes
    back = analyse_session(import_bids(motion(tmp_path / "set"))).strokes
    pd.testing.assert_frame_equal(there, back)


def test_a_simulated_recording_comes_back_marked_whoever_wrote_its_settings(tmp_path: Path) -> None:
    """The mark stands in scans.tsv: it outlives another program that drops our own field of channels.json."""
    session = replace(with_gaps(), metadata={"synthetic": "true"})
    path = saved(tmp_path, "made", session)
    export_bids([path], tmp_path / "set", BidsSettings(participants={"player one": "p1"}, strokes=False))
    (motion,) = (tmp_path / "set").rglob("*_motion.tsv")
    assert import_bids(motion).metadata["synthetic"] == "true"
    (channels,) = (tmp_path / "set").rglob("*_channels.json")
    record = json.loads(channels.read_text(encoding="utf-8"))
    del record["Strokeplane"]
    channels.write_text(json.dumps(record), encoding="utf-8")
    assert import_bids(motion).metadata["synthetic"] == "true"
    (scans,) = (tmp_path / "set").rglob("*_scans.tsv")
    scans.write_text(scans.read_text(encoding="utf-8").replace("\ttrue", "\tfalse"), encoding="utf-8")
    assert "synthetic" not in import_bids(motion).metadata
