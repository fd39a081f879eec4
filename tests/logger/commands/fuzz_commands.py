"""Structured fuzzing of whole commands: files that are nearly right and odd options, through the command line.

Each strategy makes a case: files, and the commands that read them. Whatever they hold, a command ends by itself, with
success, with a known error in one sentence, or refusing its options; it warns of nothing but in sentences of its own,
sends nothing to the terminal that steers it, and changes no file that it was given to read.

``python -m tests.logger.commands.fuzz_commands KIND SECONDS [SEED]`` goes on for so long, ``make fuzz`` with each
kind. The tests of ``test_fuzz_commands.py`` run a few cases of each.
"""

from __future__ import annotations

import contextlib
import copy
import hashlib
import io
import json
import os
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner
from hypothesis import HealthCheck, Verbosity, given, seed, settings
from hypothesis import strategies as st

ROOT = Path(__file__).resolve().parents[3]
LONG = "x" * 200_000
EXAMPLES = 40
WORDS = st.sampled_from(
    [
        "",
        "A",
        "wrist free",
        "[/]",
        "[bold]",
        "=1+1",
        "@x",
        "\x1b[31mred\x1b[0m",
        "\x07",
        "\u202eabc",
        "a\nb",
        "a\tb",
        "'",
        '"',
        "..",
        "../x",
        "a/b",
        "\0",
        "naïve ♪",
        "\udcff",
        "nan",
        "-",
        LONG,
        "4x2 3x2",
        "4:5h7 r 3:4",
        "{}",
        "%s",
        "<b>&",
    ]
)
NUMBERS = st.one_of(
    st.sampled_from(
        [
            0,
            -1,
            1,
            2**31,
            2**63,
            2**64,
            10**400,
            -(2**63),
            1e308,
            -1e308,
            5e-324,
            1e-9,
            0.5,
            1e12,
            float("nan"),
            float("inf"),
            float("-inf"),
            -0.0,
            True,
            60,
            400.0,
        ]
    ),
    st.integers(-1000, 1000),
    st.floats(-1e6, 1e6),
)
DEEP: Any = [[]]
for _ in range(400):
    DEEP = [DEEP]
VALUES = st.one_of(
    NUMBERS,
    WORDS,
    st.sampled_from(
        [None, [], {}, [1, 2], ["a"], {"a": 1}, [[1, 0, 0], [0, 1, 0], [0, 0, 0]], [None] * 3, DEEP, "play", "across"]
    ),
)


@dataclass(frozen=True)
class Case:
    """Files by name, and the commands that are run on them in turn."""

    files: dict[str, bytes]
    commands: tuple[tuple[str, ...], ...]

    def __repr__(self) -> str:
        sizes = {name: len(data) for name, data in self.files.items()}
        return f"Case({sizes}, {str(self.commands)[:2000]})"


class DefectError(AssertionError):
    """A command that did what none may do."""


@contextlib.contextmanager
def placed(case: Case) -> Iterator[Path]:
    """A folder that holds the files, as the working directory and the program's own home."""
    before, home = Path.cwd(), os.environ.get("STROKEPLANE_HOME")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder)
        for name, data in case.files.items():
            (path / name).parent.mkdir(parents=True, exist_ok=True)
            (path / name).write_bytes(data)
        os.chdir(path)
        os.environ["STROKEPLANE_HOME"] = str(path / "home")
        try:
            yield path
        finally:
            os.chdir(before)
            os.environ.pop("STROKEPLANE_HOME")
            if home is not None:
                os.environ["STROKEPLANE_HOME"] = home


