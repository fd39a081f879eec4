"""What each sentence, cell and picture of a session's sections must show: one field of its own record."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from analysis.drills.session_changes import DrillBlock
from analysis.findings.arbiter import SessionFindings
from analysis.model.glossary import TERMS
from analysis.model.records import BlockSummary, SessionResult
from analysis.questions.hold import HoldTempo
from analysis.questions.posture import PostureComparison
from analysis.report.figures_strokes import PickedStroke, pick_strokes
from analysis.report.figures_time import spans_speeds, thin
from analysis.report.sections import Choice, Section
from analysis.report.verdict import is_block
from analysis.statistics.estimates import Estimate
from analysis.stroke.block_case import BlockCase
from analysis.tension.assessment import MarkerTrend, Tension
from analysis.tension.marker_table import Marker
from tests.analysis.findings.read_back import check_numbers, in_100

Numbers = Sequence[float | None]
Columns = Mapping[str, Callable[[Any], Numbers]]
LEAST_STROKES = 3
FEW = 2.0
"""Degrees of freedom below which an interval is not shown."""


@dataclass(frozen=True)
class Expected:
    """Numbers of a section besides what is told: in its sentence, its notes, its table's rows, its pictures' words."""

    sentence: Numbers = ()
    notes: Numbers = ()
    records: Sequence[Any] = ()
    columns: Columns = field(default_factory=dict)
    choice: Callable[[Choice], tuple[Numbers, Numbers, Sequence[Numbers]]] | None = None
    """A choice to the numbers of its label, of its note and of each picture's description."""


def told_by(found: SessionFindings) -> list[str]:
    """Whole sentences that a screen takes over: of findings, the verdict's reasons, cautions, explained words."""
    told = [text for f in found.findings for text in (f.claim, *f.evidence, *f.assumptions)]
    told += [f.action.sentence for f in found.findings if f.action is not None]
    told += [
        found.verdict.sentence,
        found.verdict.certainty_words,
        found.verdict.tip_words,
        *found.verdict.how_sure,
        found.verdict.action,
    ]
    told += [*found.verdict.cautions, *(f"Note: {warning}" for warning in found.result.warnings)]
    told += [f"{line.subject}: {line.words} Cost: {line.cost}." for line in found.verdict.quality]
    told += [f"{term.word}: {term.meaning}." for term in TERMS]
    return [text for text in told if text]


def check_section(section: Section, told: Sequence[str], expected: Expected) -> None:
    """Every number of a section is told, or is what is expected in its place."""

    def check(text: str, values: Numbers) -> None:
        check_numbers(text, values, () if values else told)

    check(section.title, ())
    check(section.sentence, expected.sentence)
    check_numbers("\n".join(section.notes), expected.notes, told)
    if section.table is not None:
        for row, record in zip(section.table.rows, expected.records, strict=True):
            for column, cell in zip(section.table.columns, row, strict=True):
                check_numbers(cell, expected.columns[column](record) if column in expected.columns else ())
    for choice in section.choices:
        label, note, pictures = expected.choice(choice) if expected.choice else ((), (), [()] * len(choice.pictures))
        check_numbers(choice.label, label)
        check(choice.note, note)
        for picture, values in zip(choice.pictures, pictures, strict=True):
            check(picture.description, values)


def session_expected(found: SessionFindings) -> dict[str, Expected]:
    """Of the sections that show the strokes themselves, by their ids."""
    result, verdict = found.result, found.verdict
    known = not verdict.against_hand
    focus, named = verdict.focus.summary, _focus_numbers(found)
    instrument = result.instrument
    step = thin(result.strokes)[1]
    spread: Numbers = [*named, focus.tilt_mean_deg, focus.tilt_sd_deg, _times(1.96, focus.tilt_offset_se_deg)]
    lift = [*named, *lift_numbers(verdict.focus)]
    return {
        "end-view": Expected(
            [instrument.mean_spacing_mm, instrument.plectrum_depth_mm] if known else (),
            [instrument.radius_mm] if known else (),
            choice=lambda c: (_label(result, c.label), (), [_drawn(result, _rows(result, c.label), known)]),
        ),
        "blocks": Expected(_blocks_sentence(found), (), verdict.blocks, _block_columns(result, known)),
        "over-time": Expected(
            [step] if step > 1 else (),
            choice=lambda _: ((), (), [[n for b in result.blocks[:12] for n in _mean(b)]]),
        ),
        "against-speed": Expected(_ends(result), choice=lambda _: ((), (), [_ends(result)])),
        "distribution": Expected(spread, choice=lambda c: (_label(result, c.label), (), [spread])),
        "lift": Expected(lift, choice=lambda c: (_label(result, c.label), (), [lift])),
        "single-strokes": Expected(choice=lambda c: _single(found, c)),
    }


