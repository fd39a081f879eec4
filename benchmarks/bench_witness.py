"""A second sensor on the instrument, one row a regime and sensor. Run: python -m benchmarks.bench_witness --help.

Two blocks at 8 strokes/s of one tilt, gestures twice, hand and instrument rocked once. Asked of each row: an RMS of the
blocks' mean tilts, and 35 of 40 intervals that hold the truth.
"""

from __future__ import annotations

import argparse
import os
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.performance import Performance
from analysis.synthesis.scenario import GesturePlan, InstrumentSensor
from analysis.synthesis.simulate import SimulatedSession, simulate

BOARD, SLOW_BOARD, FAIR_BOARD = InstrumentSensor(), InstrumentSensor(rate_hz=100.0), InstrumentSensor(rate_hz=200.0)
PHONE = InstrumentSensor(rate_hz=60.0, phone=True)
SENSORS = {"none": None, "board 400": BOARD, "board 200": FAIR_BOARD, "board 100": SLOW_BOARD, "phone 60": PHONE}


@dataclass(frozen=True)
class Row:
    """What befalls the instrument, the sensor on it, and the RMS (deg) that is asked for; None: nothing is."""

    befalls: str
    sensor: str
    asked_deg: float | None = None

    def draw(self, seed: int) -> SimulatedSession:
        """The session of a seed."""
        rocked = SENSORS.get(self.sensor) is not None
        scenario = random_scenario(seed, 8.0, 10.0, blocks=2)
        tilt = scenario.blocks[0].tilt_deg
        scenario = replace(
            scenario,
            blocks=tuple(replace(block, tilt_deg=tilt) for block in scenario.blocks),
            gestures=GesturePlan(
                repetitions=2,
                rock=rocked,
                soundboard=self.sensor == "soundboard stills",
                across_lift_deg=2.0 if self.befalls == "lifts 2 deg in across" else 0.0,
            ),
            sway_deg=3.0 if self.befalls == "sway 3 deg" else 0.0,
            instrument_sensor=SENSORS.get(self.sensor),
        )
        return simulate(scenario, seed, disturbance=lambda performance: _befalls(self.befalls, performance, seed))


def _befalls(what: str, performance: Performance, seed: int) -> Disturbance:
    """What happens in a session; from three seconds before the first block on where it has a beginning."""
    first = performance.blocks[0].turns_s
    rest, side = float(first[0]) - 3.0, (-1.0) ** seed
    return {
        "nothing": Disturbance(),
        "lifts 2 deg in across": Disturbance(),
        "sway 3 deg": Disturbance(),
        "lean 5 deg": Disturbance(at_s=rest, lean_deg=5.0 * side),
        "chair 20 deg": Disturbance(at_s=float(first[30]), over_s=2.0, chair_deg=20.0 * side),
        "foot tap": Disturbance(at_s=rest, tap_mm=2.5),
        "walking": Disturbance(at_s=rest, walk_mm=12.0, walk_deg=2.0),
        "reaction 0.2 deg": Disturbance(reaction_deg=0.2),
    }[what]


ROWS = (
    Row("nothing", "none"),
    *(
        Row(what, "none")
        for what in ("sway 3 deg", "lean 5 deg", "chair 20 deg", "foot tap", "walking", "reaction 0.2 deg")
    ),
    Row("nothing", "board 400"),
    Row("sway 3 deg", "board 400", 0.8),
    Row("lean 5 deg", "board 400", 1.0),
    Row("chair 20 deg", "board 400", 1.0),
    Row("foot tap", "board 400", 1.0),
    Row("walking", "board 400", 1.5),
    Row("reaction 0.2 deg", "board 400", 1.0),
    Row("reaction 0.2 deg", "board 200", 1.0),
    Row("sway 3 deg", "board 100", 0.8),
    Row("lean 5 deg", "board 100", 1.0),
    Row("chair 20 deg", "board 100", 1.0),
    Row("foot tap", "board 100", 1.0),
    Row("walking", "board 100", 1.5),
    Row("sway 3 deg", "phone 60", 1.2),
    Row("lean 5 deg", "phone 60", 1.2),
    Row("chair 20 deg", "phone 60", 1.2),
    Row("reaction 0.2 deg", "phone 60"),
    Row("lifts 2 deg in across", "none"),
    Row("lifts 2 deg in across", "soundboard stills", 1.2),
)