def run_case(case: Case) -> None:
    """Run the commands of a case.

    Raises
    ------
    DefectError
    """
    from analysis.model.errors import StrokeplaneError
    from logger.cli import cli

    with placed(case) as folder, warnings.catch_warnings():
        warnings.simplefilter("error")
        for command in case.commands:
            sums = {name: hashlib.sha256(data).digest() for name, data in case.files.items() if "home" not in name}
            result = CliRunner().invoke(cli, command)
            said = result.output
            if isinstance(result.exception, StrokeplaneError):
                said += str(result.exception)
                if "\n" in str(result.exception).strip() and not any("\n" in word for word in command):
                    raise DefectError(f"{command}: an error of several lines: {said!r:.500}")
                said = said.replace(str(result.exception), "")  # it is shown by say(), which another test holds
            elif isinstance(result.exception, OSError) and result.exception.filename is not None:
                pass  # main() says so in one sentence
            elif result.exception is not None and not isinstance(result.exception, SystemExit):
                raise DefectError(f"{str(command)[:500]} ended in {result.exception!r:.300}") from result.exception
            if set(said) & {"\x1b", "\x07"}:
                raise DefectError(f"{str(command)[:500]} steers the terminal: {said!r:.500}")
            if command[0] == "delete":
                return  # it does what no other may
            for name, digest in sums.items():
                if hashlib.sha256((folder / name).read_bytes()).digest() != digest:
                    raise DefectError(f"{str(command)[:500]} changed {name}")


# Making files that are nearly right.


@st.composite
def spoilt(draw: st.DrawFn, record: Any) -> Any:
    """A JSON or TOML value with one to three members changed, left out, doubled or put in."""
    record = json.loads(json.dumps(record))
    for _ in range(draw(st.integers(1, 3))):
        holder: Any = record
        while True:
            keys = list(holder) if isinstance(holder, dict) else list(range(len(holder)))
            if not keys:
                break
            key = draw(st.sampled_from(keys))
            if isinstance(holder[key], dict | list) and holder[key] and draw(st.booleans()):
                holder = holder[key]
                continue
            way = draw(st.integers(0, 5))
            if way == 0:
                del holder[key]
            elif way == 1 and isinstance(holder, dict):
                holder[draw(WORDS)] = holder[key]
            elif way == 2 and isinstance(holder, list):
                holder.append(holder[key])
            else:
                holder[key] = copy.deepcopy(draw(VALUES))  # another round may change what is in it
            break
    return record


@cache
def session_bytes() -> bytes:
    """A minute of an invented player at 100 samples/s: gestures, two blocks."""

    from analysis.synthesis.draw import random_scenario
    from analysis.synthesis.simulate import simulate
    from logger.session.session_file import write_session

    scenario = random_scenario(3, strokes_per_s=6.0, duration_s=6.0, rate_hz=100.0, blocks=2)
    made = simulate(replace(scenario, rest_s=(2.0, 3.0)), 3).session
    with tempfile.TemporaryDirectory() as folder:
        write_session(Path(folder) / "s.mcap", replace(made, warnings=("told before",)))
        return (Path(folder) / "s.mcap").read_bytes()


Messages = list[tuple[str, int, bytes]]


@cache
def session_messages() -> Messages:
    """Topic, chunk and bytes of every message."""
    from mcap.reader import make_reader

    reader = make_reader(io.BytesIO(session_bytes()))
    return [(c.topic, m.sequence, m.data) for _, c, m in reader.iter_messages(log_time_order=False)]


def packed(messages: Messages, compression: str) -> bytes:
    """A session file of these messages with right checksums."""
    from mcap.writer import CompressionType, Writer

    from logger.session.session_records import CHANNELS

    out = io.BytesIO()
    writer = Writer(out, chunk_size=2**31, compression=CompressionType[compression], enable_data_crcs=True)
    writer.start(profile="strokeplane", library="fuzz")
    for topic in CHANNELS:
        writer.register_channel(topic, "json", writer.register_schema(topic, "text", b"-"))
    last = messages[0][1] if messages else 0
    for topic, number, data in messages:
        if number != last:
            writer.flush()
            last = number
        writer.add_message(CHANNELS[topic], 0, data, 0, sequence=number)
    writer.finish()
    return out.getvalue()


