"""How well ten minutes with the staircase find the hold tempo of invented players who learn, tire and stay.

The players are those of the test: their margin bends otherwise than the staircase supposes. The truth is the hold tempo
at the end. Run: python -m benchmarks.bench_staircase --help
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.analysis.questions.test_staircase import MINUTES, find_hold_error


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=5000, help="first seed")
    parser.add_argument("--players", type=int, default=400, help="invented players")
    given = parser.parse_args()
    found = np.array([find_hold_error(seed) for seed in range(given.first, given.first + given.players)])
    off = 100 * np.abs(np.expm1(found))
    print(f"| players, {MINUTES:g} minutes each | median error | nine in ten within | mean, too high if positive |")
    print("| --- | --- | --- | --- |")
    print(f"| {given.players} | {np.median(off):.1f} % | {np.quantile(off, 0.9):.1f} % | {100 * found.mean():+.1f} % |")


if __name__ == "__main__":
    main()
