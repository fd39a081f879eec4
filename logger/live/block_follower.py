"""Follow the running block with the estimator and tell the pages: strokes as they are judged, then the verdict."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.model.records import Event
from analysis.tension.caution_level import TensionLevel
from logger.guide.stretch import target_deg
from logger.guide.view import borrowed_words
from logger.live.block_result import PlayedBlock, block_session_result, held_share, judge_block
from logger.live.estimator_thread import EstimatorThread
from logger.live.gesture_follower import lender_of, moved_words
from logger.live.protocol import ChangeTold, Notes, ServerMessage, Stroke, Strokes
from logger.live.session_log import SessionLog
from logger.live.state import Verdict
from logger.sliding.block_strokes import LAST, Judged, LiveStroke
from logger.sliding.estimator import LiveEstimator
from logger.sliding.event_watch import EventWatch
from logger.sliding.note_marks import NoteMarks
from logger.sliding.tension_watch import TensionWatch

PROMISED_S = 0.25
"""A stroke is judged within one cycle and this of its end."""
SEEN_S = 0.12
"""Until the turn at a stroke's end is seen, and the window that shows it is worked out."""
SOONEST_S, LATEST_S = 0.2, 0.5
"""Between the beginnings of two windows, whatever the tempo."""
TURN_S = 0.04
"""After the end of a stroke before a string change, until a window surely shows it."""
LEAST_PAUSE_S = 0.1
"""Where the computer is so busy that a window takes as long."""
KEPT = 60


class BlockFollower:
    """One block after the other.

    Parameters
    ----------
    estimator : LiveEstimator
    worker : EstimatorThread
    log : SessionLog
    publish : callable
    conclude : callable
        Gets each block's verdict, how the markers of tension stand, and why new gestures are wanted, if they are.

    Attributes
    ----------
    recent : Strokes or None
        The block so far, for a page that comes late.
    """

    def __init__(
        self,
        estimator: LiveEstimator,
        worker: EstimatorThread,
        log: SessionLog,
        publish: Callable[[ServerMessage], None],
        conclude: Callable[[Verdict, TensionLevel, str], None],
    ) -> None:
        self.recent: Strokes | None = None
        self._estimator = estimator
        self._worker = worker
        self._log = log
        self._publish = publish
        self._conclude_with = conclude
        self._tension = TensionWatch()
        self._watch = EventWatch(estimator.context, estimator.store)
        self._next_id = 1
        self._task: asyncio.Task[None] | None = None
        self._ended: asyncio.Event | None = None
        self._end: tuple[Event, float] | None = None
        self._kept: dict[int, Stroke] = {}
        self._told_notes: NoteMarks | None = None

    def begin(self, number: int, event: Event) -> None:
        """Follow a block from now on."""
        self._kept = {}
        self._ended, self._end = asyncio.Event(), None
        before = self._task
        self._task = asyncio.create_task(self._follow(number, event, before))

    def end(self, event: Event, settle_s: float) -> None:
        """The block ended; its last strokes are judged with samples of ``settle_s`` more."""
        self._end = (event, settle_s)
        if self._ended is not None:
            self._ended.set()

    async def wait(self) -> None:
        """Wait until the last verdict is out."""
        if self._task is not None:
            await self._task

    async def _follow(self, number: int, event: Event, before: asyncio.Task[None] | None) -> None:
        estimator, ended = self._estimator, self._ended
        if before is not None:
            await before
        if ended is None:
            return
        first_id = self._next_id
        await self._worker.run(lambda: estimator.begin(event, first_id))
        self._tell(number, event, Judged(), first=True)
        while not ended.is_set():
            begun_s = time.monotonic()
            judged, notes = await self._worker.run(lambda: (estimator.update(), estimator.notes()))
            self._tell(number, event, judged)
            self._tell_notes(number, notes)
            change_s = None
            if notes is not None and notes.next_end_s is not None:
                change_s = self._log.server_s(notes.next_end_s) - time.time()
            left_s = wait_s(judged.strokes_per_s, time.monotonic() - begun_s, change_s)
            try:
                await asyncio.wait_for(ended.wait(), left_s)
            except TimeoutError:
                continue
        if self._end is not None:
            closed, settle_s = self._end
            await self._log.samples_until(closed.end_s + settle_s, estimator)
            await self._conclude(number, closed)

    async def _conclude(self, number: int, event: Event) -> None:
        estimator, events = self._estimator, tuple(self._log.events)

        def conclude() -> tuple[Judged, Verdict, TensionLevel, str]:
            judged, table, paths_mm, parts = estimator.finish(event.end_s)
            block = PlayedBlock(number, event, table, paths_mm, parts)
            result = block_session_result(block, estimator.context, estimator.reference, estimator.settings)
            level = self._tension.add(result, events)
            verdict = judge_block(result, number, estimator.context.metadata)
            return judged, verdict, level, moved_words(estimator, self._watch, events, event.posture)

        judged, verdict, tension, moved = await self._worker.run(conclude)
        lender = lender_of(estimator, event.posture)
        more = [] if lender is None else [borrowed_words(event.posture, lender)]
        more += [] if tension.level is None else [tension.sentence]
        verdict = replace(verdict, more=(*verdict.more, *more))
        self._tell(number, event, judged)
        self._conclude_with(verdict, tension, moved)

    def _tell(self, number: int, event: Event, judged: Judged, first: bool = False) -> None:
        target = target_deg(event.wanted, self._dead_band_deg())
        strokes = tuple(self._stroke(stroke, target) for stroke in judged.strokes)
        self._next_id = max([self._next_id, *(stroke.id + 1 for stroke in strokes)])
        for gone in judged.withdrawn:
            self._kept.pop(gone, None)
        self._kept.update({stroke.id: stroke for stroke in strokes})
        tilts = judged.tilts_deg
        told = Strokes(
            block=number,
            first=first,
            strokes=strokes,
            withdrawn=judged.withdrawn,
            count=tilts.size,
            tilt_now_deg=float(tilts[-LAST:].mean()) if tilts.size else None,
            tilt_mean_deg=float(tilts.mean()) if tilts.size else None,
            strokes_per_s=judged.strokes_per_s,
            held_share=held_share(tilts, target),
            outside=_outside(tilts, target),
            against_hand=self._against_hand(event.posture),
            borrowed_from=lender_of(self._estimator, event.posture),
        )
        kept = dict(sorted(self._kept.items())[-KEPT:])
        self._kept = kept
        self.recent = replace(told, first=True, strokes=tuple(kept.values()), withdrawn=())
        if strokes or judged.withdrawn or first:
            self._publish(told)

    def _tell_notes(self, number: int, notes: NoteMarks | None) -> None:
        if notes is None or notes == self._told_notes:
            return
        self._told_notes = notes
        server_s = self._log.server_s
        changes = [ChangeTold(mark.place, mark.verdict, mark.final, server_s(mark.end_s)) for mark in notes.changes]
        self._publish(Notes(number, tuple(changes), notes.missing, notes.added))

    def _stroke(self, stroke: LiveStroke, target: tuple[float, float] | None) -> Stroke:
        return Stroke(
            id=stroke.id,
            direction=stroke.direction,
            start_server_s=self._log.server_s(stroke.start_s),
            end_server_s=self._log.server_s(stroke.end_s),
            tilt_deg=stroke.tilt_deg,
            span_mm=stroke.span_mm,
            lift_mm=stroke.lift_mm,
            clears=stroke.clears,
            in_target=None if target is None else target[0] <= stroke.tilt_deg <= target[1],
            provisional=stroke.provisional,
            path_mm=tuple((y, z) for y, z in stroke.path_mm.tolist()),
        )

    def _dead_band_deg(self) -> float:
        return self._estimator.context.instrument.dead_band_deg

    def _against_hand(self, posture: str) -> bool:
        reference = self._estimator.reference
        return reference is None or not reference.frame(posture).from_gestures