@st.composite
def sessions(draw: st.DrawFn) -> Case:
    """Session files whose checksums are right and whose contents are not."""
    messages = list(session_messages())
    place = draw(st.sampled_from(["head", "event", "rows", "order", "none"]))
    if place == "head":
        head = draw(spoilt(json.loads(messages[0][2])))
        data = json.dumps(head).encode("utf-8", "surrogatepass")
        messages = [(t, n, data if t == "/session" else d) for t, n, d in messages]
    elif place == "event":
        at = draw(st.sampled_from([i for i, (t, _, _) in enumerate(messages) if t == "/events"]))
        event = json.dumps(draw(spoilt(json.loads(messages[at][2])))).encode()
        number = json.loads(messages[at][2])["number"]
        messages = [
            (t, n, event if t == "/events" and json.loads(d)["number"] == number else d) for t, n, d in messages
        ]
    elif place == "rows":
        messages = draw(spoilt_rows(messages))
    elif place == "order":
        messages = draw(st.lists(st.sampled_from(messages), max_size=12))
    commands = [
        ("verify", "s.mcap"),
        ("analyse", "s.mcap", "--json", "a.json", "--html", "a.html", "--strokes", "a.csv"),
    ]
    others: list[tuple[str, ...]] = [
        ("export", "s.mcap", "--to", "csv", "-o", "out", "--raw"),
        ("export", "s.mcap", "--to", "bids", "-o", "bids", "--participant", "=p01"),
        ("export", "s.mcap", "--to", "parquet", "-o", "pq"),
        ("hold", "s.mcap"),
        ("steady", "s.mcap"),
        ("clears", "s.mcap"),
        ("compare", "s.mcap"),
        ("tension", "s.mcap"),
        ("drill", "check", "s.mcap", "--changes", "c.csv"),
        ("progress", "."),
        ("batch", ".", "-o", "tables"),
        ("next", "s.mcap"),
        ("plan", "new", "ladder", "--hold", "s.mcap"),
        ("check", "--source", "replay:s.mcap", "--no-wait", "--speed", "2000", "--pace", "0.1"),
        ("import", "s.mcap"),
        ("verify", "s.mcap", "--repair", "new.mcap"),
    ]
    commands += draw(st.lists(st.sampled_from(others), max_size=3))
    return Case({"s.mcap": packed(messages, draw(st.sampled_from(["NONE", "NONE", "ZSTD", "LZ4"])))}, tuple(commands))


@st.composite
def spoilt_rows(draw: st.DrawFn, messages: Messages) -> Messages:
    """Samples with wrong heads, ticks that run anywhere, counts at their ends."""
    from logger.session.session_rows import BATCH_HEAD, decode_samples, encode_samples

    places = [i for i, (t, _, _) in enumerate(messages) if t == "/samples"]
    for at in draw(st.lists(st.sampled_from(places), min_size=1, max_size=4, unique=True)):
        topic, number, data = messages[at]
        way = draw(st.integers(0, 5))
        if way == 0:
            head = list(BATCH_HEAD.unpack_from(data))
            head[draw(st.integers(0, 3))] = draw(st.sampled_from([0, 1, 7, 8, 2**31]))
            data = BATCH_HEAD.pack(*head) + data[BATCH_HEAD.size :]
        elif way == 1:
            data = data[: draw(st.integers(0, len(data)))]
        else:
            raw = decode_samples([data])
            raw = replace(raw, counts=raw.counts.astype(np.int32))  # beyond what a narrow sensor could have sent
            first = draw(st.integers(0, raw.ticks.size - 1))
            part = slice(first, first + draw(st.integers(1, 400)))
            if way == 2:
                raw.ticks[part] = draw(st.integers(-(2**63), 2**63 - 1))
            elif way == 3:
                raw.counts[part] = draw(st.integers(-(2**31), 2**31 - 1))
            elif way == 4:
                raw.sequence[part] = draw(st.integers(-(2**63), 2**63 - 1))
            else:
                raw.host_time_s[part] = draw(st.floats())
            data = encode_samples(raw)
        messages[at] = (topic, number, data)
    return messages


@cache
def table_lines() -> tuple[str, ...]:
    """A clean table of the same player."""
    from analysis.signal.si_units import counts_to_si

    session = base_session()
    si = counts_to_si(session.raw.counts, session.profile, session.calibration).T
    time_s = session.raw.ticks / session.profile.tick_hz
    rows = [f"{t:.6f}," + ",".join(f"{v:.6f}" for v in row) for t, row in zip(time_s[:3000], si[:3000], strict=True)]
    return ("t,ax,ay,az,gx,gy,gz", *rows)


@cache
def base_session() -> Any:
    from logger.session.session_file import read_session

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "s.mcap").write_bytes(session_bytes())
        return read_session(Path(folder) / "s.mcap")


CELLS = st.one_of(
    WORDS,
    NUMBERS.map(str),
    st.sampled_from(["NaN", "", "1e999", "0x10", "1_0", "--1", "1,5", "٣", "2026-01-31T18:30:00Z"]),
)


