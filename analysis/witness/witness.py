"""Call the witness: from a session with a second sensor to the hand's signals on an instrument that stands still."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.model.errors import StrokeplaneError
from analysis.model.records import PHONE, BoolArray, Event, FloatArray, Session, Stream
from analysis.model.session_parts import ClockRelation
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings
from analysis.motion.orientation import heading_between
from analysis.motion.rotation import matrices, rotate
from analysis.motion.stillness import still_gyro_bias
from analysis.reference.hand_yaw import fit_heading, see_yaws
from analysis.reference.lever import PivotWindow, fit_levers
from analysis.reference.pivots import ReferenceSettings, lever_prior, usable_pivots
from analysis.signal.sensor_errors import SensorErrors
from analysis.signal.working_grid import Signals
from analysis.witness.clock_step import ClockStep
from analysis.witness.felt_clock import ClockRefinement, refine_clock
from analysis.witness.instrument_motion import (
    InstrumentMotion,
    follow_instrument,
    highest_frequency_hz,
    place_instrument,
    read_instrument,
)
from analysis.witness.mutual_heading import (
    Estimate,
    RelativeOrientation,
    relative_orientation,
    shared_heading,
    slope,
)
from analysis.witness.play_point import SeenRocking, find_point, parts_of
from analysis.witness.roles import refuse_exchanged
from analysis.witness.seen_from_instrument import SharedWorld, see_from, share_world

UNKNOWN_CLOCK_S = 0.02
PHONE_CLOCK_S = 0.01
"""A phone's stamps wander by this, whatever their mean was when both were rocked."""
ROCK_CLOCK_S = 0.002
LAG_ROUNDS = 3
LEAST_ROCKING_DPS = 3.0
"""RMS rate about the second axis of a ``rock``: less, and one direction is not told."""
AT_STRINGS = ("across", "along", "pivot", "rock", "play")
ROCKED_SHARE = 0.5
"""While hand and instrument are rocked as one, no more than this part of the hand's rate is its own."""


@dataclass(frozen=True)
class WitnessSettings:
    """What is assumed of a sensor on the instrument.

    Attributes
    ----------
    board_roll_deg, phone_roll_deg : float
        Standard error of the instrument's roll since the gestures, from its gravity and gyroscope.
    place_m : float
        How far the sensor may be from where the plectrum plays.
    pouch_deg : float
        A turn of the instrument that the hand did not share, from which a loose sensor is thought of.
    """

    board_roll_deg: float = 0.15
    phone_roll_deg: float = 0.3
    place_m: float = 0.5
    pouch_deg: float = 10.0


@dataclass(frozen=True)
class Witness:
    """What the sensor on the instrument gives.

    Attributes
    ----------
    signals : Signals
        The hand's, as if the instrument stood still.
    hand_quat_wxyz : float64 (n, 4)
        The hand's attitude by its own signals, in a world that both share.
    lever_m : float64 (3,)
        From the hand's sensor to the tip, roughly.
    instrument : InstrumentMotion
        In a world whose heading is its own.
    bias_radps : float64 (3,)
        Of the instrument's gyroscope, as it was last.
    world : SharedWorld
        The instrument as far as its clock tells it.
    whole : SharedWorld
        The same with all that its samples hold.
    known : bool (n,)
        Working samples at which the instrument's motion is known.
    heading : Estimate or None
        How the two headings lie (rad); None where nothing shows it.
    drift : HeadingDrift
        Of one heading against the other.
    point : Estimate
        Where the plectrum plays, m, instrument sensor's axes.
    rocked : RelativeOrientation or None
        From a usable ``rock``.
    clock : ClockRefinement
    highest_hz : float
        Up to which the instrument's motion is taken out.
    phone : bool
    rate_hz : float
        Of its samples.
    heading_rate_dps : float
        What its bias adds to the drift of the heading.
    settings : WitnessSettings
    steps : tuple of ClockStep
        Jumps of its clock that its numbers set right.
    warnings : tuple of str
    """

    signals: Signals
    hand_quat_wxyz: FloatArray
    lever_m: FloatArray
    instrument: InstrumentMotion
    bias_radps: FloatArray
    world: SharedWorld
    whole: SharedWorld
    known: BoolArray
    heading: Estimate | None
    drift: HeadingDrift
    point: Estimate
    rocked: RelativeOrientation | None
    clock: ClockRefinement
    highest_hz: float
    phone: bool
    rate_hz: float
    heading_rate_dps: float
    settings: WitnessSettings
    steps: tuple[ClockStep, ...] = ()
    warnings: tuple[str, ...] = field(default=())

    def angle_rad(self, time_s: FloatArray) -> FloatArray:
        """Turn from the instrument's world to the hand's at times.

        Parameters
        ----------
        time_s : float64 (m,)
            Log time.

        Returns
        -------
        float64 (m,)
        """
        return self.drift.mean_rad(time_s) + (self.heading.value[0] if self.heading else 0.0)


