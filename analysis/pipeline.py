"""The whole chain on one session: time base, calibration, orientation, reference, tip path, strokes, tilt, blocks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from importlib.metadata import version

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.consistency.judge import SensorJudgement, judge_sensor
from analysis.consistency.strap_doubts import doubt_strap, ringing_ratios
from analysis.consistency.strap_ringing import StrapSettings, find_strap
from analysis.consistency.stream_map import DELAY_FLOOR_S
from analysis.consistency.walking import WalkingSettings, doubt_walking
from analysis.drills.session_changes import mark_session_changes
from analysis.model.cautions import is_simulated, session_cautions
from analysis.model.doubts import Doubt
from analysis.model.errors import NotEnoughDataError
from analysis.model.events import keep_within
from analysis.model.records import BlockSummary, Event, FloatArray, ReferenceSummary, Session, SessionResult
from analysis.motion.hand_motion import Motion
from analysis.motion.stillness import accel_noise_mps2_rthz, attack_threshold, still_gyro_bias
from analysis.motion.strap import Strap, take_out
from analysis.reference.accel_gain import doubt_gains
from analysis.reference.epochs import label_epochs
from analysis.reference.gesture_doubts import doubt_gestures
from analysis.reference.mounting_doubts import doubt_mounting
from analysis.reference.pivots import ReferenceSettings
from analysis.reference.session_reference import Reference, establish_reference
from analysis.reference.unconfirmed import metadata_doubts
from analysis.report.data_quality import data_warnings
from analysis.signal.timebase import Timebase, fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals, read_together
from analysis.stroke.block_claims import Claims, assign_strokes, claim_blocks, see_blocks
from analysis.stroke.body_motion import BodySettings, doubt_body
from analysis.stroke.play_intervals import PASSAGE_SILENCE_S, order_events
from analysis.stroke.play_strokes import PlayContext, TableSettings, find_play
from analysis.stroke.stroke_paths import TracedStrokes
from analysis.stroke.stroke_table import Columns, assign_blocks, found_blocks, measure_columns, tabulate
from analysis.stroke.tip_claim import TipSettings
from analysis.stroke.truth_checks import doubt_checks, read_checks
from analysis.tension.tremor import find_still_moments
from analysis.witness.residue import summarise_witness
from analysis.witness.shared_shake import less_shaking
from analysis.witness.witness import Witness, WitnessSettings, call_witness
from analysis.witness.witness_doubts import doubt_witness

Progress = Callable[[str, float], None]
"""Called with a stage's name and the share of it that is done, 0..1."""

FOUND_EDGE_S = 0.5 * PASSAGE_SILENCE_S
NO_BLOCKS = "no block of play was marked: blocks were found from the strokes themselves"


@dataclass(frozen=True)
class Settings:
    """Settings of the whole chain.

    Attributes
    ----------
    reference : ReferenceSettings
        From gestures to the instrument frame.
    table : TableSettings
        Strokes and their measures.
    body : BodySettings
        Turns of the whole body.
    walking : WalkingSettings
    tip : TipSettings
        From the hand to the tip.
    witness : WitnessSettings
        A sensor on the instrument.
    strap : StrapSettings
        How the sensor's case hangs on the hand.
    """

    reference: ReferenceSettings = field(default_factory=ReferenceSettings)
    table: TableSettings = field(default_factory=TableSettings)
    body: BodySettings = field(default_factory=BodySettings)
    walking: WalkingSettings = field(default_factory=WalkingSettings)
    tip: TipSettings = field(default_factory=TipSettings)
    witness: WitnessSettings = field(default_factory=WitnessSettings)
    strap: StrapSettings = field(default_factory=StrapSettings)


@dataclass(frozen=True)
class SensorSeen:
    """What the samples say of the sensors themselves.

    Attributes
    ----------
    judgement : SensorJudgement
    strap : Strap or None
        As it was taken out.
    ringing : tuple of float or None
        How much every marked block rings.
    witness : Witness or None
    """

    judgement: SensorJudgement
    strap: Strap | None
    ringing: tuple[float | None, ...]
    witness: Witness | None