def every_s(strokes_per_s: float | None) -> float:
    """From one window to the next: no more often than a stroke's judgement in time needs.

    Examples
    --------
    >>> [round(every_s(rate), 2) for rate in (None, 2.0, 8.0, 12.0, 20.0)]
    [0.38, 0.5, 0.38, 0.3, 0.23]
    """
    cycle_s = 2.0 / (strokes_per_s or 8.0)
    return min(max(SOONEST_S, cycle_s + PROMISED_S - SEEN_S), LATEST_S)


def wait_s(strokes_per_s: float | None, took_s: float, change_s: float | None) -> float:
    """From the end of one window's work to the beginning of the next: sooner where a string change is due.

    Parameters
    ----------
    strokes_per_s : float or None
    took_s : float
        Since the beginning of the window that is done.
    change_s : float or None
        From now until the stroke before the next change is due to end.

    Examples
    --------
    >>> [round(wait_s(8.0, 0.05, due), 2) for due in (None, 0.2, 0.06, -0.1)]
    [0.33, 0.24, 0.15, 0.15]
    """
    left_s = every_s(strokes_per_s) - took_s
    if change_s is not None:
        left_s = min(left_s, max(change_s + TURN_S, SOONEST_S - took_s))
    return max(LEAST_PAUSE_S, left_s)


def _outside(tilts_deg: np.ndarray, target: tuple[float, float] | None) -> int:
    """How many of the last tilts in a row lie outside a target.

    Examples
    --------
    >>> _outside(np.array([12.0, 3.0, 15.0, 2.0, 1.0]), (10.0, 90.0))
    2
    """
    if target is None:
        return 0
    inside = np.flatnonzero((tilts_deg >= target[0]) & (tilts_deg <= target[1]))
    return int(tilts_deg.size - 1 - inside[-1]) if inside.size else int(tilts_deg.size)
