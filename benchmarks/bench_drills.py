"""Alignment on drawn tables, change verdicts of the whole chain. Run: python -m benchmarks.bench_drills --help."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Sequence

import numpy as np

from analysis.drills.alignment import align_strokes
from analysis.drills.phrases import Phrase
from benchmarks.drill_sessions import draw_marginal_player, draw_player, draw_uneven_player, judged, scores
from benchmarks.drill_slips import judge_players, reliability, slip_scores
from tests.analysis.drills.simulated_play import PlaySettings, play_table
from tests.analysis.drills.test_alignment import PHRASES, UNEVEN

TABLES = {
    "3 % missed and extra, 5 % drift": {},
    "6 %": {"missed": 0.06, "extra": 0.06},
    "10 %": {"missed": 0.1, "extra": 0.1},
    "unevenness 8 %": {"unevenness": 0.08},
    "hesitation before 2 % of notes": {"hesitations": 0.02},
}


PLAYERS = (("any tilt", draw_player), ("marginal", draw_marginal_player), ("uneven phrases", draw_uneven_player))


def alignment_row(
    settings: dict[str, float], seeds: range, phrases: Sequence[Phrase] = PHRASES
) -> tuple[float, float, float]:
    """Share of strokes on their note, mean confidence, share right among the confident."""
    right, confidence = [], []
    for seed in seeds:
        phrase = phrases[seed % len(phrases)]
        rate = np.random.default_rng(seed).uniform(4, 12)
        table, true = play_table(phrase, PlaySettings(notes_per_s=rate, **settings), seed)
        alignment = align_strokes(table, phrase)
        right.append(alignment.note == true)
        confidence.append(alignment.confidence)
    hit, sure = np.concatenate(right), np.concatenate(confidence)
    return float(hit.mean()), float(sure.mean()), float(hit[sure >= 0.9].mean())


def print_slips(seeds: range) -> None:
    """Print the verdicts of drills with slips, with and without the hand's travel, and the reliability diagram."""
    print("\n| drills with slips | changes | verdicts right | not known | strings right |\n|---|---|---|---|---|")
    by_travel = judge_players(seeds)
    for name, changes in (("with travel", by_travel), ("by counting", judge_players(seeds, travel=False))):
        row = slip_scores(changes)
        shares = " | ".join(f"{100 * row[key]:.1f} %" for key in ("right", "not known", "strings right"))
        print(f"| {name} | {row['changes']:.0f} | {shares} |", flush=True)
    print("\n| said | found | verdicts |\n|---|---|---|")
    for said, found, count in reliability(by_travel):
        print(f"| {100 * said:.1f} % | {100 * found:.1f} % | {count} |")


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=24)
    parser.add_argument("--first", type=int, default=9000, help="first seed")
    parser.add_argument("--tables", type=int, default=300, help="tables of strokes a row")
    parser.add_argument("--slipping", type=int, default=120, help="players whose drills have slips")
    parser.add_argument("--seconds", type=float, default=8.0, help="length of a block")
    given = parser.parse_args()
    print("| strokes | on their note | confidence | right where 0.9 sure |\n|---|---|---|---|")
    for name, settings in TABLES.items():
        row = alignment_row(settings, range(given.first, given.first + given.tables))
        print(f"| {name} | " + " | ".join(f"{100 * value:.2f} %" for value in row) + " |")
    row = alignment_row({}, range(given.first, given.first + given.tables), UNEVEN)
    print("| rests, slurs, swing, triplets, pickups | " + " | ".join(f"{100 * value:.2f} %" for value in row) + " |")
    print_slips(range(given.first + 500, given.first + 500 + given.slipping))
    print("\n| players | changes | told | right | height RMS, mm | truly cleared | seconds |")
    print("|---|---|---|---|---|---|---|")
    for name, draw in PLAYERS:
        started = time.perf_counter()
        table = judged([(draw(seed), seed) for seed in range(given.first, given.first + given.seeds)], given.seconds)
        row = scores(table)
        print(
            f"| {name} | {row['changes']:.0f} | {100 * row['told']:.1f} % | {100 * row['right']:.2f} % | "
            f"{row['height_rms_mm']:.2f} | {100 * row['truly_cleared']:.0f} % | {time.perf_counter() - started:.0f} |"
        )


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
