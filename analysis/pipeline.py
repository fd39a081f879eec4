"""The whole chain on one session: time base, calibration, orientation, reference, tip path, strokes, tilt, blocks."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from importlib.metadata import version

import numpy as np
import pandas as pd

from analysis.blocks import summarise_block
from analysis.cautions import session_cautions
from analysis.errors import NotEnoughDataError
from analysis.frame import Frame
from analysis.gate import accept_strokes
from analysis.model import (
    BlockSummary,
    BoolArray,
    Event,
    FloatArray,
    IntArray,
    ReferenceSummary,
    Session,
    SessionResult,
)
from analysis.motion import Motion
from analysis.play import BandSettings, StrokeSet, find_pieces, join, trace_strokes, turned_axes
from analysis.reference import Reference, ReferenceSettings, establish_reference
from analysis.signals import Signals, prepare_signals
from analysis.stillness import attack_threshold
from analysis.strokes import StrokeSettings, find_runs
from analysis.tilt import StrokeMeasures, find_contacts, measure_strokes, noise_tilt_se_deg
from analysis.timebase import Timebase, fit_timebase
from analysis.uncertainty import block_chord, offset_se_deg

Progress = Callable[[str, float], None]
"""Called with a stage's name and the share of it that is done, 0..1."""

GESTURE_KINDS = ("still", "across", "along", "pivot")
NOT_PLAY = (*GESTURE_KINDS, "rest", "hurt")
EVENT_EDGE_S = 2.0
LONG_GAP_S = 0.25


@dataclass(frozen=True)
class Settings:
    """Settings of the whole chain."""

    reference: ReferenceSettings = field(default_factory=ReferenceSettings)
    strokes: StrokeSettings = field(default_factory=StrokeSettings)
    bands: BandSettings = field(default_factory=BandSettings)
    accel_noise_mps2_rthz: float = 300e-6 * 9.80665


@dataclass(frozen=True)
class Stretch:
    """Time in which play is looked for: working samples ``first:last`` with one posture's frame."""

    first: int
    last: int
    posture: str


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
    settings = settings or Settings()
    tell = progress or (lambda _stage, _share: None)
    tell("reading samples", 0.0)
    timebase = fit_timebase(session.raw, session.profile)
    signals = prepare_signals(session, timebase)
    tell("orientation and gestures", 0.2)
    motion, reference = establish_reference(signals, session, settings.reference)
    tell("strokes", 0.6)
    threshold = attack_threshold(signals, session.events, settings.strokes.attack_ratio)
    strokes, posture = _find_strokes(motion, session.events, reference, settings)
    blocks = tuple(event for event in session.events if event.kind == "play")
    table, strokes = _stroke_table(motion, strokes, posture, blocks, (session, threshold), settings)
    if table.empty:
        raise NotEnoughDataError(
            "expected strokes of play, found none; check that the sensor is on the picking hand, that a block of play "
            "is marked, and that the strokes span at least 2 mm"
        )
    tell("blocks", 0.9)
    summaries = _summarise(motion, table, strokes, blocks, reference, settings)
    tell("done", 1.0)
    return _result(session, timebase, signals, reference, (table, strokes, summaries), settings)


def _find_strokes(
    motion: Motion, events: Sequence[Event], reference: Reference, settings: Settings
) -> tuple[StrokeSet, list[str]]:
    """Trace every stretch; the posture whose frame was used, a stroke."""
    parts, postures = [], []
    for stretch in _stretches(motion, events):
        frame = reference.frame(stretch.posture)
        pieces = find_pieces(motion, stretch.first, stretch.last, frame, reference.drift, settings.strokes)

        def axes_at(time_s: float, frame: Frame = frame) -> FloatArray:
            return turned_axes(frame, reference.drift, time_s)

        traced = trace_strokes(motion, pieces, axes_at, frame.lever_m, settings.strokes, settings.bands)
        if traced.start.size:
            parts.append(traced)
            postures += [stretch.posture] * traced.start.size
    return join(parts), postures


