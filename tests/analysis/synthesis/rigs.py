"""Motions with closed forms, built from the forward model's own parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.model.records import FloatArray
from analysis.synthesis.performance import Performance
from analysis.synthesis.scenario import GesturePlan, Hand, PlayBlock, Recording, Scenario
from analysis.synthesis.timeline import SLOW_DIMS
from analysis.synthesis.track import Catches, GridSpline, Nodes, Pulses, Track

STEADY = Recording(
    lost_share=0.0, bursts_per_min=0.0, tick_jitter_us=0.0, rate_error=0.0, tick_error_ppm=0.0, start_s=100.0
)
QUIET_BLOCK = PlayBlock(
    duration_s=4.0,
    attacks="none",
    tilt_scatter_deg=0.0,
    tilt_wander_deg=0.0,
    span_scatter=0.0,
    timing_noise=0.0,
)


def quiet_hand(hand: Hand) -> Hand:
    """The same hand without a life of its own."""
    return replace(
        hand,
        obliqueness_deg=0.0,
        uneven=0.0,
        loop_mm=0.0,
        tremor_deg=0.0,
        tremor_mm=0.0,
        wander_deg=0.0,
        wander_mm=(0.0, 0.0, 0.0),
        posture_drift_deg=0.0,
        settle_deg=0.0,
    )


def plain_scenario(**changes: object) -> Scenario:
    """Return a short scenario with an ideal sensor and a steady clock."""
    scenario = Scenario(
        grade="ideal",
        recording=STEADY,
        gestures=GesturePlan(length="short"),
        blocks=(PlayBlock(duration_s=4.0),),
        rest_s=(1.5, 2.0),
    )
    return replace(scenario, **changes)  # type: ignore[arg-type]


def still_track(value: FloatArray) -> Track:
    nodes = Nodes(value.size)
    nodes.add([0.0, 100.0], value)
    return nodes.build()


def sine_track(axis: FloatArray, amplitude: float, rate_hz: float, seconds: float) -> Track:
    """A sinusoid along an axis, its nodes with exact derivatives."""
    t = np.arange(0.0, seconds + 0.005, 0.005)
    w = 2 * np.pi * rate_hz
    nodes = Nodes(3)
    nodes.add(
        t,
        amplitude * np.sin(w * t)[:, None] * axis,
        amplitude * w * np.cos(w * t)[:, None] * axis,
        -amplitude * w**2 * np.sin(w * t)[:, None] * axis,
    )
    return nodes.build()


def performance_of(tip: Track, turning: Track, lever_m: FloatArray, mounting: FloatArray) -> Performance:
    """A hand that does nothing but follow two tracks, in an instrument whose frame is the world's."""
    zero = GridSpline(-1.0, 1.0, np.zeros((4, 6, 200)))
    slow = np.zeros(SLOW_DIMS)
    slow[3:6] = lever_m
    empty = np.empty(0)
    return Performance(
        duration_s=100.0,
        hand=Hand(lever_mm=(0.0, 0.0, 0.0), mounting_wxyz=(1.0, 0.0, 0.0, 0.0), joints=()),
        mounting=mounting,
        instrument=np.array([1.0, 0.0, 0.0, 0.0]),
        origin_m=np.zeros(3),
        plectrum_axis=np.array([0.0, 0.0, -1.0]),
        tip=tip,
        turning=turning,
        joints=(),
        fingers=None,
        slow=still_track(slow),
        wander=zero,
        drift=GridSpline(-1.0, 1.0, np.zeros((4, 3, 200))),
        tremor=zero,
        sway=None,
        rocking=None,
        sway_ride=1.0,
        pulses=Pulses(empty, np.empty((6, 0)), empty, empty),
        rap_s=empty,
        catches=Catches(empty, np.empty((3, 0))),
        events=(),
        blocks=(),
        lever_m={},
    )