@dataclass(frozen=True)
class Found:
    """Errors and standard errors of a session's blocks (deg), how many are sure, kinds of doubts."""

    error_deg: tuple[float, ...]
    se_deg: tuple[float, ...]
    sure: int
    kinds: tuple[str, ...]


def judge(task: tuple[int, int]) -> Found | str:
    """Simulate, analyse and judge one session."""
    from analysis.model.errors import StrokeplaneError
    from analysis.pipeline import analyse_session
    from analysis.report.verdict import judge_session

    row, seed = task
    made = ROWS[row].draw(seed)
    try:
        result = analyse_session(made.session)
    except StrokeplaneError as error:
        return f"seed {seed}: {error}"
    truth = made.truth.blocks["tilt_mean_deg"].to_numpy()
    errors, ses, sure = [], [], 0
    for case in judge_session(result).blocks:
        block = case.summary
        if block.tilt_mean_deg is None or block.tilt_ci95_deg is None:
            continue
        errors.append(block.tilt_mean_deg - float(truth[block.index]))
        ses.append((block.tilt_ci95_deg[1] - block.tilt_ci95_deg[0]) / 3.92)
        sure += case.certainty == "sure"
    return Found(tuple(errors), tuple(ses), sure, tuple({doubt.kind for doubt in result.doubts}))


def line_of(row: Row, found: list[Found]) -> str:
    """One line of the table."""
    error = np.array([e for f in found for e in f.error_deg])
    se = np.array([s for f in found for s in f.se_deg])
    kinds = Counter(kind for f in found for kind in f.kinds)
    cells = (
        row.befalls,
        row.sensor,
        "-" if row.asked_deg is None else f"{row.asked_deg:.1f}",
        f"{np.sqrt(np.mean(error**2)):.2f}",
        f"{np.sqrt(np.mean(se**2)):.2f}",
        f"{int((np.abs(error) < 1.96 * se).sum())} of {error.size}",
        f"{sum(f.sure for f in found)}",
        ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())) or "-",
    )
    return f"| {' | '.join(cells)} |"


def time_both(seed: int, rounds: int = 5) -> tuple[float, float]:
    """Seconds of processor for one session with the hand's sensor alone, and with both; the quickest of some rounds."""
    from analysis.pipeline import analyse_session

    session = Row("nothing", "board 400").draw(seed).session
    took = []
    for each in (replace(session, streams=()), session):
        runs = []
        for _ in range(rounds):
            begun = time.process_time()
            analyse_session(each)
            runs.append(time.process_time() - begun)
        took.append(min(runs))
    return took[0], took[1]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=71_000, help="first seed")
    parser.add_argument("--only", default="", help="rows whose regime or sensor holds this")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    given = parser.parse_args()
    print("| what befalls the instrument | sensor on it | asked | RMS | stated | held | sure | doubts |")
    print("|" + " --- |" * 8)
    with ProcessPoolExecutor(given.jobs) as pool:
        for number, row in enumerate(ROWS):
            if given.only not in f"{row.befalls} {row.sensor}":
                continue
            tasks = [(number, seed) for seed in range(given.first, given.first + given.seeds)]
            found = list(pool.map(judge, tasks))
            for problem in (f for f in found if isinstance(f, str)):
                print(f"  {row.befalls}, {row.sensor}: {problem}")
            print(line_of(row, [f for f in found if isinstance(f, Found)]), flush=True)
    alone, both = time_both(given.first)
    print(f"\none sensor {alone:.2f} s, two {both:.2f} s of processor: {both / alone:.2f} times")


if __name__ == "__main__":
    main()
