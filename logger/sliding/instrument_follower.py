"""The sensor on the instrument while somebody plays: its samples, its heading along the session, what it takes out.

Once the gestures have shown how both sensors lie to each other, every window of the hand's is seen from the instrument
as in the batch run. The clocks' relation is the recorder's of that moment, moved by what the gestures refined.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.errors import InputError, StrokeplaneError
from analysis.model.records import Event, FloatArray, RawSamples, Session, Stream
from analysis.model.session_parts import ClockRelation
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift
from analysis.motion.rotation import turned_about_vertical
from analysis.pipeline import Settings
from analysis.signal.grid import Grid
from analysis.signal.sensor_errors import SensorErrors
from analysis.signal.si_units import counts_to_si
from analysis.signal.working_grid import Signals
from analysis.witness.instrument_motion import (
    InstrumentMotion,
    follow_instrument,
    on_own_clock,
    place_instrument,
    prepare_instrument,
)
from analysis.witness.watched_window import Window, turn_of_heading, watch_window
from analysis.witness.witness import Witness, call_witness
from logger.sliding.heading_anchor import KEEP_S, HeadingAnchor
from logger.sliding.sample_store import SampleStore

RECENT_S = 20.0
"""So much before the end of the gestures the heading is followed from."""
MARGIN_S = 0.5
NOT_LEARNT = "How it lies to the hand's sensor was not shown: the tilt is by the hand's alone. Rock both together."


@dataclass(frozen=True)
class _Learnt:
    """What the gestures taught: the witness, when, by how much they moved the clocks, and the constant headings."""

    witness: Witness
    stream: Stream
    at_s: float
    moved_s: float
    turn_rad: float = 0.0


class InstrumentFollower:
    """Follow the instrument's sensor. :meth:`take` belongs to the thread that has the samples.

    Parameters
    ----------
    described : callable
        Gives the stream as it is known now, its clock against the hand's included, without its samples; None before.

    Attributes
    ----------
    store : SampleStore
    fault : str
        Why it does not serve; empty where it does, or before the gestures.
    """

    def __init__(self, described: Callable[[], Stream | None]) -> None:
        self.store = SampleStore()
        self.fault = ""
        self._described = described
        self._anchor: HeadingAnchor | None = None
        self._learnt: _Learnt | None = None
        self._last_quat = np.array([[1.0, 0.0, 0.0, 0.0]])

    @property
    def witness(self) -> Witness | None:
        """What the gestures taught; None where they taught nothing."""
        return None if self._learnt is None else self._learnt.witness

    def take(self, raw: RawSamples) -> None:
        """Keep new samples.

        Parameters
        ----------
        raw : RawSamples
        """
        self.store.append(raw)
        anchor, learnt = self._anchor, self._learnt
        if anchor is None or learnt is None or anchor.last_tick is None:
            return
        self._feed(anchor, learnt, anchor.last_tick + 1)
        if anchor.join_from_s is not None:
            motion = self._own_motion(learnt, anchor.join_from_s)
            if motion is not None:
                anchor.join(motion)

    def learn(self, signals: Signals, session: Session, chain: Settings) -> Witness | None:
        """Call the witness on everything recorded so far; None, and :attr:`fault`, where it cannot serve.

        Parameters
        ----------
        signals : Signals
            Of the hand, the gyroscope's bias still in.
        session : Session
            With the gestures' events.
        chain : Settings

        Returns
        -------
        Witness or None
        """
        self.fault, self._learnt, self._anchor = "", None, None
        stream = self._described()
        if stream is None or stream.clock is None or self.store.last_tick is None:
            return None
        recorded = replace(stream, raw=self.store.since(0))
        try:
            witness = call_witness(signals, replace(session, streams=(recorded,)), chain.reference, chain.witness)
        except StrokeplaneError as error:
            self.fault = str(error)
            return None
        if witness is None or witness.rocked is None or witness.heading is None:
            self.fault = NOT_LEARNT
            return None
        told = [event for event in session.events if event.kind in ("across", "along")]
        at_s = float(np.mean([event.end_s for event in told])) if told else signals.grid.start_s
        own_s = (at_s - stream.clock.offset_s) / stream.clock.rate
        refined = witness.clock.clock
        moved_s = refined.offset_s + refined.rate * own_s - at_s
        self._learnt = _Learnt(witness, stream, at_s, moved_s)
        self._anchor = self._anchored(self._learnt, signals)
        return witness

    def _anchored(self, learnt: _Learnt, signals: Signals) -> HeadingAnchor:
        """What follows the instrument's heading from that of the gestures on."""
        witness, profile = learnt.witness, learnt.stream.profile
        anchor = HeadingAnchor(profile.tick_hz, witness.rate_hz, SensorErrors.none())
        last = self.store.last_tick or 0
        self._feed(anchor, learnt, int(last - RECENT_S * profile.tick_hz))
        anchor.agree_with(_motion(on_own_clock(signals.grid, witness.clock.clock), witness.instrument))
        return anchor

    def settle(self, motion: Motion, events: Sequence[Event]) -> None:
        """Take over the heading of the motion that the gestures were measured on.

        Parameters
        ----------
        motion : Motion
            As seen from the instrument.
        events : sequence of Event
        """
        learnt = self._learnt
        if learnt is None:
            return
        times_s = motion.grid.time_at(np.arange(motion.grid.size))
        angle = learnt.witness.angle_rad(times_s)
        drift = angle - learnt.witness.angle_rad(np.array([learnt.at_s]))
        poses = [motion.grid.slice_of(e.start_s, e.end_s) for e in events if e.kind in ("across", "along", "pivot")]
        rows = slice(min(p.start for p in poses), max(p.stop for p in poses)) if poses else slice(0, motion.grid.size)
        self._learnt = replace(learnt, turn_rad=-turn_of_heading(learnt.witness, drift, motion.quat_wxyz, rows))

    def see(self, hand: Signals, hand_quat_wxyz: FloatArray, drift: HeadingDrift) -> Witness | None:
        """A window of the hand's as seen from the instrument; None before the gestures taught how.

        Parameters
        ----------
        hand : Signals
            Less the gyroscope's bias.
        hand_quat_wxyz : float64 (n, 4)
            In the session's heading.
        drift : HeadingDrift
            Of the hand as seen from the instrument, as known now.

        Returns
        -------
        Witness or None
        """
        learnt, anchor = self._learnt, self._anchor
        if learnt is None or anchor is None:
            return None
        clock = self._clock(learnt)
        own = self._prepared(learnt, on_own_clock(hand.grid, clock).start_s - MARGIN_S)
        whole, slow = self._motions(own, clock, hand, anchor, learnt.witness.highest_hz)
        angle = learnt.witness.angle_rad(np.array([learnt.at_s])) + _since(drift, hand, learnt.at_s)
        return watch_window(learnt.witness, Window(hand, hand_quat_wxyz, whole, slow, angle))

    def turned(self, motion: Motion, seen: Witness, drift: HeadingDrift) -> Motion:
        """The motion of a window in the heading of the gestures.

        Parameters
        ----------
        motion : Motion
            From the signals of ``seen``.
        seen : Witness
        drift : HeadingDrift

        Returns
        -------
        Motion
        """
        learnt = self._learnt
        if learnt is None:
            return motion
        rows = slice(0, motion.grid.size)
        turn = turn_of_heading(seen, _since(drift, motion, learnt.at_s), motion.quat_wxyz, rows)
        return replace(motion, quat_wxyz=turned_about_vertical(motion.quat_wxyz, turn + learnt.turn_rad))

    def _motions(
        self, own: Signals | None, clock: ClockRelation, hand: Signals, anchor: HeadingAnchor, highest_hz: float
    ) -> tuple[InstrumentMotion, InstrumentMotion]:
        """All of the motion, and what the clock lets through, in the heading of the gestures; at rest where silent."""
        if own is None:
            size = hand.grid.size
            nothing, held = np.zeros((size, 3)), np.repeat(self._last_quat, size, axis=0)
            still = InstrumentMotion(nothing, nothing, held, np.zeros(size, dtype=bool))
            return still, still
        found = []
        for placed in (place_instrument(own, clock, hand.grid), place_instrument(own, clock, hand.grid, highest_hz)):
            followed = follow_instrument(placed)
            found.append(followed.turned(anchor.turn_rad(_motion(on_own_clock(placed.grid, clock), followed))))
        whole, slow = found
        if whole.valid.any():
            self._last_quat = whole.quat_wxyz[np.flatnonzero(whole.valid)[-1:]]
        return whole, slow

    def _clock(self, learnt: _Learnt) -> ClockRelation:
        """The clocks' relation as the recorder has it now, moved by what the gestures refined."""
        now = self._described()
        clock = None if now is None else now.clock
        if clock is None:
            return learnt.witness.clock.clock
        return replace(clock, offset_s=clock.offset_s + learnt.moved_s)

    def _prepared(self, learnt: _Learnt, from_s: float) -> Signals | None:
        """Signals of its last seconds, less the bias; None where there are too few."""
        raw = self.store.since(int(from_s * learnt.stream.profile.tick_hz))
        try:
            own = prepare_instrument(replace(learnt.stream, raw=raw))
        except InputError:  # Silent, or a sensor that starts again; the next window may do.
            return None
        return replace(own, gyro_radps=own.gyro_radps - learnt.witness.bias_radps)

    def _own_motion(self, learnt: _Learnt, from_s: float) -> Motion | None:
        own = self._prepared(learnt, max(from_s, self._last_s(learnt) - KEEP_S))
        return None if own is None else _motion(own.grid, follow_instrument(own))

    def _last_s(self, learnt: _Learnt) -> float:
        return float(self.store.last_tick or 0) / learnt.stream.profile.tick_hz

    def _feed(self, anchor: HeadingAnchor, learnt: _Learnt, tick: int) -> None:
        stream, raw = learnt.stream, self.store.since(tick)
        if raw.ticks.size:
            si = counts_to_si(raw.counts, stream.profile, stream.calibration)
            anchor.feed(raw.ticks, si[:3].T, si[3:].T - learnt.witness.bias_radps)


def _motion(grid: Grid, instrument: InstrumentMotion) -> Motion:
    """The instrument's attitude as a motion on a grid of its own clock, for its heading alone."""
    nothing = np.zeros((grid.size, 3))
    return Motion(replace(grid, valid=instrument.valid), nothing, nothing, instrument.quat_wxyz, None, None, 1)


def _since(drift: HeadingDrift, on: Signals | Motion, at_s: float) -> FloatArray:
    """Drift (rad) since a time, at every sample."""
    times_s = on.grid.time_at(np.arange(on.grid.size))
    return drift.mean_rad(times_s) - drift.mean_rad(np.array([at_s]))