@dataclass(frozen=True)
class Prepared:
    """What the analysis takes from a session's samples; they are not needed afterwards.

    Attributes
    ----------
    session : Session
        Without its samples; events in order and inside the log.
    timebase : Timebase
        Without its rows.
    signals : Signals
    sensor : SensorSeen
    settings : Settings
        As the sensor wants them.
    """

    session: Session
    timebase: Timebase
    signals: Signals
    sensor: SensorSeen
    settings: Settings


def analyse_session(
    session: Session, progress: Progress | None = None, settings: Settings | None = None
) -> SessionResult:
    """Turn one session into strokes, blocks and their uncertainty.

    Parameters
    ----------
    session : Session
        As read from its file; nothing in it is changed.
    progress : callable, optional
        Told the stage and the share done.
    settings : Settings, optional

    Returns
    -------
    SessionResult

    Raises
    ------
    InputError, NotEnoughDataError
        With one sentence each: what was expected, what was found, what to do next.
    """
    return analyse_prepared(prepare_session(session, progress, settings), progress)


def prepare_session(session: Session, progress: Progress | None = None, settings: Settings | None = None) -> Prepared:
    """The first half of :func:`analyse_session`: whoever drops the session after it has room for the second.

    Parameters
    ----------
    session : Session
    progress : callable, optional
    settings : Settings, optional

    Returns
    -------
    Prepared

    Raises
    ------
    InputError
        With one sentence: what was expected, what was found, what to do next.
    """
    settings = settings or Settings()
    tell = progress or _silent
    tell("reading samples", 0.0)
    timebase = fit_timebase(session.raw, session.profile)
    session = _fit_events(session, timebase)
    signals = still_gyro_bias(prepare_signals(session, timebase), session.events)
    judgement = judge_sensor(session, timebase, signals)
    signals, settings = _read_together(signals, judgement.delay_s, settings)
    strap = find_strap(session, timebase, signals, settings.strap)
    if strap is not None:
        signals = still_gyro_bias(take_out(signals, strap), session.events)
    ringing = ringing_ratios(session, timebase, strap)
    witness = call_witness(signals, session, settings.reference, settings.witness)
    if witness is not None:
        signals = still_gyro_bias(witness.signals, session.events)
        settings = _with_witness(settings, witness)
        judgement = judgement.with_stills(less_shaking(witness, session.events), session)
    seen = SensorSeen(judgement, strap, ringing, witness)
    return Prepared(session.without_samples(), timebase.without_rows(), signals, seen, settings)


