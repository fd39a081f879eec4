"""The per-stroke table: measure, name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.model.records import BoolArray, Event, Instrument, IntArray, Session
from analysis.model.stroke_columns import STROKE_COLUMNS
from analysis.motion.hand_motion import Motion
from analysis.motion.turns import running_median
from analysis.signal.pieces import pieces
from analysis.stroke.contact import find_contacts
from analysis.stroke.play_intervals import number_passages
from analysis.stroke.play_strokes import PlayStrokes, block_of
from analysis.stroke.stroke_paths import TracedStrokes
from analysis.stroke.tilt import StrokeMeasures, measure_strokes, tilt_se_deg

Columns: TypeAlias = dict[str, NDArray[Any]]

MIN_FOUND_BLOCK = 8


def measure_columns(motion: Motion, play: PlayStrokes, session: Session) -> tuple[Columns, TracedStrokes]:
    """Measure strokes of play.

    Parameters
    ----------
    motion : Motion
    play : PlayStrokes
    session : Session
        Its events in time order, its instrument.

    Returns
    -------
    columns : dict of arrays (n,)
        Of :data:`analysis.model.stroke_columns.STROKE_COLUMNS`; ``block`` is -1 where the table has none.
    strokes : TracedStrokes
        Those in the columns.
    """
    traced, attack = play.traced, ~np.isnan(play.attack_mps2)
    blocks = [event for event in session.events if event.kind == "play"]
    measures = _measure(motion, traced, session.instrument, attack)
    start_s, end_s = motion.grid.time_at(traced.start), motion.grid.time_at(traced.end)
    duration = end_s - start_s
    columns = {
        "start_s": start_s,
        "end_s": end_s,
        "block": play.block,
        "direction": np.where(traced.sign > 0, "down", "up"),
        "tilt_deg": measures.tilt_deg,
        "tilt_se_deg": tilt_se_deg(traced),
        "span_mm": measures.span_mm,
        "bow_mm": measures.bow_mm,
        "lift_mm": measures.lift_mm,
        "string_change": np.full(traced.start.size, "unknown"),
        "strokes_per_s": 1.0 / running_median(duration) if duration.size else duration,
        "posture": play.posture,
        "tempo_bpm": np.array([event.tempo_bpm or np.nan for event in blocks] + [np.nan])[play.block],
        "run": play.run,
        "attack": measures.attack,
        "contact_s": start_s + measures.contact * duration,
        "clears": measures.lift_mm > 0,
        "attack_mps2": play.attack_mps2,
        "sparc": play.sparc,
        "ldlj": play.ldlj,
        "main_tilt_deg": measures.main_tilt_deg,
        "bridged": play.bridged,
    }
    return columns, traced


def _measure(motion: Motion, strokes: TracedStrokes, instrument: Instrument, attack: BoolArray) -> StrokeMeasures:
    """Measures of all strokes, some thousand at a time."""
    found = []
    for part in pieces(attack.size) if attack.size else [slice(0, 0)]:
        some = strokes.select(part)
        found.append(measure_strokes(some, instrument, find_contacts(motion, some, attack[part]), attack[part]))
    names = StrokeMeasures.__dataclass_fields__
    return StrokeMeasures(*(np.concatenate([getattr(each, name) for each in found]) for name in names))


def tabulate(columns: Columns) -> pd.DataFrame:
    """The stroke table of its columns.

    Parameters
    ----------
    columns : Columns
        One array a column, all of one length.

    Returns
    -------
    DataFrame
        Columns of ``STROKE_COLUMNS``, one row a stroke.
    """
    given = {**columns, "block": _nullable(columns["block"])}
    return pd.DataFrame({column.name: given[column.name] for column in STROKE_COLUMNS})


def found_blocks(table: pd.DataFrame) -> tuple[Event, ...]:
    """Blocks of a log without marks: strokes apart from their neighbours by at most two seconds of silence.

    Parameters
    ----------
    table : DataFrame
        Strokes in order, one a row; times in log seconds.

    Returns
    -------
    tuple of Event
        In order; groups of few strokes are passed over.
    """
    if table.empty:
        return ()
    start, end = table["start_s"].to_numpy(), table["end_s"].to_numpy()
    number = number_passages(start, end)
    posture = table["posture"].to_numpy()
    blocks = []
    for index in np.unique(number):
        members = np.flatnonzero(number == index)
        if members.size >= MIN_FOUND_BLOCK:
            first, last = members[0], members[-1]
            blocks.append(Event(float(start[first]), float(end[last]), "play", "found", posture=str(posture[first])))
    return tuple(blocks)


def assign_blocks(table: pd.DataFrame, blocks: Sequence[Event]) -> pd.DataFrame:
    """The table with its strokes assigned to blocks anew.

    Parameters
    ----------
    table : DataFrame
        Strokes, one a row; times in log seconds.
    blocks : sequence of Event
        In order; a stroke belongs to the block that holds its middle.

    Returns
    -------
    DataFrame
        A new table; missing where a stroke lies in no block.
    """
    middle_s = 0.5 * (table["start_s"] + table["end_s"]).to_numpy()
    return table.assign(block=_nullable(block_of(middle_s, blocks)))


def _nullable(block: IntArray) -> pd.api.extensions.ExtensionArray:
    return pd.arrays.IntegerArray(np.where(block < 0, 0, block), block < 0)
