"""Invented players over two hours, as tables of blocks: markers drawn by hand, sharing no code with the estimator.

A marker is its usual value, times posture, times tempo, times slow wander, times chance, in units of how far blocks lie
apart by chance and wander together (one SD). Some steady players wander for one minute, some for ten, some at all rates
at once; some change posture and tempo, some rest for five minutes, some rate themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

RELATIVE = {"tremor_mps2", "span_spread_pct", "tilt_spread_deg", "attack_mps2"}
USUAL = {
    "tremor_mps2": (0.25, 0.15),
    "sparc": (-1.54, 0.005),
    "ldlj": (-5.0, 0.12),
    "span_spread_pct": (5.0, 0.10),
    "tilt_spread_deg": (0.9, 0.10),
    "clock_pct": (4.0, 0.8),
    "motor_pct": (5.0, 0.5),
    "attack_mps2": (3.0, 0.20),
}
"""Usual value, and one SD between blocks: of the logarithm for relative markers."""
SIGN = {"sparc": -1.0, "ldlj": -1.0}
"""Where lower is worse."""


@dataclass(frozen=True)
class Steadiness:
    """How a steady player varies.

    ``wander_share`` of the variance is slow, with a time of ``wander_min`` minutes, or, if that is zero, at all rates
    between one and twenty minutes alike (power as 1/f). ``together`` is the share of wander and chance that all markers
    have in common. ``tails``: degrees of freedom of chance.
    """

    wander_share: float
    wander_min: float
    together: float = 0.2
    tails: float = 5.0


def steady_kind(name: str, rng: np.random.Generator) -> Steadiness:
    """Draw one player of a kind."""
    if name == "no wander":
        return Steadiness(0.0, 1.0, rng.uniform(0, 0.4))
    if name == "wander, minutes":
        return Steadiness(rng.uniform(0.1, 0.5), float(np.exp(rng.uniform(0, np.log(5.0)))), rng.uniform(0, 0.4))
    if name == "wander, ten minutes":
        return Steadiness(rng.uniform(0.3, 0.5), float(rng.uniform(5, 10)), rng.uniform(0, 0.4))
    if name == "wander, all rates":
        return Steadiness(rng.uniform(0.2, 0.5), 0.0, rng.uniform(0, 0.4))
    raise ValueError(name)


KINDS = ("no wander", "wander, minutes", "wander, ten minutes", "wander, all rates")


def draw_blocks(
    rng: np.random.Generator,
    steady: Steadiness,
    drift_per_hour: Mapping[str, float] | None = None,
    onset_min: float = 0.0,
    minutes: float = 120.0,
) -> pd.DataFrame:
    """One session: ``drift_per_hour`` in SDs, the way that is worse, from a minute on."""
    start, end = _times(rng, minutes)
    middle = (start + end) / 120
    n = middle.size
    pace = _tempo(rng, n)
    second = _postures(rng, n)
    shared = _slow(rng, middle, steady) if steady.together > 0 else np.zeros(n)
    shared_chance = rng.normal(size=n)
    columns: dict[str, object] = {
        "block": np.arange(n),
        "start_s": start,
        "end_s": end,
        "posture": np.where(second, "B", "A"),
        "drill": "",
        "strokes": np.round((end - start) * pace).astype(np.int64),
        "strokes_per_s": pace,
    }
    for key, (usual, sd) in USUAL.items():
        slow = np.sqrt(1 - steady.together) * _slow(rng, middle, steady) + np.sqrt(steady.together) * shared
        own = rng.standard_t(steady.tails, n) / np.sqrt(steady.tails / (steady.tails - 2))
        chance = np.sqrt(1 - steady.together) * own + np.sqrt(steady.together) * shared_chance
        y = np.sqrt(steady.wander_share) * slow + np.sqrt(1 - steady.wander_share) * chance
        lean = np.log(pace / 8.0)
        y += rng.normal(0, 4.0) * lean + rng.normal(0, 4.0) * lean**2 + rng.normal(0, 1.5) * second
        y += SIGN.get(key, 1.0) * (drift_per_hour or {}).get(key, 0.0) * np.maximum(middle - onset_min, 0) / 60
        columns[key] = usual * np.exp(sd * y) if key in RELATIVE else usual + sd * y
    columns["clock_pct"] = np.maximum(columns["clock_pct"], 0.0)  # a variance that comes out negative reads zero
    columns["tremor_mps2"] = np.where(rng.random(n) < rng.uniform(0, 0.6), np.nan, columns["tremor_mps2"])
    columns["rating"] = _rated(rng, middle) if rng.random() < 0.5 else np.full(n, np.nan)
    return pd.DataFrame(columns)


def _times(rng: np.random.Generator, minutes: float) -> tuple[np.ndarray, np.ndarray]:
    """Blocks of 20 to 90 s with rests between, some of them long; two hours of them."""
    length, rest = rng.uniform(20, 90, 400), rng.uniform(8, 60, 400)
    rest[rng.random(400) < 0.03] = 300.0
    start = np.concatenate([[0.0], np.cumsum(length + rest)[:-1]])
    inside = start + length < 60 * minutes
    return start[inside], (start + length)[inside]


def _tempo(rng: np.random.Generator, n: int) -> np.ndarray:
    """Strokes a second: one tempo, a ladder that is climbed again and again, or tempi in any order."""
    kind = rng.integers(3)
    rungs = 6.0 * 1.1 ** np.arange(6)
    if kind == 0:
        base = np.full(n, 8.0)
    elif kind == 1:
        base = rungs[np.arange(n) // rng.integers(1, 4) % rungs.size]
    else:
        base = rng.choice(rungs, n)
    return base * np.exp(0.01 * rng.normal(size=n))


def _postures(rng: np.random.Generator, n: int) -> np.ndarray:
    """Two postures that take turns after a few blocks, or one."""
    if rng.random() < 0.4:
        return np.zeros(n, dtype=bool)
    return np.cumsum(rng.random(n) < 1 / rng.uniform(2, 12)) % 2 == 1


def _slow(rng: np.random.Generator, minute: np.ndarray, steady: Steadiness) -> np.ndarray:
    """Wander of unit SD at the blocks' times."""
    if steady.wander_min == 0.0:
        period = np.exp(rng.uniform(0, np.log(20.0), 60))  # evenly over the logarithm of rate: power as 1/f
        wave = np.sin(2 * np.pi * minute[:, None] / period + rng.uniform(0, 2 * np.pi, 60))
        return wave @ (rng.rayleigh(size=60) / np.sqrt(60))
    out = np.empty(minute.size)
    out[0] = rng.normal()
    for i in range(1, minute.size):
        keep = np.exp(-(minute[i] - minute[i - 1]) / steady.wander_min)
        out[i] = keep * out[i - 1] + np.sqrt(1 - keep**2) * rng.normal()
    return out


def _rated(rng: np.random.Generator, minute: np.ndarray) -> np.ndarray:
    """A rating about every ten minutes, whole numbers about two."""
    asked = np.concatenate([[True], np.diff(minute // 10) > 0])
    return np.where(asked, np.clip(np.round(rng.normal(2.0, 0.8, minute.size)), 0, 6), np.nan)
