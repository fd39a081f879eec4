"""Time and peak memory of the analysis of long sessions at 400 samples/s.

Time is compared with one bare call of the orientation filter on the same samples, alternated in one process, for each
clock of :mod:`benchmarks.clocks`: a sensor's ticks, jittered stamps, packets that a host stamped, whole milliseconds.
Peak memory and growth are measured in a process of its own for each length, reading of the session file included.

Run: python -m benchmarks.bench_speed --help
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

# One thread each: the filter has no more, and the machine may be shared.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

CLOCKS = ("ticks", "jittered", "host packets", "back-dated", "milliseconds")
RATE_HZ = 400.0
BLOCK_S, REST_S = 240.0, 60.0
PROFILE_ROWS = 15


def simulate_session(path: Path, hours: float) -> None:
    """Gestures once, then four minutes of play and one of rest in turn."""
    from dataclasses import replace

    from analysis.synthesis.draw import random_scenario
    from analysis.synthesis.simulate import simulate
    from logger.session.session_file import write_session

    blocks = round(3600 * hours / (BLOCK_S + REST_S))
    scenario = random_scenario(8100, strokes_per_s=8.0, duration_s=BLOCK_S, rate_hz=RATE_HZ, blocks=blocks)
    write_session(path, simulate(replace(scenario, rest_s=(REST_S - 5, REST_S + 5)), 8100).session)


def clocked(work: Callable[[], object]) -> tuple[float, float]:
    """Wall time and processor time (s) of one call."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def compare(path: Path, pairs: int, clock: str) -> dict[str, object]:
    """The analysis and the bare filter in turn; times of each."""
    import numpy as np
    import vqf

    from analysis.pipeline import analyse_session
    from benchmarks.clocks import stamped
    from logger.session.session_file import read_session

    session = stamped(read_session(path), clock)
    accel = np.ascontiguousarray(session.raw.counts[:, :3] * session.profile.accel_mps2_per_count)
    gyro = np.ascontiguousarray(session.raw.counts[:, 3:] * session.profile.gyro_radps_per_count)
    ours, bare = [], []
    for _ in range(pairs):
        ours.append(clocked(lambda: analyse_session(session)))
        bare.append(clocked(lambda: vqf.offlineVQF(gyro, accel, None, 1.0 / RATE_HZ)))
    return {"samples": len(accel), "ours": ours, "bare": bare}


def measure(path: Path, clock: str) -> dict[str, object]:
    """Read and analyse one session in this process, as the command does it; times, strokes and peak memory."""
    from analysis.pipeline import analyse_prepared, prepare_session
    from benchmarks.clocks import stamped
    from logger.session.session_file import read_session

    began = time.perf_counter()
    session = read_session(path)
    read_s, read_mb = time.perf_counter() - began, peak_mb()
    samples = session.raw.ticks.size
    held, found = [stamped(session, clock)], []
    del session
    wall, processor = clocked(lambda: found.append(len(analyse_prepared(prepare_session(held.pop())).strokes)))
    return {
        "samples": samples, "strokes": found[0], "read_s": read_s, "read_mb": read_mb,
        "wall_s": wall, "processor_s": processor, "peak_mb": peak_mb(),
    }  # fmt: skip


