"""Natural untidy logs, each written by a small function from one true motion.

The motion is invented: a hand that turns about all axes at 100 samples/s. Phone layouts follow published definitions:
Android's SensorEvent (developer.android.com: m/s^2, rad/s, nanoseconds; x right, y up, z out of the screen; lying flat
an accelerometer reads +9.81 on z), and W3C Device Orientation and Motion (w3.org/TR/orientation-event: m/s^2,
accelerationIncludingGravity z = 9.81 lying flat, rotationRate in deg/s with alpha, beta, gamma about z, x, y) with the
Generic Sensor API (w3.org/TR/accelerometer, w3.org/TR/gyroscope: m/s^2, rad/s).
"""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray

RATE_HZ = 100.0
G = 9.80665
NAMES = ("t", "ax", "ay", "az", "gx", "gy", "gz")
SAMPLES = 3000


@dataclass(frozen=True)
class Motion:
    """Times from 5 s on, acceleration in m/s2, turning in rad/s, and acceleration without gravity."""

    time_s: FloatArray
    accel: FloatArray
    gyro: FloatArray
    linear: FloatArray


@cache
def motion(samples: int = SAMPLES, rate_hz: float = RATE_HZ, delay_s: float = 0.0) -> Motion:
    """The true motion; a delay shifts when it is looked at."""
    t = np.arange(samples) / rate_hz + delay_s
    angles = np.stack(
        [0.7 * np.sin(2.1 * t + 0.3), 0.6 * np.sin(1.3 * t), 0.5 * np.sin(0.9 * t) + 0.2 * np.sin(7 * t)], axis=1
    )
    step = 1e-5
    later = np.stack(
        [
            0.7 * np.sin(2.1 * (t + step) + 0.3),
            0.6 * np.sin(1.3 * (t + step)),
            0.5 * np.sin(0.9 * (t + step)) + 0.2 * np.sin(7 * (t + step)),
        ],
        axis=1,
    )
    now, then = Rotation.from_euler("xyz", angles), Rotation.from_euler("xyz", later)
    gyro = (now.inv() * then).as_rotvec() / step
    linear = 0.4 * np.stack([np.sin(9 * t), np.cos(11 * t), np.sin(13 * t + 1)], axis=1)
    up = now.inv().apply([0.0, 0.0, G])
    return Motion(5.0 + t, up + linear, gyro, linear)


def table(
    names: Sequence[str] = NAMES,
    time: Sequence[str] | None = None,
    scale: tuple[float, float] = (1.0, 1.0),
    form: str = "{:.6f}",
) -> list[list[str]]:
    """Header and rows of the whole motion; ``scale`` divides acceleration and turning rate into their units."""
    m = motion()
    stamps = time or [f"{t:.3f}" for t in m.time_s]
    values = np.concatenate([m.accel / scale[0], m.gyro / scale[1]], axis=1)
    return [list(names), *([stamp, *(form.format(v) for v in row)] for stamp, row in zip(stamps, values, strict=True))]


def text(rows: Sequence[Sequence[str]], separator: str = ",", end: str = "\n") -> str:
    return end.join(separator.join(row) for row in rows) + end


def comma(rows: list[list[str]]) -> list[list[str]]:
    return [rows[0], *([cell.replace(".", ",") for cell in row] for row in rows[1:])]


def triple(names: Sequence[str], time: Sequence[str], values: FloatArray) -> str:
    rows = [[stamp, *(f"{v:.7f}" for v in row)] for stamp, row in zip(time, values, strict=True)]
    return text([list(names), *rows])


