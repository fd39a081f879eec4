"""What the accuracy benchmark simulates: one named regime a row of the table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.synthesis.draw import random_scenario
from analysis.synthesis.grades import draw_mount
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Scenario
from benchmarks.uneven_play import (
    BROKEN_LINK,
    BURSTS,
    EIGHTS,
    OTHER_JOINTS,
    PACKETS,
    SINGLE,
    SWING,
    TREMOLO,
    crossing,
    filmed,
    irregular,
    looped,
    shaped,
    strums,
)


@dataclass(frozen=True)
class Regime:
    """A named way to draw a scenario from a seed; tilts within ``beyond_deg`` do not count for the side.

    Where it is not ``marked``, the session does not tell where its blocks are.
    """

    name: str
    draw: Callable[[int], Scenario]
    beyond_deg: float = 3.0
    marked: bool = True


def _speed(strokes_per_s: float, **changes: object) -> Callable[[int], Scenario]:
    def draw(seed: int) -> Scenario:
        return replace(random_scenario(seed, strokes_per_s=strokes_per_s), **changes)

    return draw


def _fast(seed: int) -> Scenario:
    """6, 8, 12 or 16 strokes/s in turn."""
    return random_scenario(seed, strokes_per_s=(6.0, 8.0, 12.0, 16.0)[seed % 4])


def _soft_strap(strokes_per_s: float, raps: bool) -> Callable[[int], Scenario]:
    """A strap with six resonances at 15 to 40 Hz; with ``raps``, the player was asked to rap on the sensor."""

    def draw(seed: int) -> Scenario:
        mount = draw_mount(np.random.default_rng([seed, 0x50F7]), 15.0, 40.0)
        return replace(random_scenario(seed, strokes_per_s), mount=mount, gestures=GesturePlan(raps=raps))

    return draw


def _two_hours(seed: int) -> Scenario:
    """Gestures once, then two hours: twenty-four times four minutes of play and one of rest."""
    scenario = random_scenario(seed, strokes_per_s=8.0, duration_s=240.0, blocks=24)
    return replace(scenario, rest_s=(50.0, 70.0))


def _two_postures(seed: int) -> Scenario:
    """Two postures 15 degrees of yaw and a 5 mm grip change apart, gestures repeated for each."""
    scenario = random_scenario(seed, strokes_per_s=8.0, duration_s=30.0)
    first = scenario.blocks[0]
    blocks = tuple(
        replace(first, posture=name, tilt_deg=t) for name, t in (("A", first.tilt_deg), ("B", -first.tilt_deg))
    )
    turned = Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65))
    return replace(scenario, blocks=blocks, postures=(Posture("A"), turned))


def _gestures(strokes_per_s: float, **changes: object) -> Callable[[int], Scenario]:
    return _speed(strokes_per_s, gestures=GesturePlan(**changes))  # type: ignore[arg-type]


REGIMES: dict[str, Regime] = {
    regime.name: regime
    for regime in (
        Regime("2/s", _speed(2.0), 6.0),
        Regime("4/s", _speed(4.0), 4.0),
        Regime("6-16/s", _fast),
        Regime("6/s", _speed(6.0)),
        Regime("8/s", _speed(8.0)),
        Regime("12/s", _speed(12.0)),
        Regime("16/s", _speed(16.0)),
        Regime("8/s, 100 Hz", _speed(8.0, rate_hz=100.0)),
        Regime("4/s, 100 Hz", _speed(4.0, rate_hz=100.0), 4.0),
        Regime("8/s, span 6 mm", lambda seed: random_scenario(seed, strokes_per_s=8.0, span_mm=6.0)),
        Regime("8/s, sway 3 deg", _speed(8.0, sway_deg=3.0)),
        Regime("8/s, no ruler", _speed(8.0, ruler_sd_mm=None)),
        Regime("8/s, good sensor", _speed(8.0, grade="good")),
        Regime("2/s, good sensor", _speed(2.0, grade="good"), 6.0),
        Regime("4/s, good sensor", _speed(4.0, grade="good"), 4.0),
        Regime("8/s, short gestures", _gestures(8.0, length="short")),
        Regime("8/s, gestures twice", _gestures(8.0, repetitions=2)),
        Regime("8/s, gestures 4 times", _gestures(8.0, repetitions=4)),
        Regime("8/s, sloppy x 2.5", _gestures(8.0, sloppiness=2.5)),
        Regime("8/s, no attacks", lambda seed: _silent(random_scenario(seed, strokes_per_s=8.0), "none")),
        Regime("8/s, half attacks", lambda seed: _silent(random_scenario(seed, strokes_per_s=8.0), 0.5)),
        Regime("8/s, string changes", lambda seed: _changes(seed)),
        Regime("2 h", _two_hours),
        Regime("two postures", _two_postures),
        Regime("8/s, soft strap", _soft_strap(8.0, False)),
        Regime("12/s, soft strap", _soft_strap(12.0, False)),
        Regime("16/s, soft strap", _soft_strap(16.0, False)),
        Regime("8/s, soft strap, raps", _soft_strap(8.0, True)),
        Regime("12/s, soft strap, raps", _soft_strap(12.0, True)),
        Regime("16/s, soft strap, raps", _soft_strap(16.0, True)),
        Regime("8/s, firm, raps", _gestures(8.0, raps=True)),
        Regime("irregular 5-11/s", lambda seed: irregular(seed, (5.0, 11.0))),
        Regime("irregular 2-5/s", lambda seed: irregular(seed, (2.0, 5.0)), 5.0),
        Regime("irregular 2-5/s, other joints", lambda seed: irregular(seed, (2.0, 5.0), OTHER_JOINTS), 5.0),
        Regime("bursts of 4-8", lambda seed: irregular(seed, (5.0, 11.0), BURSTS)),
        Regime("irregular 5-11/s, no attacks", lambda seed: _silent(irregular(seed, (5.0, 11.0)), "none")),
        Regime("irregular 2-5/s, no attacks", lambda seed: _silent(irregular(seed, (2.0, 5.0)), "none"), 5.0),
        Regime("bursts of 4-8, half attacks", lambda seed: _silent(irregular(seed, (5.0, 11.0), BURSTS), 0.5)),
        Regime("strums 3-7/s, no attacks", lambda seed: _silent(strums(seed), "none")),
        Regime("single strokes", lambda seed: irregular(seed, (4.0, 8.0), SINGLE), 5.0),
        Regime("swing", lambda seed: irregular(seed, (4.0, 9.0), SWING), 4.0),
        Regime("tremolo 14-16/s", lambda seed: irregular(seed, (14.0, 16.0), TREMOLO, span_mm=8.0)),
        Regime("strums 3-7/s", strums),
        Regime("crossing every 2-4", crossing),
        Regime("packets lost 3 %", lambda seed: replace(random_scenario(seed), recording=PACKETS)),
        Regime("packets of 8 lost 3 %", lambda seed: replace(random_scenario(seed), recording=EIGHTS)),
        Regime(
            "irregular 5-11/s, broken link", lambda seed: replace(irregular(seed, (5.0, 11.0)), recording=BROKEN_LINK)
        ),
        Regime("2/s, bow 3 mm", lambda seed: shaped(seed, 2.0, bow_mm=3.0), 6.0),
        Regime("4/s, bow 3 mm", lambda seed: shaped(seed, 4.0, bow_mm=3.0), 4.0),
        Regime("4/s, loop 1.5 mm", lambda seed: looped(seed, 4.0), 4.0),
        Regime("8/s, span 3 mm", lambda seed: random_scenario(seed, strokes_per_s=8.0, span_mm=3.0), 6.0),
        Regime("8/s, span 2 mm", lambda seed: random_scenario(seed, strokes_per_s=8.0, span_mm=2.0), 6.0),
        Regime("4/s, span 2 mm", lambda seed: random_scenario(seed, strokes_per_s=4.0, span_mm=2.0), 6.0),
        Regime("3/s, span 4 mm", lambda seed: random_scenario(seed, strokes_per_s=3.0, span_mm=4.0), 6.0),
        Regime("filmed 3-9/s", lambda seed: filmed(irregular(seed, (3.0, 9.0)), seed), 5.0),
        Regime("filmed 3-9/s, 200 Hz", lambda seed: filmed(irregular(seed, (3.0, 9.0)), seed, 200.0), 5.0),
        Regime("filmed 3-9/s, unmarked", lambda seed: filmed(irregular(seed, (3.0, 9.0)), seed), 5.0, marked=False),
        Regime("filmed strums 3-7/s", lambda seed: filmed(strums(seed), seed)),
        Regime("filmed strums 3-7/s, unmarked", lambda seed: filmed(strums(seed), seed), marked=False),
        Regime("8/s, attacks beyond range", lambda seed: shaped(seed, 8.0, attack_mps2=(60.0, 200.0))),
    )
}


def _silent(scenario: Scenario, share: object) -> Scenario:
    """The same play with attacks on a share of its strokes."""
    return replace(scenario, blocks=tuple(replace(b, attacks=share) for b in scenario.blocks))  # type: ignore[arg-type]


def _changes(seed: int) -> Scenario:
    scenario = random_scenario(seed, strokes_per_s=8.0)
    return replace(scenario, blocks=tuple(replace(b, string_change_every=6) for b in scenario.blocks))


__all__ = ["REGIMES", "PlayBlock", "Regime"]
