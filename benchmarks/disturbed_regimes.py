"""Regimes of the doubts' benchmark: what befalls a hand, its strap, its instrument. One row each.

Three blocks at 8 strokes/s of one tilt, gestures twice. A ``quiet`` hand finds its attitude again to 0.8 deg, others
to 1.5 to 4 deg. Honest changes are no fault: another string turns the forearm, a player who stands up makes new
gestures.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.grades import Vector
from analysis.synthesis.performance import Performance
from analysis.synthesis.scenario import GesturePlan, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate

QUIET_DEG = 0.8
BLOCKS, BLOCK_S = 3, 10.0
FOREARM_DEG = 2.4
"""From string to string: 12 deg over six."""
FINGER_AXIS: Vector = (0.0, 0.866, 0.5)
"""Fingers move the tip 30 deg off the string plane, whatever the stroke's own tilt."""


@dataclass(frozen=True)
class DisturbedRegime:
    """A named way to draw a session from a seed."""

    name: str
    befalls: Callable[[Performance, int], Disturbance] | None = None
    quiet: bool = False
    repetitions: int = 2
    finger_share: float = 0.0
    plays: Callable[[Scenario, int], Scenario] = lambda scenario, _seed: scenario

    def draw(self, seed: int) -> SimulatedSession:
        """The session of a seed."""
        befalls = self.befalls
        disturbance = None if befalls is None else lambda performance: befalls(performance, seed)
        return simulate(self.scenario(seed), seed, disturbance=disturbance)

    def scenario(self, seed: int) -> Scenario:
        """What is played."""
        scenario = random_scenario(seed, 8.0, BLOCK_S, blocks=BLOCKS)
        tilt = scenario.blocks[0].tilt_deg
        blocks = tuple(replace(block, tilt_deg=tilt) for block in scenario.blocks)
        hand = scenario.hand
        if self.finger_share and hand is not None:
            hand = replace(hand, finger_share=self.finger_share, finger_axis=FINGER_AXIS)
        if self.quiet and hand is not None:
            hand = replace(hand, settle_deg=QUIET_DEG, posture_drift_deg=QUIET_DEG)
        gestures = GesturePlan(repetitions=self.repetitions)
        return self.plays(replace(scenario, blocks=blocks, hand=hand, gestures=gestures), seed)


def _rest_before(performance: Performance, block: int) -> float:
    return float(performance.blocks[block].turns_s[0]) - 3.0


def _turned(seed: int, size: float) -> Vector:
    way = np.random.default_rng([seed, 0xD0]).normal(size=3)
    way *= size / np.linalg.norm(way)
    return (float(way[0]), float(way[1]), float(way[2]))


def _slip(deg: float, mm: float) -> Callable[[Performance, int], Disturbance]:
    return lambda p, seed: Disturbance(
        at_s=_rest_before(p, 1), slip_deg=_turned(seed, deg), slip_mm=_turned(seed + 1, mm)
    )


def _grip(mm: float) -> Callable[[Performance, int], Disturbance]:
    """The plectrum is held elsewhere from the first block on: against the tip, as if the sensor had been shifted."""
    return lambda p, seed: Disturbance(at_s=_rest_before(p, 0), slip_mm=_turned(seed, mm))


def _creep(deg: float) -> Callable[[Performance, int], Disturbance]:
    return lambda p, seed: Disturbance(at_s=_rest_before(p, 0), creep_deg=_turned(seed, deg))


def _reaction(deg: float) -> Callable[[Performance, int], Disturbance]:
    return lambda _performance, _seed: Disturbance(reaction_deg=deg)


def _lean(deg: float, block: int, follows: bool) -> Callable[[Performance, int], Disturbance]:
    return lambda p, seed: Disturbance(at_s=_rest_before(p, block), lean_deg=deg * (-1) ** seed, hand_follows=follows)


def _other_strings(drill: str) -> Callable[[Scenario, int], Scenario]:
    """Each block on another string, the forearm turned by 2.4 deg from one to the next; ``drill`` tells which."""

    def plays(scenario: Scenario, seed: int) -> Scenario:
        courses = np.random.default_rng([seed, 0x57]).permutation(scenario.instrument.courses)
        forearm = np.array([0.8, -0.5, 0.2])
        forearm *= (-1.0 if scenario.player.handed == "left" else 1.0) / np.linalg.norm(forearm)
        blocks = []
        for block, course in zip(scenario.blocks, courses[: len(scenario.blocks)], strict=True):
            x, y, z = FOREARM_DEG * (int(course) - 0.5 * (scenario.instrument.courses - 1)) * forearm
            string = scenario.instrument.courses - int(course)
            turned = (float(x), float(y), float(z))
            blocks.append(replace(block, courses=(int(course),), turned_deg=turned, drill=drill.format(string=string)))
        return replace(scenario, blocks=tuple(blocks))

    return plays