@st.composite
def tables(draw: st.DrawFn) -> Case:
    """Tables with odd cells, rows, encodings and separators, read without a map and with one."""
    lines = list(table_lines()[: draw(st.integers(2, 3000))])
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(lines) - 1))
        cells = lines[at].split(",")
        way = draw(st.integers(0, 6))
        if way <= 2:
            cells[draw(st.integers(0, len(cells) - 1))] = draw(CELLS)
        elif way == 3:
            cells = cells[: draw(st.integers(0, len(cells)))]
        elif way == 4:
            cells += draw(st.lists(CELLS, max_size=3))
        lines[at] = ",".join(cells)
        if way == 5:  # one column throughout
            column, cell = draw(st.integers(0, 6)), draw(CELLS)[:300]
            lines[1:] = [",".join([*(c := line.split(","))[:column], cell, *c[column + 1 :]]) for line in lines[1:]]
        elif way == 6:
            lines[at : at + draw(st.integers(0, 500))] = draw(st.lists(st.sampled_from(lines), max_size=50))
        if not lines:
            lines = [""]
    text = draw(st.sampled_from(["\n", "\r\n", "\r"])).join(lines)
    text = text.replace(",", draw(st.sampled_from([",", ",", ",", ";", "\t", " ", "|"])))
    data = text.encode(draw(st.sampled_from(["utf-8", "utf-8", "utf-16", "latin-1", "utf-8-sig"])), "replace")
    name = draw(st.sampled_from(["log.csv", "log.csv", "log.txt", "log.parquet", "log.csv.gz", "log.zip"]))
    return Case(
        {name: data, "map.toml": MAP.encode()},
        (
            ("import", name),
            ("import", name, "--columns", "map.toml", "-o", "b.mcap"),
            ("analyse", "b.mcap"),
            ("verify", "b.mcap"),
        ),
    )


MAP = """[time]
column = "t"
unit = "s"
[accel]
columns = ["ax", "ay", "az"]
unit = "m/s2"
[gyro]
columns = ["gx", "gy", "gz"]
unit = "rad/s"
"""
MAP_RECORD = {
    "time": {"column": "t", "unit": "s", "nanoseconds": "t"},
    "accel": {"columns": ["ax", "ay", "az"], "unit": "m/s2", "file": "log.csv", "time": "t"},
    "gyro": {"columns": ["gx", "gy", "gz"], "unit": "rad/s"},
    "gravity": {"columns": ["ax", "ay", "az"], "unit": "m/s2"},
    "sensor": {"rate_hz": 100, "lever_mm": [60, -5, 20], "accel_per_g": 4096, "gyro_per_dps": 16.4},
    "player": {"name": "A", "handed": "right"},
    "session": {"date": "2026-01-31T18:30:00", "posture": "wrist", "sensor": "hand"},
    "instrument": {
        "strings": 8,
        "courses": 4,
        "spacing_mm": [9.5, 9.5, 9.5],
        "radius_mm": 280,
        "plectrum_depth_mm": 2.0,
        "held": "upright",
    },
}
PROFILE_RECORD = {
    "schema": 1,
    "format": "text",
    "name": "x",
    "rate_hz": 200,
    "text": {"columns": ["t", "ax", "ay", "az", "gx", "gy", "gz"], "separator": ","},
    "accel": {"per_g": 8192, "range_g": 4},
    "gyro": {"per_dps": 65.5, "range_dps": 500},
    "clock": {"unit": "us", "bits": 32},
    "serial": {"baud": 115200},
}
PLAN_RECORD = {
    "name": "evening",
    "block": [
        {
            "tempo_bpm": 96,
            "notes_per_beat": 4,
            "bars": 4,
            "rest_s": 20,
            "posture": "A",
            "drill": "4x2 3x2",
            "wanted": "down",
        },
        {"tempo_bpm": 93, "seconds": 15, "rest_s": 30, "posture": "B", "note": "x"},
    ],
}