def question_expected(found: SessionFindings) -> dict[str, Expected]:
    """Of the questions' sections, by their ids: sentences and notes are told, tables are the answers' own."""
    answers = found.answers
    holds = [(hold, p) for hold in answers.holds for p in sorted(hold.pieces, key=lambda p: p.strokes_per_s)]
    comparison = answers.comparison if isinstance(answers.comparison, PostureComparison) else None
    tension = answers.tension if isinstance(answers.tension, Tension) else None
    switches = answers.switches
    return {
        "hold": Expected(records=holds, columns=HOLD),
        "steady": Expected(records=[e.difference for s in answers.steady for e in s.evenness], columns=STEADY),
        "room": Expected(records=[pair for clearing in answers.clears for pair in clearing.pairs], columns=ROOM),
        "postures": Expected(
            records=comparison.measures if comparison else (),
            columns=_posture_columns(comparison) if comparison else {},
            choice=lambda c: ((), (), [()] * len(c.pictures)),
        ),
        "switches": Expected(
            notes=() if switches is None else [n for n in (switches.changes_inside, switches.untold) if n],
            records=() if switches is None else switches.groups,
            columns=SWITCHES,
        ),
        "tension": Expected(
            () if tension is None or not tension.level.hurt else _ratings(tension),
            records=() if tension is None else tension.trends,
            columns={} if tension is None else _tension_columns(tension),
            choice=lambda c: ((), (), [_trend_numbers(tension, c.label)] if tension else [()]),
        ),
        "string-changes": Expected(
            [*_change_counts(answers.drills), *_sure_numbers(answers.drills)],
            records=[(b, row) for b in answers.drills if not b.changes.empty for row in b.pairs.to_dict("records")],
            columns=CHANGES,
            notes=[n for b in answers.drills if not b.changes.empty for n in _weakest(b, len(answers.drills) > 1)],
        ),
    }


def speed_number(block: BlockSummary) -> float | None:
    return block.tempo_bpm if block.tempo_bpm is not None else block.strokes_per_s


def lift_numbers(case: BlockCase) -> Numbers:
    return [in_100(case.share or 0.0), 100, abs(case.summary.lift_mm or 0.0)]


def _times(factor: float, value: float | None) -> float | None:
    return None if value is None else factor * value


def _ends_of(d: Estimate) -> Numbers:
    return () if d.df < FEW else (d.low, d.high)


def _focus_numbers(found: SessionFindings) -> Numbers:
    """Of what opens a sentence about the block that matters most; nothing where all play is meant."""
    verdict, block = found.verdict, found.verdict.focus.summary
    if len(verdict.blocks) < 2 or not is_block(verdict, verdict.focus):
        return ()
    return _block_name(found.result, block)


def _block_name(result: SessionResult, block: BlockSummary) -> Numbers:
    return [block.index + 1, speed_number(block), block.start_s - result.start_s]


def _block_of(result: SessionResult, label: str) -> BlockSummary | None:
    number = re.match(r"Block (\d+),", label)
    if number is None:
        return None
    own = [b for b in result.blocks if b.index == int(number.group(1)) - 1]
    assert own, f"{label!r} names no block"
    return own[0]


def _label(result: SessionResult, label: str) -> Numbers:
    block = _block_of(result, label)
    if block is not None:
        return _block_name(result, block)
    return [len(_own(result, label))] if ", all " in label else ()


def _own(result: SessionResult, label: str) -> list[BlockSummary]:
    """Blocks that a label of several names."""
    played = [b for b in result.blocks if b.strokes]
    named = re.match(r"Posture (.+?)(?:, all \d+ blocks)?$", label)
    return [b for b in played if named is None or b.posture == named.group(1)]


def _rows(result: SessionResult, label: str) -> np.ndarray:
    block = _block_of(result, label)
    own = [block] if block is not None else _own(result, label)
    numbers = result.strokes["block"].fillna(-1).to_numpy(np.int64)
    return np.isin(numbers, [b.index for b in own]) if own else np.ones(numbers.size, bool)


def _drawn(result: SessionResult, rows: np.ndarray, known: bool) -> Numbers:
    numbers: list[float | None] = []
    for direction in ("down", "up"):
        own = result.strokes[rows & (result.strokes["direction"] == direction).to_numpy()]
        if len(own) >= LEAST_STROKES:
            numbers += [len(own), own["span_mm"].median(), abs(own["lift_mm"].median()) if known else None]
    return numbers


