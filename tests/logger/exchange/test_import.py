"""CSV import: dialects, units, exact counts, and one clear sentence for every bad input."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.model.errors import InputError
from analysis.model.records import Instrument, Session
from analysis.signal.timebase import fit_timebase
from logger.exchange.import_csv import import_csv
from logger.exchange.import_words import count_missing

NAMES = ("time", "ax", "ay", "az", "gx", "gy", "gz")
MAP = """
[time]
column = "time"
unit = "s"
[accel]
columns = ["ax", "ay", "az"]
unit = "g"
[gyro]
columns = ["gx", "gy", "gz"]
unit = "deg/s"
"""


@dataclass
class Log:
    """A log as a table of cells, and how it is written."""

    folder: Path
    cells: list[list[str]]
    names: tuple[str, ...] = NAMES
    separator: str = ","
    map_text: str = MAP
    encoding: str = "utf-8"
    end: str = "\n"
    top: str = ""
    events: str | None = None

    @property
    def path(self) -> Path:
        return self.folder / "imu.csv"

    def write(self) -> None:
        rows = [self.separator.join(row) for row in ([*self.names], *self.cells)]
        text = self.top + self.end.join(rows) + self.end
        self.path.write_bytes(text.encode(self.encoding))
        (self.folder / "map.toml").write_text(self.map_text, encoding="utf-8")

    def load(self) -> Session:
        self.write()
        events = None
        if self.events is not None:
            events = self.folder / "events.csv"
            events.write_text(self.events, encoding="utf-8")
        return import_csv(self.path, self.folder / "map.toml", events)

    def refused(self) -> str:
        with pytest.raises(InputError) as caught:
            self.load()
        return str(caught.value)


@pytest.fixture
def log(tmp_path: Path) -> Log:
    rng = np.random.default_rng(3)
    values = rng.normal([0.0, 0.0, 1.0, 0.0, 0.0, 0.0], 0.3, (200, 6))
    cells = [[f"{5 + i / 100:.3f}", *(f"{v:.5f}" for v in row)] for i, row in enumerate(values)]
    return Log(tmp_path, cells)


def values_g_dps(session: Session) -> np.ndarray:
    profile = session.profile
    return session.raw.counts * np.repeat(
        [profile.accel_mps2_per_count / 9.80665, math.degrees(profile.gyro_radps_per_count)], 3
    )


def table(log: Log) -> np.ndarray:
    return np.array([[float(cell) for cell in row] for row in log.cells])


def test_values_times_and_rate(log: Log) -> None:
    session = log.load()
    assert np.allclose(values_g_dps(session), table(log)[:, 1:], rtol=1e-12, atol=1e-12)
    assert np.array_equal(session.raw.ticks / session.profile.tick_hz, table(log)[:, 0])
    assert session.profile.rate_hz == pytest.approx(100.0)
    assert np.isnan(session.raw.host_time_s).all()
    assert session.warnings == ()
    assert count_missing(session.raw) == (0, 0)
    assert fit_timebase(session.raw, session.profile).grid.start_s == pytest.approx(5.0, abs=1e-6)


def comma_decimals(log: Log) -> None:
    log.cells = [[cell.replace(".", ",") for cell in row] for row in log.cells]


def dialect_semicolon(log: Log) -> None:
    log.separator = ";"


def dialect_semicolon_decimal_comma(log: Log) -> None:
    log.separator = ";"
    comma_decimals(log)


def dialect_tab_decimal_comma(log: Log) -> None:
    log.separator = "\t"
    comma_decimals(log)


def dialect_quoted_decimal_comma(log: Log) -> None:
    comma_decimals(log)
    log.cells = [[f'"{cell}"' for cell in row] for row in log.cells]


def dialect_byte_order_mark(log: Log) -> None:
    log.encoding = "utf-8-sig"


def dialect_utf16_tab(log: Log) -> None:
    log.encoding = "utf-16"
    log.separator = "\t"


def dialect_windows_line_ends(log: Log) -> None:
    log.end = "\r\n"


def dialect_lines_on_top(log: Log) -> None:
    log.top = "# sensor 7, left drawer\nsep=,\n\n"


def dialect_spaces_and_quotes(log: Log) -> None:
    log.names = tuple(f' "{name}"' if name != "time" else name for name in log.names)
    log.cells = [[f" {cell} " for cell in row] for row in log.cells]


def dialect_more_columns_in_another_order(log: Log) -> None:
    log.names = ("note", *log.names[::-1], "temp")
    log.cells = [["hello", *row[::-1], "21.5"] for row in log.cells]


def dialect_trailing_separator_and_blank_lines(log: Log) -> None:
    log.cells = [[*row, ""] for row in log.cells] + [[""], [""]]
    log.names = (*log.names, "")


def dialect_exponents(log: Log) -> None:
    log.cells = [[row[0], *(f"{float(cell):.6e}" for cell in row[1:])] for row in log.cells]


DIALECTS = [function for name, function in globals().items() if name.startswith("dialect_")]


@pytest.mark.parametrize("dialect", DIALECTS, ids=lambda f: f.__name__)
def test_every_dialect_reads_the_same(log: Log, dialect: Callable[[Log], None]) -> None:
    plain = log.load()
    dialect(log)
    read = log.load()
    assert np.array_equal(read.raw.ticks, plain.raw.ticks)
    assert np.array_equal(read.raw.counts, plain.raw.counts)
    assert read.warnings == ()


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(*[st.integers(-16_000_000, 16_000_000)] * 3, *[st.integers(-200_000_000, 200_000_000)] * 3),
        min_size=3, max_size=20,
    )
)  # fmt: skip
def test_every_decimal_of_the_fine_step_is_kept(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, ...]]
) -> None:
    """Six decimals of g and five of deg/s come back as the very integers."""
    folder = tmp_path_factory.mktemp("exact")
    cells = [
        [f"{i * 0.01:.2f}", *(f"{v / 1e6:.6f}" for v in row[:3]), *(f"{v / 1e5:.5f}" for v in row[3:])]
        for i, row in enumerate(rows)
    ]
    session = Log(folder, cells).load()
    assert np.array_equal(session.raw.counts, np.array(rows))


@pytest.mark.parametrize(("unit", "factor"), [("g", 1.0), ("m/s2", 9.80665)], ids=["g", "m/s2"])
def test_units_of_acceleration(log: Log, unit: str, factor: float) -> None:
    expected = table(log)[:, 1:4]
    log.cells = [[row[0], *(repr(float(cell) * factor) for cell in row[1:4]), *row[4:]] for row in log.cells]
    log.map_text = log.map_text.replace('"g"', f'"{unit}"')
    assert np.allclose(values_g_dps(log.load())[:, :3], expected, atol=1e-6)


def test_radians(log: Log) -> None:
    expected = table(log)[:, 4:]
    log.cells = [[*row[:4], *(repr(math.radians(float(cell))) for cell in row[4:])] for row in log.cells]
    log.map_text = log.map_text.replace('"deg/s"', '"rad/s"')
    assert np.allclose(values_g_dps(log.load())[:, 3:], expected, atol=1e-5)


def counts_log(log: Log) -> None:
    log.cells = [[row[0], *(str(round(float(cell) * 4096)) for cell in row[1:])] for row in log.cells]
    log.map_text = log.map_text.replace('"g"', '"counts"').replace('"deg/s"', '"counts"')
    log.map_text += "[sensor]\naccel_per_g = 4096\ngyro_per_dps = 16.4\n"


def test_counts_are_kept_as_they_are(log: Log) -> None:
    """Scale factors as in the data sheets of two common parts: 4096 counts per g at 8 g, 16.4 per deg/s at 2000."""
    counts_log(log)
    session = log.load()
    assert np.array_equal(session.raw.counts, table(log)[:, 1:])
    assert session.profile.accel_mps2_per_count == pytest.approx(9.80665 / 4096)
    assert session.profile.gyro_radps_per_count == pytest.approx(math.radians(1 / 16.4))


@pytest.mark.parametrize(
    ("unit", "form", "tick_hz"),
    [
        ("s", "{:.3f}", 1e6),
        ("s", "{:.6f}", 1e6),
        ("ms", "{:.0f}", 1e6),
        ("ms", "{:.3f}", 1e6),
        ("us", "{:.0f}", 1e6),
        ("us", "{:.2f}", 1e9),
        ("s", "{:.9f}", 1e9),
    ],
)
def test_ticks_keep_what_the_column_resolves(log: Log, unit: str, form: str, tick_hz: float) -> None:
    factor = {"s": 1.0, "ms": 1e3, "us": 1e6}[unit]
    fine = 1.234567e-7 if tick_hz == 1e9 else 0.0
    written = [form.format((5 + i / 100 + fine) * factor) for i in range(len(log.cells))]
    log.cells = [[time, *row[1:]] for time, row in zip(written, log.cells, strict=True)]
    log.map_text = log.map_text.replace('unit = "s"', f'unit = "{unit}"')
    session = log.load()
    assert session.profile.tick_hz == tick_hz
    assert np.allclose(session.raw.ticks / tick_hz, [float(t) / factor for t in written], rtol=0, atol=0.6e-9)


def test_times_since_1970_are_kept(log: Log) -> None:
    log.cells = [[f"{1_700_000_000 + i / 100:.6f}", *row[1:]] for i, row in enumerate(log.cells)]
    session = log.load()
    assert session.profile.tick_hz == 1e6
    assert session.raw.ticks[7] == 1_700_000_000_070_000


def test_device_ticks_are_kept(log: Log) -> None:
    log.cells = [[str(4_000_000_000 + i * 327), *row[1:]] for i, row in enumerate(log.cells)]
    log.map_text = log.map_text.replace('unit = "s"', 'unit = "ticks"\ntick_hz = 32768')
    session = log.load()
    assert session.raw.ticks[3] == 4_000_000_000 + 3 * 327
    assert session.profile.tick_hz == 32768.0
    assert session.profile.rate_hz == pytest.approx(32768 / 327)


@pytest.mark.parametrize("rows", [199, 200])
def test_whole_milliseconds_at_a_rate_between_them(log: Log, rows: int) -> None:
    """At 400 samples/s steps of 2 and 3 ms alternate; the rate is still 400 and nothing is missing."""
    log.cells = [[str(i * 5 // 2), *row[1:]] for i, row in enumerate(log.cells[:rows])]
    log.map_text = log.map_text.replace('unit = "s"', 'unit = "ms"') + "[sensor]\nrate_hz = 400\n"
    session = log.load()
    assert session.profile.rate_hz == 400.0
    assert count_missing(session.raw) == (0, 0)
    base = fit_timebase(session.raw, session.profile)
    assert (base.lost_samples, base.repeated_samples, base.even) == (0, 0, True)
    assert base.grid.rate_hz == pytest.approx(400.0, rel=1e-4)


def test_missing_samples_are_gaps_and_counted(log: Log) -> None:
    del log.cells[50:53], log.cells[100]
    session = log.load()
    assert count_missing(session.raw) == (4, 2)
    assert session.raw.ticks.size == 196
    base = fit_timebase(session.raw, session.profile)
    assert base.lost_samples == 4


def test_repeated_rows_are_kept_once_and_counted(log: Log) -> None:
    log.cells[50:50] = [log.cells[49]] * 2
    session = log.load()
    assert session.raw.ticks.size == 200
    assert session.warnings == ("imu.csv: 2 samples stand at a time already taken and were left out.",)


def test_settings_of_player_and_instrument(log: Log) -> None:
    log.map_text += """
