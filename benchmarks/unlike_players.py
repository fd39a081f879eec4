"""Players who lose their tilt in ways that the hold tempo's model does not know: cliffs, slips, tiredness, bursts.

Each kind says at which share strokes hold at a speed; the truth is where that share falls through 95 %, found without
the estimator. Strokes are drawn as tables (:mod:`benchmarks.question_tables`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit
from scipy.stats import norm

from analysis.model.records import SessionResult
from analysis.questions.hold import find_hold_tempo
from benchmarks.question_players import DEAD_BAND_DEG
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

KINDS = ("cliff", "slips", "straight", "bent", "shrinks into slips")
PLANS = ("ladder", "plateaus", "bursts", "few tempi")


@dataclass(frozen=True)
class UnlikePlayer:
    """Mean tilt and share of slipped strokes as functions of speed; scatter of strokes, blocks, wander in degrees."""

    kind: str
    tilt_deg: Callable[[float], float]
    slip_share: Callable[[float], float]
    scatter: float
    block_sd: float
    wander: float
    frame_se: float

    def share_held(self, speed: float) -> float:
        """Share of strokes that hold at a speed, over all blocks that could be played."""
        sd = np.sqrt(self.scatter**2 * np.exp(2 * 0.08**2) + self.block_sd**2 + self.wander**2)
        return float((1 - self.slip_share(speed)) * norm.cdf((self.tilt_deg(speed) - DEAD_BAND_DEG) / sd))

    def hold(self) -> float | None:
        """True hold tempo, strokes/s; None outside 3 to 20."""
        if self.share_held(3.0) < 0.95 or self.share_held(20.0) > 0.95:
            return None
        return float(brentq(lambda v: self.share_held(v) - 0.95, 3.0, 20.0))


def draw_unlike(rng: np.random.Generator) -> UnlikePlayer:
    """A player of any kind, whose hold tempo lies between 5.5 and 12 strokes a second."""
    while True:
        player = _draw(rng)
        hold = player.hold()
        if hold is not None and 5.5 < hold < 12:
            return player


def _draw(rng: np.random.Generator) -> UnlikePlayer:
    kind = str(rng.choice(KINDS))
    top, middle = rng.uniform(15, 26), rng.uniform(6, 12)
    tilt: Callable[[float], float] = lambda v: top  # noqa: E731
    slip: Callable[[float], float] = lambda v: 0.0  # noqa: E731
    if kind == "cliff":
        drop, width = rng.uniform(14, 30), rng.uniform(0.05, 0.25)
        tilt = lambda v: float(top - drop * expit((v - middle) / width))  # noqa: E731
    elif kind == "slips":
        width = rng.uniform(0.3, 1.2)
        slip = lambda v: float(0.9 * expit((v - middle) / width))  # noqa: E731
    elif kind == "straight":
        fall = rng.uniform(1.0, 4.0)
        tilt = lambda v: float(top - fall * (v - 5.0))  # noqa: E731
    elif kind == "bent":
        power = rng.uniform(2.0, 6.0)
        tilt = lambda v: float(top - 10 * (v / middle) ** power)  # noqa: E731
    else:
        fall, width = rng.uniform(0.5, 1.5), rng.uniform(0.2, 0.6)
        tilt = lambda v: float(top - fall * (v - 5.0))  # noqa: E731
        slip = lambda v: float(0.6 * expit((v - middle) / width))  # noqa: E731
    return UnlikePlayer(
        kind, tilt, slip, rng.uniform(0.8, 3), rng.uniform(0.2, 1.2), rng.uniform(0.3, 1.2), rng.uniform(0.3, 0.9)
    )


def draw_plan(player: UnlikePlayer, plan: str, rng: np.random.Generator) -> SessionResult:
    """One session of this player, played as a plan says: tempi around the hold tempo, not centred on it."""
    hold = player.hold() or 8.0
    slowest, fastest = hold * rng.uniform(0.55, 0.8), hold * rng.uniform(1.2, 1.6)
    if plan == "ladder":
        speeds, seconds = np.linspace(slowest, fastest, int(rng.integers(7, 13))), 20.0
    elif plan == "plateaus":
        speeds, seconds = np.repeat(np.linspace(slowest, fastest, int(rng.integers(4, 6))), 3), 20.0
    elif plan == "bursts":
        speeds, seconds = np.linspace(slowest, fastest, int(rng.integers(10, 16))), 5.0
    else:
        speeds, seconds = np.linspace(slowest, fastest, 4), 30.0
    blocks = [
        DrawnBlock(
            "A", float(v), seconds, player.tilt_deg(float(v)), player.scatter, flipped_share=player.slip_share(float(v))
        )
        for v in (speeds if rng.random() < 0.5 else rng.permutation(speeds))
    ]
    return draw_session(blocks, Drawing(player.block_sd, player.wander, frame_se_deg=player.frame_se), rng)


def judge_hold(seed: int) -> tuple[str, str, float, bool, float, bool]:
    """Kind, plan, relative error, covered, relative width, whether it reaches above a tempo that plainly fails."""
    rng = np.random.default_rng([seed, 0xD1FF])
    player = draw_unlike(rng)
    plan = PLANS[seed % len(PLANS)]
    found = find_hold_tempo([draw_plan(player, plan, rng)], wanted="down")
    true = player.hold() or np.nan
    low, high = found.low or 0.0, np.inf if found.high is None else found.high
    width = float(np.log(min(high, 2 * true) / max(low, true / 2)))
    held = [piece.strokes_per_s for piece in found.pieces if piece.share_held >= 0.95]
    failing = [p.strokes_per_s for p in found.pieces if p.share_held < 0.5 and p.strokes_per_s > max(held, default=0.0)]
    beyond = bool(failing) and high > 1.001 * min(failing)
    return player.kind, plan, found.strokes_per_s / true - 1, low <= true <= high, width, beyond