def _stretches(motion: Motion, events: Sequence[Event]) -> list[Stretch]:
    """Time that is not gesture, rest or hurt, cut at gaps; a block reaches up to two seconds past its marks."""
    label = np.full(motion.valid.size, -1, dtype=np.int64)
    plays = [event for event in events if event.kind == "play"]
    for number, event in enumerate(plays):
        first, last = motion.index(event.start_s), motion.index(event.end_s)
        edge = int(EVENT_EDGE_S * motion.rate_hz)
        before = slice(max(0, first - edge), first)
        label[before] = np.where(label[before] < 0, number, label[before])
        label[first : min(label.size, last + edge)] = number
    for event in events:
        if event.kind in NOT_PLAY:
            label[motion.index(event.start_s) : motion.index(event.end_s)] = -2
    for first, last in _long_gaps(motion):
        label[first:last] = -2
    edges = np.flatnonzero(np.diff(label)) + 1
    bounds = np.concatenate([[0], edges, [label.size]])
    found = []
    for first, last in itertools.pairwise(bounds):
        number = int(label[first])
        if number > -2 and last - first >= motion.rate_hz:
            found.append(
                Stretch(int(first), int(last), plays[number].posture if number >= 0 else _near(plays, motion, first))
            )
    return found


def _near(plays: Sequence[Event], motion: Motion, first: int) -> str:
    """Posture of the block nearest to a sample."""
    if not plays:
        return ""
    time = motion.start_s + first / motion.rate_hz
    return min(plays, key=lambda event: min(abs(event.start_s - time), abs(event.end_s - time))).posture


