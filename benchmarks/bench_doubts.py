"""What is said of disturbed sessions, one row a regime. Run: python -m benchmarks.bench_doubts --help.

The hand's claim is judged by the hand's stroke against the instrument as it lay at the gestures, and beside it by the
tip's stroke against the strings as they are now; the tip's claim by the latter. Two figures stand in that order.
"""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from analysis.model.doubts import Certainty
from analysis.model.errors import StrokeplaneError
from benchmarks.disturbed_regimes import REGIMES as DISTURBED
from benchmarks.sensor_faults import REGIMES as FAULTY

REGIMES = (*DISTURBED, *FAULTY)
COLUMNS = (
    "regime", "sessions", "RMS", "hand sure", "wrong side", "held", "of the strings", "tip sure", "wrong side", "held",
    "doubts",
)  # fmt: skip


@dataclass(frozen=True)
class Claimed:
    """One block: what was claimed of hand and tip, and both truths.

    ``hand_deg`` is the hand's true stroke against the instrument as it lay at the gestures, ``strings_deg`` the tip's
    against the strings as they were while the block was played.
    """

    tilt_deg: float
    sided: bool
    hand: Certainty
    tip: Certainty
    hand_ci_deg: tuple[float, float]
    tip_ci_deg: tuple[float, float]
    hand_deg: float
    strings_deg: float

    def wrong_side(self, interval: tuple[float, float], truth_deg: float) -> bool:
        """Whether a side was claimed that is not the true one; a block called level, or nearly so, claims none."""
        low, high = interval
        return self.sided and ((low > 0 and truth_deg < 0) or (high < 0 and truth_deg > 0))


@dataclass(frozen=True)
class Said:
    """One session: what was claimed, of every block too, and which doubts were raised."""

    hand: Certainty
    tip: Certainty
    blocks: tuple[Claimed, ...]
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
    strokes = made.truth.strokes.assign(hand_deg=made.truth.hand_tilts_deg())
    truth = strokes[~strokes["in_change"]].groupby("block")[["hand_deg", "tilt_deg"]].mean()
    blocks = []
    for case in verdict.blocks:
        block = case.summary
        if block.tilt_mean_deg is None or block.tilt_ci95_deg is None or block.tip_ci95_deg is None:
            continue
        hand_deg, strings_deg = truth.loc[block.index]
        sided = case.case not in ("level", "flat")
        said = (block.tilt_mean_deg, sided, case.certainty, case.tip_certainty, block.tilt_ci95_deg, block.tip_ci95_deg)
        blocks.append(Claimed(*said, float(hand_deg), float(strings_deg)))
    kinds = tuple(sorted({doubt.kind for doubt in result.doubts}))
    return Said(verdict.certainty, verdict.tip_certainty, tuple(blocks), kinds)


def _held(cases: Sequence[tuple[tuple[float, float], float]]) -> str:
    return f"{sum(low <= true <= high for (low, high), true in cases)} of {len(cases)}"


def row_of(found: list[Said]) -> str:
    """One row of the table."""
    blocks = [block for said in found for block in said.blocks]
    hands = [b for b in blocks if b.hand == "sure"]
    tips = [b for b in blocks if b.tip == "sure"]
    wrong_own = [any(b.hand == "sure" and b.wrong_side(b.hand_ci_deg, b.hand_deg) for b in s.blocks) for s in found]
    wrong_now = [any(b.hand == "sure" and b.wrong_side(b.hand_ci_deg, b.strings_deg) for b in s.blocks) for s in found]
    wrong_tip = [any(b.tip == "sure" and b.wrong_side(b.tip_ci_deg, b.strings_deg) for b in s.blocks) for s in found]
    rms = [np.sqrt(np.mean([(b.tilt_deg - true) ** 2 for b, true in zip(blocks, truths, strict=True)]))
           for truths in ([b.hand_deg for b in blocks], [b.strings_deg for b in blocks])]  # fmt: skip
    kinds = Counter(kind for s in found for kind in s.kinds)
    cells = (
        len(found),
        f"{rms[0]:.1f}, {rms[1]:.1f}",
        sum(s.hand == "sure" for s in found),
        f"{sum(wrong_own)}, {sum(wrong_now)}",
        _held([(b.hand_ci_deg, b.hand_deg) for b in hands]),
        _held([(b.hand_ci_deg, b.strings_deg) for b in hands]),
        sum(s.tip == "sure" for s in found),
        sum(wrong_tip),
        _held([(b.tip_ci_deg, b.strings_deg) for b in tips]),
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
    print("| " + " | ".join(COLUMNS) + " |")
    print("|" + " --- |" * len(COLUMNS))
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
