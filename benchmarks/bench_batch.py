"""Batch: how it scales with workers, what a session costs, memory of a worker.

Ten-minute sessions at 200 samples/s, made from a few simulated ones: every file has bytes and a hash of its own.
Runs with one worker and with several take turns, so that both meet the same machine. On a machine that does other
work too, only the share by processor time says anything: what one worker's sessions took of the processor, over what
those of several took, with the work of the process that hands out, keeps and writes.

Run: python -m benchmarks.bench_batch --help
"""

from __future__ import annotations

import argparse
import functools
import os
import statistics
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

# As the command itself sets it, and as its workers do: more threads would also round differently.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from logger.many.batch import find_sessions, run_batch
from logger.many.batch_tables import STROKES_NAME, tabulate_file
from logger.many.session_work import count_cores, local_crew

MINUTES = 10
RATE_HZ = 200.0
KINDS = 4


def write_sessions(folder: Path, count: int) -> float:
    """Return the megabytes of one session."""
    from analysis.synthesis.draw import random_scenario
    from analysis.synthesis.scenario import PlayBlock
    from analysis.synthesis.simulate import simulate
    from logger.session.session_file import write_session

    drawn = []
    for seed in range(min(KINDS, count)):
        block = PlayBlock(strokes_per_s=6.0 + seed, tilt_deg=12.0, duration_s=60.0, drill="tune")
        # Nine blocks of a minute; gestures and rests fill the tenth.
        base = replace(random_scenario(seed, rate_hz=RATE_HZ), blocks=(block,) * 9, rest_s=(2.0, 4.0))
        drawn.append(simulate(base, seed).session)
    for i in range(count):
        write_session(folder / f"{i:05d}.mcap", replace(drawn[i % len(drawn)], metadata={"number": str(i)}))
    return sum(path.stat().st_size for path in folder.iterdir()) / count / 1e6


def tabulate_measured(folder: Path, path: Path) -> tuple[str, str | bytes]:
    """The batch's own analysis; notes what processor time it took and the most memory that this process ever had."""
    began_s = time.process_time()
    found = tabulate_file(path)
    took_s = time.process_time() - began_s
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    peak_kb = next((line.split()[1] for line in lines if line.startswith("VmHWM")), "0")
    with (folder / str(os.getpid())).open("a") as notes:
        notes.write(f"{took_s} {peak_kb}\n")
    return found


@dataclass(frozen=True)
class Run:
    """One batch.

    ``per_s`` is sessions a second once all workers are at it; ``worker_s`` and ``processor_s`` what one took its
    worker; ``parent_s`` processor time of the process that hands out, keeps and writes, a session.
    """

    whole_s: float
    per_s: float
    worker_s: float
    processor_s: float
    parent_s: float
    peak_mb: float


def run_once(sessions: Path, folder: Path, jobs: int) -> Run:
    """Analyse all sessions anew."""
    notes = folder.with_suffix(".notes")
    notes.mkdir()
    named = find_sessions([str(sessions)])
    ends: list[float] = []
    began_s = time.process_time()
    measured = functools.partial(tabulate_measured, notes)
    crew = local_crew(jobs, len(named))
    result = run_batch(named, folder, crew, lambda stage, _: ends.append(time.monotonic()), measured)
    parent_s = time.process_time() - began_s
    # The first and the last word are not of sessions; the first sessions wait for their workers to load everything.
    steady = ends[1 + jobs : -1]
    per_s = (len(steady) - 1) / (steady[-1] - steady[0])
    noted = [line.split() for path in notes.iterdir() for line in path.read_text().splitlines()]
    processor_s = [float(took) for took, _ in noted]
    return Run(
        result.seconds,
        per_s,
        result.done.worker_s / result.done.computed,
        statistics.median(processor_s),
        (parent_s - sum(processor_s) * (jobs == 1)) / len(named),
        max(int(peak) for _, peak in noted) / 1024,
    )


HEAD = (
    "| workers | sessions/s, all at it | of linear | by processor time | a session: s of its worker | "
    "of them processor s | s of the parent's processor | memory of a worker, MB |"
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=40, help="how many [40]")
    parser.add_argument("--jobs", type=int, default=count_cores(), help="workers [one a core]")
    parser.add_argument("--pairs", type=int, default=2, help="runs of each kind [2]")
    options = parser.parse_args()
    runs: dict[int, list[Run]] = {1: [], options.jobs: []}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "sessions").mkdir()
        megabytes = write_sessions(folder / "sessions", options.sessions)
        print(f"{options.sessions} sessions of {MINUTES} min at {RATE_HZ:g}/s, {megabytes:.1f} MB each")
        tables = set()
        for pair in range(options.pairs):
            for jobs in runs:
                out = folder / f"{pair}-{jobs}"
                runs[jobs].append(run_once(folder / "sessions", out, jobs))
                tables.add((out / STROKES_NAME).read_bytes())
        print(f"{HEAD}\n|{' --- |' * 8}")
        alone = statistics.median(run.per_s for run in runs[1])
        alone_s = statistics.median(run.processor_s + run.parent_s for run in runs[1])
        for jobs, done in runs.items():
            row = {key: statistics.median(getattr(run, key) for run in done) for key in Run.__dataclass_fields__}
            # In one process, the memory of what made the sessions would count too.
            peak = f"{max(run.peak_mb for run in done):.0f}" if jobs > 1 else "-"
            print(
                f"| {jobs} | {row['per_s']:.2f} | {row['per_s'] / alone / jobs:.2f} | "
                f"{alone_s / (row['processor_s'] + row['parent_s']):.2f} | {row['worker_s']:.3f} | "
                f"{row['processor_s']:.3f} | {row['parent_s']:.4f} | {peak} |",
                flush=True,
            )
        print(f"the same table every time: {'yes' if len(tables) == 1 else 'NO'}")


if __name__ == "__main__":
    main()
