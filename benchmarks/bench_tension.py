"""False alarms and power of the tension level, on invented players. Run: python -m benchmarks.bench_tension --help."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from analysis.tension.marker_table import Marker
from benchmarks.tension_tables import KINDS, RELATIVE, SIGN, USUAL, draw_blocks, steady_kind

DRIFTS = {
    "tremor, 1 SD an hour": {"tremor_mps2": 1.0},
    "tremor, 2 SD an hour": {"tremor_mps2": 2.0},
    "tremor, 4 SD an hour": {"tremor_mps2": 4.0},
    "timing, 2 SD an hour": {"motor_pct": 2.0, "clock_pct": 2.0},
    "four markers, 1 SD an hour": {"tremor_mps2": 1.0, "ldlj": 1.0, "span_spread_pct": 1.0, "motor_pct": 1.0},
    "four markers, 2 SD an hour": {"tremor_mps2": 2.0, "ldlj": 2.0, "span_spread_pct": 2.0, "motor_pct": 2.0},
}

Outcome = tuple[str, float, float, int, int]
"""Level, minute of the alarm, processor seconds; trends whose interval covers the truth, of so many."""


def judge(task: tuple[int, str, str, float]) -> Outcome:
    """One session of a kind with a drift (or none) from a minute on."""
    from analysis.tension.caution_level import assess_tension
    from analysis.tension.marker_drift import estimate_drifts, prepare_drifts

    seed, kind, drift_name, onset = task
    rng = np.random.default_rng([seed, KINDS.index(kind), 0x7E5])
    drift = DRIFTS.get(drift_name, {})
    blocks = draw_blocks(rng, steady_kind(kind, rng), drift, onset)
    before = time.process_time()
    found = assess_tension(blocks, (), finished=True)
    spent = time.process_time() - before
    covered = told = 0
    for trend in estimate_drifts(prepare_drifts(blocks)):
        key = trend.marker.key
        if key in USUAL and onset == 0:
            true = drift.get(key, 0.0) * USUAL[key][1] * SIGN.get(key, 1.0)
            covered += trend.per_hour.low <= true <= trend.per_hour.high
            told += 1
    minute = found.since_min if found.since_min is not None else np.nan
    return found.level or "no answer", minute, spent, covered, told


def with_change(blocks: pd.DataFrame, marker: Marker, change: float) -> pd.DataFrame:
    """The same evening with a change of one marker that grows evenly from its first row to its last."""
    middle = (blocks["start_s"] + blocks["end_s"]).to_numpy(np.float64)
    grown = change * (middle - middle.min()) / np.ptp(middle)
    values = blocks[marker.key].to_numpy(np.float64)
    return blocks.assign(**{marker.key: values * np.exp(grown) if marker.relative else values + grown})


@dataclass(frozen=True)
class Sought:
    """A marker's change that was put in, and whether it was found."""

    marker: str
    found: bool


def judge_visible(task: tuple[int, str]) -> Sought | None:
    """Whether the smallest change that a steady evening states is found when it is there; of one marker at random."""
    from analysis.tension.caution_level import assess_tension

    seed, kind = task
    rng = np.random.default_rng([seed, KINDS.index(kind), 0x715])
    blocks = draw_blocks(rng, steady_kind(kind, rng))
    visible = assess_tension(blocks, (), finished=True).visible
    if not visible:
        return None
    marker, change = visible[int(rng.integers(len(visible)))]
    found = assess_tension(with_change(blocks, marker, change), (), finished=True)
    return Sought(marker.name, found.level in ("watch", "ease off"))


def judge_louder(task: tuple[int, str]) -> bool:
    """Whether an evening is alarmed about in which play only grows louder, by up to three times, blocks at will.

    Every marker hangs on loudness: half an SD, either way, for each tenth more. The pick attack shows the loudness of a
    block to 5 %.
    """
    from analysis.tension.caution_level import assess_tension

    seed, kind = task
    rng = np.random.default_rng([seed, KINDS.index(kind), 0x10D])
    blocks = draw_blocks(rng, steady_kind(kind, rng))
    n = len(blocks)
    grown = rng.uniform(0.3, 1.1) * np.linspace(0, 1, n) + 0.25 * rng.normal(size=n)
    loud = np.log(blocks["attack_mps2"].to_numpy(np.float64) / USUAL["attack_mps2"][0]) + grown
    columns = {"attack_mps2": blocks["attack_mps2"] * np.exp(grown + 0.05 * rng.normal(size=n))}
    for key, (_, sd) in USUAL.items():
        if key != "attack_mps2":
            more = rng.normal(0, 5.0) * sd * loud
            columns[key] = blocks[key] * np.exp(more) if key in RELATIVE else blocks[key] + more
    louder = blocks.assign(**columns)
    louder["clock_pct"] = np.maximum(louder["clock_pct"], 0.0)
    return assess_tension(louder, (), finished=True).level in ("watch", "ease off")


def share_row(name: str, hits: Sequence[bool]) -> str:
    """A share with its 95 % interval (Wilson, by scipy)."""
    from scipy import stats

    ends = stats.binomtest(sum(hits), len(hits)).proportion_ci(method="wilson")
    return f"| {name} | {len(hits)} | {100 * np.mean(hits):.1f} | {100 * ends.low:.1f} to {100 * ends.high:.1f} |"