[sensor]
lever_mm = [60, -4.5, 20]
[player]
handed = "left"
[instrument]
strings = 8
courses = 4
spacing_mm = [9.5, 9.0, 9.25]
radius_mm = 280
plectrum_depth_mm = 1.5
held = "flat"
"""
    session = log.load()
    assert session.lever_mm == (60.0, -4.5, 20.0)
    assert session.player.handed == "left"
    assert session.instrument == Instrument("", 8, 4, (9.5, 9.0, 9.25), 280.0, 1.5, "flat")


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ("spacing_mm = 9", Instrument(spacing_mm=(9.0,) * 5)),
        ("strings = 4", Instrument(strings=4, courses=4, spacing_mm=(10.5,) * 3)),
        ("spacing_mm = [8, 9]", Instrument(strings=3, courses=3, spacing_mm=(8.0, 9.0))),
        ("strings = 12\ncourses = 6", Instrument(strings=12, courses=6)),
    ],
)
def test_what_is_left_out_of_the_instrument_follows(log: Log, lines: str, expected: Instrument) -> None:
    log.map_text += f"[instrument]\n{lines}\n"
    assert log.load().instrument == expected


def clipped(log: Log, limit: float, scale: float) -> None:
    """A fast swing, cut at a limit, with the noise of a real axis."""
    rng = np.random.default_rng(8)
    swing = np.clip(scale * np.sin(np.arange(200) * 0.3) + rng.normal(0, 0.01, 200), -limit, limit)
    log.cells = [[row[0], f"{v:.4f}", *row[2:]] for v, row in zip(swing, log.cells, strict=True)]


def test_a_saturated_axis_is_found_and_its_samples_counted(log: Log) -> None:
    clipped(log, 4.0, 8.0)
    session = log.load()
    at_limit = int((np.abs(table(log)[:, 1]) == 4.0).sum())
    assert session.warnings == (
        f"The accelerometer reached the end of its range (4 g) in {at_limit} samples (ax): choose a wider range in the "
        "sensor.",
    )
    assert session.profile.accel_clip_counts == 4_000_000
    assert session.profile.gyro_clip_counts is None


def test_a_swing_within_range_is_not_taken_for_saturated(log: Log) -> None:
    clipped(log, 10.0, 8.0)
    session = log.load()
    assert not any("range" in warning for warning in session.warnings)
    assert session.profile.accel_clip_counts is None


def test_a_coarse_quiet_sensor_is_not_taken_for_saturated(log: Log) -> None:
    log.cells = [
        [row[0], *(f"{float(cell) / 20 + (k == 2):.2f}" for k, cell in enumerate(row[1:]))] for row in log.cells
    ]
    assert log.load().profile.accel_clip_counts is None


def test_counts_at_the_end_of_16_bits_are_saturated(log: Log) -> None:
    counts_log(log)
    log.cells[10][4] = "-32768"
    log.cells[90][5] = "32767"
    session = log.load()
    assert session.profile.gyro_clip_counts == 32767
    assert "in 2 samples (gx, gy)" in session.warnings[0]


def test_an_unlikely_unit_is_said(log: Log) -> None:
    log.cells = [[row[0], *(f"{float(cell) * 9.80665:.5f}" for cell in row[1:4]), *row[4:]] for row in log.cells]
    assert any("gravity makes it about 1 g" in warning for warning in log.load().warnings)


def test_an_axis_that_never_changes_is_said(log: Log) -> None:
    log.cells = [[*row[:6], "0.5"] for row in log.cells]
    assert "Nothing ever changes in 'gz'" in log.load().warnings[0]


# What is mended in a few rows: left out or put in order, and told.


def mend_text(log: Log) -> tuple[str, int]:
    log.cells[41][3] = "abc"
    return r"1 line of imu\.csv left out: text where a number belongs \(row 43\)", 199


def mend_nan(log: Log) -> tuple[str, int]:
    log.cells[10][6] = "NaN"
    return r"1 row of imu\.csv with an empty cell left out as lost samples \(the first is row 12\)", 199


def mend_infinity(log: Log) -> tuple[str, int]:
    log.cells[10][6] = "-inf"
    return r"1 row of imu\.csv with an empty cell left out", 199


def mend_empty_time(log: Log) -> tuple[str, int]:
    log.cells[10][0] = ""
    return r"1 row of imu\.csv with an empty cell left out", 199


def mend_short_row(log: Log) -> tuple[str, int]:
    log.cells[20] = log.cells[20][:4]
    return r"1 row of imu\.csv with an empty cell left out as lost samples \(the first is row 22\)", 199


def mend_long_row(log: Log) -> tuple[str, int]:
    log.cells[20].append("9")
    return r"1 line of imu\.csv left out: other than 7 cells", 199


def mend_mixed_decimals(log: Log) -> tuple[str, int]:
    log.separator = ";"
    comma_decimals(log)
    log.cells[30][2] = "0.25"
    return r"1 line of imu\.csv left out: text where a number belongs \(row 32\)", 199


def mend_thousands(log: Log) -> tuple[str, int]:
    log.separator = ";"
    comma_decimals(log)
    log.cells[30][2] = "1.000,5"
    return r"1 line of imu\.csv left out: text where a number belongs", 199


def mend_backwards(log: Log) -> tuple[str, int]:
    log.cells[60], log.cells[61] = log.cells[61], log.cells[60]
    return r"2 samples stand out of order and were put in order", 200


def mend_two_values_at_one_time(log: Log) -> tuple[str, int]:
    log.cells[60][0] = log.cells[59][0]
    return r"", 200


MENDED = [function for name, function in globals().items() if name.startswith("mend_")]


@pytest.mark.parametrize("mend", MENDED, ids=lambda f: f.__name__)
def test_a_few_bad_rows_are_left_out_and_told(log: Log, mend: Callable[[Log], tuple[str, int]]) -> None:
    expected, kept = mend(log)
    session = log.load()
    assert re.search(expected, " ".join(session.warnings)), session.warnings
    assert session.raw.ticks.size == kept
    assert count_missing(session.raw)[0] == 200 - kept


# Bad input: one sentence that names file, row and what to do.


def bad_decimal_comma_between_commas(log: Log) -> str:
    comma_decimals(log)
    return r"imu\.csv: expected a header with column 'time', .*found 'column 1'"


def bad_column(log: Log) -> str:
    log.names = ("time", "ax", "ay", "az", "gyro_x", "gy", "gz")
    return r"imu\.csv: expected a header with column 'gx', found 'time', 'ax', 'ay', 'az', 'gyro_x'.*; correct"


def bad_twin_column(log: Log) -> str:
    log.map_text = MAP.replace('"gy"', '"ay2"')
    log.names = ("time", "ax", "ay", "az", "gx", "gx", "ay2", "gz")
    log.cells = [[*row, "0"] for row in log.cells]
    return r"imu\.csv: two columns are called 'gx'; rename"


def bad_standing_clock(log: Log) -> str:
    log.cells = [log.cells[0]] * 20
    return r"imu\.csv: expected times that advance, found one and the same time in every sample; check"


def bad_rate(log: Log) -> str:
    log.map_text += "[sensor]\nrate_hz = 200\n"
    return r"imu\.csv: expected 200 samples/s as rate_hz in the map says, found 100 from the times; correct"


def bad_value_out_of_bounds(log: Log) -> str:
    log.cells[7][2] = "1e9"
    return r"imu\.csv, row 9: expected values within 2147\.48 g in column 'ay', found 1000000000; correct"


def bad_time_out_of_bounds(log: Log) -> str:
    log.cells = [[f"{1e18 + i:.1f}", *row[1:]] for i, row in enumerate(log.cells)]
    return r"imu\.csv, row 2: time 1e\+18 s is out of bounds; check the unit"


def bad_half_counts(log: Log) -> str:
    counts_log(log)
    log.cells[7][2] = "12.5"
    return r"imu\.csv, row 9: expected whole counts in column 'ay', found 12\.5; correct"


def bad_half_ticks(log: Log) -> str:
    log.map_text = log.map_text.replace('unit = "s"', 'unit = "ticks"\ntick_hz = 1000')
    return r"imu\.csv, row 3: expected whole ticks .* in column 'time', found 5\.0099\d*; correct"


def bad_no_rows(log: Log) -> str:
    log.cells = []
    return r"imu\.csv: expected rows of numbers with commas, .*, found 'time,ax"


def bad_header_nowhere(log: Log) -> str:
    log.names = tuple("abcdefg")
    return r"imu\.csv: expected a header with column 'time', 'ax'.*found 'a'.*; correct the names"


BAD = [function for name, function in globals().items() if name.startswith("bad_")]


@pytest.mark.parametrize("bad", BAD, ids=lambda f: f.__name__)
def test_bad_logs_are_refused_with_one_sentence(log: Log, bad: Callable[[Log], str]) -> None:
    expected = bad(log)
    sentence = log.refused()
    assert re.search(expected, sentence), sentence
    assert "\n" not in sentence


@pytest.mark.parametrize(
    ("content", "sentence"), [(b"", "is empty"), (b"\n\n", "is empty"), (b"\x89MCAP0\r\n", "is a session file already")]
)
def test_files_that_are_no_log(log: Log, content: bytes, sentence: str) -> None:
    log.write()
    log.path.write_bytes(content)
    with pytest.raises(InputError, match=rf"imu\.csv {sentence}"):
        import_csv(log.path, log.folder / "map.toml")


def test_missing_files_are_named(log: Log) -> None:
    log.write()
    with pytest.raises(InputError, match=r"none\.csv cannot be read \(no such file"):
        import_csv(log.folder / "none.csv", log.folder / "map.toml")
    with pytest.raises(InputError, match=r"none\.toml cannot be read \(no such file"):
        import_csv(log.path, log.folder / "none.toml")
    with pytest.raises(InputError, match=r"none\.csv cannot be read \(no such file"):
        import_csv(log.path, log.folder / "map.toml", log.folder / "none.csv")


@pytest.mark.parametrize(
    ("before", "after", "sentence"),
    [
        ('unit = "s"', 'unit = "min"', r"\[time\]: unit must be one of s, ms, us, ns, date, ticks, not 'min'"),
        ('unit = "s"', 'unit = "ticks"', r"\[time\]: tick_hz is missing; it is needed when unit is ticks"),
        ('unit = "s"', 'unit = "s"\ntick_hz = 9', r"\[time\]: tick_hz is only for when unit is ticks; remove"),
        ('unit = "g"', 'unit = "lb"', r"\[accel\]: unit must be one of g, mg, m/s2, counts, not 'lb'"),
        ('unit = "g"', 'unit = "counts"', r"\[sensor\]: accel_per_g is missing"),
        ('["ax", "ay", "az"]', '["ax", "ay"]', r"\[accel\]: columns must name three columns, x, y, z, not 2"),
        ('["ax", "ay", "az"]', '["ax", "ay", "gx"]', r"column 'gx' is used twice"),
        ('column = "time"', 'colum = "time"', r"\[time\]: column is missing"),
        ('column = "time"', 'column = "time"\nplace = "x"', r"\[time\]: key 'place' is not known; remove"),
        ("[time]", 'colour = "x"\n[time]', r"map\.toml: key 'colour' is not known"),
        ("[gyro]", "[player]\nhands = 2\n[gyro]", r"\[player\]: key 'hands' is not known"),
        ("[gyro]", "[extra]\na = 2\n[gyro]", r"map\.toml: key 'extra' is not known"),
        ("[gyro]", "[sensor]\nlever_mm = [1, 2]\n[gyro]", r"\[sensor\]: lever_mm must be a list of 3 numbers"),
        ("[gyro]", "[sensor]\nrate_hz = true\n[gyro]", r"\[sensor\]: rate_hz must be a number"),
        ("[gyro]", '[player]\nhanded = "both"\n[gyro]', r"\[player\]: handed must be one of right, left, not 'both'"),
        ("[gyro]", "[instrument]\ncourses = 4\nspacing_mm = [1, 2]\n[gyro]", r"spacing_mm must be a list of 3 numbers"),
        ("[gyro]", "[instrument]\nstrings = 4\ncourses = 6\n[gyro]", r"contradict each other"),
        ("[gyro]", "[instrument]\nplectrum_depth_mm = 0\n[gyro]", r"plectrum_depth_mm must be a number from 0\.05"),
        ("[time]", "[time", r"map\.toml is not valid TOML .*line 2.*; correct that line"),
        ('[accel]\ncolumns = ["ax", "ay", "az"]\nunit = "g"', "", r"map\.toml: accel is missing"),
    ],
)
def test_bad_maps_are_refused(log: Log, before: str, after: str, sentence: str) -> None:
    assert before in log.map_text
    log.map_text = log.map_text.replace(before, after, 1)
    with pytest.raises(InputError, match=sentence) as caught:
        log.load()
    assert "map.toml" in str(caught.value)


def test_events_are_on_the_log_s_own_clock(log: Log) -> None:
    log.events = "start_s,end_s,kind\n5.1,5.5,play\n6.5,9,rest\n20,21,play\n"
    session = log.load()
    assert [(e.start_s, e.end_s) for e in session.events] == [(5.1, 5.5), (6.5, 9.0), (20.0, 21.0)]
    assert session.warnings == ("1 of 3 events lie outside the log and say nothing (rows 4 of events.csv).",)


def test_events_of_another_clock_are_refused(log: Log) -> None:
    log.events = "start_s,end_s,kind\n0.1,0.5,play\n"
    assert "events.csv, row 2: expected events between 5 and 6.99 s" in log.refused()
