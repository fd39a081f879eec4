"""What the accuracy benchmark simulates: one named regime a row of the table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Scenario


@dataclass(frozen=True)
class Regime:
    """A named way to draw a scenario from a seed; tilts within ``beyond_deg`` do not count for the side."""

    name: str
    draw: Callable[[int], Scenario]
    beyond_deg: float = 3.0


def _speed(strokes_per_s: float, **changes: object) -> Callable[[int], Scenario]:
    def draw(seed: int) -> Scenario:
        return replace(random_scenario(seed, strokes_per_s=strokes_per_s), **changes)

    return draw


def _fast(seed: int) -> Scenario:
    """6, 8, 12 or 16 strokes/s in turn."""
    return random_scenario(seed, strokes_per_s=(6.0, 8.0, 12.0, 16.0)[seed % 4])


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
        Regime("8/s, no attacks", lambda seed: _attacks(seed, "none")),
        Regime("8/s, half attacks", lambda seed: _attacks(seed, 0.5)),
        Regime("8/s, string changes", lambda seed: _changes(seed)),
        Regime("2 h", _two_hours),
        Regime("two postures", _two_postures),
    )
}


def _attacks(seed: int, share: object) -> Scenario:
    scenario = random_scenario(seed, strokes_per_s=8.0)
    return replace(scenario, blocks=tuple(replace(b, attacks=share) for b in scenario.blocks))  # type: ignore[arg-type]


def _changes(seed: int) -> Scenario:
    scenario = random_scenario(seed, strokes_per_s=8.0)
    return replace(scenario, blocks=tuple(replace(b, string_change_every=6) for b in scenario.blocks))


__all__ = ["REGIMES", "PlayBlock", "Regime"]