def print_visible_and_louder(pool: ProcessPoolExecutor, count: int, first: int) -> None:
    """Two tables: is the stated smallest change right, and does loudness alone alarm."""
    tasks = [(first + i, KINDS[i % len(KINDS)]) for i in range(count)]
    sought = [one for one in pool.map(judge_visible, tasks, chunksize=4) if one is not None]
    print("\n| the smallest visible change, present | evenings | found % | 95 % interval |\n" + "| --- " * 4 + "|")
    print(share_row("all markers", [one.found for one in sought]), flush=True)
    for name in sorted({one.marker for one in sought}):
        print(share_row(name, [one.found for one in sought if one.marker == name]), flush=True)
    print("\n| louder play alone | evenings | alarmed % | 95 % interval |\n" + "| --- " * 4 + "|")
    print(share_row("all kinds", list(pool.map(judge_louder, tasks, chunksize=4))), flush=True)


def chain(task: tuple[int, float]) -> Outcome:
    """Two hours sampled by the forward model at 200 Hz, analysed from the counts on; tremor grows by a share hourly."""
    from analysis.pipeline import analyse_session
    from analysis.synthesis.scenario import PlayBlock, Scenario
    from analysis.synthesis.simulate import simulate
    from analysis.tension.assessment import measure_tension

    seed, growth = task
    rng = np.random.default_rng([seed, 0xC4A])
    count, seconds = 150, 30.0
    paces = rng.permutation(np.resize([6.5, 8.0, 9.5], count))
    hours = np.arange(count) / count * 2
    blocks = tuple(
        PlayBlock(
            strokes_per_s=float(pace),
            duration_s=seconds,
            tremor=float((1 + growth) ** hour * np.exp(0.1 * rng.normal())),
            timing_noise=float(0.04 * (1 + growth / 4) ** hour),
            span_scatter=float(0.06 * (1 + growth / 4) ** hour),
        )
        for pace, hour in zip(paces, hours, strict=True)
    )
    scenario = Scenario(rate_hz=200.0, blocks=blocks, rest_still_s=4.0, rest_s=(8.0, 16.0))
    before = time.process_time()
    found = measure_tension(analyse_session(simulate(scenario, seed).session))
    minute = found.level.since_min if found.level.since_min is not None else np.nan
    return found.level.level or "no answer", minute, time.process_time() - before, 0, 0


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of a table."""
    n = len(outcomes)
    alarms = sum(level in ("watch", "ease off") for level, *_ in outcomes)
    strong = sum(level == "ease off" for level, *_ in outcomes)
    minutes = [minute for _, minute, *_ in outcomes if np.isfinite(minute)]
    when = f"{np.median(minutes):.0f}" if minutes else ""
    silent = sum(level == "no answer" for level, *_ in outcomes)
    covered, told = (sum(outcome[i] for outcome in outcomes) for i in (3, 4))
    share = f"{100 * covered / told:.1f}" if told else ""
    cost = f"{np.mean([outcome[2] for outcome in outcomes]):.2f}"
    return f"| {name} | {n} | {100 * alarms / n:.1f} | {100 * strong / n:.1f} | {when} | {share} | {silent} | {cost} |"


HEAD = (
    "| sessions | n | any alarm % | ease off % | median minute | trends covered % | no answer | s |\n"
    "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"
)


def table(name: str, groups: Iterable[tuple[str, list[Outcome]]]) -> None:
    print(f"\n{name}\n\n{HEAD}", flush=True)
    for group, outcomes in groups:
        print(row(group, outcomes), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--steady", type=int, default=300, help="steady sessions of each of four kinds")
    parser.add_argument("--drifts", type=int, default=60, help="sessions of each drift")
    parser.add_argument("--chain", type=int, default=0, help="sessions through the whole chain, steady and drifting")
    parser.add_argument("--visible", type=int, default=200, help="evenings with the smallest change, and louder ones")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    first = options.first_seed
    with ProcessPoolExecutor(options.workers) as pool:

        def run(kind: str, drift: str, count: int, onset: float = 0.0) -> list[Outcome]:
            tasks = [(seed, kind, drift, onset) for seed in range(first, first + count)]
            return list(pool.map(judge, tasks, chunksize=4))

        if options.steady:
            every: list[Outcome] = []

            def steady() -> Iterable[tuple[str, list[Outcome]]]:
                for kind in KINDS:
                    found = run(kind, "", options.steady)
                    every.extend(found)
                    yield kind, found
                yield "all", every

            table("Two hours of steady play", steady())
        if options.drifts:
            table(
                "Two hours with a drift from the start",
                (
                    (f"{drift}; {kind}", run(kind, drift, options.drifts))
                    for drift in DRIFTS
                    for kind in ("no wander", "wander, minutes", "wander, ten minutes")
                ),
            )
            late = "tremor, 4 SD an hour"
            table("From minute 60 on", [(f"{late}; {KINDS[1]}", run(KINDS[1], late, options.drifts, 60.0))])
        if options.visible:
            print_visible_and_louder(pool, options.visible, first)
        if options.chain:
            table(
                "Whole chain, from counts on",
                (
                    (f"tremor {growth:+.0%} an hour", list(pool.map(chain, [(s, growth) for s in seeds])))
                    for growth, seeds in (
                        (0.0, range(first, first + options.chain)),
                        (0.3, range(first + 1000, first + 1000 + options.chain)),
                    )
                ),
            )


if __name__ == "__main__":
    main()