def _long(scenario: Scenario, _seed: int) -> Scenario:
    """Six blocks in twenty minutes, at 100 samples a second."""
    return replace(scenario, rate_hz=100.0, blocks=scenario.blocks[:1] * 6, rest_s=(180.0, 200.0))


def _new_gestures(scenario: Scenario, _seed: int) -> Scenario:
    """The last block has a name, and gestures, of its own."""
    last = replace(scenario.blocks[-1], posture="standing")
    return replace(scenario, blocks=(*scenario.blocks[:-1], last))


def _stand(p: Performance, seed: int) -> Disturbance:
    """After two blocks: the neck rises, the instrument rolls a little about its strings, the player turns."""
    rng = np.random.default_rng([seed, 0x57A])
    return Disturbance(
        at_s=float(p.blocks[1].turns_s[-1]) + 0.4,
        over_s=1.5,
        lean_deg=2.0 * rng.normal(),
        neck_up_deg=rng.uniform(4.0, 12.0),
        chair_deg=10.0 * rng.normal(),
    )


REGIMES: tuple[DisturbedRegime, ...] = (
    DisturbedRegime("clean"),
    DisturbedRegime("clean, quiet hand", quiet=True),
    DisturbedRegime("clean, every block on another string", plays=_other_strings("")),
    DisturbedRegime("clean, quiet hand, every block on another string", plays=_other_strings(""), quiet=True),
    DisturbedRegime(
        "clean, quiet hand, every block on another string, told", plays=_other_strings("{string}x8"), quiet=True
    ),
    DisturbedRegime("clean, stands up and repeats the gestures", _stand, plays=_new_gestures),
    DisturbedRegime("clean, 20 minutes", plays=_long),
    DisturbedRegime("one across only", repetitions=1),
    DisturbedRegime("strap slips 8 deg, quiet hand", _slip(8.0, 0.0), quiet=True),
    DisturbedRegime("strap slips 15 deg and 5 mm, quiet hand", _slip(15.0, 5.0), quiet=True),
    DisturbedRegime("strap slips 15 deg and 5 mm", _slip(15.0, 5.0)),
    DisturbedRegime("lean of 5 deg, the hand follows", _lean(5.0, 0, True)),
    DisturbedRegime("lean of 10 deg, the hand follows, quiet hand", _lean(10.0, 1, True), quiet=True),
    DisturbedRegime("lean of 5 deg, the hand does not follow", _lean(5.0, 0, False)),
    DisturbedRegime(
        "chair turns 20 deg",
        lambda p, seed: Disturbance(at_s=float(p.blocks[0].turns_s[30]), over_s=2.0, chair_deg=20.0 * (-1) ** seed),
    ),
    DisturbedRegime("walking", lambda p, _: Disturbance(at_s=_rest_before(p, 0), walk_mm=12.0, walk_deg=2.0)),
    DisturbedRegime("foot taps, in the stills too", lambda _p, _s: Disturbance(tap_mm=2.5)),
    DisturbedRegime("foot taps in play only", lambda p, _: Disturbance(tap_mm=2.5, tap_from_s=_rest_before(p, 0))),
    DisturbedRegime("instrument rolls 0.09 deg in step", _reaction(0.09)),
    DisturbedRegime("instrument rolls 0.2 deg in step", _reaction(0.2)),
    DisturbedRegime("stands up, the gestures not repeated", _stand),
    DisturbedRegime("strap creeps 5 deg", _creep(5.0)),
    DisturbedRegime("strap creeps 5 deg in 20 minutes", _creep(5.0), plays=_long),
    DisturbedRegime("grip changed by 20 mm after the gestures", _grip(20.0)),
    DisturbedRegime("fingers 5 %, instrument rolls 0.09 deg in step", _reaction(0.09), finger_share=0.05),
    DisturbedRegime("fingers 20 %, instrument rolls 0.2 deg in step", _reaction(0.2), finger_share=0.2),
)
