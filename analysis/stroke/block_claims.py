"""From a session's strokes to what is claimed of each block: its mean tilt with all that its interval rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.model.doubts import About, Doubt, added_se_deg
from analysis.model.records import BlockSummary, Event, Instrument
from analysis.model.session_parts import WitnessedBlock
from analysis.motion.hand_motion import Motion
from analysis.reference.frame import Frame
from analysis.reference.gesture_directions import GestureSettings
from analysis.reference.session_reference import Reference
from analysis.stroke.blocks import summarise_block
from analysis.stroke.play import BandSettings, turned_axes
from analysis.stroke.stroke_paths import TracedStrokes
from analysis.stroke.tip_claim import INSTRUMENT, TipSettings, claim_tip, effective_strokes, tip_parts_deg
from analysis.stroke.uncertainty import block_chord, offset_parts_deg
from analysis.witness.residue import SeenStrokes, witness_block
from analysis.witness.witness import Witness


@dataclass(frozen=True)
class Claims:
    """What the interval of every block rests on besides its own strokes.

    Attributes
    ----------
    motion : Motion
    reference : Reference
    instrument : Instrument
    bands : BandSettings
    gestures : GestureSettings
    tip : TipSettings
    """

    motion: Motion
    reference: Reference
    instrument: Instrument
    bands: BandSettings
    gestures: GestureSettings
    tip: TipSettings

    def frame(self, event: Event) -> Frame:
        """The frame of a block, as at its middle.

        Parameters
        ----------
        event : Event
            The block.

        Returns
        -------
        Frame
        """
        return self.reference.frame(event.posture, 0.5 * (event.start_s + event.end_s))


@dataclass(frozen=True)
class BlockStrokes:
    """One block with its strokes.

    Attributes
    ----------
    index : int
        Its number.
    event : Event
    table : DataFrame
        Its rows.
    strokes : TracedStrokes
        Their paths.
    """

    index: int
    event: Event
    table: pd.DataFrame
    strokes: TracedStrokes


def assign_strokes(table: pd.DataFrame, strokes: TracedStrokes, blocks: Sequence[Event]) -> tuple[BlockStrokes, ...]:
    """Every block with its own strokes.

    Parameters
    ----------
    table : DataFrame
        One row a stroke.
    strokes : TracedStrokes
        In the same order.
    blocks : sequence of Event

    Returns
    -------
    tuple of BlockStrokes
        One a block, some perhaps without strokes.
    """
    number = table["block"].fillna(-1).to_numpy(dtype=np.int64)
    members = [np.flatnonzero(number == index) for index in range(len(blocks))]
    return tuple(
        BlockStrokes(index, event, table.iloc[own], strokes.select(own))
        for index, (event, own) in enumerate(zip(blocks, members, strict=True))
    )


def see_blocks(witness: Witness, claims: Claims, blocks: Sequence[BlockStrokes]) -> tuple[WitnessedBlock, ...]:
    """What a sensor on the instrument tells of every block with strokes.

    Parameters
    ----------
    witness : Witness
    claims : Claims
    blocks : sequence of BlockStrokes

    Returns
    -------
    tuple of WitnessedBlock
    """
    seen = []
    for block in (b for b in blocks if b.strokes.start.size):
        own, event = block.strokes, block.event
        chord = ((own.path_m[:, -1] - own.path_m[:, 0]) * own.sign[:, None]).mean(axis=0)
        middle_s = np.array([0.5 * (event.start_s + event.end_s)])
        axes = turned_axes(claims.frame(event), middle_s, claims.reference.drift)[0]
        band = claims.bands.tilt_band(float(np.median(own.cycle_hz)))
        turns = SeenStrokes(own.start, own.end, own.sign, band, axes, chord)
        seen.append(witness_block(witness, claims.motion, turns, block.index))
    return tuple(seen)


def claim_blocks(
    claims: Claims, blocks: Sequence[BlockStrokes], doubts: Sequence[Doubt], seen: Sequence[WitnessedBlock]
) -> tuple[BlockSummary, ...]:
    """Each block's answer.

    Parameters
    ----------
    claims : Claims
    blocks : sequence of BlockStrokes
    doubts : sequence of Doubt
        On the whole session, or on some blocks.
    seen : sequence of WitnessedBlock
        Blocks in which a sensor on the instrument was there.

    Returns
    -------
    tuple of BlockSummary
    """
    residue_deg = {each.index: each.residue_deg for each in seen if each.known}
    summaries = []
    for block in blocks:
        frame = claims.frame(block.event)
        offset, parts = None, None
        if frame.from_gestures and block.strokes.start.size:
            parts = _offset_parts(block, frame, claims) | _added(doubts, block.index, "hand")
            if block.index in residue_deg:
                parts[INSTRUMENT] = residue_deg[block.index]
            offset = float(np.sqrt(sum(part**2 for part in parts.values())))
        summary = summarise_block(block.index, block.event, block.table, offset, frame.from_gestures)
        independent = effective_strokes(summary.strokes, summary.tilt_sd_deg, summary.tilt_mean_se_deg)
        tip = {**tip_parts_deg(summary.span_mm, claims.instrument.mean_spacing_mm, independent, claims.tip)}
        if block.index in residue_deg:  # what is left of it is in the hand's own offset
            tip[INSTRUMENT] = 0.0
        tip |= _added(doubts, block.index, "tip")
        summaries.append(claim_tip(replace(summary, tilt_offset_parts_deg=parts), tip))
    return tuple(summaries)


def _offset_parts(block: BlockStrokes, frame: Frame, claims: Claims) -> dict[str, float]:
    """What gestures and heading leave open in the tilt of these strokes."""
    reference = claims.reference
    chord = block_chord(claims.motion, block.strokes, frame, reference.drift, claims.bands)
    return offset_parts_deg(chord, frame, reference.lever_fit, reference.drift, claims.gestures)


def _added(doubts: Sequence[Doubt], block: int, about: About) -> dict[str, float]:
    """What doubts add to a block's interval, where they add anything."""
    added = added_se_deg(doubts, block, about)
    return {"doubts": added} if added > 0 else {}
