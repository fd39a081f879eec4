"""Time, size and what damage costs: session files of two hours at 400 samples/s.

Run: python -m benchmarks.bench_session_file
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.model.errors import SessionFileError
from analysis.model.records import Event, RawSamples, SensorProfile, Session
from logger.session.session_file import SessionWriter, read_session, write_session
from logger.session.session_records import SessionHead

RATE_HZ = 400
SECONDS = 2 * 3600
PROFILE = SensorProfile("bench", RATE_HZ, 9.80665 / 4096, 1.0 / 1878.0, tick_hz=1e6)
CUT_SHARES = (0.97, 0.5, 0.1)
HEAD = (
    "| file | size MB | write s | read s | read, cut short s | kept of 97, 50, 10 % of the file, % | flips noticed | "
    "samples lost by a flip |"
)


def make_session() -> Session:
    """Two hours of random counts: nothing in them can be left out."""
    n = SECONDS * RATE_HZ
    rng = np.random.default_rng(1)
    index = np.arange(n, dtype=np.int64)
    counts = rng.integers(-32768, 32768, (n, 6), dtype=np.int32)
    events = tuple(Event(60.0 * k, 60.0 * k + 50.0, "play", posture="A") for k in range(120))
    return Session(RawSamples(index * 2500, index, np.full(n, np.nan), counts), PROFILE, events=events)


def seconds(work: Callable[[], object]) -> float:
    """Shortest of three runs."""
    best = float("inf")
    for _ in range(3):
        began = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - began)
    return best


def record(path: Path, session: Session) -> float:
    """Record in packets of 20 samples on a clock that is not waited for; real syncs. Return seconds."""
    now = [0.0]
    raw = session.raw
    began = time.perf_counter()
    with SessionWriter(path, SessionHead(session.profile), lambda: now[0]) as writer:
        for event in session.events:
            writer.write_event(event)
        for at in range(0, raw.ticks.size, 20):
            part = slice(at, at + 20)
            host = 1.7e9 + raw.ticks[part] / 1e6
            writer.write_samples(RawSamples(raw.ticks[part], raw.sequence[part], host, raw.counts[part]))
            now[0] += 20 / RATE_HZ
    return time.perf_counter() - began


def wound(path: Path, session: Session, folder: Path) -> tuple[float, str, str, str]:
    """Cut and flip copies of a file; stop at any sample that is delivered wrong."""
    data = path.read_bytes()
    total = session.raw.ticks.size
    copy = folder / "wounded.mcap"
    rng = np.random.default_rng(2)
    kept, took = [], []
    for share in CUT_SHARES:
        copy.write_bytes(data[: int(len(data) * share)])
        began = time.perf_counter()
        read = read_session(copy)
        took.append(time.perf_counter() - began)
        check(read, session)
        kept.append(f"{100 * read.raw.ticks.size / total:.2f}")
    noticed, lost = 0, []
    for bit in rng.integers(0, 8 * len(data), 40):
        changed = bytearray(data)
        changed[bit // 8] ^= 1 << (bit % 8)
        copy.write_bytes(changed)
        read = read_session(copy)
        check(read, session)
        noticed += bool(read.warnings)
        lost.append(total - read.raw.ticks.size)
    return max(took), ", ".join(kept), f"{noticed} of 40", f"{np.mean(lost):.0f}, at most {max(lost)}"


def check(read: Session, written: Session) -> None:
    """Every sample delivered must be the one written."""
    at = read.raw.sequence
    same = np.array_equal(read.raw.counts, written.raw.counts[at]) and np.array_equal(
        read.raw.ticks, written.raw.ticks[at]
    )
    if not same or read.events != written.events:
        raise SessionFileError("expected only right samples, found a wrong one; the reader is broken")


def main() -> None:
    """Print the table."""
    session = make_session()
    print(HEAD)
    print("|" + " --- |" * HEAD.count("|", 1))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        whole, live = folder / "whole.mcap", folder / "live.mcap"
        times = {"written whole": seconds(lambda: write_session(whole, session)), "recorded": record(live, session)}
        for (label, took), path in zip(times.items(), (whole, live), strict=True):
            read_s = seconds(lambda path=path: read_session(path))
            cut_s, kept, noticed, lost = wound(path, session, folder)
            print(
                f"| {label} | {path.stat().st_size / 1e6:.1f} | {took:.2f} | {read_s:.2f} | {cut_s:.2f} | {kept} | "
                f"{noticed} | {lost} |"
            )


if __name__ == "__main__":
    main()
