"""The batch estimator on a sliding window: the same stages, the same settings, run on the last seconds of play.

The gestures are solved once, on everything recorded up to them, by the batch code. Then, several times a second, the
last seconds go through time base, signals, orientation, strokes and tilt like a log of their own; only three things
come from outside the window: what the gestures found (sensor errors, levers, frames), the heading
(:mod:`logger.sliding.heading_anchor`), and its drift, fitted anew after every few seconds of play as in the batch run.

A stroke is judged as soon as the turn at its end is seen. What comes later may still move it: the filters have no
future yet. Until its judgement has settled it is ``provisional``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from analysis.consistency.strap_doubts import left_by_strap_deg
from analysis.consistency.strap_ringing import find_strap
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import Event, FloatArray, RawSamples, Session
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.rotation import matrices
from analysis.motion.stillness import accel_noise_mps2_rthz, attack_threshold, bias_of, still_gyro_bias
from analysis.motion.strap import Strap, take_out
from analysis.pipeline import Settings, measure_window
from analysis.reference.frame import Frame
from analysis.reference.hand_yaw import HandYaws, fit_heading, see_yaws
from analysis.reference.session_reference import Gestures, Reference, complete_reference, measure_gestures
from analysis.signal.sensor_errors import SensorErrors
from analysis.signal.si_units import counts_to_si
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals
from analysis.stroke.block_claims import BlockStrokes as Played
from analysis.stroke.block_claims import Claims, see_blocks
from analysis.stroke.play import turned_axes
from analysis.stroke.play_intervals import order_events
from analysis.stroke.play_strokes import PlayContext, TableSettings
from analysis.stroke.stroke_paths import TracedStrokes
from analysis.stroke.tip_claim import INSTRUMENT
from analysis.stroke.uncertainty import block_chord, offset_parts_deg
from analysis.witness.residue import roll_deg
from analysis.witness.witness import Witness
from logger.sliding.block_strokes import NAMES, BlockStrokes, Judged
from logger.sliding.heading_anchor import KEEP_S, HeadingAnchor
from logger.sliding.instrument_follower import InstrumentFollower
from logger.sliding.note_marks import NoteFollower, NoteMarks
from logger.sliding.sample_store import SampleStore
from logger.sliding.tip_trace import TipTrace

NO_ROWS = pd.DataFrame()
FOLLOW_S = 0.018
"""So many seconds of samples are waited for before the tip is followed on."""


@dataclass(frozen=True)
class LiveSettings:
    """How the window slides.

    Attributes
    ----------
    window_s : float
        Length of the window.
    settled_s, settled_strokes : float
        A stroke that ended so long (and so many strokes) before the window's end is final.
    edge_s : float
        Strokes that begin within this time of the window's start feel its edge and are not taken.
    longest_s : float
        The window reaches back to what was settled last, if the computer fell behind, but no further than this.
    most_yaws : int
        Windows kept of the hand's yaw; beyond, neighbours are joined.
    chain : Settings
        Of the batch run.
    """

    window_s: float = 6.0
    settled_s: float = 0.8
    settled_strokes: float = 4.0
    edge_s: float = 1.0
    longest_s: float = 30.0
    most_yaws: int = 200
    chain: Settings = field(default_factory=Settings)


@dataclass(frozen=True)
class Foundation:
    """What the gestures gave, and what is needed to give it anew when the heading is known better.

    ``gyro_bias_radps`` is taken off the hand's signals; ``watched_bias_radps`` after that, once these are seen from the
    instrument.
    """

    motion: Motion
    session: Session
    gestures: Gestures
    reference: Reference
    gyro_bias_radps: FloatArray
    watched_bias_radps: FloatArray
    attack_mps2: float | None
    table: TableSettings
    strap: Strap | None


@dataclass(frozen=True)
class _Seen:
    """A window's corrected motion in the session's heading, and the sensor on the instrument in it."""

    motion: Motion
    witness: Witness | None


class LiveEstimator:
    """Follow a session while it is recorded.

    :meth:`take` belongs to the thread that has the samples; all else to one other thread.

    Parameters
    ----------
    context : Session
        Sensor, calibration, player, instrument, lever; its samples and events do not matter.
    settings : LiveSettings, optional

    Attributes
    ----------
    instrument : InstrumentFollower or None
        The sensor on the instrument, to be set before the gestures where there is one.
    rolled_deg : float or None
        The instrument's roll about its strings since the gestures, as taken out of the last window; None where nobody
        watches it.
    """

    def __init__(self, context: Session, settings: LiveSettings | None = None) -> None:
        self.store = SampleStore()
        self.context = context
        self.settings = settings or LiveSettings()
        self.foundation: Foundation | None = None
        self.instrument: InstrumentFollower | None = None
        self.rolled_deg: float | None = None
        self._anchor: HeadingAnchor | None = None
        self._trace: TipTrace | None = None
        self._yaws: HandYaws | None = None
        self._reference: Reference | None = None
        self._events: tuple[Event, ...] = ()
        self._gap_times_s: list[float] = []
        self._next_yaw_s = 0.0
        self._settled_s = self._final_s = 0.0
        self._notes: NoteFollower | None = None
        self._block: Event | None = None
        self._strokes = BlockStrokes()
        self._last: tuple[_Seen, TracedStrokes] | None = None

    @property
    def reference(self) -> Reference | None:
        """The frames as known now; None before the gestures were solved."""
        return self._reference

    def take(self, raw: RawSamples) -> list[tuple[float, float]]:
        """Keep new samples; return the tip's way in the end view (mm) where the frame is known.

        Parameters
        ----------
        raw : RawSamples

        Returns
        -------
        list of (float, float)
        """
        last = self.store.last_tick
        tick_hz, rate_hz = self.context.profile.tick_hz, self.context.profile.rate_hz
        self.store.append(raw)
        if last is not None and raw.ticks[0] - last > 0.1 * tick_hz + tick_hz / rate_hz:
            self._gap_times_s.append(float(raw.ticks[0]) / tick_hz)
        anchor, foundation, trace = self._anchor, self.foundation, self._trace
        if anchor is None or foundation is None or anchor.last_tick is None:
            return []
        if raw.ticks[-1] - anchor.last_tick < FOLLOW_S * tick_hz:
            return []  # A sensor that sends every sample by itself: a few at a time cost hardly more than one.
        new = self.store.since(anchor.last_tick + 1)
        quat, accel = anchor.feed(new.ticks, *self._calibrated(new, foundation.gyro_bias_radps))
        if anchor.join_from_s is not None:
            last_s = float(new.ticks[-1]) / tick_hz
            motion = self._corrected(foundation, min(last_s - anchor.join_from_s, KEEP_S))
            if motion is not None:
                anchor.join(motion)
        return [] if trace is None else trace.follow(quat, accel)

    def establish(self, events: Sequence[Event], postures: Sequence[str]) -> Gestures:
        """Solve the gestures recorded so far.

        Parameters
        ----------
        events : sequence of Event
            All events so far, on log time.
        postures : sequence of str
            Postures that will be played.

        Returns
        -------
        Gestures
            With the quality of each; :attr:`reference` is None where they give no frame: there is nothing to measure
            tilt against before there is play.
        """
        chain, profile = self.settings.chain, self.context.profile
        self._events = tuple(events)
        raw = self.store.since(0)
        timebase = fit_timebase(raw, profile)
        end_s = timebase.grid.end_s
        coming = tuple(Event(end_s, end_s, "play", posture=posture) for posture in postures)
        session = replace(self.context, raw=raw, events=order_events((*events, *coming)))
        signals = prepare_signals(session, timebase)
        strap = find_strap(session, timebase, signals, chain.strap)
        signals = take_out(signals, strap)
        bias = bias_of(signals, session.events)
        witness = None if self.instrument is None else self.instrument.learn(signals, session, chain)
        signals = signals if witness is None else witness.signals
        motion, gestures = measure_gestures(still_gyro_bias(signals, session.events), session, chain.reference)
        yaws = see_yaws(motion, session.events, gestures.heading)
        drift = fit_heading(yaws, gestures.directions, motion.grid.start_s, gestures.heading)
        table = chain.table.with_noise(accel_noise_mps2_rthz(signals, session.events))
        threshold = attack_threshold(signals, session.events, chain.table.strokes.attack_ratio)
        try:
            reference = complete_reference(motion, session, gestures, drift, chain.reference)
        except NotEnoughDataError:  # The hand's own frame needs play, which has not begun.
            return gestures
        anchor = HeadingAnchor(profile.tick_hz, timebase.grid.rate_hz, gestures.lever_fit.errors)
        recent = self.store.since(int(raw.ticks[-1] - 20.0 * profile.tick_hz))
        anchor.feed(recent.ticks, *self._calibrated(recent, bias))
        anchor.agree_with(motion if witness is None else replace(motion, quat_wxyz=witness.hand_quat_wxyz))
        if self.instrument is not None:
            self.instrument.settle(motion, session.events)
        self._yaws, self._reference = yaws, reference
        self._gap_times_s = [time_s for time_s in self._gap_times_s if time_s > end_s]
        watched = np.zeros(3) if witness is None else bias_of(signals, session.events)
        self.foundation = Foundation(motion, session, gestures, reference, bias, watched, threshold, table, strap)
        self._aim_trace(postures[0] if postures else "")
        self._anchor = anchor
        return gestures

    def begin(self, block: Event, first_id: int) -> None:
        """A block begins; its end is not known yet.

        Parameters
        ----------
        block : Event
        first_id : int
        """
        self._block = block
        self._strokes = BlockStrokes(first_id)
        self._next_yaw_s = block.start_s + 0.5
        self._settled_s = self._final_s = block.start_s
        self._notes = NoteFollower(block, self.context.instrument)
        self._last = None
        self._aim_trace(block.posture)

    def update(self, end_s: float | None = None) -> Judged:
        """Judge what the last seconds show; ``end_s``: the block ended there, and everything is settled.

        Parameters
        ----------
        end_s : float, optional

        Returns
        -------
        Judged
        """
        block, settings = self._block, self.settings
        if block is None:
            return Judged()
        seen = self._window_motion(block)
        reference = None if seen is None else self._reference_for(block, seen.motion)
        if seen is None or reference is None or self.foundation is None:
            return self._strokes.judged()
        motion = seen.motion
        known_s = motion.grid.end_s
        begun_s = max(block.start_s, motion.grid.start_s)
        event = replace(block, start_s=begun_s, end_s=known_s if end_s is None else end_s)
        if event.end_s <= event.start_s:
            return self._strokes.judged()
        session = replace(self.context, events=(event,))
        context = PlayContext(reference, self.foundation.attack_mps2)
        columns, traced = measure_window(motion, session, context, self.foundation.table)
        at_start = motion.grid.start_s <= block.start_s
        late = at_start | (columns["start_s"] >= motion.grid.start_s + settings.edge_s)
        rows = np.flatnonzero((columns["block"] >= 0) & late)
        columns, traced = {name: columns[name][rows] for name in NAMES}, traced.select(rows)
        if rows.size:
            self._last = (seen, traced)
        middles_s = 0.5 * (columns["start_s"] + columns["end_s"])
        axes = turned_axes(reference.frame(block.posture), middles_s, reference.drift)
        self._look_from_instrument(seen, reference.frame(block.posture), reference)
        settle_s = self._settle_s(columns["end_s"] - columns["start_s"])
        settled = known_s - settle_s if end_s is None else np.inf
        self._final_s = settled
        self._settled_s = known_s - 2 * settle_s
        since_s = motion.grid.start_s + (0.0 if at_start else settings.edge_s)
        return self._strokes.take(columns, 1e3 * traced.path_m, axes, settled, since_s)

    def notes(self) -> NoteMarks | None:
        """The block's notes and string changes so far; None without a drill or an instrument frame.

        Returns
        -------
        NoteMarks or None
        """
        block, reference = self._block, self._reference
        if self._notes is None or block is None or reference is None:
            return None
        if not reference.frame(block.posture).from_gestures:
            return None
        return self._notes.mark(*self._strokes.table(), self._final_s)

    def finish(self, end_s: float) -> tuple[Judged, pd.DataFrame, FloatArray, dict[str, float] | None]:
        """End the block; return what changed, its strokes, their paths (mm), and the parts of its offset's error.

        Parameters
        ----------
        end_s : float

        Returns
        -------
        (Judged, DataFrame, float64 (n, k, 3), dict or None)
        """
        judged = self.update(end_s)
        parts, block = None, self._block
        foundation, reference = self.foundation, self._reference
        if reference is not None and block is not None:
            self._strokes.judge_anew(reference, block.posture, self.context.instrument)
        table, paths_mm = self._strokes.table()
        if self._last is not None and foundation is not None and reference is not None and block is not None:
            parts = self._offset_parts(*self._last, block, reference)
        self._block = None
        return judged, table, paths_mm, parts

    def _offset_parts(
        self, seen: _Seen, traced: TracedStrokes, block: Event, reference: Reference
    ) -> dict[str, float] | None:
        """What gestures, heading and the sensor on the instrument leave open, by the block's last strokes."""
        frame, chain = reference.frame(block.posture), self.settings.chain
        if not frame.from_gestures:
            return None
        bands, wanted = chain.table.bands, chain.reference.gestures
        chord = block_chord(seen.motion, traced, frame, reference.drift, bands)
        parts = offset_parts_deg(chord, frame, reference.lever_fit, reference.drift, wanted)
        if seen.witness is not None:
            claims = Claims(seen.motion, reference, self.context.instrument, bands, wanted, chain.tip)
            (told,) = see_blocks(seen.witness, claims, (Played(0, block, NO_ROWS, traced),))
            parts |= {INSTRUMENT: told.residue_deg} if told.known else {}
        strap = None if self.foundation is None else self.foundation.strap
        if strap is not None:
            parts["doubts"] = left_by_strap_deg(strap, float(np.median(traced.cycle_hz)))
        return parts

    def window_signals(self, seconds: float) -> Signals | None:
        """Signals of the last seconds, as the batch run prepares them; None while they cannot be used.

        Parameters
        ----------
        seconds : float

        Returns
        -------
        Signals or None
        """
        last, profile = self.store.last_tick, self.context.profile
        if last is None:
            return None
        raw = self.store.since(int(last - seconds * profile.tick_hz))
        try:
            signals = prepare_signals(replace(self.context, raw=raw), fit_timebase(raw, profile))
        except InputError:  # Too few samples yet, or a sensor that starts again; the next window may do.
            return None
        return take_out(signals, None if self.foundation is None else self.foundation.strap)

    def _calibrated(self, raw: RawSamples, gyro_bias_radps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Calibrated acceleration and rate (n, 3) at the full rate, not corrected yet."""
        si = counts_to_si(raw.counts, self.context.profile, self.context.calibration)
        return si[:3].T, si[3:].T - gyro_bias_radps

    def _settle_s(self, strokes_s: FloatArray) -> float:
        if not strokes_s.size:
            return self.settings.settled_s
        return max(self.settings.settled_s, self.settings.settled_strokes * float(np.median(strokes_s)))

    def _window_motion(self, block: Event) -> _Seen | None:
        """Corrected motion of the last seconds, in the session's heading; None while no frame is known."""
        last_s = float(self.store.last_tick or 0) / self.context.profile.tick_hz
        if self.foundation is None and last_s > block.start_s + self.settings.window_s:
            # No gestures: the hand's own frame, from the first seconds of play.
            self.establish((*self._events, replace(block, end_s=last_s)), (block.posture,))
        foundation, anchor = self.foundation, self._anchor
        behind_s = last_s - self._settled_s + self.settings.edge_s
        reach_s = min(max(self.settings.window_s, behind_s), self.settings.longest_s)
        if foundation is None or anchor is None:
            return None
        if self.instrument is not None and self.instrument.witness is not None:
            return self._watched(self.instrument, foundation, anchor, reach_s)
        motion = self._corrected(foundation, reach_s)
        return None if motion is None else _Seen(anchor.align(motion), None)

    def _watched(
        self, instrument: InstrumentFollower, foundation: Foundation, anchor: HeadingAnchor, seconds: float
    ) -> _Seen | None:
        """Corrected motion of the last seconds as seen from the instrument, in the heading of the gestures."""
        hand, reference = self.window_signals(seconds), self._reference
        if hand is None or reference is None:
            return None
        hand = replace(hand, gyro_radps=hand.gyro_radps - foundation.gyro_bias_radps)
        attitude = anchor.align(build_motion(hand, SensorErrors.none())).quat_wxyz
        witness = instrument.see(hand, attitude, reference.drift)
        if witness is None:
            return None
        watched = replace(witness.signals, gyro_radps=witness.signals.gyro_radps - foundation.watched_bias_radps)
        motion = build_motion(watched, foundation.gestures.lever_fit.errors)
        return _Seen(instrument.turned(motion, witness, reference.drift), witness)

    def _look_from_instrument(self, seen: _Seen, frame: Frame, reference: Reference) -> None:
        """Note the instrument's roll over the last second of which it is known, and turn the picture with it."""
        self.rolled_deg = None
        witness, motion = seen.witness, seen.motion
        if witness is None or not witness.known.any():
            return
        known = np.flatnonzero(witness.known)[-round(motion.grid.rate_hz) :]
        axes = turned_axes(frame, np.array([motion.grid.time_at(float(known.mean()))]), reference.drift)[0]
        self.rolled_deg = float(roll_deg(witness.world.back[known], axes).mean())
        if self._trace is not None:
            now = matrices(motion.quat_wxyz[known]), matrices(witness.hand_quat_wxyz[known])
            self._trace.seen_from(np.einsum("nij,nkj->ik", *now) / known.size)

    def _corrected(self, foundation: Foundation, seconds: float) -> Motion | None:
        """Corrected motion of the last seconds, in a heading of its own."""
        signals = self.window_signals(seconds)
        if signals is None:
            return None
        signals = replace(signals, gyro_radps=signals.gyro_radps - foundation.gyro_bias_radps)
        return build_motion(signals, foundation.gestures.lever_fit.errors)

    def _reference_for(self, block: Event, motion: Motion) -> Reference | None:
        """The frames, with the heading's drift as the play so far shows it."""
        foundation, known_s = self.foundation, motion.grid.end_s
        if foundation is None:
            return None
        window_s = foundation.gestures.heading.window_s
        if motion.grid.start_s > self._next_yaw_s:
            self._next_yaw_s = motion.grid.start_s
        if known_s - 0.5 >= self._next_yaw_s + window_s:
            span = Event(self._next_yaw_s - 0.5, self._next_yaw_s + window_s + 0.5, "play", posture=block.posture)
            self._next_yaw_s += window_s
            self._refit(see_yaws(motion, (span,), foundation.gestures.heading))
        return self._reference

    def _refit(self, more: HandYaws) -> None:
        foundation, yaws = self.foundation, self._yaws
        if foundation is None or yaws is None:
            return
        self._yaws = yaws = _joined(yaws, more, self.settings.most_yaws)
        heading = foundation.gestures.heading
        heading = replace(heading, jumps_s=(*heading.jumps_s, *self._gap_times_s))
        drift = fit_heading(yaws, foundation.gestures.directions, foundation.motion.grid.start_s, heading)
        chain = self.settings.chain.reference
        self._reference = complete_reference(foundation.motion, foundation.session, foundation.gestures, drift, chain)

    def _aim_trace(self, posture: str) -> None:
        foundation, reference = self.foundation, self._reference
        if foundation is not None and reference is not None:
            frame = reference.frame(posture)
            now_s = float(self.store.last_tick or 0) / self.context.profile.tick_hz
            self._trace = TipTrace(frame, reference.drift, now_s, self.context.profile.rate_hz)


def _joined(yaws: HandYaws, more: HandYaws, most: int) -> HandYaws:
    """Windows of the hand's yaw with more of them; beyond ``most``, neighbours of one posture in play are averaged."""
    times_s = np.concatenate([yaws.times_s, more.times_s])
    rotations = np.concatenate([yaws.rotations, more.rotations])
    postures, gesture = (*yaws.postures, *more.postures), (*yaws.gesture, *more.gesture)
    if times_s.size <= most:
        return HandYaws(times_s, rotations, postures, gesture)
    groups: list[list[int]] = []
    for at in range(times_s.size):
        last = groups[-1] if groups else []
        fits = len(last) == 1 and not gesture[at] and not gesture[last[0]] and postures[at] == postures[last[0]]
        if fits:
            last.append(at)
        else:
            groups.append([at])
    return HandYaws(
        np.array([times_s[group].mean() for group in groups]),
        np.array([rotations[group].mean(axis=0) for group in groups]),
        tuple(postures[group[0]] for group in groups),
        tuple(gesture[group[0]] for group in groups),
    )