def put(folder: Path, content: str | bytes, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@dataclass(frozen=True)
class Untidy:
    """``outcome``: ``read``, ``mended`` or ``refused``; ``says``: what a note or the refusal must hold."""

    write: Callable[[Path], Path]
    outcome: str
    what: str
    says: str = ""
    lost: int = 0
    tolerance: float = 2e-5


LOGS: dict[str, Untidy] = {}


def log(
    outcome: str, what: str, says: str = "", lost: int = 0, tolerance: float = 2e-5
) -> Callable[[Callable[[Path], Path]], Callable[[Path], Path]]:
    def add(write: Callable[[Path], Path]) -> Callable[[Path], Path]:
        LOGS[write.__name__] = Untidy(write, outcome, what, says, lost, tolerance)
        return write

    return add


DEG = float(np.radians(1.0))


@log("read", "comma, seconds, names without units")
def plain(folder: Path) -> Path:
    return put(folder, text(table()))


@log("read", "semicolon and decimal comma")
def semicolon_decimal_comma(folder: Path) -> Path:
    return put(folder, text(comma(table()), ";"))


@log("read", "tab and decimal comma")
def tab_decimal_comma(folder: Path) -> Path:
    return put(folder, text(comma(table()), "\t"), "log.tsv")


@log("read", "columns lined up with spaces")
def spaces(folder: Path) -> Path:
    return put(folder, "\n".join("  ".join(f"{c:>12}" for c in row) for row in table()) + "\n", "log.txt")


@log("read", "units in the names: g and deg/s")
def units_in_names(folder: Path) -> Path:
    names = ("time [s]", "Acc X [g]", "Acc Y [g]", "Acc Z [g]", "Gyro X [deg/s]", "Gyro Y [deg/s]", "Gyro Z [deg/s]")
    return put(folder, text(table(names, scale=(G, DEG))))


@log("read", "units in a line of their own below the names")
def units_below_names(folder: Path) -> Path:
    rows = table(scale=(G, DEG))
    return put(folder, text([rows[0], ["s", "g", "g", "g", "deg/s", "deg/s", "deg/s"], *rows[1:]]))


@log("read", "no units anywhere: deg/s told by how gravity turns")
def degrees_untold(folder: Path) -> Path:
    return put(folder, text(table(scale=(G, DEG))))


@log("read", "milli-g and millidegrees a second")
def milli_units(folder: Path) -> Path:
    return put(folder, text(table(scale=(G / 1000, DEG / 1000), form="{:.3f}")))


@log("read", "counts of 4096 to a g and 16.4 to a deg/s, not named", tolerance=2e-3)
def counts_untold(folder: Path) -> Path:
    return put(folder, text(table(scale=(G / 4096, DEG / 16.4), form="{:.0f}")))


@log("read", "comment lines on top and between", "")
def comment_lines(folder: Path) -> Path:
    rows = text(table()).splitlines()
    rows[500:500] = ["# battery 71 %"]
    return put(folder, "# made in a kitchen\n# strap: blue\n" + "\n".join(rows) + "\n")


@log("read", "the header is a comment")
def header_in_comment(folder: Path) -> Path:
    return put(folder, "#" + text(table()))


@log("read", "no header: gravity tells the sensors apart", "told apart by gravity")
def no_header(folder: Path) -> Path:
    return put(folder, text(table()[1:]))


@log("read", "no header, the gyroscope first", "told apart by gravity")
def no_header_gyro_first(folder: Path) -> Path:
    return put(folder, text([[row[0], *row[4:], *row[1:4]] for row in table()[1:]]))


@log("read", "byte order mark")
def byte_order_mark(folder: Path) -> Path:
    return put(folder, text(table()).encode("utf-8-sig"))


@log("read", "UTF-16 with its mark")
def utf16(folder: Path) -> Path:
    return put(folder, text(table(), "\t").encode("utf-16"))


@log("read", "UTF-16 without its mark", "UTF-16")
def utf16_unmarked(folder: Path) -> Path:
    return put(folder, text(table(), "\t").encode("utf-16-le"))


@log("read", "letters that are not UTF-8", "not UTF-8")
def latin_letters(folder: Path) -> Path:
    names = ("t", "ax", "ay", "az", "gx (\u00b0/s)", "gy (\u00b0/s)", "gz (\u00b0/s)")
    return put(folder, text(table(names, scale=(1.0, DEG))).encode("latin-1"))


@log("read", "gzip")
def gzipped(folder: Path) -> Path:
    return put(folder, gzip.compress(text(table()).encode()), "log.csv.gz")


@log("read", "lines end with carriage return and line feed")
def windows_lines(folder: Path) -> Path:
    return put(folder, text(table(), end="\r\n"))


@log("read", "quoted names and cells")
def quoted(folder: Path) -> Path:
    return put(folder, text([[f'"{cell}"' for cell in row] for row in table()]))


@log("read", "a separator at the end of every row, blank lines")
def trailing_separator(folder: Path) -> Path:
    return put(folder, "\n".join(line + "," for line in text(table()).splitlines()) + "\n\n\n")


@log("read", "further columns: temperature, a word, a magnetometer")
def more_columns(folder: Path) -> Path:
    rows = table()
    extra = [["temp", "label", "mx", "my", "mz"], *[["21.5", "walk", "30", "1", "-40"]] * (len(rows) - 1)]
    return put(folder, text([[*more, *row] for more, row in zip(extra, rows, strict=True)]))


@log("read", "milliseconds since 1970")
def epoch_milliseconds(folder: Path) -> Path:
    return put(
        folder, text(table(("timestamp", *NAMES[1:]), [str(1_700_000_000_000 + 10 * k) for k in range(SAMPLES)]))
    )


@log("read", "nanoseconds since the phone started")
def nanoseconds(folder: Path) -> Path:
    return put(
        folder,
        text(table(("timestamp", *NAMES[1:]), [str(86_400_123_456_789 + 10_000_000 * k) for k in range(SAMPLES)])),
    )


@log("read", "microseconds of a microcontroller")
def microseconds(folder: Path) -> Path:
    return put(folder, text(table(("micros", *NAMES[1:]), [str(123_456 + 10_000 * k) for k in range(SAMPLES)])))


@log("read", "dates and times of day (ISO 8601)")
def iso_dates(folder: Path) -> Path:
    stamps = [f"2026-11-26T18:{30 + k // 6000:02d}:{k // 100 % 60:02d}.{k % 100:02d}0Z" for k in range(SAMPLES)]
    return put(folder, text(table(("time", *NAMES[1:]), stamps)))


@log("read", "dates as day.month.year, decimal comma", "read as day.month.year")
def day_first_dates(folder: Path) -> Path:
    stamps = [f"26.11.2026 18:{30 + k // 6000:02d}:{k // 100 % 60:02d},{k % 100:02d}0" for k in range(SAMPLES)]
    rows = comma(table())
    return put(
        folder, text([["Zeit", *rows[0][1:]], *([s, *r[1:]] for s, r in zip(stamps, rows[1:], strict=True))], ";")
    )


@log("read", "typographic minus signs")
def minus_signs(folder: Path) -> Path:
    return put(folder, text(table()).replace("-", "\N{MINUS SIGN}"))


@log("read", "seconds and nanoseconds in two columns")
def two_time_columns(folder: Path) -> Path:
    rows = table()
    rows = [
        ["sec", "nanosec", *rows[0][1:]],
        *([str(100 + k // 100), str(k % 100 * 10_000_000), *row[1:]] for k, row in enumerate(rows[1:])),
    ]
    return put(folder, text(rows))


@log("mended", "a few cells NaN or empty", "3 rows of log.csv with an empty cell left out", lost=3)
def empty_cells(folder: Path) -> Path:
    rows = table()
    rows[100][2], rows[900][5], rows[1500][1] = "", "NaN", "null"
    return put(folder, text(rows))


@log("mended", "the last line is cut off", "left out: cut off")
def cut_off(folder: Path) -> Path:
    return put(folder, text(table()) + "35.000,0.12,3.")


@log("mended", "a line of log text in the middle", "left out: no row of the table")
def log_text(folder: Path) -> Path:
    lines = text(table()).splitlines()
    lines[700:700] = ["[W] i2c: bus busy, retrying"]
    return put(folder, "\n".join(lines) + "\n")


@log("mended", "a second header in the middle", "left out: no row of the table")
def second_header(folder: Path) -> Path:
    lines = text(table()).splitlines()
    lines[1700:1700] = [lines[0]]
    return put(folder, "\n".join(lines) + "\n")


@log("mended", "text where a number belongs, once", "left out: text where a number belongs", lost=1)
def text_cell(folder: Path) -> Path:
    rows = table()
    rows[41][3] = "overflow"
    return put(folder, text(rows))


@log("mended", "a row that stands twice", "1 sample stands at a time already taken")
def repeated_row(folder: Path) -> Path:
    rows = table()
    rows[50:50] = [rows[49]]
    return put(folder, text(rows))


@log("mended", "rows that queued in another order", "out of order")
def swapped_rows(folder: Path) -> Path:
    rows = table()
    for at in range(100, 2000, 300):
        rows[at], rows[at + 1] = rows[at + 1], rows[at]
    return put(folder, text(rows))


@log("mended", "a counter of 32 bits that wraps", "wrapped once")
def wrapped(folder: Path) -> Path:
    return put(
        folder, text(table(("us", *NAMES[1:]), [str((2**32 - 9_000_000 + 10_000 * k) % 2**32) for k in range(SAMPLES)]))
    )


@log("mended", "the sensor restarted", "began anew once", lost=99)
def restarted(folder: Path) -> Path:
    stamps = [f"{40 + k / 100:.2f}" if k < 2000 else f"{0.5 + (k - 2000) / 100:.2f}" for k in range(SAMPLES)]
    return put(folder, text(table(time=stamps)))


@log("mended", "packets of 8 with one host time each", "packets of 8")
def host_packets(folder: Path) -> Path:
    sent = np.ceil((100 + (np.arange(SAMPLES) // 8 * 8 + 7) / RATE_HZ) / 0.015) * 0.015
    return put(folder, text(table(time=[f"{t:.4f}" for t in sent])))


@log("mended", "one stray time of zero", "far from all neighbours", lost=1)
def stray_time(folder: Path) -> Path:
    rows = table()
    rows[800][0] = "0.000"
    return put(folder, text(rows))


def phone_times(count: int, rate_hz: float, delay_s: float) -> list[str]:
    return [str(86_400_000_000_000 + round((delay_s + k / rate_hz) * 1e9)) for k in range(count)]


def phone(folder: Path, total: bool, order: str = "xyz", without: str = "LinearAcceleration.csv") -> Path:
    """Files as phones write them: each sensor at its own rate and from its own first moment."""
    folder = folder / "phone"
    folder.mkdir()
    pick = ["xyz".index(axis) for axis in order]
    accel, gyro = motion(3200, 104.0, 0.013), motion(3000, 100.0, 0.0)
    names = ("time", *order)
    times = phone_times(3200, 104.0, 0.013)
    if total:
        put(folder, triple(names, times, accel.accel[:, pick]), "Accelerometer.csv")
    else:
        slow = motion(1600, 52.0, 0.002)
        put(folder, triple(names, times, accel.linear[:, pick]), without)
        put(folder, triple(names, phone_times(1600, 52.0, 0.002), (slow.accel - slow.linear)[:, pick]), "Gravity.csv")
    put(folder, triple(names, phone_times(3000, 100.0, 0.0), gyro.gyro[:, pick]), "Gyroscope.csv")
    put(folder, "device,model\nname,invented\n", "About.csv")
    return folder


@log(
    "read", "a phone's folder: total acceleration and turning, each with its own rate", "brought to the times", 0, 0.02
)
def phone_folder(folder: Path) -> Path:
    return phone(folder, total=True)


@log("read", "a phone's folder: acceleration without gravity plus gravity, axes z, y, x", "brought to", 0, 0.03)
def phone_gravity(folder: Path) -> Path:
    return phone(folder, total=False, order="zyx")


@log("read", "the same where the phone calls it Accelerometer", "Gravity.csv was brought to", 0, 0.03)
def phone_gravity_apart(folder: Path) -> Path:
    return phone(folder, total=False, without="Accelerometer.csv")


@log("read", "two files whose columns carry their units", "gyr.txt was brought to the times of acc.txt", 0, 0.02)
def two_files_with_units(folder: Path) -> Path:
    folder = folder / "phone"
    folder.mkdir()
    accel, gyro = motion(3200, 104.0, 0.013), motion(3000, 100.0, 0.0)
    names = ["elapsed (s)", *(f"{axis} (g)" for axis in "XYZ")]
    put(folder, triple(names, [f"{t:.5f}" for t in accel.time_s], accel.accel / G), "acc.txt")
    names = ["elapsed (s)", *(f"{axis} (deg/s)" for axis in "XYZ")]
    put(folder, triple(names, [f"{t:.5f}" for t in gyro.time_s], gyro.gyro / DEG), "gyr.txt")
    return folder


@log("read", "the same as a ZIP", "brought to the times", 0, 0.02)
def phone_zip(folder: Path) -> Path:
    with zipfile.ZipFile(folder / "phone.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(phone(folder, total=True).iterdir()):
            packed.write(path, f"walk/{path.name}")
    return folder / "phone.zip"


@log("read", "one file, rows that carry one sensor alone, the other's cells empty", "brought to the times", 0, 0.02)
def one_sensor_a_row(folder: Path) -> Path:
    m = motion()
    rows = [list(NAMES)]
    for k in range(SAMPLES):
        t = m.time_s[k]
        rows.append([f"{t:.4f}", *(f"{v:.6f}" for v in m.accel[k]), "", "", ""])
        rows.append([f"{t + 0.0004:.4f}", "", "", "", *(f"{v:.6f}" for v in m.gyro[k])])
    return put(folder, text(rows))


@log("read", "one file, a word says which sensor a row is of", "brought to the times", 0, 0.02)
def sensor_in_a_word(folder: Path) -> Path:
    m = motion()
    rows = [["sensor", "t", "x", "y", "z"]]
    for k in range(SAMPLES):
        rows.append(["accelerometer", f"{m.time_s[k]:.4f}", *(f"{v:.6f}" for v in m.accel[k])])
        rows.append(["gyroscope", f"{m.time_s[k]:.4f}", *(f"{v:.6f}" for v in m.gyro[k])])
    return put(folder, text(rows))


@log("read", "a browser's DeviceMotionEvent: alpha, beta, gamma about z, x, y in deg/s")
def device_motion(folder: Path) -> Path:
    m = motion()
    names = [
        "timeStamp",
        *(f"accelerationIncludingGravity.{a}" for a in "xyz"),
        *(f"rotationRate.{a}" for a in ("alpha", "beta", "gamma")),
    ]
    rows = [
        [f"{1000 * t:.1f}", *(f"{v:.6f}" for v in a), *(f"{v / DEG:.6f}" for v in w[[2, 0, 1]])]
        for t, a, w in zip(m.time_s, m.accel, m.gyro, strict=True)
    ]
    return put(folder, text([names, *rows]))


@log("read", "another program's Parquet")
def parquet(folder: Path) -> Path:
    import pyarrow as pa
    import pyarrow.parquet as pq

    m = motion()
    columns = {"time_s": m.time_s} | {f"acc_{a}": m.accel[:, k] for k, a in enumerate("xyz")}
    columns |= {f"gyr_{a}": m.gyro[:, k] for k, a in enumerate("xyz")}
    sink = io.BytesIO()
    pq.write_table(pa.table(columns), sink)
    return put(folder, sink.getvalue(), "log.parquet")


@log("refused", "acceleration without gravity alone", "expected acceleration with gravity in it")
def no_gravity(folder: Path) -> Path:
    m = motion()
    names = ["t", "linear_acc_x", "linear_acc_y", "linear_acc_z", "gx", "gy", "gz"]
    rows = [[f"{t:.3f}", *(f"{v:.6f}" for v in (*a, *w))] for t, a, w in zip(m.time_s, m.linear, m.gyro, strict=True)]
    return put(folder, text([names, *rows]))


@log("refused", "an accelerometer that does not read gravity", "expected an accelerometer that reads gravity")
def scaled_wrong(folder: Path) -> Path:
    return put(folder, text(table(scale=(3.3 * G, 1.0))))


@log("refused", "a gyroscope alone", "none that could be an accelerometer")
def gyroscope_alone(folder: Path) -> Path:
    return put(folder, text([[row[0], *row[4:]] for row in table()]))


@log("refused", "a clock set back by 12 s in the middle", "row 2002: expected times that never go backwards by more")
def clock_set_back(folder: Path) -> Path:
    return put(folder, text(table(time=[f"{900 + k / 100 - 12 * (k >= 2000):.2f}" for k in range(SAMPLES)][:SAMPLES])))


@log("refused", "no times", "expected a column of times that run on")
def no_times(folder: Path) -> Path:
    return put(folder, text([row[1:] for row in table()]))


@log("refused", "one time in every row", "expected a column of times that run on")
def standing_clock(folder: Path) -> Path:
    return put(folder, text(table(time=["5.0"] * SAMPLES)))


@log("refused", "prose", "expected rows of numbers")
def prose(folder: Path) -> Path:
    return put(folder, "Dear diary, today I played for an hour.\nIt went well.\n", "diary.txt")


@log("refused", "a picture", "is no text")
def picture(folder: Path) -> Path:
    return put(folder, b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40 + bytes(4000), "picture.csv")


@log("refused", "nothing", "is empty")
def empty(folder: Path) -> Path:
    return put(folder, b"")


@log("refused", "an empty folder", "expected tables")
def empty_folder(folder: Path) -> Path:
    (folder / "nothing").mkdir()
    return folder / "nothing"


@log("refused", "a ZIP whose member leaves its folder", "would leave its folder")
def escaping_zip(folder: Path) -> Path:
    with zipfile.ZipFile(folder / "log.zip", "w") as packed:
        packed.writestr("../../escaped.csv", text(table()))
    return folder / "log.zip"


@log("refused", "a ZIP that unpacks to a thousand times its size", "times its size")
def zip_bomb(folder: Path) -> Path:
    with zipfile.ZipFile(folder / "log.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("log.csv", b"0" * 50_000_000)
    return folder / "log.zip"


@log("refused", "gzip that unpacks to a thousand times its size", "times its size")
def gzip_bomb(folder: Path) -> Path:
    return put(folder, gzip.compress(b"0" * 50_000_000), "log.csv.gz")


@log("refused", "a ZIP cut in the middle", "ZIP that cannot be unpacked")
def cut_zip(folder: Path) -> Path:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as packed:
        packed.writestr("log.csv", text(table()))
    return put(folder, sink.getvalue()[:5000], "log.zip")


@log("refused", "damaged gzip", "damaged gzip")
def cut_gzip(folder: Path) -> Path:
    packed = bytearray(gzip.compress(text(table()).encode()))
    packed[40:60] = b"\xff" * 20
    return put(folder, bytes(packed), "log.csv.gz")


@log("refused", "a cell of 200,000 characters in every row", "expected")
def huge_cells(folder: Path) -> Path:
    return put(folder, "t,ax,ay,az,gx,gy,gz\n" + ("9" * 200_000 + ",1,2,3,4,5,6\n") * 5)


@log("refused", "half of the rows are something else", "no row of the table")
def half_text(folder: Path) -> Path:
    lines = text(table()).splitlines()
    return put(folder, "\n".join(line for row in lines for line in (row, "I: sample sent")) + "\n")
