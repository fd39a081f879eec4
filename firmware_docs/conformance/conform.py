#!/usr/bin/env python3
"""Conformance kit of the strokeplane wire protocol (../PROTOCOL.md): Python 3.10 or newer, nothing else.

    conform.py --port /dev/ttyACM0 board    play the host to a board on a serial port (POSIX)
    conform.py board COMMAND...             the same, to a board that talks on the standard streams of COMMAND
    conform.py --rate 1000 board COMMAND... the same, and try another rate that the board can do
    conform.py reader COMMAND...            play boards to a reader: COMMAND gets a stream of bytes on its standard
                                            input and prints one line a sample:  number tick ax ay az gx gy gz
    conform.py vectors                      check this kit itself against vectors.json

Numbers and ticks of a reader may start anywhere; within one life they must step as the device's do, and rise from one
life to the next. Counts are in the marked axes. The kit shares no code with the host's reader or with any firmware.
"""

import argparse
import itertools
import json
import os
import select
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path

VECTORS = Path(__file__).with_name("vectors.json")
HELLO, SAMPLES, BATTERY, STATUS, ANSWER = 1, 2, 3, 4, 5
IDENTIFY, START, STOP, RATE, RANGE = 0x81, 0x82, 0x83, 0x84, 0x85
HELLO_FIELDS = ("version", "tick_bits", "tick_hz", "rate_mhz", "accel_g", "gyro_dps", "accel_scale", "gyro_scale")


def wire_of(payload):
    """Payload to wire frame: CRC, then COBS by its definition (runs between zeros), then 00."""
    data = payload + struct.pack("<I", zlib.crc32(payload))
    return b"".join(bytes([len(run) + 1]) + run for run in data.split(b"\0")) + b"\0"


def payload_of(wire):
    """Wire frame without its 00 to payload; None if it must be dropped."""
    data, at = bytearray(), 0
    if len(wire) > 251:
        return None
    while at < len(wire):
        code = wire[at]
        if code == 0 or at + code > len(wire):
            return None
        data += wire[at + 1 : at + code]
        at += code
        if at < len(wire):
            data.append(0)
    if len(data) < 7 or zlib.crc32(data[:-4]) != struct.unpack("<I", data[-4:])[0]:
        return None
    return bytes(data[:-4])


def hello_of(body):
    """A hello's body as a dictionary; None if a field is out of bounds."""
    if len(body) < 47:
        return None
    hello = dict(zip(HELLO_FIELDS, struct.unpack_from("<BBIIHHdd", body), strict=False))
    hello["axes"], hello["boot"], hello["id"] = (
        struct.unpack_from("<3b", body, 30),
        *struct.unpack_from("<I8s", body, 33),
    )
    names, rest = [], body[45:]
    for _ in range(2):
        if (
            not rest
            or rest[0] > 32
            or len(rest) < 1 + rest[0]
            or any(not 0x20 <= c <= 0x7E for c in rest[1 : 1 + rest[0]])
        ):
            return None
        names.append(rest[1 : 1 + rest[0]].decode("ascii"))
        rest = rest[1 + rest[0] :]
    hello["part"], hello["firmware"] = names
    a, b, c = hello["axes"]
    inversions = (abs(a) > abs(b)) + (abs(a) > abs(c)) + (abs(b) > abs(c))
    good = hello["version"] == 1 and 16 <= hello["tick_bits"] <= 32 and 1000 <= hello["tick_hz"] <= 100_000_000
    good &= 1000 <= hello["rate_mhz"] <= 8_000_000 and 1 <= hello["accel_g"] <= 400 and 1 <= hello["gyro_dps"] <= 8000
    good &= 1e-7 <= hello["accel_scale"] <= 1 and 1e-7 <= hello["gyro_scale"] <= 1 and rest == b""
    good &= sorted(map(abs, (a, b, c))) == [1, 2, 3] and a * b * c * (-1) ** inversions > 0
    return hello if good else None


def samples_of(body):
    """A samples frame's body as rows of number, tick, six counts; None if it is impossible."""
    if len(body) < 9:
        return None
    number, tick, n = struct.unpack_from("<IIB", body)
    if not 1 <= n <= 16 or len(body) != 9 + 14 * n:
        return None
    rows = [struct.unpack_from("<H6h", body, 9 + 14 * k) for k in range(n)]
    offsets = [row[0] for row in rows]
    if offsets[0] != 0 or offsets != sorted(offsets):
        return None
    return [((number + k) % 2**32, tick + row[0], *row[1:]) for k, row in enumerate(rows)]


class Report:
    """What was checked, and whether all of it held."""

    def __init__(self):
        self.failed = 0

    def check(self, holds, text, found=""):
        self.failed += not holds
        print("ok   " + text if holds else f"FAIL {text}; found: {found}", flush=True)
        return holds