def _long_gaps(motion: Motion) -> list[tuple[int, int]]:
    """Stretches without samples that are too long to filter across, as (first, last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[1], motion.valid.astype(np.int8), [1]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a > LONG_GAP_S * motion.rate_hz]


def _stroke_table(
    motion: Motion,
    strokes: StrokeSet,
    posture: Sequence[str],
    blocks: Sequence[Event],
    session_threshold: tuple[Session, float | None],
    settings: Settings,
) -> tuple[pd.DataFrame, StrokeSet]:
    """Gate the strokes and measure those that are play."""
    session, threshold = session_threshold
    contact, attack = find_contacts(motion, strokes, threshold, settings.strokes.attack_of_typical)
    start_s, end_s = motion.time_s(strokes.start), motion.time_s(strokes.end)
    block = _block_of(0.5 * (start_s + end_s), blocks)
    run = find_runs(strokes.start, strokes.end, strokes.span_m, settings.strokes)
    seen = None if threshold is None else attack
    sound = ~(strokes.edge & ~attack) & _unbroken(motion, strokes)
    keep = np.flatnonzero(accept_strokes(np.where(sound, run, -1), block, seen, bool(blocks), settings.strokes))
    strokes = strokes.select(keep)
    measures = measure_strokes(strokes, session.instrument, contact[keep], attack[keep])
    bands = {float(c): settings.bands.tilt_band(float(c)) for c in np.unique(strokes.cycle_hz)}
    se = noise_tilt_se_deg(strokes, settings.accel_noise_mps2_rthz, bands)
    table = _table(measures, start_s[keep], end_s[keep], block[keep], run[keep])
    table["direction"] = np.where(strokes.sign > 0, "down", "up")
    table["tilt_se_deg"] = se
    table["posture"] = [posture[i] for i in keep]
    tempo = np.array([b.tempo_bpm if b.tempo_bpm is not None else np.nan for b in blocks] + [np.nan])
    table["tempo_bpm"] = tempo[block[keep]]
    order = [c for c in STROKE_ORDER if c in table]
    return table[order], strokes


STROKE_ORDER = (
    "start_s", "end_s", "block", "direction", "tilt_deg", "tilt_se_deg", "span_mm", "bow_mm", "lift_mm",
    "string_change", "strokes_per_s", "posture", "tempo_bpm", "run", "attack", "contact_s", "clears",
)  # fmt: skip


def _unbroken(motion: Motion, strokes: StrokeSet) -> BoolArray:
    """Strokes without a missing sample inside."""
    missing = np.concatenate([[0], np.cumsum(~motion.valid)])
    return np.asarray(
        missing[np.ceil(strokes.end).astype(np.int64)] == missing[np.floor(strokes.start).astype(np.int64)]
    )


def _block_of(time_s: FloatArray, blocks: Sequence[Event]) -> IntArray:
    """Index of the block that holds each time, -1 for none."""
    block = np.full(time_s.size, -1, dtype=np.int64)
    for number, event in enumerate(blocks):
        block[(time_s >= event.start_s) & (time_s < event.end_s)] = number
    return block


def _table(
    measures: StrokeMeasures, start_s: FloatArray, end_s: FloatArray, block: IntArray, run: IntArray
) -> pd.DataFrame:
    duration = pd.Series(end_s - start_s)
    rate = 1.0 / duration.groupby(run).transform(lambda d: d.rolling(9, center=True, min_periods=1).median())
    return pd.DataFrame(
        {
            "start_s": start_s,
            "end_s": end_s,
            "block": pd.array(np.where(block < 0, 0, block), dtype="Int64"),
            "tilt_deg": measures.tilt_deg,
            "span_mm": measures.span_mm,
            "bow_mm": measures.bow_mm,
            "lift_mm": measures.lift_mm,
            "string_change": "unknown",
            "strokes_per_s": rate.to_numpy(),
            "run": run,
            "attack": measures.attack,
            "contact_s": start_s + measures.contact * (end_s - start_s),
            "clears": measures.lift_mm > 0,
        }
    ).assign(block=lambda t: t["block"].mask(pd.Series(block < 0)))


def _summarise(
    motion: Motion,
    table: pd.DataFrame,
    strokes: StrokeSet,
    blocks: Sequence[Event],
    reference: Reference,
    settings: Settings,
) -> tuple[BlockSummary, ...]:
    summaries = []
    number = table["block"].fillna(-1).to_numpy(dtype=np.int64)
    for index, event in enumerate(blocks):
        members = np.flatnonzero(number == index)
        frame = reference.frame(event.posture)
        offset = None
        if frame.from_gestures and members.size:
            chord = block_chord(motion, strokes.select(members), frame, reference.drift, settings.bands)
            offset = offset_se_deg(chord, frame, reference.lever_fit, reference.drift, settings.reference.gestures)
        summaries.append(summarise_block(index, event, table.iloc[members], offset, frame.from_gestures))
    return tuple(summaries)


def _result(
    session: Session,
    timebase: Timebase,
    signals: Signals,
    reference: Reference,
    found: tuple[pd.DataFrame, StrokeSet, tuple[BlockSummary, ...]],
    settings: Settings,
) -> SessionResult:
    table, strokes, summaries = found
    frame = next(iter(reference.frames.values()))
    repetitions = {
        kind: sum(1 for q in reference.qualities if q.kind == kind and q.usable) for kind in GESTURE_KINDS[1:]
    }
    offsets = [b.tilt_offset_se_deg for b in summaries if b.tilt_offset_se_deg is not None]
    fit = reference.lever_fit
    grip = slice(-3 * len(fit.levers_m) + 3 * frame.grip, (-3 * len(fit.levers_m) + 3 * frame.grip + 3) or None)
    known = frame.from_gestures
    return SessionResult(
        rate_hz=timebase.rate_hz,
        duration_s=timebase.slots / timebase.rate_hz,
        start_s=timebase.start_s,
        lost_samples=timebase.lost_samples,
        clipped_samples=signals.clipped_samples,
        reference=ReferenceSummary("gestures" if known else "hand", reference.qualities, repetitions),
        tilt_offset_se_deg=float(np.sqrt(np.mean(np.square(offsets)))) if offsets else None,
        lever_mm=_triple(1e3 * frame.lever_m) if known else None,
        lever_se_mm=_triple(1e3 * np.sqrt(np.diag(fit.covariance)[grip])) if known else None,
        warnings=(*session.warnings, *_data_warnings(session, timebase, signals), *reference.warnings),
        blocks=summaries,
        strokes=table.reset_index(drop=True),
        paths_mm=(1e3 * strokes.path_m).astype(np.float32),
        events=session.events,
        instrument=session.instrument,
        player=session.player,
        cautions=session_cautions(session.events, known),
        settings=asdict(settings),
        version=version("strokeplane"),
        log_hash=session.log_hash,
    )


def _triple(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _data_warnings(session: Session, timebase: Timebase, signals: Signals) -> list[str]:
    """Sentences about losses, repeats, clipping and jitter."""
    found = []
    if timebase.lost_samples:
        share = 100 * timebase.lost_samples / timebase.slots
        found.append(f"{timebase.lost_samples} of {timebase.slots} samples are missing ({share:.2g} %)")
    if timebase.repeated_samples:
        found.append(f"{timebase.repeated_samples} samples stand at a time already taken and were left out")
    if signals.clipped_samples:
        found.append(f"{signals.clipped_samples} samples are saturated; choose a larger range if this happens in play")
    if not timebase.even:
        found.append("sample times are too jittery to see losses; samples were taken as evenly spaced")
    if session.instrument.radius_mm is None:
        found.append("the arch of the strings is not given: the string plane is taken as flat")
    return found
