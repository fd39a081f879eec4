"""Long sessions for the tests of tension: sampled ones, short ones, and results made by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from analysis.model.records import Event, SessionResult
from analysis.pipeline import analyse_session
from analysis.synthesis.scenario import PlayBlock, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate


@lru_cache(maxsize=2)
def long_session(growth: float) -> SimulatedSession:
    """Twenty-two minutes with long rests, at 200 samples/s; tremor grows by this share from first to last."""
    count = 30
    blocks = tuple(
        PlayBlock(strokes_per_s=(7.0, 8.0, 9.0)[i % 3], duration_s=12.0, tremor=1 + growth * i / (count - 1))
        for i in range(count)
    )
    return simulate(Scenario(rate_hz=200.0, blocks=blocks, rest_still_s=3.0, rest_s=(24.0, 30.0)), 11)


@lru_cache(maxsize=2)
def long_result(growth: float) -> SessionResult:
    return analyse_session(long_session(growth).session)


@lru_cache(maxsize=1)
def short_result() -> SessionResult:
    """Two blocks without a still moment but for the gestures'."""
    blocks = (PlayBlock(duration_s=8.0), PlayBlock(duration_s=8.0))
    return analyse_session(simulate(Scenario(rate_hz=200.0, blocks=blocks), 12).session)


def with_events(result: SessionResult, *events: Event) -> SessionResult:
    return replace(result, events=(*result.events, *events))


def rating(value: float, label: str = "tension", at_s: float = 1e4) -> Event:
    return Event(at_s, at_s, "rating", label, rating=value)