def toml_text(value: Any) -> str:
    """A value as TOML; nested tables stand inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(str(k))} = {toml_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_text, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value)
    return "{}" if value is None else "true" if value is True else "false" if value is False else repr(value)


def toml_file(record: Any) -> bytes:
    """A TOML document; tables with their members line by line, where they are still tables."""
    lines = [f"{json.dumps(str(k))} = {toml_text(v)}" for k, v in record.items() if not _is_tables(v)]
    for name, value in record.items():
        if _is_tables(value):
            tables_of = value if isinstance(value, list) else [value]
            mark = f"[[{json.dumps(name)}]]" if isinstance(value, list) else f"[{json.dumps(name)}]"
            for table in tables_of:
                lines += [mark, *(f"{json.dumps(str(k))} = {toml_text(v)}" for k, v in table.items())]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def _is_tables(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and value != [] and all(isinstance(v, dict) for v in value)
    )


@st.composite
def settings_files(draw: st.DrawFn) -> Case:
    """MAP.toml, set-up, profile and kept players with odd members, and text that is nearly TOML."""
    kind = draw(st.sampled_from(["map", "setup", "profile", "text", "players", "calibration"]))
    files = {"log.csv": "\n".join(table_lines()[:800]).encode()}
    commands: tuple[tuple[str, ...], ...] = (("import", "log.csv", "--columns", "x.toml", "-o", "b.mcap"),)
    record: Any = {
        "map": MAP_RECORD,
        "setup": {k: MAP_RECORD[k] for k in ("player", "instrument")},
        "profile": PROFILE_RECORD,
    }.get(kind)
    if kind in ("map", "setup", "profile"):
        kept = {k: v for k, v in record.items() if k in ("time", "accel", "gyro", "schema") or draw(st.booleans())}
        files["x.toml"] = toml_file(draw(spoilt(kept)))
    elif kind == "text":
        text = MAP
        for _ in range(draw(st.integers(1, 4))):
            at = draw(st.integers(0, len(text)))
            text = (
                text[:at]
                + draw(st.sampled_from(["[", "]", "=", ".", '"', "\n", "{", "a." * 500, "[" * 5000, "#", "\0", LONG]))
                + text[at + draw(st.integers(0, 3)) :]
            )
        files["x.toml"] = text.encode()
    else:
        name = {"players": "home/players.toml", "calibration": "home/calibrations/simulated.json"}[kind]
        players = {
            "version": 1,
            "active": "A",
            "player": [{"name": "A", "handed": "right", "instrument": {"strings": 6}, "strap": "s"}],
        }
        stored = {
            "schema": 1,
            "sensor": "simulated",
            "versions": [
                {
                    "version": 1,
                    "created": "x",
                    "part": "",
                    "accel_mps2_per_count": 1e-3,
                    "gyro_radps_per_count": 1e-3,
                    "calibration": {"source": "x"},
                    "details": {},
                }
            ],
        }
        made = draw(spoilt(players if kind == "players" else stored))
        files[name] = toml_file(made) if kind == "players" else json.dumps(made).encode()
        files["s.mcap"] = session_bytes()
        commands = (
            ("start", "--name", "A", "--no-demo"),
            ("record", "--source", "replay:s.mcap", "--speed", "5000", "-o", "r.mcap"),
        )
    if kind == "setup":
        files["s.mcap"] = session_bytes()
        commands = (("record", "--source", "replay:s.mcap", "--speed", "5000", "--setup", "x.toml", "-o", "r.mcap"),)
    elif kind == "profile":
        commands = (
            ("ports", "--no-ble", "--profile", "x.toml"),
            ("check", "--source", "nowhere", "--profile", "x.toml", "--no-wait"),
        )
    return Case(files, commands)


@st.composite
def plans(draw: st.DrawFn) -> Case:
    """Practice plans, phrases, tabs, MIDI and MusicXML."""
    kind = draw(st.sampled_from(["plan", "plan", "phrase", "tab", "midi", "xml"]))
    if kind == "plan":
        data = toml_file(draw(spoilt(PLAN_RECORD)))
        return Case({"p.toml": data}, (("plan", "check", "p.toml"), ("plan", "show", "p.toml")))
    if kind == "phrase":
        words = " ".join(
            draw(
                st.lists(
                    st.sampled_from(
                        [
                            "4x2",
                            "3x2",
                            "up",
                            "once",
                            "4:5-7",
                            "3:4h5",
                            "r",
                            "|",
                            "99x9",
                            "0x0",
                            "4x",
                            ":",
                            "/3",
                            "swing",
                            "3/4",
                            "-",
                            "4:5p3h2",
                            "*",
                        ]
                    ),
                    max_size=8,
                )
            )
        )
        phrase = draw(st.one_of(st.just(words), WORDS))
        more = draw(st.lists(st.sampled_from(["--once", "--tuning=E2", "--first=up", "--clearing=both"]), max_size=2))
        return Case(
            {},
            (
                ("drill", "show", phrase, *more),
                ("drill", "twin", phrase),
                ("drill", "write", phrase, "-o", "out", "--tempo", "80"),
                ("plan", "new", "switch", phrase),
            ),
        )
    shipped = {"tab": "tests/analysis/drills/tabs/01_plain.txt", "midi": "", "xml": ""}[kind]
    data = (ROOT / shipped).read_bytes() if shipped else written_music(kind)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(data)))
        piece = draw(
            st.one_of(
                st.binary(max_size=6),
                st.sampled_from([b"|", b"-", b"12", b"<", b"/>", b"&x;", b"\xff\xff\xff\xff", data[:200]]),
            )
        )
        data = data[:at] + piece + data[at + draw(st.integers(0, 8)) :]
    name = {"tab": "x.txt", "midi": "x.mid", "xml": "x.musicxml"}[kind]
    return Case(
        {name: data},
        (
            ("drill", "read", name),
            ("drill", "read", name, "-o", "new.txt", "--once"),
            ("drill", "show", "--from", name),
        ),
    )


@cache
def written_music(kind: str) -> bytes:
    """A phrase as our own files hold it."""
    if kind == "xml":
        note = (
            "<note><pitch><step>E</step><octave>4</octave></pitch><duration>1</duration><type>eighth</type><notations>"
            "<technical><string>1</string><fret>0</fret></technical></notations></note>"
        )
        return (
            '<?xml version="1.0"?><score-partwise version="4.0"><part-list><score-part id="P1"><part-name>x</part-name>'
            '</score-part></part-list><part id="P1"><measure number="1"><attributes><divisions>2</divisions><time>'
            f"<beats>4</beats><beat-type>4</beat-type></time></attributes>{note * 8}</measure></part></score-partwise>"
        ).encode()
    case = Case({}, (("drill", "write", "4:5-7 3:4-7", "-o", "out", "--tempo", "80"),))
    with placed(case) as folder:
        from logger.cli import cli

        CliRunner().invoke(cli, case.commands[0])
        return next((folder / "out").glob("*.mid")).read_bytes()


@st.composite
def events(draw: st.DrawFn) -> Case:
    """Tables of events with odd cells."""
    from logger.files.events_csv import COLUMNS

    rows = [
        [f"{e.start_s:.2f}", f"{e.end_s:.2f}", e.kind, e.label, e.posture, "", "", "", "", ""]
        for e in base_session().events
    ]
    lines = [list(COLUMNS), *rows]
    for _ in range(draw(st.integers(1, 5))):
        row = draw(st.sampled_from(lines))
        way = draw(st.integers(0, 5))
        if way == 0:
            row.append(draw(CELLS))
        elif way == 1 and row:
            row.pop()
        elif row:
            row[draw(st.integers(0, len(row) - 1))] = draw(
                st.one_of(CELLS, st.sampled_from(["play", "rest", "hurt", "rating", "down", "0", "100"]))
            )
    out = io.StringIO()
    import csv

    csv.writer(out, delimiter=draw(st.sampled_from([",", ";", "\t"]))).writerows(lines)
    data = out.getvalue().encode(draw(st.sampled_from(["utf-8", "utf-16", "utf-8-sig", "latin-1"])), "replace")
    return Case(
        {"e.csv": data, "log.csv": "\n".join(table_lines()).encode(), "map.toml": MAP.encode()},
        (
            ("import", "log.csv", "--columns", "map.toml", "--events", "e.csv", "-o", "b.mcap"),
            ("analyse", "b.mcap"),
            ("verify", "b.mcap"),
            ("export", "b.mcap", "--to", "csv", "-o", "out", "--no-strokes"),
            ("export", "b.mcap", "--to", "bids", "-o", "bids", "--participant", "=p01", "--no-strokes"),
        ),
    )


@st.composite
def parquet(draw: st.DrawFn) -> Case:
    """Parquet of other programs and of ours, columns of any type, without rows, metadata changed."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    ours = draw(st.booleans())
    table = pq.read_table(io.BytesIO(exported())) if ours else strangers_table()
    if draw(st.integers(0, 5)) == 0:
        table = table.slice(0, draw(st.integers(0, 3)))
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, table.num_columns - 1))
        rows = table.num_rows
        column = draw(
            st.sampled_from(
                [
                    pa.nulls(rows),
                    pa.array([draw(WORDS).encode("utf-8", "replace").decode()[:1000]] * rows),
                    pa.array([[1.0]] * rows),
                    pa.array([{"a": 1}] * rows),
                    pa.array([None] * rows, pa.float64()),
                    pa.array(np.full(rows, draw(st.floats()))),
                    pa.array(np.arange(rows)[::-1].copy()),
                    pa.array(np.full(rows, 2**63 - 1)),
                    pa.array([b"x"] * rows),
                    pa.array([True] * rows),
                    pa.array(np.arange(rows), pa.timestamp("ns")),
                    pa.array(np.arange(rows), pa.duration("us")),
                    pa.array(["a"] * rows).dictionary_encode(),
                    pa.array(np.arange(rows) % 100).cast(pa.decimal128(30, 2)),
                    pa.array(np.zeros(rows, np.float16)),
                ]
            )
        )
        way = draw(st.integers(0, 3))
        if way == 0 and table.num_columns > 1:
            table = table.remove_column(at)
        elif way == 1:
            table = table.append_column(draw(st.sampled_from(["x", "tick", "ax", "", table.column_names[0]])), column)
        else:
            table = table.set_column(at, table.column_names[at], column)
    metadata = dict(table.schema.metadata or {})
    if metadata and draw(st.booleans()):
        key = draw(st.sampled_from(sorted(metadata)))
        try:
            metadata[key] = json.dumps(draw(spoilt(json.loads(metadata[key])))).encode("utf-8", "replace")
        except (ValueError, TypeError):
            metadata[key] = draw(WORDS).encode("utf-8", "replace")
        table = table.replace_schema_metadata(metadata)
    out = io.BytesIO()
    pq.write_table(table, out)
    data = out.getvalue()
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.binary(max_size=30)) + data[at + 5 :]
    name = "x.signals.parquet" if ours else "log.parquet"
    return Case({name: data}, (("import", name, "-o", "b.mcap"), ("analyse", "b.mcap"), ("verify", "b.mcap")))


