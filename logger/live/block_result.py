"""What a block came to, in the words of the report: the same summary, verdict and drill judgement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version

import numpy as np
import pandas as pd

from analysis.drills.session_changes import DrillBlock, mark_session_changes, weakest_words
from analysis.findings.arbiter import weigh_session
from analysis.model.cautions import session_cautions
from analysis.model.records import Event, FloatArray, ReferenceSummary, Session, SessionResult
from analysis.reference.session_reference import Reference
from analysis.stroke.blocks import summarise_block
from analysis.stroke.tip_claim import INSTRUMENT, claim_tip, effective_strokes, tip_parts_deg
from logger.guide.shown import Wanted
from logger.guide.stretch import target_deg
from logger.live.state import ChangeRow, Verdict
from logger.sliding.estimator import LiveSettings


@dataclass(frozen=True)
class PlayedBlock:
    """A block that ended: its event, strokes (block number 0), their paths in mm, the parts of its offset's error."""

    number: int
    event: Event
    strokes: pd.DataFrame
    paths_mm: FloatArray
    offset_parts_deg: Mapping[str, float] | None


def held_share(tilts_deg: FloatArray, target: tuple[float, float] | None) -> float | None:
    """Part of the tilts inside a target; None without a target or strokes."""
    if target is None or not len(tilts_deg):
        return None
    return float(((tilts_deg >= target[0]) & (tilts_deg <= target[1])).mean())


def block_session_result(
    block: PlayedBlock, session: Session, reference: Reference | None, settings: LiveSettings
) -> SessionResult:
    """The block as a session of its own, for the words that the report uses."""
    from_gestures = reference is not None and reference.frame(block.event.posture).from_gestures
    parts = block.offset_parts_deg
    offset = None if parts is None else float(np.sqrt(sum(part**2 for part in parts.values())))
    marks, problems = mark_session_changes(
        block.strokes, (block.event,), session.instrument, session.metadata, block.paths_mm
    )
    strokes = block.strokes.assign(string_change=marks)
    summary = summarise_block(0, block.event, strokes, offset, from_gestures)
    independent = effective_strokes(summary.strokes, summary.tilt_sd_deg, summary.tilt_mean_se_deg)
    tip = {**tip_parts_deg(summary.span_mm, session.instrument.mean_spacing_mm, independent, settings.chain.tip)}
    if parts is not None and INSTRUMENT in parts:  # what is left of it is in the hand's own offset
        tip[INSTRUMENT] = 0.0
    qualities = () if reference is None else reference.qualities
    kinds = ("across", "along", "pivot")
    repetitions = {kind: sum(1 for q in qualities if q.kind == kind and q.usable) for kind in kinds}
    return SessionResult(
        rate_hz=session.profile.rate_hz,
        duration_s=block.event.end_s - block.event.start_s,
        start_s=block.event.start_s,
        lost_samples=0,
        clipped_samples=0,
        reference=ReferenceSummary("gestures" if from_gestures else "hand", qualities, repetitions),
        tilt_offset_se_deg=offset,
        lever_mm=None,
        lever_se_mm=None,
        warnings=problems,
        blocks=(claim_tip(replace(summary, tilt_offset_parts_deg=parts), tip),),
        strokes=strokes,
        paths_mm=block.paths_mm.astype(np.float32),
        events=(block.event,),
        instrument=session.instrument,
        player=session.player,
        cautions=session_cautions((block.event,), from_gestures),
        settings=asdict(settings.chain),
        version=version("strokeplane"),
        log_hash="",
    )


def judge_block(result: SessionResult, number: int, metadata: Mapping[str, str]) -> Verdict:
    """The verdict that a page shows."""
    summary = result.blocks[0]
    against_hand = result.reference.kind == "hand"
    if summary.strokes == 0:
        sentence = (
            "No strokes were found in this block: is the sensor on the picking hand, the stroke longer than 1.5 mm?"
        )
        return Verdict(number, sentence, (), 0, None, None, None, "none", None, against_hand)
    found = weigh_session(result, metadata)
    words, drills, problems = found.verdict, found.answers.drills, found.answers.drill_problems
    more = [
        *(claim for _, claim in words.claims),
        words.action,
        *problems,
        *(" ".join(weakest_words(drill)) for drill in drills),
    ]
    target = target_deg(summary.wanted, result.instrument.dead_band_deg)
    return Verdict(
        number=number,
        sentence=words.sentence,
        more=tuple(sentence for sentence in more if sentence),
        strokes=summary.strokes,
        strokes_per_s=summary.strokes_per_s,
        tilt_mean_deg=summary.tilt_mean_deg,
        tilt_ci95_deg=summary.tilt_ci95_deg,
        tilt_side=summary.tilt_side,
        held_share=None if against_hand else held_share(result.strokes["tilt_deg"].to_numpy(), target),
        against_hand=against_hand,
        changes=tuple(row for drill in drills for row in _change_rows(drill)),
    )


def _change_rows(drill: DrillBlock) -> list[ChangeRow]:
    """The drill's table: a row for each string pair and stroke before the change."""
    rows = []
    for place, pair in enumerate(drill.pairs.to_dict("records")):
        after: Wanted = "down" if pair["after"] == "down" else "up"
        counts = (pair["cleared"], pair["touched"], pair["not_known"])
        weakest = drill.weakest is not None and bool(drill.weakest.name == drill.pairs.index[place])
        rows.append(ChangeRow(pair["from_string"], pair["to_string"], after, *counts, weakest))
    return rows
