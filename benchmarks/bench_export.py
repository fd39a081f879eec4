"""Time, size and memory of exports and of the way back: a session of two hours at 400 samples/s.

Random counts in the range of 16 bits and a calibration with cross-axis terms: nothing can be left out or packed. Every
measurement is a process of its own, from the session file to the last file written, without the analysis
(``--no-strokes``).

Run: python -m benchmarks.bench_export
"""

from __future__ import annotations

import multiprocessing
import resource
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.model.records import Calibration, Event, Player, RawSamples, SensorProfile, Session
from logger.exchange import export_files, import_bids, import_parquet
from logger.exchange.bids_recording import BidsSettings
from logger.exchange.export_bids import export_bids
from logger.exchange.export_tables import load_source
from logger.files.arrow_tables import need_pyarrow
from logger.session.session_file import read_session, write_session

RATE_HZ = 400
SECONDS = 2 * 3600
RUNS = 5
PROFILE = SensorProfile("bench", RATE_HZ, 9.80665 / 2048, 1.0 / 939.65, tick_hz=1e6)
CALIBRATION = Calibration(
    accel_bias_mps2=(0.12, -0.31, 0.05),
    accel_matrix=((1.01, 0.002, -0.003), (0.002, 0.99, 0.001), (-0.003, 0.001, 1.005)),
    gyro_bias_radps=(0.01, -0.02, 0.005),
    source="bench",
)
TARGETS_S = {"Parquet": 2.0, "CSV": 10.0}
HEAD = "| what | s, median of 5 (least, most) | processor s (least, most) | target s | MB | peak memory MB |"


def make_session() -> Session:
    """Two hours of random counts with a lost sample now and then."""
    n = SECONDS * RATE_HZ
    rng = np.random.default_rng(1)
    index = np.delete(np.arange(n, dtype=np.int64), rng.choice(np.arange(1, n - 1), n // 5000, replace=False))
    counts = rng.integers(-32768, 32768, (index.size, 6), dtype=np.int32)
    raw = RawSamples(index * 2500, index, np.full(index.size, np.nan), counts)
    events = tuple(Event(60.0 * k, 60.0 * k + 50.0, "play", posture="A") for k in range(120))
    return Session(raw, PROFILE, CALIBRATION, Player("bench"), events=events)


def to_csv(session: Path, folder: Path) -> None:
    export_files(load_source(session, strokes=False), folder, "csv")


def to_parquet(session: Path, folder: Path) -> None:
    export_files(load_source(session, strokes=False), folder, "parquet")


def to_parquet_raw(session: Path, folder: Path) -> None:
    export_files(load_source(session, strokes=False), folder, "parquet", raw=True)


def to_bids(session: Path, folder: Path) -> None:
    export_bids([session], folder, BidsSettings(strokes=False))


def from_parquet(session: Path, folder: Path) -> None:
    check(import_parquet(folder / f"{session.stem}.signals.parquet"), session)


def from_bids(session: Path, folder: Path) -> None:
    check(import_bids(next(folder.rglob("*_motion.tsv"))), session)


def check(back: Session, session: Path) -> None:
    """Every count must have come back."""
    there = read_session(session).raw
    if not np.array_equal(back.raw.counts, there.counts) or not np.array_equal(back.raw.ticks, there.ticks):
        raise SystemExit("expected the counts that were exported, found others; the export is broken")


WORK: tuple[tuple[str, Callable[[Path, Path], None]], ...] = (
    ("CSV", to_csv),
    ("Parquet with raw counts", to_parquet_raw),
    ("Parquet", to_parquet),
    ("back from Parquet, counts compared", from_parquet),
    ("Motion-BIDS, checked", to_bids),
    ("back from Motion-BIDS, counts compared", from_bids),
)


def measured(work: Callable[[Path, Path], None], session: Path, folder: Path) -> tuple[float, float, float]:
    """Run in this process; return seconds, processor seconds, and the process's peak memory in MB."""
    need_pyarrow()
    if not work.__name__.startswith("from_"):
        shutil.rmtree(folder, ignore_errors=True)
        if work is not to_bids:
            folder.mkdir()
    began, used = time.perf_counter(), time.process_time()
    work(session, folder)
    took, used = time.perf_counter() - began, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return took, used, peak / (1 << 20 if sys.platform == "darwin" else 1 << 10) * 1.048576


def size_mb(folder: Path) -> float:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def main() -> None:
    """Print the table."""
    context = multiprocessing.get_context("spawn")
    print(HEAD)
    print("|" + " --- |" * HEAD.count("|", 1))
    with tempfile.TemporaryDirectory() as name:
        session, folder = Path(name) / "two_hours.mcap", Path(name) / "export"
        write_session(session, replace(make_session(), log_hash=""))
        for label, work in WORK:
            times, cpu, peaks = [], [], []
            for _ in range(RUNS):
                with context.Pool(1) as pool:
                    took, used, peak = pool.apply(measured, (work, session, folder))
                times.append(took)
                cpu.append(used)
                peaks.append(peak)
            spread = " | ".join(f"{statistics.median(t):.2f} ({min(t):.2f}, {max(t):.2f})" for t in (times, cpu))
            target = f"{TARGETS_S[label]:g}" if label in TARGETS_S else ""
            print(f"| {label} | {spread} | {target} | {size_mb(folder):.0f} | {max(peaks):.0f} |", flush=True)


if __name__ == "__main__":
    main()