@cache
def exported() -> bytes:
    case = Case({"x.mcap": session_bytes()}, (("export", "x.mcap", "--to", "parquet", "-o", "out", "--no-strokes"),))
    with placed(case) as folder:
        from logger.cli import cli

        CliRunner().invoke(cli, case.commands[0])
        return (folder / "out/x.signals.parquet").read_bytes()


@cache
def strangers_table() -> Any:
    import pyarrow as pa

    rows = np.array([[float(cell) for cell in line.split(",")] for line in table_lines()[1:1500]])
    return pa.table(dict(zip(table_lines()[0].split(","), rows.T, strict=True)))


@cache
def bids_files() -> dict[str, bytes]:
    """A Motion-BIDS data set of the session."""
    case = Case(
        {"x.mcap": session_bytes()},
        (("export", "x.mcap", "--to", "bids", "-o", "set", "--no-strokes", "--participant", "=p01"),),
    )
    with placed(case) as folder:
        from logger.cli import cli

        CliRunner().invoke(cli, case.commands[0])
        return {str(p.relative_to(folder)): p.read_bytes() for p in (folder / "set").rglob("*") if p.is_file()}


@st.composite
def bids(draw: st.DrawFn) -> Case:
    """Motion-BIDS data sets with odd side files and tables."""
    files = dict(bids_files())
    for _ in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from(sorted(files)))
        if draw(st.integers(0, 7)) == 0:
            del files[name]
            if not files:
                break
        elif name.endswith(".json"):
            try:
                files[name] = json.dumps(draw(spoilt(json.loads(files[name])))).encode()
            except ValueError:
                continue
        elif name.endswith(".tsv"):
            lines = files[name].decode("utf-8", "replace").split("\n")
            at = draw(st.integers(0, min(len(lines), 30) - 1))
            cells = lines[at].split("\t")
            cells[draw(st.integers(0, len(cells) - 1))] = draw(CELLS)
            lines[at] = "\t".join(cells)
            files[name] = "\n".join(lines).encode("utf-8", "replace")
    return Case(files, (("import", "set", "-o", "back"),))