class Board:
    """A board at the other end of a command's streams or of a serial port."""

    def __init__(self, command, port):
        self.process = None
        if port:
            self.input = self.output = os.open(port, os.O_RDWR | os.O_NOCTTY)
            make_raw(self.input)
        else:
            self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
            self.input, self.output = self.process.stdin.fileno(), self.process.stdout.fileno()
        self.bytes, self.number, self.dropped, self.first = b"", 0, 0, None
        self.frames = []  # (seconds, type, number, body)

    def listen(self, seconds):
        """Collect frames for a while; return those that came."""
        before, end = len(self.frames), time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            if select.select([self.output], [], [], left)[0]:
                data = os.read(self.output, 65536)
                if not data:
                    break
                self.first = data[0] if self.first is None else self.first
                *whole, self.bytes = (self.bytes + data).split(b"\0")
                for wire in filter(None, whole):
                    payload = payload_of(wire)
                    if payload is None:
                        self.dropped += 1
                    else:
                        kind, number = struct.unpack_from("<BH", payload)
                        self.frames.append((time.monotonic(), kind, number, payload[3:]))
        return self.frames[before:]

    def raw(self, data):
        os.write(self.input, data)

    def command(self, kind, body=b""):
        """Send a command; return the result of its answer (None: none within a second) and the frames that came."""
        self.number = (self.number + 1) % 65536
        self.raw(wire_of(struct.pack("<BH", kind, self.number) + body))
        got, end = [], time.monotonic() + 1.0
        while time.monotonic() < end:
            got += self.listen(0.02)
            for _, answer, _, told in got:
                if answer == ANSWER and len(told) == 4 and told[:3] == struct.pack("<BH", kind, self.number):
                    return told[3], got
        return None, got

    def close(self):
        if self.process is None:
            os.close(self.input)
        else:
            self.process.kill()
            self.process.communicate()


def make_raw(port):
    """Bytes as they are, 115200 baud."""
    import termios
    import tty

    tty.setraw(port)
    attributes = termios.tcgetattr(port)
    attributes[4] = attributes[5] = termios.B115200
    termios.tcsetattr(port, termios.TCSANOW, attributes)


def rows_in(frames):
    """All samples of these frames; None in place of an impossible frame."""
    return [row for _, kind, _, body in frames if kind == SAMPLES for row in samples_of(body) or [None]]


def statuses_in(frames):
    return [struct.unpack("<BIIIh", body) for _, kind, _, body in frames if kind == STATUS and len(body) == 15]


def hellos_in(frames):
    return [hello_of(body) for _, kind, _, body in frames if kind == HELLO]


def check_board(board, report, rate_mhz):
    """All checks that need no hand on the board."""
    got = board.listen(0.5)
    if board.process is not None:
        report.check(board.first == 0, "the first byte after power-up is 00", board.first)
        report.check(bool(got) and got[0][1] == HELLO, "the first frame after power-up is hello", got[:1])
    board.raw(b"\0")
    board.command(STOP)
    result, got = board.command(IDENTIFY)
    hellos = hellos_in(got)
    if not report.check(
        result == 0 and None not in hellos[:1] and len(hellos) == 1, "identify: a sound hello, then done", got
    ):
        return
    hello = hellos[0]
    order = [kind for _, kind, _, _ in got if kind in (HELLO, ANSWER)]
    report.check(order == [HELLO, ANSWER], "the hello comes before the answer", order)
    idle = board.listen(2.3)
    report.check(not rows_in(idle), "no samples while idle", len(rows_in(idle)))
    states = statuses_in(idle)
    report.check(len(states) in (2, 3) and all(s[0] == 0 for s in states), "idle: a status a second, running 0", states)
    check_refusals(board, report, hello)
    check_noise(board, report)
    last = check_running(board, report, hello)
    check_resume(board, report, hello, last)
    check_rate(board, report, hello, rate_mhz)
    numbers = [number for _, _, number, _ in board.frames]
    steps = {(b - a) % 65536 for a, b in itertools.pairwise(numbers)}
    report.check(steps == {1}, "frame numbers count every frame", sorted(steps)[:5])
    report.check(board.dropped == 0, "every frame that came was sound", f"{board.dropped} damaged")