def analyse_prepared(prepared: Prepared, progress: Progress | None = None) -> SessionResult:
    """The second half of :func:`analyse_session`.

    Parameters
    ----------
    prepared : Prepared
    progress : callable, optional

    Returns
    -------
    SessionResult

    Raises
    ------
    NotEnoughDataError
        No strokes.
    """
    session, timebase, signals = prepared.session, prepared.timebase, prepared.signals
    sensor, witness, settings = prepared.sensor, prepared.sensor.witness, prepared.settings
    tell = progress or _silent
    tell("orientation and gestures", 0.2)
    motion, reference = establish_reference(signals, session, settings.reference)
    tell("strokes", 0.6)
    settings = replace(settings, table=settings.table.with_noise(accel_noise_mps2_rthz(signals, session.events)))
    threshold = attack_threshold(signals, session.events, settings.table.strokes.attack_ratio)
    blocks = tuple(event for event in session.events if event.kind == "play")
    table, strokes = measure_play(motion, session, PlayContext(reference, threshold), settings.table)
    if not blocks and (guess := found_blocks(table)):
        # Play shows how the heading drifts; where none is marked, it must be found before it can show that.
        events = order_events((*session.events, *guess))
        motion, reference = establish_reference(signals, replace(session, events=events), settings.reference)
        # What was found is looked at again as if it were marked: shorter series between and beside its long ones count.
        wide = [replace(e, start_s=e.start_s - FOUND_EDGE_S, end_s=e.end_s + FOUND_EDGE_S) for e in guess]
        marked = replace(session, events=order_events((*session.events, *wide)))
        table, strokes = measure_play(motion, marked, PlayContext(reference, threshold), settings.table)
    if table.empty:
        raise _no_strokes(sensor.judgement.doubts)
    tell("blocks", 0.9)
    if not blocks:
        blocks = found_blocks(table)
        table = assign_blocks(table, blocks)
        session = replace(session, warnings=(*session.warnings, NO_BLOCKS))
    paths_mm = _in_mm(strokes.path_m)
    marks, problems = mark_session_changes(table, blocks, session.instrument, session.metadata, paths_mm)
    table = table.assign(string_change=marks)
    session = replace(session, warnings=(*session.warnings, *problems))
    checks = read_checks(motion, reference, session.events, settings.reference.gestures)
    claims = Claims(
        motion, reference, session.instrument, settings.table.bands, settings.reference.gestures, settings.tip
    )
    parts = assign_strokes(table, strokes, blocks)
    seen = see_blocks(witness, claims, parts) if witness is not None else ()
    rates_hz = _block_rates(table, blocks)
    doubts = sensor.judgement.doubts + _gather_doubts(motion, reference, blocks, table, settings)
    doubts += doubt_walking(motion, session.events, blocks, rates_hz, settings.walking)
    doubts += doubt_strap(sensor.strap, sensor.ringing, rates_hz)
    if witness is not None:
        doubts += doubt_witness(witness, blocks, seen, motion, session.events)
    doubts += (*doubt_checks(checks, blocks, timebase.grid.start_s), *metadata_doubts(session.metadata))
    summaries = claim_blocks(claims, parts, doubts, seen)
    del strokes, parts  # a hundred megabytes in six hours
    stills = find_still_moments(motion, session.events, table)
    tell("done", 1.0)
    result = _result(session, timebase, signals, reference, _Played(table, paths_mm, summaries), settings)
    told = summarise_witness(witness, seen) if witness is not None else None
    return replace(result, still_moments=stills, doubts=doubts, checks=checks, witness=told)


def _silent(_stage: str, _share: float) -> None:
    """Tell nobody."""


def _read_together(signals: Signals, delay_s: float, settings: Settings) -> tuple[Signals, Settings]:
    """Move late samples of the gyroscope to their place; what the delay leaves open is left to ``pivot``."""
    if not delay_s:
        return signals, settings
    lever = replace(settings.reference.lever, skew_s=DELAY_FLOOR_S)
    return read_together(signals, delay_s), replace(settings, reference=replace(settings.reference, lever=lever))


def _with_witness(settings: Settings, witness: Witness) -> Settings:
    """Settings for a hand told against an instrument whose heading drifts, and whose lean needs no guess."""
    heading = replace(settings.reference.heading, rate_dps=witness.heading_rate_dps)
    mounting = replace(settings.reference.mounting, suspect=0.0, suspect_jump=0.0)
    return replace(settings, reference=replace(settings.reference, heading=heading, mounting=mounting))


def _fit_events(session: Session, timebase: Timebase) -> Session:
    """The session with its events in order and inside the log; a sentence says which are not."""
    start_s, end_s = timebase.grid.start_s, timebase.grid.end_s
    outside = sum(event.end_s < start_s or event.start_s > end_s for event in session.events)
    warnings = session.warnings
    if outside:
        span = f"{round(start_s, 1) + 0.0:g} to {round(end_s, 1):g} s"
        warnings += (f"{outside} of {len(session.events)} events lie outside the log ({span})",)
    events = keep_within(order_events(session.events), start_s, end_s)
    return replace(session, events=events, warnings=warnings)


def measure_play(
    motion: Motion, session: Session, context: PlayContext, settings: TableSettings
) -> tuple[pd.DataFrame, TracedStrokes]:
    """Find the strokes of all stretches, keep those of play, measure them."""
    columns, strokes = measure_window(motion, session, context, settings)
    return tabulate(columns), strokes


def measure_window(
    motion: Motion, session: Session, context: PlayContext, settings: TableSettings
) -> tuple[Columns, TracedStrokes]:
    """The same as bare columns: for windows of which only a few rows are wanted, again and again.

    Parameters
    ----------
    motion : Motion
        Over the window.
    session : Session
    context : PlayContext
        Reference, instrument and what else play is measured against.
    settings : TableSettings

    Returns
    -------
    (Columns, TracedStrokes)
        The columns of the stroke table, and the strokes with their paths.
    """
    play = find_play(motion, session.events, context, settings)
    return measure_columns(motion, play, session)


