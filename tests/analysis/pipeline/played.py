"""Simulated sessions with their analysis, made once a run."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from analysis.model.records import BlockSummary, Event, FloatArray, RawSamples, Session, SessionResult
from analysis.pipeline import analyse_session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from benchmarks.scoring import SessionScore, match_strokes, score_session


@dataclass(frozen=True)
class Played:
    """A simulated session, perhaps spoilt afterwards, and what the analysis makes of it."""

    simulated: SimulatedSession
    session: Session

    @cached_property
    def result(self) -> SessionResult:
        return analyse_session(self.session)

    @cached_property
    def score(self) -> SessionScore:
        return score_session(self.truth, self.result)

    @property
    def truth(self) -> pd.DataFrame:
        return self.simulated.truth.strokes

    @property
    def block(self) -> BlockSummary:
        """The first block's answer."""
        return self.result.blocks[0]

    @property
    def true_tilt_deg(self) -> float:
        """Mean true tilt of the first block."""
        return float(self.simulated.truth.blocks["tilt_mean_deg"][0])

    def pairs(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """True and found strokes that belong together, row by row, string changes left out."""
        i, j = match_strokes(self.truth, self.result.strokes)
        true, found = self.truth.iloc[i].reset_index(drop=True), self.result.strokes.iloc[j].reset_index(drop=True)
        clean = ~true["in_change"].to_numpy(dtype=bool)
        return true[clean], found[clean]

    def spoilt(self, change: Callable[[Session], Session]) -> Played:
        """The same motion with something done to its log."""
        return Played(self.simulated, change(self.session))


def play(seed: int, strokes_per_s: float = 8.0, duration_s: float = 12.0, **changes: object) -> Played:
    """A random player's session; ``changes`` are fields of the scenario."""
    scenario = random_scenario(seed, strokes_per_s, duration_s, rate_hz=float(str(changes.pop("rate_hz", 400.0))))
    return of_scenario(replace(scenario, **changes), seed)  # type: ignore[arg-type]


def of_scenario(scenario: Scenario, seed: int) -> Played:
    simulated = simulate(scenario, seed)
    return Played(simulated, simulated.session)


def events_changed(session: Session, change: Callable[[Event], Event | None]) -> Session:
    """The session with each event changed, or left out where the change gives None."""
    changed = [change(event) for event in session.events]
    return replace(session, events=tuple(event for event in changed if event is not None))


def event_of(session: Session, kind: str) -> Event:
    """The first event of a kind."""
    return next(event for event in session.events if event.kind == kind)


def times_s(session: Session) -> FloatArray:
    return session.raw.ticks / session.profile.tick_hz


def without(session: Session, gaps_s: Sequence[tuple[float, float]]) -> Session:
    """The session without the samples of some stretches of log time."""
    t = times_s(session)
    keep = np.ones(t.size, dtype=bool)
    for start, end in gaps_s:
        keep &= (t < start) | (t >= end)
    raw = session.raw
    return replace(
        session, raw=RawSamples(raw.ticks[keep], raw.sequence[keep], raw.host_time_s[keep], raw.counts[keep])
    )
