"""The reference gestures as they are done: how they go, the verdict on each, and all of them solved together."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace

from analysis.model.records import Event, TruthCheck
from analysis.reference.mounting_doubts import describe_change, worth_deg
from analysis.reference.session_reference import Gestures
from analysis.stroke.truth_checks import angle_words, latest_checks, read_checks, side_words
from logger.guide.orders import GesturesSolved
from logger.guide.shown import GestureLive
from logger.live.estimator_thread import EstimatorThread
from logger.live.gesture_check import GestureCheck, sensor_notice
from logger.live.protocol import ServerMessage
from logger.live.session_log import SessionLog
from logger.sliding.estimator import LiveEstimator
from logger.sliding.event_watch import EventWatch

CHECK_S = 0.33


class GestureFollower:
    """Follow one gesture after the other with the estimator.

    Parameters
    ----------
    estimator : LiveEstimator
    worker : EstimatorThread
    log : SessionLog
    publish : callable
    """

    def __init__(
        self,
        estimator: LiveEstimator,
        worker: EstimatorThread,
        log: SessionLog,
        publish: Callable[[ServerMessage], None],
    ) -> None:
        self._estimator = estimator
        self._worker = worker
        self._log = log
        self._publish = publish
        self._check = GestureCheck(estimator)

    async def watch(self, event: Event, seconds: float) -> None:
        """Say how it goes while it goes, until cancelled."""
        log = self._log
        while True:
            await asyncio.sleep(CHECK_S)
            now = replace(event, end_s=log.log_s(log.pace.now_s()))
            live = await self._worker.run(lambda now=now: self._check.judge(now, seconds, False))  # type: ignore[misc]
            self._publish(live)

    async def judge(self, event: Event, seconds: float) -> GestureLive:
        """The verdict, once its samples are there."""
        await self._log.samples_until(event.end_s + 0.1, self._estimator)
        verdict = await self._worker.run(lambda: self._check.judge(event, seconds, True))
        self._publish(verdict)
        return verdict

    async def solve(self, postures: Sequence[str], offered: Sequence[str]) -> GesturesSolved:
        """Solve all gestures; say of every posture that is offered whose gestures serve it."""
        estimator, events = self._estimator, tuple(self._log.events)
        gestures = await self._worker.run(lambda: estimator.establish(events, tuple(postures)))
        notice = await self._worker.run(lambda: sensor_notice(estimator, events)) if events else ""
        checks = await self._worker.run(lambda: read_live_checks(estimator, events))
        lenders = [(posture, lender_of(estimator, posture)) for posture in offered]
        return GesturesSolved(
            at_s=self._log.pace.now_s(),
            usable=frozenset((quality.kind, quality.posture) for quality in gestures.qualities if quality.usable)
            | {(check.kind, check.posture) for check in checks if check.passed},
            reasons=(
                *((kind, _reason(gestures, kind)) for kind in ("across", "along", "pivot")),
                *((check.kind, side_words(check)) for check in checks if check.kind == "side check"),
            ),
            framed=estimator.reference is not None,
            notice=" ".join(filter(None, (notice, *map(angle_words, checks)))),
            lenders=tuple((posture, lender) for posture, lender in lenders if lender is not None),
        )


def read_live_checks(estimator: LiveEstimator, events: Sequence[Event]) -> tuple[TruthCheck, ...]:
    """What is read in the checks so far, of each the latest; nothing where there is no frame to read them in."""
    foundation, reference = estimator.foundation, estimator.reference
    if foundation is None or reference is None:
        return ()
    return latest_checks(read_checks(foundation.motion, reference, events, estimator.settings.chain.reference.gestures))


def moved_words(estimator: LiveEstimator, watch: EventWatch, events: Sequence[Event], posture: str) -> str:
    """What a change of the mounting since a posture's gestures is worth, said once; empty where there is none."""
    foundation, reference = estimator.foundation, estimator.reference
    settings = estimator.settings.chain.reference.mounting
    change = watch.new_gestures_wanted(events, posture, settings)
    if change is None or foundation is None or reference is None:
        return ""
    worth = worth_deg(change, foundation.motion, reference.frame(posture), reference, settings)
    return describe_change(change, worth, foundation.motion.grid.start_s)


def lender_of(estimator: LiveEstimator, posture: str) -> str | None:
    """The posture whose gestures serve this one, which has none of its own; None where it needs no other's."""
    foundation, reference = estimator.foundation, estimator.reference
    if foundation is None or reference is None or not reference.frame(posture).from_gestures:
        return None
    owners = [direction.posture for direction in foundation.gestures.directions if direction.usable]
    return None if not owners or {posture, ""} & set(owners) else owners[0]


def _reason(gestures: Gestures, kind: str) -> str:
    remarks = [quality.remark for quality in gestures.qualities if not quality.usable]
    said = remarks or [words for words in gestures.warnings if words.startswith(kind)]
    return f"{kind.capitalize()}: {said[0]}." if said else f"{kind.capitalize()} was not good enough."