def _block_rates(table: pd.DataFrame, blocks: Sequence[Event]) -> list[float | None]:
    """Strokes a second of every block; None where it has none."""
    rate = (1.0 / (table["end_s"] - table["start_s"])).groupby(table["block"]).median()
    return [float(rate[index]) if index in rate.index else None for index in range(len(blocks))]


def _no_strokes(doubts: tuple[Doubt, ...]) -> NotEnoughDataError:
    """Why there are none: a sensor that contradicts itself draws no stroke, so its fault comes first."""
    fault = next((doubt for doubt in doubts if doubt.kind.startswith("sensor")), None)
    if fault is not None:
        found = f"none, and {fault.fault} ({fault.evidence})"
        return NotEnoughDataError(expected="strokes of play", found=found, next_step=fault.change)
    return NotEnoughDataError(
        expected="strokes of play",
        found="none",
        next_step="check that the sensor is on the picking hand, that a block of play is marked, and that the "
        "strokes span at least 1.5 mm",
    )


def _gather_doubts(
    motion: Motion, reference: Reference, blocks: Sequence[Event], table: pd.DataFrame, settings: Settings
) -> tuple[Doubt, ...]:
    """What every stage found that lowers a claim."""
    own = label_epochs(blocks, reference.splits)
    middle = table.groupby("block")["tilt_deg"].median()
    tilts_deg = [float(middle[index]) if index in middle.index else None for index in range(len(blocks))]
    return (
        *doubt_gestures(reference.frames, reference.qualities, reference.drift, own, settings.reference.gestures),
        *doubt_mounting(motion, reference, blocks, tilts_deg, settings.reference.mounting),
        *doubt_body(motion, reference, blocks, settings.body),
        *doubt_gains(reference.lever_fit.accel_gains),
    )


@dataclass(frozen=True)
class _Played:
    """What was found in a session's play."""

    table: pd.DataFrame
    paths_mm: NDArray[np.float32]
    summaries: tuple[BlockSummary, ...]


def _result(
    session: Session, timebase: Timebase, signals: Signals, reference: Reference, played: _Played, settings: Settings
) -> SessionResult:
    summaries = played.summaries
    frame = next(iter(reference.frames.values()))
    repetitions = {
        kind: sum(1 for q in reference.qualities if q.kind == kind and q.usable)
        for kind in ("across", "along", "pivot")
    }
    offsets = [b.tilt_offset_se_deg for b in summaries if b.tilt_offset_se_deg is not None]
    fit = reference.lever_fit
    known = frame.from_gestures
    return SessionResult(
        rate_hz=timebase.grid.rate_hz,
        duration_s=timebase.grid.duration_s,
        start_s=timebase.grid.start_s,
        lost_samples=timebase.lost_samples,
        clipped_samples=signals.clipped_samples,
        reference=ReferenceSummary("gestures" if known else "hand", reference.qualities, repetitions),
        tilt_offset_se_deg=float(np.sqrt(np.mean(np.square(offsets)))) if offsets else None,
        lever_mm=_triple(1e3 * frame.lever_m) if known else None,
        lever_se_mm=_triple(1e3 * fit.covariance.lever_sd_m(frame.grip)) if known else None,
        warnings=(*session.warnings, *data_warnings(session, timebase, signals), *reference.warnings),
        blocks=summaries,
        strokes=played.table.reset_index(drop=True),
        paths_mm=played.paths_mm,
        events=session.events,
        instrument=session.instrument,
        player=session.player,
        cautions=session_cautions(session.events, known, is_simulated(session.metadata)),
        settings=asdict(settings),
        version=version("strokeplane"),
        log_hash=session.log_hash,
    )


def _in_mm(path_m: FloatArray) -> NDArray[np.float32]:
    """Millimetres, rounded to 32 bits without a second copy of all paths on the way."""
    out = np.empty(path_m.shape, dtype=np.float32)
    return np.multiply(path_m, 1e3, out=out, casting="same_kind")


def _triple(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])