@st.composite
def options(draw: st.DrawFn) -> Case:
    """Sound files, options that no player would think of."""
    import click

    from logger.cli import COMMANDS, cli

    def leaves(name: tuple[str, ...], command: click.Command) -> Iterator[tuple[tuple[str, ...], click.Command]]:
        if isinstance(command, click.Group):
            for inner, sub in command.commands.items():
                yield from leaves((*name, inner), sub)
        else:
            yield name, command

    context = click.Context(cli)
    every = [leaf for name in COMMANDS if name != "live" for leaf in leaves((name,), cli.get_command(context, name))]  # type: ignore[arg-type]
    name, command = draw(st.sampled_from(every))
    value = st.one_of(
        WORDS.filter(lambda w: "\0" not in w and ".." not in w),
        NUMBERS.map(str),
        st.sampled_from(["s.mcap", "log.csv", ".", "new/x", "d", "-", "e.csv", "replay:s.mcap"]),
    )
    arguments: list[str] = []
    for parameter in command.params:
        if isinstance(parameter, click.Argument):
            arguments += [
                draw(st.sampled_from(["s.mcap", "s.mcap", "log.csv", ".", "p.toml"]) | value)
                for _ in range(draw(st.integers(0, 2)))
            ]
        elif parameter.name in ("help", "dask", "lsl", "scan_s", "jobs", "with_ble", "allan_s"):
            continue
        elif draw(st.integers(0, 3)) == 0 and isinstance(parameter, click.Option):
            if parameter.is_flag:
                arguments.append(draw(st.sampled_from([*parameter.opts, *parameter.secondary_opts])))
            else:
                arguments += [parameter.opts[0], *(draw(value) for _ in range(max(1, parameter.nargs)))]
    fixed = {
        "record": ["--source=replay:s.mcap", "--speed=5000"],
        "check": ["--source=replay:s.mcap", "--speed=5000", "--no-wait"],
        "calibrate": ["--source=nowhere"],
        "ports": ["--no-ble"],
        "batch": ["-j", "1"],
        "progress": ["--jobs", "1"],
        "start": ["--no-demo"],
        "simulate": ["--seconds", "1", "--times", "1", "--rate-hz", "50"],
    }
    files = {
        "s.mcap": session_bytes(),
        "log.csv": "\n".join(table_lines()[:500]).encode(),
        "p.toml": toml_file(PLAN_RECORD),
        "e.csv": b"start_s,end_s,kind\n1,2,still\n",
        "d/x.txt": b"x",
    }
    return Case(files, ((*name, *arguments, *fixed.get(name[0], [])),))


