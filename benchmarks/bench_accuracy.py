"""Accuracy of tilt on simulated sessions, one row a regime. Run: python -m benchmarks.bench_accuracy --help."""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from analysis.model.errors import StrokeplaneError
from benchmarks.regimes import REGIMES
from benchmarks.scoring import SessionScore, pooled, score_session


def score_seed(task: tuple[str, int]) -> SessionScore | str:
    """Simulate, analyse and score one session; an error of the analysis is its row's."""
    from analysis.pipeline import analyse_session
    from analysis.synthesis.simulate import simulate

    regime, seed = task
    simulated = simulate(REGIMES[regime].draw(seed), seed)
    session = simulated.session
    if not REGIMES[regime].marked:
        session = replace(session, events=tuple(e for e in session.events if e.kind != "play"))
    try:
        score = score_session(simulated.truth.strokes, analyse_session(session))
    except StrokeplaneError as error:
        return f"seed {seed}: {error}"
    return score if score.mean_error_deg.size else f"seed {seed}: gestures refused, so no tilt against the instrument"


def run(regime: str, seeds: range, pool: ProcessPoolExecutor) -> dict[str, float]:
    """Score one regime over seeds."""
    results = list(pool.map(score_seed, [(regime, seed) for seed in seeds]))
    for failure in (r for r in results if isinstance(r, str)):
        print(f"  {regime}: {failure}", file=sys.stderr)
    scores = [r for r in results if isinstance(r, SessionScore)]
    return pooled(scores, REGIMES[regime].beyond_deg)


COLUMNS = (
    ("sessions", "sessions", 0), ("rms_deg", "stroke RMS", 2), ("scatter_deg", "scatter", 2),
    ("block_mean_rms_deg", "block RMS", 2), ("stated_se_deg", "stated SE", 2), ("coverage_pct", "coverage %", 1),
    ("recall_pct", "recall %", 2), ("precision_pct", "precision %", 2), ("side_right_pct", "side %", 2),
    ("difference_rms_deg", "diff RMS", 2), ("span_rms_mm", "span mm", 2), ("lift_rms_mm", "lift mm", 2),
    ("bow_rms_mm", "bow mm", 2), ("change_rms_deg", "in changes", 2), ("all_rms_deg", "all strokes", 2),
    ("single_covers_pct", "single covers %", 1),
    ("turn_median_ms", "turns ms", 1), ("turn_90_ms", "90 % ms", 1),
)  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=24)
    parser.add_argument("--first", type=int, default=5000, help="first seed")
    parser.add_argument("--only", default="", help="regimes, with semicolons between them")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    given = parser.parse_args()
    wanted = given.only.split(";") if given.only else list(REGIMES)
    if unknown := [name for name in wanted if name not in REGIMES]:
        parser.error(f"no regime is called {', '.join(unknown)}; there are {'; '.join(REGIMES)}")
    names = [name for name in REGIMES if name in wanted]
    print("| regime | " + " | ".join(title for _, title, _ in COLUMNS) + " |")
    print("| --- |" + " --- |" * len(COLUMNS))
    with ProcessPoolExecutor(given.jobs) as pool:
        for name in names:
            began = time.perf_counter()
            seeds = range(given.first, given.first + (max(4, given.seeds // 4) if name == "2 h" else given.seeds))
            row = run(name, seeds, pool)
            print(f"| {name} | " + " | ".join(f"{row.get(k, np.nan):.{d}f}" for k, _, d in COLUMNS) + " |", flush=True)
            print(f"  {name}: {time.perf_counter() - began:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
