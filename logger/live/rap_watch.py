"""Three raps on the instrument's body are a press of the pedal: found in the samples as they come."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from analysis.model.errors import InputError
from analysis.signal.timebase import fit_timebase
from analysis.stroke.raps import Raps, calibrated_accel, find_raps
from logger.live.estimator_thread import EstimatorThread
from logger.live.pace import Pace
from logger.sliding.estimator import LiveEstimator

LOOK_S = 5.0
"""Raps, the quiet around them, and room for the filters."""
EVERY_S = 0.25
BEFORE_RAPS_S = 0.3
"""So much sooner than the first rap a block ends: the hand was on its way."""


class RapWatch:
    """Watch for raps while a press of the pedal has a meaning.

    Parameters
    ----------
    estimator : LiveEstimator
        Holds the samples.
    worker : EstimatorThread
    pace : Pace
    wanted : callable
        Whether a press would mean anything now.
    pressed : callable
        Gets the raps, on log time.
    """

    def __init__(
        self,
        estimator: LiveEstimator,
        worker: EstimatorThread,
        pace: Pace,
        wanted: Callable[[], bool],
        pressed: Callable[[Raps], None],
    ) -> None:
        self._estimator = estimator
        self._worker = worker
        self._pace = pace
        self._wanted = wanted
        self._pressed = pressed
        self._heard_s = 0.0

    async def watch(self) -> None:
        """Watch until cancelled."""
        while True:
            await asyncio.sleep(self._pace.real_s(EVERY_S))
            if not self._wanted():
                # What was rapped meanwhile was no press.
                self._heard_s = self._newest_s()
                continue
            for raps in await self._worker.run(self._find):
                if raps.first_s > self._heard_s:
                    self._heard_s = raps.last_s
                    self._pressed(raps)

    def _newest_s(self) -> float:
        return float(self._estimator.store.last_tick or 0) / self._estimator.context.profile.tick_hz

    def _find(self) -> tuple[Raps, ...]:
        context = self._estimator.context
        first_s = max(self._newest_s() - LOOK_S, 0.0)
        raw = self._estimator.store.since(round(first_s * context.profile.tick_hz))
        session = replace(context, raw=raw)
        try:
            timebase = fit_timebase(raw, context.profile)
        except InputError:  # Too few samples yet, or a gap in them: there is nothing to be found in them.
            return ()
        return find_raps(calibrated_accel(session, timebase), timebase.grid)