KINDS: dict[str, Callable[[], st.SearchStrategy[Case]]] = {
    "sessions": sessions,
    "tables": tables,
    "settings": settings_files,
    "plans": plans,
    "events": events,
    "parquet": parquet,
    "bids": bids,
    "options": options,
}


def fuzz_test(kind: str, examples: int, start: int = 0) -> Callable[[], None]:
    """A hypothesis test of so many cases of a kind, other ones for each ``start``."""

    @seed(start)
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        verbosity=Verbosity.quiet,
        suppress_health_check=list(HealthCheck),
    )
    @given(KINDS[kind]())
    def test(case: Case) -> None:
        run_case(case)

    return test


def main() -> None:
    """Fuzz one kind for so many seconds; the first defect ends it, made as small as it goes."""
    kind, until_s = sys.argv[1], time.monotonic() + float(sys.argv[2])
    start = int(sys.argv[3]) if len(sys.argv) > 3 else time.time_ns() % 10**9
    runs = 0
    while time.monotonic() < until_s:
        try:
            fuzz_test(kind, EXAMPLES, start + runs)()
        except DefectError:
            print(f"{kind}: run again with {EXAMPLES} cases from seed {start + runs}")
            raise
        runs += 1
    print(f"{kind}: {runs * EXAMPLES} cases from seed {start} on, no defect")


if __name__ == "__main__":
    main()