def instrument_stream(session: Session) -> Stream | None:
    """The first stream on the instrument whose clock is tied to the hand's."""
    return next((s for s in session.streams if s.role == "instrument" and s.clock is not None), None)


def call_witness(
    hand: Signals, session: Session, reference: ReferenceSettings, settings: WitnessSettings
) -> Witness | None:
    """See the hand's signals from the instrument.

    Parameters
    ----------
    hand : Signals
        As prepared: the gyroscope's bias still in.
    session : Session
        With its streams, and events in order.
    reference : ReferenceSettings
    settings : WitnessSettings

    Returns
    -------
    Witness or None
        None where no sensor on the instrument is tied to the hand's clock.

    Raises
    ------
    StrokeplaneError
        Its samples cannot be read, or it moves as a hand does.
    """
    stream = instrument_stream(session)
    if stream is None or stream.clock is None:
        return None
    try:
        samples = read_instrument(stream)
    except StrokeplaneError as error:
        raise type(error)(f"the sensor on the instrument cannot be used: {error}") from error
    own, phone = samples.signals, stream.profile.part == PHONE
    doubt = UNKNOWN_CLOCK_S if stream.clock.residual_s is None else stream.clock.residual_s
    refuse_exchanged(hand, place_instrument(own, stream.clock, hand.grid), session.events)
    refined = refine_clock(hand, own, stream.clock, doubt)
    hand = still_gyro_bias(hand, session.events)
    motion = build_motion(hand, SensorErrors.none())
    rocked, refined = _rock(motion, own, session.events, refined)
    doubt = max(refined.clock.residual_s or UNKNOWN_CLOCK_S, PHONE_CLOCK_S if phone else 0.0)
    highest_hz = highest_frequency_hz(own.grid.rate_hz, doubt)
    placed = place_instrument(own, refined.clock, hand.grid, until_s=refined.until_s)
    whole = follow_instrument(placed)
    rate_dps = float(np.hypot(reference.heading.rate_dps, samples.bias_se_dps))
    drift, heading = _headings(motion, whole, session.events, replace(reference.heading, rate_dps=rate_dps))
    lever = _rough_lever(hand, session, reference)
    angle = drift.mean_rad(hand.grid.time_at(np.arange(hand.grid.size))) + (heading.value[0] if heading else 0.0)
    free = share_world(whole, angle, session.events, hand, np.zeros(3))
    point, more = find_point(motion, SeenRocking(placed, free, heading), lever, session.events, settings.place_m)
    if heading is not None:
        heading = Estimate(heading.value + more.value, more.covariance)
        angle = angle + more.value[0]
        free = share_world(whole, angle, session.events, hand, np.zeros(3))
    whole_world = replace(free, point_m=point.value)
    slow = follow_instrument(place_instrument(own, refined.clock, hand.grid, highest_hz, refined.until_s))
    world = share_world(slow, angle, session.events, hand, point.value)
    return Witness(
        signals=see_from(world, hand, motion.quat_wxyz, lever), hand_quat_wxyz=motion.quat_wxyz, lever_m=lever,
        instrument=whole, bias_radps=samples.bias_radps, steps=samples.steps,
        world=world, whole=whole_world, known=whole.valid, heading=heading, drift=drift, point=point, rocked=rocked,
        clock=replace(refined, clock=replace(refined.clock, residual_s=doubt)), highest_hz=highest_hz, phone=phone,
        rate_hz=own.grid.rate_hz * own.factor, heading_rate_dps=rate_dps, settings=settings,
    )  # fmt: skip