def check_refusals(board, report, hello):
    result, got = board.command(0xC5, b"later")
    report.check(result == 1, "a command of a later version: answer 1", result)
    result, got = board.command(RATE, struct.pack("<I", 1_234_567))
    report.check(result == 2 and not hellos_in(got), "a rate that it cannot do exactly: answer 2, no hello", result)
    result, got = board.command(RANGE, struct.pack("<HH", 399, 7999))
    report.check(result == 2 and not hellos_in(got), "a range that it cannot do: answer 2, no hello", result)
    result, got = board.command(RATE, struct.pack("<I", hello["rate_mhz"]))
    report.check(result == 0 and hellos_in(got) == [hello], "the rate it has: done, the same hello, the same boot", got)
    result, got = board.command(RANGE, struct.pack("<HH", hello["accel_g"], hello["gyro_dps"]))
    report.check(result == 0 and hellos_in(got) == [hello], "the range it has: done, the same hello", got)


def check_noise(board, report):
    start = wire_of(struct.pack("<BH", START, 7))
    damaged = bytes([start[0], start[1] ^ 4, *start[2:]])
    for text, data in [
        ("a damaged command", damaged),
        ("a command cut short", start[:4] + b"\0"),
        ("a rate of two bytes", wire_of(struct.pack("<BHH", RATE, 7, 500))),
        ("its own frames, echoed", wire_of(struct.pack("<BHBHB", ANSWER, 9, START, 1, 0))),
        ("1000 bytes without 00, then 00", b"\x55" * 1000 + b"\0"),
        ("empty frames", b"\0" * 20),
    ]:
        board.raw(data)
        got = board.listen(0.15)
        answers = [body for _, kind, _, body in got if kind == ANSWER]
        report.check(not answers and not rows_in(got), f"{text}: no answer, no samples", answers)
    wire = wire_of(struct.pack("<BH", IDENTIFY, 77))
    board.raw(wire[:3])
    board.listen(0.05)
    board.raw(wire[3:] + wire_of(struct.pack("<BH", STOP, 78)))
    answers = [struct.unpack("<BHB", b)[:2] for _, kind, _, b in board.listen(0.3) if kind == ANSWER]
    report.check(answers == [(IDENTIFY, 77), (STOP, 78)], "one command in two pieces, two commands in one", answers)


