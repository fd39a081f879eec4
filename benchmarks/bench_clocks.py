"""Answers of packets that vary in size, some lost, stamped by a host, beside those of the sensor's own ticks.

The same sessions three times: ticks and nothing lost, ticks with the same packets lost, host stamps with these lost.
What the second lacks against the first is gone with the samples; what the third lacks beyond that is the clock's.

Run: python -m benchmarks.bench_clocks --help
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from analysis.model.records import Session
from analysis.pipeline import analyse_session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Recording
from analysis.synthesis.simulate import SimulatedSession, simulate
from benchmarks.clocks import stamped, varied_losses, without_samples
from benchmarks.scoring import SessionScore, score_session

CLOCK = "varied packets"
STROKES_PER_S, BLOCK_S, BLOCKS = 8.0, 30.0, 3


def played(seed: int, rate_hz: float) -> SimulatedSession:
    """A session in which the link loses nothing."""
    scenario = random_scenario(seed, STROKES_PER_S, BLOCK_S, rate_hz=rate_hz, blocks=BLOCKS)
    return simulate(replace(scenario, recording=Recording(lost_share=0.0, bursts_per_min=0.0)), seed)


def lossy(session: Session, seed: int) -> Session:
    """The session's own ticks with the packets lost that :func:`benchmarks.clocks.stamped` loses."""
    lost = varied_losses(session.raw.ticks.size, np.random.default_rng(seed + 1))
    return replace(session, raw=without_samples(session.raw, lost))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs=2, default=(88100, 88104), help="first seed, and the one after last")
    parser.add_argument("--rates", type=float, nargs="+", default=(100.0, 200.0, 400.0), help="samples a second")
    given = parser.parse_args()
    print("| samples/s | stamps | strokes | found, % | RMS, deg |")
    print("|" + " --- |" * 5)
    for rate_hz in given.rates:
        found: dict[str, list[SessionScore]] = {"ticks": [], "ticks, same losses": [], "host, varied packets": []}
        for seed in range(*given.seeds):
            made = played(seed, rate_hz)
            sessions = (made.session, lossy(made.session, seed), stamped(made.session, CLOCK, seed))
            for scores, session in zip(found.values(), sessions, strict=True):
                scores.append(score_session(made.truth.strokes, analyse_session(session)))
        for name, scores in found.items():
            error = np.concatenate([score.error_deg for score in scores])
            strokes = sum(score.true_strokes for score in scores)
            share = 100 * sum(score.matched for score in scores) / strokes
            rms = float(np.sqrt(np.mean(error * error)))
            print(f"| {rate_hz:g} | {name} | {strokes} | {share:.1f} | {rms:.2f} |", flush=True)


if __name__ == "__main__":
    main()