def _blocks_sentence(found: SessionFindings) -> Numbers:
    blocks = found.verdict.blocks
    if len(blocks) == 1:
        return [*_block_name(found.result, blocks[0].summary), *_clause(blocks[0])]
    if found.verdict.against_hand:
        return [len(blocks)]
    return [sum(block.held for block in blocks), len(blocks), 95, 100]


def _clause(case: BlockCase) -> Numbers:
    if case.case == "mixed":
        return [n for group in case.summary.groups for n in (group.tilt_deg, *(group.tilt_ci95_deg or ()))]
    share = [in_100(case.share or 0.0), 100] if case.case in ("short", "uneven") else []
    return [*share, case.summary.tilt_mean_deg or 0.0]


def _block_columns(result: SessionResult, known: bool) -> Columns:
    return {
        "Block": lambda c: [c.summary.index + 1],
        "When": lambda c: [c.summary.start_s - result.start_s],
        "Speed": lambda c: [speed_number(c.summary)],
        "Strokes": lambda c: [c.summary.strokes],
        "Tilt" if known else "Tilt against the hand": lambda c: [c.summary.tilt_mean_deg or 0.0],
        "95 % interval": lambda c: (c.summary.tilt_ci95_deg or ()) if known else (),
        "Scatter": lambda c: [c.summary.tilt_sd_deg],
        "Clear": lambda c: () if c.share is None else [in_100(c.share), 100],
    }


def _mean(block: BlockSummary) -> Numbers:
    return () if block.tilt_mean_deg is None else [block.index + 1, speed_number(block), block.tilt_mean_deg]


def _ends(result: SessionResult) -> Numbers:
    """Slowest and fastest block of every posture played at two speeds."""
    numbers: list[float | None] = []
    for posture in dict.fromkeys(b.posture for b in result.blocks if b.strokes):
        own = [b for b in result.blocks if b.posture == posture and b.strokes_per_s and b.tilt_mean_deg is not None]
        if not spans_speeds(own):
            continue
        rates = [b.strokes_per_s or 0.0 for b in own]
        slow, fast = own[rates.index(min(rates))], own[rates.index(max(rates))]
        numbers += [slow.index + 1, speed_number(slow), fast.index + 1, speed_number(fast)]
        numbers += [slow.tilt_mean_deg, fast.tilt_mean_deg]
    return numbers


def _single(found: SessionFindings, choice: Choice) -> tuple[Numbers, Numbers, Sequence[Numbers]]:
    result = found.result
    own = next(result.strokes.iloc[one.row] for one in pick_strokes(result) if _names(result, one, choice.label))
    facts = [own["tilt_deg"], own["span_mm"], own["bow_mm"]]
    facts += [] if found.verdict.against_hand else [own["lift_mm"]]
    facts += [] if pd.isna(own["block"]) else [int(own["block"]) + 1]
    return [own["start_s"] - result.start_s], facts, [facts, facts]


def _names(result: SessionResult, picked: PickedStroke, label: str) -> bool:
    """Whether a label is that of this stroke: its direction and its rank are of one stroke only."""
    direction = str(result.strokes.iloc[picked.row]["direction"]).capitalize()
    rank = picked.rank if picked.rank == "typical" else f"{picked.rank} "
    return label.startswith(f"{direction}stroke at ") and f", {rank}" in label


HOLD: Columns = {
    "Click": lambda r: [r[1].tempo_bpm],
    "Played at": lambda r: [r[1].strokes_per_s, _bpm(*r)],
    "Tilt": lambda r: [r[1].tilt_deg],
    "Scatter": lambda r: [r[1].tilt_sd_deg],
    "Hold, of 100": lambda r: [in_100(r[1].share_held)],
    "Clear, of 100": lambda r: [in_100(r[1].share_clearing)],
}
STEADY: Columns = {
    "Downstroke less upstroke": lambda d: [d.value],
    "95 % interval": _ends_of,
}
ROOM: Columns = {
    "From": lambda p: [p.from_string, p.to_string] if p.from_string else (),
    "Pass, of 100": lambda p: [in_100(p.share.value)],
    "Margin, mm": lambda p: [p.margin_mm.value],
    "95 % interval": lambda p: [p.margin_mm.low, p.margin_mm.high],
}
SWITCHES: Columns = {
    "Tempo": lambda g: [g.tempo_bpm],
    "Made": lambda g: [g.made.count, g.made.of],
    "95 % interval": lambda g: [in_100(g.made.low), in_100(g.made.high), 100],
    "Lost by accident": lambda g: [g.lost.count],
    "Strokes until it holds": lambda g: [g.median_strokes],
}
CHANGES: Columns = {
    "Block": lambda r: [r[0].index + 1],
    "From string": lambda r: [r[1]["from_string"]],
    "To string": lambda r: [r[1]["to_string"]],
    "Changes": lambda r: [r[1]["changes"]],
    "Cleared": lambda r: [r[1]["cleared"]],
    "Touched": lambda r: [r[1]["touched"]],
    "Not known": lambda r: [r[1]["not_known"]],
    "Height, mm": lambda r: [_known(r[1]["height_mm"])],
    "Sure, of 100": lambda r: [in_100(_known(r[1]["probability"]))],
}


