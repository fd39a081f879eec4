"""What a session says about its drills: for every block that names one, did its string changes clear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drills.alignment import DrillAlignment, DrillTiming, align_strokes
from analysis.drills.moves import AlignmentSettings
from analysis.drills.phrases import Demand, Phrase, find_drill, require_changes
from analysis.drills.string_change_path import measure_travel
from analysis.drills.string_changes import (
    LEAST_TOLD,
    BlockStrokes,
    ChangeSettings,
    find_weakest,
    judge_changes,
    mark_string_changes,
    summarise_pairs,
)
from analysis.model.errors import InputError, StrokeplaneError
from analysis.model.number_words import block_number, in_100
from analysis.model.records import BlockSummary, Event, FloatArray, Instrument, SessionResult

A_STROKE = {"down": "a downstroke", "up": "an upstroke"}


@dataclass(frozen=True)
class DrillBlock:
    """One block's answer about its drill.

    Attributes
    ----------
    index : int
        The block's index.
    phrase : Phrase
    demand : Demand
    alignment : DrillAlignment
    changes, pairs : DataFrame
        Columns of :data:`analysis.drills.string_changes.CHANGE_COLUMNS` and
        :data:`analysis.drills.string_changes.PAIR_COLUMNS`.
    weakest : Series or None
        Row of ``pairs`` that clears least often.
    suits : bool or None
        Whether the block's clearing stroke is the one that the phrase demands; None where it is not known.
    by_sound : bool
        Whether a microphone's pitches helped to tell which stroke played which note.
    """

    index: int
    phrase: Phrase
    demand: Demand
    alignment: DrillAlignment
    changes: pd.DataFrame
    pairs: pd.DataFrame
    weakest: pd.Series | None
    suits: bool | None
    by_sound: bool = False

    @property
    def share_told(self) -> float | None:
        """Share of the changes with a verdict; None without changes."""
        if self.changes.empty:
            return None
        return float((self.changes["verdict"] != "not known").mean())


def pair_cells(pairs: pd.DataFrame) -> list[tuple[str, ...]]:
    """Texts of a table of string pairs: from, to, after, changes, cleared, touched, not known, height, how sure.

    Height in mm; how sure the verdicts are on average, of 100.

    Parameters
    ----------
    pairs : DataFrame
        One string pair a row, as :class:`DrillBlock` holds it.

    Returns
    -------
    list[tuple[str, ...]]
        One tuple a row.
    """
    cells = []
    for pair in pairs.to_dict("records"):
        height = "" if pd.isna(pair["height_mm"]) else f"{pair['height_mm']:+.1f}"
        numbers = (str(pair[key]) for key in ("changes", "cleared", "touched", "not_known"))
        sure = "" if pd.isna(pair["probability"]) else in_100(pair["probability"])
        strings = (str(pair["from_string"]), str(pair["to_string"]))
        cells.append((*strings, f"{pair['after']}stroke", *numbers, height, sure))
    return cells


def sure_words(changes: pd.DataFrame) -> str:
    """How sure the verdicts are, in a sentence; nothing without any.

    Parameters
    ----------
    changes : DataFrame
        Columns of :data:`analysis.drills.string_changes.CHANGE_COLUMNS`.

    Returns
    -------
    str
    """
    chance = changes["probability"].dropna()
    if chance.empty:
        return ""
    return (
        f"Of 100 such verdicts {in_100(float(chance.mean()))} should be right; the least sure one is given "
        f"{in_100(float(chance.min()))} of 100."
    )


def weakest_words(block: DrillBlock) -> tuple[str, ...]:
    """Sentences that name a block's weakest change and what to do next; none where no string change was played.

    Parameters
    ----------
    block : DrillBlock

    Returns
    -------
    tuple of str
    """
    weakest, pairs = block.weakest, block.pairs
    if pairs.empty:
        return ()
    if weakest is None:
        if (pairs["cleared"] + pairs["touched"]).max() < LEAST_TOLD:
            return ("No string pair has three verdicts yet, so none can be named the weakest: play the drill longer.",)
        return ("No string pair with three verdicts or more was touched even once.",)
    told = weakest["cleared"] + weakest["touched"]
    advice = "Practise that change by itself, at first with a large, well tilted stroke."
    if block.suits is False and weakest["cleared"] == 0:
        other = "the twin" if block.demand.kind != "mixed" else "a phrase whose changes all follow the other stroke"
        advice = f"In this posture the {weakest['after']}stroke does not clear: try the other posture, or {other}."
    named = (
        f"Weakest change: string {weakest['from_string']} to {weakest['to_string']} after "
        f"{A_STROKE[weakest['after']]}, cleared {weakest['cleared']} of {told} times."
    )
    return named, advice


@dataclass(frozen=True)
class DrillSettings:
    """Settings of alignment and verdicts."""

    alignment: AlignmentSettings
    changes: ChangeSettings


LEAST_AGREED = 0.8
"""Share of the matched strokes whose loudest pitch must be that of their note, else the sound is not believed."""


def judge_drills(
    result: SessionResult,
    metadata: Mapping[str, str],
    settings: DrillSettings | None = None,
    heard: Mapping[int, FloatArray] | None = None,
) -> tuple[tuple[DrillBlock, ...], tuple[str, ...]]:
    """Judge every block of a session that names a drill.

    Parameters
    ----------
    result : SessionResult
    metadata : Mapping
        The session's metadata; keys ``drill.NAME`` give names their phrases.
    settings : DrillSettings, optional
    heard : mapping of int to float64 (strokes, notes of the phrase), optional
        By block, what a microphone says of its strokes, as :func:`analysis.drills.alignment.align_strokes` takes it.

    Returns
    -------
    blocks : tuple of DrillBlock
    problems : tuple of str
        One sentence for every block whose drill cannot be judged, or whose sound is another phrase's.
    """
    settings = settings or DrillSettings(AlignmentSettings(), ChangeSettings())
    judged: list[DrillBlock] = []
    problems: list[str] = []
    for block in result.blocks:
        if not block.drill:
            continue
        try:
            own = (heard or {}).get(block.index)
            judged.append(_judge_block(result, block, metadata, settings, own))
        except StrokeplaneError as error:
            problems.append(f"Block {block_number(block.index)}: {error}")
            continue
        if own is not None and not judged[-1].by_sound:
            problems.append(
                f"Block {block_number(block.index)}: no answer from sound, its pitches are not those of the phrase; "
                "check the drill, the tuning and that this is the recording of this session. Motion alone answers."
            )
    return tuple(judged), tuple(problems)


def _judge_block(
    result: SessionResult,
    block: BlockSummary,
    metadata: Mapping[str, str],
    settings: DrillSettings,
    heard: FloatArray | None,
) -> DrillBlock:
    """Judge one block."""
    phrase = find_drill(block.drill, result.instrument.courses, metadata)
    if phrase is None:
        raise InputError(
            f"The drill {block.drill!r} is a name without a phrase",
            next_step=f"write the phrase itself, such as '4x2 3x2', or add it to the session as drill.{block.drill}.",
        )
    demand = require_changes(phrase)
    if result.reference.kind != "gestures":
        raise InputError(
            "String changes need the instrument's frame",
            next_step="record the gestures across, along and pivot before the drill.",
        )
    rows = _rows_of(result.strokes, block.index)
    strokes = result.strokes.iloc[rows]
    require_room(phrase, block, strokes)
    travel = measure_travel(strokes, result.paths_mm[rows], result.instrument)
    alignment = align_strokes(strokes, phrase, timing_of(block), settings.alignment, travel, heard)
    by_sound = heard is not None and share_agreed(alignment, phrase, heard) >= LEAST_AGREED
    if heard is not None and not by_sound:
        alignment = align_strokes(strokes, phrase, timing_of(block), settings.alignment, travel)
    played = BlockStrokes(strokes, result.paths_mm[rows], block.tilt_offset_se_deg or 0.0)
    changes = judge_changes(played, alignment, phrase, result.instrument, settings.changes)
    pairs = summarise_pairs(changes)
    suits = None if block.clearing_stroke is None else demand.suits(block.clearing_stroke)
    return DrillBlock(block.index, phrase, demand, alignment, changes, pairs, find_weakest(pairs), suits, by_sound)


def share_agreed(alignment: DrillAlignment, phrase: Phrase, heard: FloatArray) -> float:
    """Share of the matched strokes whose note is the one, or one of those, that the sound by itself finds likeliest.

    Strokes of which the sound says nothing do not count.
    """
    rows = np.flatnonzero((alignment.note >= 0) & (np.ptp(heard, axis=1) > 0.5))
    if not rows.size:
        return 0.0
    own = heard[rows, phrase.place_at(alignment.note[rows])]
    return float(np.mean(own > heard[rows].max(axis=1) - 1e-6))


def timing_of(block: Event | BlockSummary) -> DrillTiming:
    """Return what a block's tempo says of its notes' timing.

    Parameters
    ----------
    block : Event or BlockSummary

    Returns
    -------
    DrillTiming
        Seconds; without times where the block has no tempo.
    """
    if not block.tempo_bpm or not block.notes_per_beat:
        return DrillTiming()
    beat_s = 60.0 / block.tempo_bpm
    return DrillTiming(period_s=beat_s / block.notes_per_beat, beat_s=beat_s)


def require_room(phrase: Phrase, block: Event | BlockSummary, strokes: pd.DataFrame) -> None:
    """Raise InputError if the block is too short for its drill to be played once."""
    duration_s = block.end_s - block.start_s
    period_s = timing_of(block).period_s
    if period_s is not None:
        needed_s = float(phrase.lead_units + phrase.pass_units) * period_s
    elif phrase.is_even and len(strokes):
        needed_s = phrase.stroke_count(1) * float((strokes["end_s"] - strokes["start_s"]).median())
    else:
        between_s = np.diff(strokes["contact_s"].to_numpy(np.float64))
        needed_s = phrase.stroke_count(1) * float(between_s.mean()) if len(between_s) else 0.0
    # A block's marks are set by hand: a tenth of a second more or less is no reason to refuse it.
    if needed_s > duration_s + 0.1:
        raise InputError(
            f"The drill's {phrase.stroke_count(1)} notes take {needed_s:.1f} s, but the block lasts {duration_s:.1f} s",
            next_step="make the block longer, the tempo higher or the drill shorter.",
        )


def mark_session_changes(
    strokes: pd.DataFrame,
    blocks: Sequence[Event | BlockSummary],
    instrument: Instrument,
    metadata: Mapping[str, str],
    paths_mm: NDArray[np.floating] | None = None,
) -> tuple[NDArray[np.str_], tuple[str, ...]]:
    """Say of every stroke of a session whether a drill puts the next note on another string.

    Parameters
    ----------
    strokes : DataFrame
        The session's strokes.
    blocks : sequence of Event or BlockSummary
        All its blocks, in order.
    instrument : Instrument
    metadata : Mapping
        The session's metadata; keys ``drill.NAME`` give names their phrases.
    paths_mm : float (n, k, 3), optional
        The strokes' tip paths, which show where a note was played twice or left out.

    Returns
    -------
    marks : str (n,)
        The ``string_change`` column: true or false where a drill says so, else unknown.
    problems : tuple of str
        One sentence for every block whose drill is a phrase that its strokes cannot be matched with.
    """
    marks = np.full(len(strokes), "unknown", dtype="<U7")
    problems: list[str] = []
    for index, block in enumerate(blocks):
        rows = _rows_of(strokes, index)
        if not block.drill or not len(rows):
            continue
        try:
            phrase = find_drill(block.drill, instrument.courses, metadata)
            if phrase is not None:
                require_room(phrase, block, strokes.iloc[rows])
                own = strokes.iloc[rows]
                travel = None if paths_mm is None else measure_travel(own, paths_mm[rows], instrument)
                marks[rows] = mark_string_changes(align_strokes(own, phrase, timing_of(block), travel=travel), phrase)
        except StrokeplaneError as error:
            problems.append(f"String changes of block {block_number(index)} are unknown: {error}")
    return marks, tuple(problems)


def _rows_of(strokes: pd.DataFrame, index: int) -> NDArray[np.int64]:
    """Return the rows of one block."""
    return np.flatnonzero(strokes["block"].fillna(-1).to_numpy(np.int64) == index)
