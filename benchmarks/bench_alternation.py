"""Play that alternates between two tilts on purpose: is it said so, and does each interval hold its tilt?

Run: python -m benchmarks.bench_alternation --help.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass, replace

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan
from analysis.synthesis.simulate import SimulatedSession, simulate

EVERY = (4, 8, 16)
BLOCK_S = 20.0


@dataclass(frozen=True)
class Alternated:
    """One session: blocks, those called level and sure, those called mixed, their tilts, those held, and their runs."""

    blocks: int
    sure_level: int
    sure_of_one: int
    mixed: int
    tilts: int
    held: int
    mean_run: tuple[float, ...]


def draw(seed: int, every: int) -> SimulatedSession:
    """Two blocks at 8 strokes/s, 12 to 25 deg to either side by turns, gestures twice."""
    scenario = random_scenario(seed, 8.0, BLOCK_S, blocks=2)
    rng = np.random.default_rng([seed, 0xA17])
    blocks = tuple(
        replace(block, tilt_deg=rng.uniform(12, 25), other_tilt_deg=-rng.uniform(12, 25), other_every=every)
        for block in scenario.blocks
    )
    return simulate(replace(scenario, blocks=blocks, gestures=GesturePlan(repetitions=2)), seed)


def judge_seed(seed: int, every: int) -> Alternated:
    """Simulate, analyse and judge one session."""
    from analysis.pipeline import analyse_session
    from analysis.report.verdict import judge_session

    made = draw(seed, every)
    verdict = judge_session(analyse_session(made.session))
    strokes = made.truth.strokes
    counts = dict.fromkeys(("sure_level", "sure_of_one", "mixed", "tilts", "held"), 0)
    runs = []
    for case in verdict.blocks:
        counts["sure_level"] += case.case == "level" and case.certainty == "sure"
        counts["sure_of_one"] += case.case != "mixed" and case.certainty == "sure"
        counts["mixed"] += case.case == "mixed"
        own = strokes["tilt_deg"].to_numpy()[strokes["block"].to_numpy() == case.summary.index]
        # The stroke that ends a group joins a turn of its tilt to one of the other.
        place = np.arange(own.size)
        whole = place % every != every - 1
        other = place // every % 2 == 1
        for group, true in zip(
            case.summary.groups, (own[whole & ~other].mean(), own[whole & other].mean()), strict=False
        ):
            if group.tilt_ci95_deg is not None:
                counts["tilts"] += 1
                counts["held"] += group.tilt_ci95_deg[0] <= true <= group.tilt_ci95_deg[1]
                runs.append(group.mean_run)
    return Alternated(len(verdict.blocks), **counts, mean_run=tuple(runs))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first", type=int, default=60_000, help="first seed")
    given = parser.parse_args()
    print("| changes every | sessions | blocks | sure: level | sure of one tilt | two tilts said | held | run found |")
    print("|" + " --- |" * 8)
    for every in EVERY:
        found = [judge_seed(seed, every) for seed in range(given.first, given.first + given.seeds)]
        total = {
            name: sum(getattr(one, name) for one in found)
            for name in ("blocks", "sure_level", "sure_of_one", "mixed", "tilts", "held")
        }
        run = np.mean([run for one in found for run in one.mean_run] or [np.nan])
        print(
            f"| {every} strokes | {len(found)} | {total['blocks']} | {total['sure_level']} | {total['sure_of_one']} | "
            f"{total['mixed']} | {total['held']} of {total['tilts']} | {run:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