def _bpm(hold: HoldTempo, piece: Any) -> float | None:
    if hold.notes_per_beat is None or piece.tempo_bpm is not None:
        return None
    return 60.0 * piece.strokes_per_s / hold.notes_per_beat


def _known(value: float) -> float | None:
    return None if pd.isna(value) else value


def _posture_columns(comparison: PostureComparison) -> Columns:
    return {
        "Difference in": lambda m: [100] if m.unit == "of 100" else (),
        comparison.first: lambda m: [m.first],
        comparison.second: lambda m: [m.second],
        "Difference": lambda m: [m.difference.value],
        "95 % interval": lambda m: _ends_of(m.difference),
        "p": lambda m: [max(m.test.p, 0.001)],
    }


def _change(marker: Marker, change: float) -> float:
    """A change as it is shown: percent of a relative marker, whose change is one of the logarithm."""
    return 100 * math.expm1(min(change, 20.0)) if marker.relative else change


def _tension_columns(tension: Tension) -> Columns:
    visible = dict(tension.level.visible)
    return {
        "Trend of": lambda t: [10] if t.marker.unit == "of 10" else (),
        "At first": lambda t: [_known(t.first)],
        "At last": lambda t: [_known(t.last)],
        "Change": lambda t: [_change(t.marker, t.drift.over_session.value)] if t.drift else (),
        "95 % interval": lambda t: _drift_ends(t),
        "Step": lambda t: [t.change.minute] if t.change is not None and t.change.p < 0.05 else (),
        "Could show": lambda t: [_change(t.marker, visible[t.marker])] if t.marker in visible else (),
    }


def _drift_ends(trend: MarkerTrend) -> Numbers:
    if trend.drift is None:
        return ()
    change = trend.drift.over_session
    return [_change(trend.marker, end) for end in (change.low, change.high)]


def _ratings(tension: Tension) -> Numbers:
    """The ratings that reasons hold stand in the sentence too, in brackets."""
    return [float(n) for reason in tension.level.reasons for n in re.findall(r"\d+", reason)]


def _trend_numbers(tension: Tension, label: str) -> Numbers:
    trend = next(t for t in tension.trends if t.marker.name.lower() == label.lower())
    unit = [10.0] if trend.marker.unit == "of 10" else []
    ends = [n for value in (trend.first, trend.last) if _known(value) is not None for n in (value, *unit)]
    if trend.drift is None:
        return [*ends, trend.rows]
    numbers = [*ends, _change(trend.marker, trend.drift.over_session.value), *unit, *_drift_ends(trend)]
    if trend.change is not None and trend.change.p < 0.05:
        numbers += [trend.change.minute, _change(trend.marker, trend.change.step), *unit, trend.change.p]
    return numbers


def _change_counts(drills: Sequence[DrillBlock]) -> Numbers:
    verdicts = [v for block in drills if not block.changes.empty for v in block.changes["verdict"]]
    cleared, touched = verdicts.count("cleared"), verdicts.count("touched")
    return [len(verdicts), cleared, touched, len(verdicts) - cleared - touched] if verdicts else ()


def _sure_numbers(drills: Sequence[DrillBlock]) -> Numbers:
    chance = [p for block in drills if not block.changes.empty for p in block.changes["probability"].dropna()]
    return [100, in_100(float(np.mean(chance))), in_100(min(chance)), 100] if chance else ()


def _weakest(block: DrillBlock, several: bool) -> Numbers:
    head: list[float | None] = [block.index + 1] if several else []
    if block.weakest is None:
        return head
    w = block.weakest
    return [*head, w["from_string"], w["to_string"], w["cleared"], w["cleared"] + w["touched"]]
