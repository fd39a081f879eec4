"""Three raps: how often found, how often play is taken for them. Run: python -m benchmarks.bench_raps --help."""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from analysis.signal.grid import Grid
from analysis.signal.timebase import fit_timebase
from analysis.stroke.raps import calibrated_accel, find_raps
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import PlayBlock, Scenario
from analysis.synthesis.simulate import simulate
from tests.analysis.stroke.rapping import rap_accel

ATTACKS = {"usual attacks, 2-20 m/s2": (2.0, 20.0), "very hard attacks, 8-60 m/s2": (8.0, 60.0)}
RANGES_G = (2.0, 4.0, 8.0)
RATES_HZ = (200.0, 400.0)


def restless_play(seed: int, seconds: float, attack_mps2: tuple[float, float]) -> Scenario:
    """Play of every kind: long blocks, a few strokes, just three strokes; between them rests with knocks."""
    rng = np.random.default_rng(seed)
    blocks: list[PlayBlock] = []
    total = 0.0
    while total < seconds:
        kind, rate = rng.integers(6), float(rng.uniform(1.8, 14.0))
        lengths = {3: rng.uniform(1.0, 4.0), 4: 3.2 / rate + 0.1, 5: rng.uniform(4.0, 20.0)}
        duration = max(float(lengths.get(int(kind), rng.uniform(10.0, 60.0))), 3.1 / rate)
        blocks.append(
            PlayBlock(
                strokes_per_s=rate,
                duration_s=duration,
                tilt_deg=float(rng.uniform(-28, 28)),
                span_mm=float(rng.uniform(8, 25)),
                attack_mps2=attack_mps2,
                attacks=float(rng.choice([1.0, 0.6, 0.2])),
                string_change_every=int(rng.choice([0, 0, 2, 4])),
            )
        )
        total += duration + 4.0
    return replace(random_scenario(seed), blocks=tuple(blocks))


def count_false_starts(seed: int, seconds: float, attack_mps2: tuple[float, float]) -> tuple[int, float]:
    """Three raps found where there are none, and the hours looked through."""
    session = simulate(restless_play(seed, seconds, attack_mps2), seed).session
    timebase = fit_timebase(session.raw, session.profile)
    found = find_raps(calibrated_accel(session, timebase), timebase.grid)
    return len(found), timebase.grid.duration_s / 3600


def share_found(rate_hz: float, range_g: float, count: int, seed: int) -> float:
    """Share of three raps that are found, once each."""
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(count):
        accel = rap_accel(rng, rate_hz, range_g * 9.80665)
        hits += len(find_raps(accel, Grid.steady(rate_hz, len(accel)))) == 1
    return hits / count


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=300, help="first seed")
    parser.add_argument("--sessions", type=int, default=12, help="sessions of ten minutes of play a row")
    parser.add_argument("--raps", type=int, default=200, help="three raps a row")
    given = parser.parse_args()
    print("| play | hours | false starts |\n|---|---|---|")
    for name, attack in ATTACKS.items():
        counts = [count_false_starts(seed, 600.0, attack) for seed in range(given.first, given.first + given.sessions)]
        print(
            f"| {name} | {sum(hours for _, hours in counts):.2f} | {sum(number for number, _ in counts)} |", flush=True
        )
    print("\n| samples/s | range, g | found |\n|---|---|---|")
    for rate in RATES_HZ:
        for range_g in RANGES_G:
            print(f"| {rate:.0f} | {range_g:.0f} | {100 * share_found(rate, range_g, given.raps, given.first):.1f} % |")


if __name__ == "__main__":
    main()