def check_running(board, report, hello):
    result, got = board.command(START)
    report.check(result == 0, "start: done", result)
    got += board.listen(2.5)
    rows = rows_in(got)
    if not report.check(bool(rows) and None not in rows, "samples flow, every frame of them possible", rows[:1]):
        return None
    mask, wrap = 2 ** hello["tick_bits"] - 1, 2**32
    report.check(
        all(struct.unpack_from("<I", b, 4)[0] <= mask for _, k, _, b in got if k == SAMPLES), "ticks within tick_bits"
    )
    states = statuses_in(got)
    places = [i for i, frame in enumerate(got) if frame[1] == STATUS]
    between = [row for row in rows_in(got[places[0] : places[-1]] if places else []) if row]
    jumps = [(b[0] - a[0]) % wrap - 1 for a, b in itertools.pairwise(between)]
    counted = states[-1][2] - states[0][2] if states else 0
    fits = sum(jumps) <= counted + max(jumps, default=0)  # One may have happened before the first status.
    report.check(fits, "every jump of the numbers is counted as missed", f"{sum(jumps)}, {counted} missed")
    span = sum((b[1] - a[1]) & mask for a, b in itertools.pairwise(rows)) / hello["tick_hz"]
    rate = ((rows[-1][0] - rows[0][0]) % wrap) / span * 1000.0 if span else 0.0
    report.check(
        abs(rate / hello["rate_mhz"] - 1) < 0.05, "the rate by its own ticks is within 5 % of hello's", f"{rate:.0f}"
    )
    times = [t for t, kind, _, _ in got if kind == SAMPLES]
    gaps = sorted(b - a for a, b in itertools.pairwise(times))
    usual = gaps[len(gaps) * 9 // 10] if gaps else 9.9
    report.check(usual < 0.06, "nine of ten frames come within 60 ms of the one before", f"{usual:.3f} s")
    report.check(len(states) >= 2 and all(s[0] == 1 for s in states), "a status a second, running 1", states)
    for kind, body, text in [
        (RATE, struct.pack("<I", 500_000), "rate"),
        (RANGE, struct.pack("<HH", 16, 1000), "range"),
    ]:
        result, _ = board.command(kind, body)
        report.check(result == 3, f"{text} while running: answer 3", result)
    result, got = board.command(IDENTIFY)
    report.check(result == 0 and hellos_in(got) == [hello], "identify while running: the same hello", hellos_in(got))
    result, _ = board.command(START)
    report.check(result == 0, "start while running: done", result)
    rows = [row for row in rows_in(board.frames) if row]
    report.check(
        all((b[0] - a[0]) % wrap < wrap // 2 for a, b in itertools.pairwise(rows)), "it changed nothing in the numbers"
    )
    return rows[-1]


def check_resume(board, report, hello, last):
    result, _ = board.command(STOP)
    board.listen(0.1)
    after = board.listen(1.2)
    report.check(result == 0 and not rows_in(after), "stop: done, and silence", len(rows_in(after)))
    if last is None:
        return
    rows = [row for row in rows_in(board.frames) if row]
    result, got = board.command(START)
    got += board.listen(0.3)
    new = [row for row in rows_in(got) if row]
    if not report.check(bool(new), "start again: samples flow", result):
        return
    mask = 2 ** hello["tick_bits"] - 1
    steps, ticks = (new[0][0] - rows[-1][0]) % 2**32, (new[0][1] - rows[-1][1]) & mask
    periods = ticks * hello["rate_mhz"] / 1000.0 / hello["tick_hz"]
    wrap = (mask + 1) * hello["rate_mhz"] / 1000.0 / hello["tick_hz"]
    off = abs((steps - periods + wrap / 2) % wrap - wrap / 2)
    text = "resume: numbers and ticks went on over the pause, and agree within 5 %"
    report.check(
        1.0 < steps * 1000.0 / hello["rate_mhz"] < 3.0 and off < 2 + 0.05 * steps, text, f"{steps} and {periods:.0f}"
    )
    board.command(STOP)
    _, got = board.command(IDENTIFY)
    report.check(hellos_in(got) == [hello], "its boot is still the same", hellos_in(got))


def check_rate(board, report, hello, rate_mhz):
    if not rate_mhz:
        print("--   a new rate was not asked for (--rate)")
        return
    result, got = board.command(RATE, struct.pack("<I", rate_mhz))
    hellos = hellos_in(got)
    if report.check(
        result == 0 and len(hellos) == 1 and hellos[0]["rate_mhz"] == rate_mhz, "a new rate: done, with hello", got
    ):
        report.check(
            hellos[0]["boot"] != hello["boot"], "a new rate starts a new life: another boot", hellos[0]["boot"]
        )
        _, got = board.command(START)
        rows = [row for row in rows_in(got + board.listen(0.3)) if row]
        report.check(bool(rows) and rows[0][0] < 2 * rate_mhz / 1000, "and counts from 0", rows[:1])
        board.command(STOP)


def check_reader(command, report):
    """Give every stream of the vectors to the reader and compare what it prints."""
    for stream in json.loads(VECTORS.read_text(encoding="ascii"))["streams"]:
        data = b"".join(bytes.fromhex(piece) for piece in stream["pieces"])
        done = subprocess.run(command, input=data, stdout=subprocess.PIPE, timeout=60)
        try:
            got = [[int(word) for word in line.split()] for line in done.stdout.decode("ascii").splitlines()]
        except ValueError as error:
            report.check(False, stream["name"], error)
            continue
        wanted = stream["samples"]
        same = [row[2:] for row in got] == [row[3:] for row in wanted] and all(len(row) == 8 for row in got)
        report.check(done.returncode == 0 and same and steps_fit(got, wanted), stream["name"], f"{len(got)} samples")


def steps_fit(got, wanted):
    """Within a life numbers and ticks step as the device's; from one life to the next they rise."""
    for k in range(1, len(got)):
        steps = [got[k][i] - got[k - 1][i] for i in (0, 1)]
        if wanted[k][0] != wanted[k - 1][0]:
            if min(steps) <= 0:
                return False
        elif steps != [(wanted[k][i] - wanted[k - 1][i]) % 2**32 for i in (1, 2)]:
            return False
    return True


def check_vectors(report):
    """The kit's own reading and writing of frames, against the vectors."""
    document = json.loads(VECTORS.read_text(encoding="ascii"))
    for frame in document["frames"]:
        wire = bytes.fromhex(frame["wire"])
        payload = payload_of(wire[:-1])
        report.check(payload is not None and wire_of(payload) == wire, frame["name"])
    for frame in document["dropped"]:
        report.check(payload_of(bytes.fromhex(frame["wire"])[:-1]) is None, "dropped: " + frame["why"])


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["board", "reader", "vectors"])
    parser.add_argument("--port", help="serial port of the board")
    parser.add_argument("--rate", type=float, default=0.0, help="another rate that the board can do, samples a second")
    parser.add_argument("command", nargs=argparse.REMAINDER)
    chosen = parser.parse_args()
    report = Report()
    if chosen.what == "vectors":
        check_vectors(report)
    elif chosen.what == "reader":
        check_reader(chosen.command, report)
    else:
        board = Board(chosen.command, chosen.port)
        try:
            check_board(board, report, round(chosen.rate * 1000))
        finally:
            board.close()
    print("conforms" if report.failed == 0 else f"{report.failed} checks failed")
    return 1 if report.failed else 0


if __name__ == "__main__":
    sys.exit(main())
