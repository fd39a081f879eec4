"""What is said of disturbed sessions, one row a regime. Run: python -m benchmarks.bench_doubts --help."""

from __future__ import annotations

import argparse
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from analysis.model.errors import StrokeplaneError
from benchmarks.disturbed_regimes import REGIMES as DISTURBED
from benchmarks.sensor_faults import REGIMES as FAULTY

REGIMES = (*DISTURBED, *FAULTY)


@dataclass(frozen=True)
class Said:
    """One session: what was claimed, and what was true; blocks sure of the hand, and of the tip, and held by theirs."""

    hand: str
    tip: str
    wrong_hand: bool
    wrong_tip: bool
    sure_blocks: int
    covered: int
    sure_tips: int
    covered_tips: int
    error_deg: tuple[float, ...]
    kinds: tuple[str, ...]


def judge_seed(task: tuple[int, int]) -> Said | str:
    """Simulate, analyse and judge one session."""
    from analysis.pipeline import analyse_session
    from analysis.report.verdict import judge_session

    row, seed = task
    made = REGIMES[row].draw(seed)
    try:
        result = analyse_session(made.session)
    except StrokeplaneError as error:
        return f"seed {seed}: {error}"
    verdict = judge_session(result)
    truth = made.truth.blocks["tilt_mean_deg"].to_numpy()
    wrong_hand = wrong_tip = False
    counts = np.zeros(4, dtype=int)
    errors = []
    for case in verdict.blocks:
        block, true = case.summary, float(truth[case.summary.index])
        if block.tilt_mean_deg is None or block.tilt_ci95_deg is None or block.tip_ci95_deg is None:
            continue
        errors.append(block.tilt_mean_deg - true)
        for place, (certainty, (low, high)) in enumerate(
            ((case.certainty, block.tilt_ci95_deg), (case.tip_certainty, block.tip_ci95_deg))
        ):
            if certainty != "sure":
                continue
            counts[2 * place] += 1
            counts[2 * place + 1] += low <= true <= high
            # A block called level, or nearly so, claims no side.
            wrong = case.case not in ("level", "flat") and ((low > 0 and true < 0) or (high < 0 and true > 0))
            wrong_hand |= wrong and place == 0
            wrong_tip |= wrong and place == 1
    kinds = tuple(sorted({doubt.kind for doubt in result.doubts}))
    said = [int(count) for count in counts]
    return Said(verdict.certainty, verdict.tip_certainty, wrong_hand, wrong_tip, *said, tuple(errors), kinds)


def row_of(found: list[Said]) -> str:
    """One row of the table."""
    n = len(found)
    errors = np.concatenate([np.array(s.error_deg) for s in found])
    kinds = Counter(kind for s in found for kind in s.kinds)
    sums = {
        name: sum(getattr(s, name) for s in found) for name in ("sure_blocks", "covered", "sure_tips", "covered_tips")
    }
    cells = (
        n,
        f"{np.sqrt(np.mean(errors**2)):.1f}",
        sum(s.hand == "sure" for s in found),
        sum(s.wrong_hand for s in found),
        f"{sums['covered']} of {sums['sure_blocks']}",
        sum(s.tip == "sure" for s in found),
        sum(s.wrong_tip for s in found),
        f"{sums['covered_tips']} of {sums['sure_tips']}",
        ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())) or "-",
    )
    return " | ".join(str(cell) for cell in cells)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first", type=int, default=60_000, help="first seed")
    parser.add_argument("--only", default="", help="regimes whose name holds this")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    given = parser.parse_args()
    print("| regime | sessions | RMS | hand sure | wrong side | held | tip sure | wrong side | held | doubts |")
    print("|" + " --- |" * 10)
    with ProcessPoolExecutor(given.jobs) as pool:
        for row, regime in enumerate(REGIMES):
            if given.only not in regime.name:
                continue
            tasks = [(row, seed) for seed in range(given.first, given.first + given.seeds)]
            found = list(pool.map(judge_seed, tasks))
            for problem in (s for s in found if isinstance(s, str)):
                print(f"  {regime.name}: {problem}")
            print(f"| {regime.name} | {row_of([s for s in found if isinstance(s, Said)])} |", flush=True)


if __name__ == "__main__":
    main()