def _rock(
    motion: Motion, own: Signals, events: Sequence[Event], refined: ClockRefinement
) -> tuple[RelativeOrientation | None, ClockRefinement]:
    """The rotation between both sensors from a ``rock``, and the clock's lag in it where nothing else told one."""
    wanted = [e for e in events if e.kind == "rock"]
    seen = [_rocked(motion, own, event, refined.clock) for event in wanted]
    if refined.chunks < 2:
        for _ in range(LAG_ROUNDS):
            lags = [lag for _, lag in filter(None, seen)]
            if not lags:
                return None, refined
            clock, lag = refined.clock, float(np.mean(lags))
            doubt = min(clock.residual_s or UNKNOWN_CLOCK_S, ROCK_CLOCK_S)
            clock = ClockRelation(clock.offset_s - lag, clock.rate, doubt)
            refined = replace(refined, clock=clock, offset_s=refined.offset_s + lag)
            seen = [_rocked(motion, own, event, clock) for event in wanted]
    turns = [turn for turn, _ in filter(None, seen)]
    return min(turns, key=lambda turn: turn.residual_share, default=None), refined


def _rocked(
    motion: Motion, own: Signals, event: Event, clock: ClockRelation
) -> tuple[RelativeOrientation, float] | None:
    """How both sensors lie in one ``rock``, and how late the instrument's is placed; None where it will not do."""
    part = motion.grid.slice_of(event.start_s + 0.3, event.end_s - 0.3)
    placed = place_instrument(own, clock, motion.grid)
    if part.stop - part.start < motion.grid.rate_hz or not placed.grid.valid[part].all():
        return None
    hand, instrument = motion.gyro_radps[part], placed.gyro_radps[part]
    turn = relative_orientation(hand, instrument, event.end_s - event.start_s)
    second_rms = float(np.linalg.svd(instrument, compute_uv=False)[1]) / np.sqrt(len(instrument))
    if turn.residual_share > ROCKED_SHARE or second_rms < np.radians(LEAST_ROCKING_DPS):
        return None
    turned = instrument @ turn.matrix.T
    rising = slope(turned, motion.grid.rate_hz)
    return turn, float((rising * (hand - turned)).sum() / (rising**2).sum())


def _headings(
    motion: Motion, instrument: InstrumentMotion, events: Sequence[Event], settings: HeadingSettings
) -> tuple[HeadingDrift, Estimate | None]:
    """Drift of one sensor's heading against the other's by the hand's yaw, and the turn between both worlds."""
    grid, rate_hz = motion.grid, motion.grid.rate_hz
    yaws = see_yaws(motion, events, settings)
    half = int(0.5 * settings.window_s * rate_hz)
    start = matrices(instrument.quat_wxyz[:1])[0]
    turned = []
    for time, rotation in zip(yaws.times_s, yaws.rotations, strict=True):
        at = grid.index_at(float(time))
        mean = matrices(instrument.quat_wxyz[max(0, at - half) : at + half : max(1, half // 20)]).mean(axis=0)
        yaw = heading_between(start, mean)
        c, s = np.cos(yaw), np.sin(yaw)
        turned.append(np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ rotation)
    yaws = replace(yaws, rotations=np.array(turned).reshape(-1, 3, 3))
    drift = fit_heading(yaws, (), grid.start_s, settings)
    angle = drift.mean_rad(grid.time_at(np.arange(grid.size)))
    hand = rotate(motion.quat_wxyz, motion.gyro_radps)
    u = instrument.rate_radps
    turned_u = np.stack(
        [np.cos(angle) * u[:, 0] - np.sin(angle) * u[:, 1], np.sin(angle) * u[:, 0] + np.cos(angle) * u[:, 1]], axis=1
    )
    return drift, shared_heading(hand, turned_u, parts_of(motion, instrument.valid, events, AT_STRINGS), rate_hz)


def _rough_lever(hand: Signals, session: Session, settings: ReferenceSettings) -> FloatArray:
    """The lever by ruler, else by the first pivot as if nothing moved."""
    prior = lever_prior(session, settings.lever)
    if session.lever_mm is not None:
        return prior.mean_m
    pivots, _ = usable_pivots(hand, session.events, prior, settings)
    windows = [PivotWindow(hand.accel_mps2[p], hand.gyro_radps[p], 0) for _, parts, _ in pivots for p in parts]
    return (
        fit_levers(windows, [], hand.grid.rate_hz, [prior], replace(settings.lever, iterations=1)).levers_m[0]
        if windows
        else prior.mean_m
    )
