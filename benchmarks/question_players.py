"""Invented players for the player's questions: how their tilt falls with speed, and postures with trends of order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import expit
from scipy.stats import norm

from analysis.model.records import Instrument, SessionResult
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Scenario
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

DEAD_BAND_DEG = Instrument().dead_band_deg
SLOWEST, FASTEST = 4.5, 13.5
QUADS = ("ABBA", "BAAB")
SECOND_POSTURE = Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65))


@dataclass(frozen=True)
class SpeedPlayer:
    """Tilt ``top - drop * logistic((v - middle) / width)``; scatter of strokes, blocks and slow wander in degrees.

    ``slips`` is the share of strokes that flip at the fastest tempo, growing with the square of speed.
    """

    top: float
    drop: float
    middle: float
    width: float
    scatter: float
    block_sd: float
    wander: float
    frame_se: float
    slips: float = 0.0

    def tilt_deg(self, speed: float) -> float:
        """Mean tilt at a speed (strokes/s)."""
        return float(self.top - self.drop * expit((speed - self.middle) / self.width))

    def slip_share(self, speed: float) -> float:
        """Share of strokes that flip at a speed."""
        return self.slips * (speed / FASTEST) ** 2

    def share_held(self, speed: float) -> float:
        """Share of all strokes, over all blocks that could be played, that hold at a speed."""
        # The scatter itself differs from block to block by 8 %.
        sd = np.sqrt(self.scatter**2 * np.exp(2 * 0.08**2) + self.block_sd**2 + self.wander**2)
        holds = float(norm.cdf((self.tilt_deg(speed) - DEAD_BAND_DEG) / sd))
        return (1 - self.slip_share(speed)) * holds

    @property
    def hold_strokes_per_s(self) -> float | None:
        """True hold tempo, None where it lies outside 2 to 30 strokes/s."""

        def above(speed: float) -> float:
            return self.share_held(speed) - 0.95

        if above(2.0) < 0 or above(30.0) > 0:
            return None
        return float(brentq(above, 2.0, 30.0))

    @property
    def steepness_deg(self) -> float:
        """Fall of the tilt at the hold tempo for a doubling of speed, degrees."""
        speed = self.hold_strokes_per_s or self.middle
        return (self.tilt_deg(0.99 * speed) - self.tilt_deg(1.01 * speed)) / 0.02 * np.log(2)


def draw_speed_player(rng: np.random.Generator, slips: float = 0.0) -> SpeedPlayer:
    """A player whose hold tempo lies inside the ladder."""
    return _draw_until(rng, slips, (7.0, 13.0), lambda hold: SLOWEST * 1.2 < hold < FASTEST / 1.1)


def draw_player_beyond(rng: np.random.Generator, faster: bool) -> SpeedPlayer:
    """A player whose hold tempo lies beyond the ladder, however little."""
    if faster:
        return _draw_until(rng, 0.0, (11.0, 18.0), lambda hold: hold > FASTEST)
    return _draw_until(rng, 0.0, (2.0, 6.0), lambda hold: hold < SLOWEST)


def _draw_until(
    rng: np.random.Generator, slips: float, middle: tuple[float, float], fits: Callable[[float], bool]
) -> SpeedPlayer:
    while True:
        player = SpeedPlayer(
            top=rng.uniform(16, 26),
            drop=rng.uniform(10, 28),
            middle=rng.uniform(*middle),
            width=rng.uniform(0.4, 1.6),
            scatter=rng.uniform(1, 3),
            block_sd=rng.uniform(0.2, 1.0),
            wander=rng.uniform(0.3, 1.2),
            frame_se=rng.uniform(0.35, 0.9),
            slips=slips,
        )
        hold = player.hold_strokes_per_s
        if hold is not None and fits(hold):
            return player


def draw_ladder(player: SpeedPlayer, rungs: int, rng: np.random.Generator, seconds: float = 20.0) -> SessionResult:
    """One session of a ladder of tempi in mixed order, as tables."""
    speeds = rng.permutation(np.geomspace(SLOWEST, FASTEST, rungs))
    blocks = [
        DrawnBlock(
            "A", float(v), seconds, player.tilt_deg(float(v)), player.scatter, flipped_share=player.slip_share(float(v))
        )
        for v in speeds
    ]
    drawing = Drawing(player.block_sd, player.wander, frame_se_deg=player.frame_se)
    return draw_session(blocks, drawing, rng)


def draw_two_ladders(
    players: tuple[SpeedPlayer, SpeedPlayer], rungs: int, rng: np.random.Generator, seconds: float = 20.0
) -> SessionResult:
    """One session in which two postures, as two players would hold them, each play a ladder; tempi in mixed order.

    The scatter of blocks and frames is the first's for both.
    """
    blocks = [
        DrawnBlock("AB"[i], float(v), seconds, players[i].tilt_deg(float(v)), players[i].scatter)
        for v in rng.permutation(np.geomspace(SLOWEST, FASTEST, rungs))
        for i in rng.permutation(2)
    ]
    first = players[0]
    return draw_session(blocks, Drawing(first.block_sd, first.wander, frame_se_deg=first.frame_se), rng)


def ladder_scenario(player: SpeedPlayer, rungs: int, seed: int, seconds: float = 12.0) -> Scenario:
    """The same as samples: gestures twice, then the ladder."""
    rng = np.random.default_rng([seed, 0x1ADD])
    base = random_scenario(seed)
    blocks = tuple(
        PlayBlock(
            strokes_per_s=float(v),
            tilt_deg=player.tilt_deg(float(v)) + player.block_sd * rng.normal(),
            tilt_scatter_deg=player.scatter,
            tilt_wander_deg=player.wander,
            duration_s=seconds,
            wanted="down",
        )
        for v in rng.permutation(np.geomspace(SLOWEST, FASTEST, rungs))
    )
    return replace(
        base, blocks=blocks, gestures=GesturePlan(repetitions=2), player=replace(base.player, name="invented")
    )


@dataclass(frozen=True)
class Trends:
    """What order and tiredness do to every block: degrees of tilt, and a factor on the scatter, by minutes on task."""

    linear: float
    warming: float
    warming_min: float
    tiring: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Trends:
        """Draw a straight trend, one that dies away, and a growth of the scatter."""
        return cls(0.3 * rng.normal(), 3.0 * rng.normal(), rng.uniform(1, 4), 0.08 * rng.normal())

    def tilt_deg(self, minutes: float) -> float:
        """Change of tilt."""
        return float(self.linear * minutes + self.warming * np.exp(-minutes / self.warming_min))

    def scatter(self, minutes: float) -> float:
        """Factor on the scatter."""
        return float(np.exp(self.tiring * minutes))


def draw_order(rng: np.random.Generator, quads: int = 3) -> str:
    """Balanced order of postures, each group of four or its mirror at random."""
    return "".join(QUADS[i] for i in rng.integers(0, 2, quads))


def draw_postures(tilt_deg: float, spread_deg: float, frame_se: float, rng: np.random.Generator) -> SessionResult:
    """2 x 6 blocks of 20 s as tables; posture B differs by so much in mean tilt and scatter."""
    trends, scatter = Trends.draw(rng), rng.uniform(1, 3)
    changed: Callable[[str, float], float] = lambda posture, change: change if posture == "B" else 0.0  # noqa: E731
    blocks = [
        DrawnBlock(p, 8.0, 20.0, 15.0 + changed(p, tilt_deg), scatter + changed(p, spread_deg)) for p in draw_order(rng)
    ]
    drawing = Drawing(
        block_sd_deg=rng.uniform(0.2, 0.8),
        wander_deg=rng.uniform(0.3, 1.0),
        frame_se_deg=frame_se,
        trend_deg=trends.tilt_deg,
        scatter_trend=trends.scatter,
    )
    return draw_session(blocks, drawing, rng)


def posture_scenario(tilt_deg: float, spread_deg: float, seed: int, every_change: bool = True) -> Scenario:
    """The same as samples: 15 degrees of yaw and a 5 mm grip change apart, gestures repeated for each posture."""
    rng = np.random.default_rng([seed, 0x905])
    trends, scatter, block_sd = Trends.draw(rng), rng.uniform(1, 3), rng.uniform(0.2, 0.8)
    wander = rng.uniform(0.3, 1.0)
    blocks = []
    for number, posture in enumerate(draw_order(rng)):
        minutes = 0.5 * number
        second = posture == "B"
        blocks.append(
            PlayBlock(
                strokes_per_s=8.0,
                posture=posture,
                duration_s=20.0,
                tilt_deg=15.0 + tilt_deg * second + trends.tilt_deg(minutes) + block_sd * rng.normal(),
                tilt_scatter_deg=(scatter + spread_deg * second) * trends.scatter(minutes),
                tilt_wander_deg=wander,
            )
        )
    return replace(
        random_scenario(seed),
        blocks=tuple(blocks),
        postures=(Posture("A"), SECOND_POSTURE),
        gestures=GesturePlan(per_posture=every_change),
    )
