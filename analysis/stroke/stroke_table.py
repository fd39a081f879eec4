"""The per-stroke table: gate, measure, name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.model.records import BoolArray, Event, FloatArray, IntArray, Session
from analysis.model.stroke_columns import STROKE_COLUMNS
from analysis.motion.hand_motion import Motion
from analysis.motion.turns import StrokeSettings, find_runs, running_median
from analysis.reference.session_reference import Reference
from analysis.stroke.gate import accept_strokes
from analysis.stroke.play import BandSettings, StrokeSet, turned_axes
from analysis.stroke.smoothness import stroke_smoothness
from analysis.stroke.stroke_paths import TracedStrokes, settle_ends, trace_paths
from analysis.stroke.tilt import (
    StrokeMeasures,
    attack_strength,
    find_contacts,
    has_attack,
    measure_strokes,
    noise_tilt_se_deg,
)

Columns: TypeAlias = dict[str, NDArray[Any]]

BLOCK_SILENCE_S = 2.0
MIN_FOUND_BLOCK = 8
MIN_FRAGMENT = 4


@dataclass(frozen=True)
class TableSettings:
    """Settings of the table: strokes, bands, and the accelerometer noise behind each stroke's own error."""

    strokes: StrokeSettings = field(default_factory=StrokeSettings)
    bands: BandSettings = field(default_factory=BandSettings)
    accel_noise_mps2_rthz: float = 400e-6 * 9.80665


@dataclass(frozen=True)
class PlayContext:
    """What play is measured against: the frames, and the level of a pick attack (None where none can be seen)."""

    reference: Reference
    attack_mps2: float | None


def measure_columns(
    motion: Motion,
    strokes: StrokeSet,
    posture: Sequence[str],
    session: Session,
    context: PlayContext,
    settings: TableSettings,
) -> tuple[Columns, TracedStrokes]:
    """Keep the strokes that are play and measure them.

    Parameters
    ----------
    motion : Motion
    strokes : StrokeSet
        All strokes traced.
    posture : sequence of str
        Posture of each.
    session : Session
        Its events in time order, its instrument.
    context : PlayContext
    settings : TableSettings

    Returns
    -------
    columns : dict of arrays (n,)
        Of :data:`analysis.model.stroke_columns.STROKE_COLUMNS`; ``block`` is -1 where the table has none.
    strokes : TracedStrokes
        Those in the columns.
    """
    reference, threshold_mps2 = context.reference, context.attack_mps2
    blocks = [event for event in session.events if event.kind == "play"]
    attack = has_attack(attack_strength(motion, strokes), threshold_mps2, settings.strokes.attack_of_typical)
    middle_s = motion.grid.time_at(0.5 * (strokes.start + strokes.end))
    block = _block_of(middle_s, blocks)
    sound = ~(strokes.edge & ~attack) & _unbroken(motion, strokes)
    run = np.where(sound, find_runs(strokes.start, strokes.end, strokes.span_m, settings.strokes), -1)
    seen = None if threshold_mps2 is None else attack
    keep = np.flatnonzero(accept_strokes(run, block, seen, bool(blocks), settings.strokes))
    whole = _not_cut_off(motion, strokes.select(keep))
    keep = keep[whole]
    kept = settle_ends(strokes.select(keep))
    frames = [reference.frame(posture[int(i)], float(middle_s[int(i)])) for i in keep]
    traced = trace_paths(motion, kept, frames, partial(turned_axes, drift=reference.drift), settings.bands)
    # An end placed by the rhythm may lie in a gap, or where the hand already leaves: a stroke that runs backwards.
    forward = traced.sign * (traced.path_m[:, -1, 1] - traced.path_m[:, 0, 1]) > 0
    forward &= _unbroken(motion, traced)
    traced, keep = traced.select(forward), keep[forward]
    strength = attack_strength(motion, traced)
    attack = has_attack(strength, threshold_mps2, settings.strokes.attack_of_typical)
    measures = measure_strokes(traced, session.instrument, find_contacts(motion, traced, attack), attack)
    bands = {float(c): settings.bands.tilt_band(float(c)) for c in np.unique(traced.cycle_hz)}
    se_deg = noise_tilt_se_deg(traced, settings.accel_noise_mps2_rthz, bands)
    tempo = np.array([event.tempo_bpm or np.nan for event in blocks] + [np.nan])[block[keep]]
    own = [reference.frame(posture[int(i)], float(middle_s[int(i)])) for i in keep]
    sparc, ldlj = stroke_smoothness(motion, traced, own, settings.bands.highest_lowpass_hz)
    more = {
        "posture": np.array(posture, dtype=object)[keep],
        "tempo_bpm": tempo,
        "tilt_se_deg": se_deg,
        "attack_mps2": np.where(attack, strength, np.nan),
        "sparc": sparc,
        "ldlj": ldlj,
    }
    return {**_columns(motion, traced, measures, (block[keep], run[keep])), **more}, traced


