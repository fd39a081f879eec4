"""Play as real hands play it, for the accuracy benchmark: how a seed draws it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Camera, Irregularity, Recording, Scenario

SINGLE = Irregularity(strokes=(1, 2), rest_s=(0.2, 0.9))
BURSTS = Irregularity(strokes=(4, 8))
SWING = Irregularity(interval_scatter=0.12, swing=1.7)
TREMOLO = Irregularity(interval_scatter=0.1, change_share=0.03, strokes=(20, 80))
STRUM = Irregularity(0.18, change_share=0.0, level_mm=(10.0, 8.0, 1.5), accent=0.2, contacts=6, turn_scatter_mm=2.0)
OTHER_JOINTS = Irregularity(other_joints=1.0)
PACKETS = Recording(lost_packets_share=0.03)
EIGHTS = Recording(lost_packets_share=0.03, packet_samples=(8, 8))
BROKEN_LINK = Recording(lost_packets_share=0.008, packet_samples=(60, 140))


def irregular(
    seed: int, rates: tuple[float, float], how: Irregularity | None = None, span_mm: float | None = None
) -> Scenario:
    """Uneven play on single strings at a rate within ``rates``."""
    rng = np.random.default_rng([seed, 0x1AB])
    scenario = random_scenario(seed, strokes_per_s=rng.uniform(*rates), span_mm=span_mm)
    blocks = tuple(replace(b, irregular=how or Irregularity()) for b in scenario.blocks)
    return replace(scenario, blocks=blocks)


def strums(seed: int) -> Scenario:
    """Strums over six strings, on an arc, one in five in the air."""
    rng = np.random.default_rng([seed, 0x57A])
    scenario = random_scenario(seed, strokes_per_s=rng.uniform(3.0, 7.0), span_mm=rng.uniform(60.0, 100.0))
    change = {"irregular": STRUM, "bow_mm": rng.uniform(1.0, 5.0), "attacks": 0.8}
    return replace(scenario, blocks=tuple(replace(b, **change) for b in scenario.blocks))


def crossing(seed: int) -> Scenario:
    """Even strokes, another string after every two, three or four."""
    scenario = random_scenario(seed, strokes_per_s=8.0)
    return replace(scenario, blocks=tuple(replace(b, string_change_every=2 + seed % 3) for b in scenario.blocks))


def shaped(seed: int, strokes_per_s: float, **changes: float | tuple[float, float]) -> Scenario:
    scenario = random_scenario(seed, strokes_per_s=strokes_per_s)
    return replace(scenario, blocks=tuple(replace(b, **changes) for b in scenario.blocks))  # type: ignore[arg-type]


def looped(seed: int, strokes_per_s: float) -> Scenario:
    scenario = random_scenario(seed, strokes_per_s=strokes_per_s)
    return replace(scenario, hand=None if scenario.hand is None else replace(scenario.hand, loop_mm=1.5))


def filmed(scenario: Scenario, seed: int, rate_hz: float = 400.0) -> Scenario:
    """The same without any attack, as one of several camera systems saw it, and a sensor of 200 or 400 samples/s."""
    rng = np.random.default_rng([seed, 0xF11])
    noise_mm = rng.uniform(0.1, 0.4)
    camera = Camera(
        rate_hz=float(rng.choice([100.0, 120.0, 150.0, 240.0])),
        noise_mm=noise_mm,
        noise_deg=noise_mm,
        lowpass_hz=rng.uniform(15.0, 30.0),
    )
    blocks = tuple(replace(b, attacks="none") for b in scenario.blocks)
    return replace(scenario, blocks=blocks, camera=camera, rate_hz=rate_hz)