def peak_mb() -> float:
    """Most memory this process has held so far (MB)."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


def profile(path: Path, clock: str) -> None:
    """Print where the time goes."""
    import cProfile
    import pstats

    from analysis.pipeline import analyse_session
    from benchmarks.clocks import stamped
    from logger.session.session_file import read_session

    session = stamped(read_session(path), clock)
    profiler = cProfile.Profile()
    profiler.runcall(analyse_session, session)
    for order in ("cumulative", "tottime"):
        pstats.Stats(profiler).strip_dirs().sort_stats(order).print_stats(PROFILE_ROWS)


def in_process(part: str, path: Path, **options: float | str) -> dict[str, Any]:
    """Run one part of this module in a process of its own: a child's peak memory starts from its parent's."""
    flags = [f"--{key}={value}" for key, value in options.items()]
    command = [sys.executable, "-m", "benchmarks.bench_speed", "--part", part, "--session", str(path), *flags]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
    return json.loads(done.stdout) if done.stdout else {}


def print_growth(folder: Path, hours: list[float], clock: str) -> None:
    """Time and memory for each length."""
    print(f"\nClock: {clock}\n")
    print("| hours | samples | strokes | read s | analyse s | processor s | s per hour | MB after reading | peak MB |")
    print("|" + " --- |" * 9)
    for length in hours:
        row = in_process("measure", session_of(folder, length), clock=clock)
        print(
            f"| {length:g} | {row['samples']} | {row['strokes']} | {row['read_s']:.2f} | {row['wall_s']:.2f} | "
            f"{row['processor_s']:.2f} | {row['processor_s'] / length:.2f} | {row['read_mb']:.0f} | "
            f"{row['peak_mb']:.0f} |",
            flush=True,
        )


def print_ratios(path: Path, pairs: int, clocks: list[str]) -> None:
    """Analysis over bare filter, pair by pair, in processor time; wall time beside it."""
    print(f"\n{pairs} pairs: analysis, then one bare offlineVQF call of the same samples\n")
    print("| clock | samples | analysis s (median) | bare filter s (median) | ratio min | median | max | wall ratio |")
    print("|" + " --- |" * 8)
    for clock in clocks:
        row = in_process("compare", path, pairs=pairs, clock=clock)
        wall, used = (sorted(a[at] / b[at] for a, b in zip(row["ours"], row["bare"], strict=True)) for at in (0, 1))
        ours, bare = ([pair[1] for pair in row[name]] for name in ("ours", "bare"))
        print(
            f"| {clock} | {row['samples']} | {middle(ours):.2f} | {middle(bare):.2f} | {used[0]:.2f} | "
            f"{middle(used):.2f} | {used[-1]:.2f} | {middle(wall):.2f} |",
            flush=True,
        )


def middle(values: list[float]) -> float:
    """Median, without a heavy import in the parent process."""
    ordered = sorted(values)
    return 0.5 * (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2])


def session_of(folder: Path, hours: float) -> Path:
    """Session file of that length, simulated if it is not there yet."""
    path = folder / f"strokeplane-speed-{hours:g}h.mcap"
    if not path.exists():
        in_process("simulate", path, hours=hours)
    return path


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pairs", type=int, default=5, help="alternated pairs of calls")
    parser.add_argument("--lengths", default="0.5,1,2,4,6", help="hours of the sessions whose growth is shown")
    parser.add_argument("--hours", type=float, default=2.0, help="hours of the session that is timed in pairs")
    parser.add_argument("--clocks", default=",".join(CLOCKS), help="stamps that are timed in pairs")
    parser.add_argument("--grown", default="ticks,host packets", help="stamps whose growth is shown")
    parser.add_argument("--folder", type=Path, help="keep the simulated sessions here, and use those already there")
    parser.add_argument("--profile", action="store_true", help="also print where the time goes")
    parser.add_argument("--part", choices=("simulate", "measure", "compare", "profile"), help=argparse.SUPPRESS)
    parser.add_argument("--session", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--clock", default="ticks", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.part == "simulate":
        simulate_session(given.session, given.hours)
    elif given.part == "measure":
        print(json.dumps(measure(given.session, given.clock)))
    elif given.part == "compare":
        print(json.dumps(compare(given.session, given.pairs, given.clock)))
    elif given.part == "profile":
        profile(given.session, given.clock)
    else:
        with tempfile.TemporaryDirectory() as temporary:
            folder = given.folder or Path(temporary)
            clocks = given.clocks.split(",")
            print_ratios(session_of(folder, given.hours), given.pairs, clocks)
            for clock in given.grown.split(",") if given.grown else ():
                print_growth(folder, [float(part) for part in given.lengths.split(",")], clock)
            for clock in clocks if given.profile else ():
                command = [sys.executable, "-m", "benchmarks.bench_speed", "--part", "profile", "--clock", clock]
                subprocess.run([*command, "--session", str(session_of(folder, given.hours))], check=True)


if __name__ == "__main__":
    main()