def tabulate(columns: Columns) -> pd.DataFrame:
    """The stroke table of its columns."""
    given = {**columns, "block": _nullable(columns["block"])}
    return pd.DataFrame({column.name: given[column.name] for column in STROKE_COLUMNS})


def found_blocks(table: pd.DataFrame) -> tuple[Event, ...]:
    """Blocks of a log without marks: strokes apart from their neighbours by at most two seconds of silence."""
    if table.empty:
        return ()
    start, end = table["start_s"].to_numpy(), table["end_s"].to_numpy()
    number = np.concatenate([[0], np.cumsum(start[1:] - end[:-1] > BLOCK_SILENCE_S)])
    posture = table["posture"].to_numpy()
    blocks = []
    for index in np.unique(number):
        members = np.flatnonzero(number == index)
        if members.size >= MIN_FOUND_BLOCK:
            first, last = members[0], members[-1]
            blocks.append(Event(float(start[first]), float(end[last]), "play", "found", posture=str(posture[first])))
    return tuple(blocks)


def assign_blocks(table: pd.DataFrame, blocks: Sequence[Event]) -> pd.DataFrame:
    """The table with its strokes assigned to blocks anew."""
    middle_s = 0.5 * (table["start_s"] + table["end_s"]).to_numpy()
    return table.assign(block=_nullable(_block_of(middle_s, blocks)))


def _unbroken(motion: Motion, strokes: StrokeSet) -> BoolArray:
    """Strokes without a missing sample inside."""
    missing = np.concatenate([[0], np.cumsum(~motion.grid.valid)])
    last, first = np.ceil(strokes.end).astype(np.int64), np.floor(strokes.start).astype(np.int64)
    return np.asarray(missing[np.minimum(last, motion.grid.size)] == missing[first])


def _not_cut_off(motion: Motion, strokes: StrokeSet) -> BoolArray:
    """Strokes outside fragments: under four in a row, of which a gap cut off the others.

    A path has no rhythm to be filtered by in so few, and its ends lean on samples that are missing: their tilts were 40
    to 80 degrees off. A short burst between rests has its own turns and stays.
    """
    missing = np.concatenate([[0], np.cumsum(~motion.grid.valid)])
    keep = np.ones(strokes.start.size, dtype=bool)
    for members in strokes.series():
        if members.size >= MIN_FRAGMENT:
            continue
        start, end = strokes.start[members[0]], strokes.end[members[-1]]
        beside = (end - start) / members.size
        first, last = np.clip([start - beside, end + beside], 0, motion.grid.valid.size).astype(np.int64)
        keep[members] = missing[last] == missing[first]
    return keep


def _block_of(time_s: FloatArray, blocks: Sequence[Event]) -> IntArray:
    """Index of the block that holds each time, -1 for none."""
    block = np.full(time_s.size, -1, dtype=np.int64)
    for number, event in enumerate(blocks):
        block[(time_s >= event.start_s) & (time_s < event.end_s)] = number
    return block


def _nullable(block: IntArray) -> pd.api.extensions.ExtensionArray:
    return pd.arrays.IntegerArray(np.where(block < 0, 0, block), block < 0)


def _columns(motion: Motion, strokes: StrokeSet, measures: StrokeMeasures, place: tuple[IntArray, IntArray]) -> Columns:
    block, run = place
    start_s, end_s = motion.grid.time_at(strokes.start), motion.grid.time_at(strokes.end)
    duration = end_s - start_s
    return {
        "start_s": start_s,
        "end_s": end_s,
        "block": block,
        "direction": np.where(strokes.sign > 0, "down", "up"),
        "tilt_deg": measures.tilt_deg,
        "span_mm": measures.span_mm,
        "bow_mm": measures.bow_mm,
        "lift_mm": measures.lift_mm,
        "string_change": np.full(run.size, "unknown"),
        "strokes_per_s": 1.0 / running_median(duration) if run.size else duration,
        "run": run,
        "attack": measures.attack,
        "contact_s": start_s + measures.contact * duration,
        "clears": measures.lift_mm > 0,
    }
