"""The report's sections on one session, in the order in which a player asks."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from analysis.model.number_words import block_number, clock, degrees, millimetres, of_100, speed
from analysis.model.records import BlockSummary, SessionResult
from analysis.report.figures_end_view import describe_end_view, draw_end_view
from analysis.report.figures_spread import draw_distribution, draw_lift
from analysis.report.figures_strokes import draw_stroke, draw_stroke_in_space, label_stroke, note_stroke, pick_strokes
from analysis.report.figures_time import (
    describe_tilt_over_time,
    draw_tilt_against_speed,
    draw_tilt_over_time,
    spans_speeds,
    thin,
)
from analysis.report.sections import Choice, Picture, Section, Table
from analysis.report.verdict import Verdict, block_name, by_posture, clause, is_block, say_lift, widened_by_doubts
from analysis.stroke.block_case import BlockCase, rows_of

MOST_CHOICES = 24
LEAST_TO_SHOW = 10
HAND_NOTE = "No string plane is known here: tilt is only against the hand's own mean plane."


def session_sections(result: SessionResult, verdict: Verdict) -> tuple[Section, ...]:
    """Sections that apply to a session, each with its sentence and its picture or table.

    Parameters
    ----------
    result : SessionResult
    verdict : Verdict
        Of the same result.

    Returns
    -------
    tuple of Section
    """
    builders: tuple[Callable[[SessionResult, Verdict], Section | None], ...] = (
        _end_view,
        _blocks,
        _over_time,
        _against_speed,
        _distribution,
        _lift,
        _single_strokes,
    )
    sections = [builder(result, verdict) for builder in builders]
    hand = (HAND_NOTE,) if verdict.against_hand else ()
    return tuple(
        Section(s.id, s.title, s.sentence, s.choices, s.table, (*s.notes, *hand)) for s in sections if s is not None
    )


def _stretches(result: SessionResult, verdict: Verdict) -> list[tuple[str, np.ndarray, BlockCase]]:
    """Postures, then single blocks, as (label, rows, finding); the one that the verdict speaks of first."""
    members = by_posture([finding.summary for finding in verdict.blocks])
    found = []
    for finding in verdict.postures:
        own = members.get(finding.summary.posture, [])
        if len(own) > 1 and is_block(verdict, finding):
            continue
        rows = rows_of(result, own) if own else np.arange(len(result.strokes))
        name = f"Posture {finding.summary.posture}" if finding.summary.posture else "All play"
        found.append((f"{name}, all {len(own)} blocks" if len(own) > 1 else name, rows, finding))
    if len(verdict.blocks) > len(found):
        found += [
            (block_name(finding.summary, result.start_s), rows_of(result, [finding.summary]), finding)
            for finding in verdict.blocks
        ]
    return sorted(found, key=lambda entry: entry[2].summary is not verdict.focus.summary)[:MOST_CHOICES]


def _focus_name(result: SessionResult, verdict: Verdict) -> str:
    """What the sentences speak of, where it is not all play: "Block 1, ...: "."""
    if len(verdict.blocks) < 2:
        return ""
    if is_block(verdict, verdict.focus):
        return f"{block_name(verdict.focus.summary, result.start_s)}: "
    return f"Posture {verdict.focus.summary.posture}: " if len(verdict.postures) > 1 else ""


def _end_view(result: SessionResult, verdict: Verdict) -> Section:
    instrument = result.instrument
    if verdict.against_hand:
        sentence = "The mean path of your downstrokes and upstrokes, seen along the strings."
    else:
        sentence = (
            f"You are looking along the strings, which are {millimetres(instrument.mean_spacing_mm)} apart. The tip "
            f"dips {millimetres(instrument.plectrum_depth_mm)} at the string played; to clear, it must pass above the "
            "bar on the next string. The line is the mean path, with a mark where the stroke ends; the shaded band "
            "holds four of five strokes."
        )
    notes: tuple[str, ...] = ()
    if not verdict.against_hand:
        notes = (
            (f"The strings' arch, a radius of {instrument.radius_mm:g} mm, is drawn to scale.",)
            if instrument.radius_mm is not None
            else ("The strings' arch was not given: they are drawn, and taken, as lying in one plane.",)
        )
    choices = tuple(
        Choice(label, (Picture(draw_end_view(result, rows), describe_end_view(result, rows)),))
        for label, rows, _ in _stretches(result, verdict)
    )
    return Section("end-view", "End view", sentence, choices, notes=notes)


def _blocks(result: SessionResult, verdict: Verdict) -> Section | None:
    if not verdict.blocks:
        return None
    known = not verdict.against_hand
    tilt = "Tilt" if known else "Tilt against the hand"
    columns = ("Block", "When", "Posture", "Speed", "Strokes", tilt, "95 % interval", "Scatter", "Clear")
    rows = []
    for finding in verdict.blocks:
        b = finding.summary
        interval = "" if b.tilt_ci95_deg is None else " to ".join(degrees(end) for end in b.tilt_ci95_deg)
        rows.append(
            (
                str(block_number(b.index)),
                clock(b.start_s - result.start_s),
                b.posture or "",
                speed(b).replace(" strokes a second", "/s"),
                str(b.strokes),
                degrees(b.tilt_mean_deg or 0.0),
                interval if known else "unknown",
                "" if b.tilt_sd_deg is None else degrees(b.tilt_sd_deg),
                f"{finding.stroke}: {of_100(finding.share)}" if finding.share is not None else "unknown",
            )
        )
    if len(verdict.blocks) == 1:
        sentence = f"{block_name(verdict.blocks[0].summary, result.start_s)}: {clause(verdict.blocks[0])}."
    else:
        held = sum(finding.held for finding in verdict.blocks)
        sentence = (
            f"{held} of {len(verdict.blocks)} blocks held: at least 95 of 100 strokes cleared on the side that counts."
        )
        if not known:
            sentence = f"{len(verdict.blocks)} blocks; whether they cleared is not known."
    return Section("blocks", "Blocks", sentence, table=Table("The session's blocks", columns, tuple(rows)))


def _over_time(result: SessionResult, verdict: Verdict) -> Section:
    step = thin(result.strokes)[1]
    sentence = "Every mark is one stroke"
    sentence += f" (one in {step} is drawn; the line is of all)" if step > 1 else ""
    sentence += ", and the line is their median. The bars along the top are blocks; the interval of each block's mean "
    sentence += "stands at its end."
    if not verdict.against_hand:
        sentence += " Inside the shaded dead band a straight stroke does not clear."
    picture = Picture(draw_tilt_over_time(result), describe_tilt_over_time(result))
    return Section("over-time", "Tilt over time", sentence, (Choice("", (picture,)),))


def _against_speed(result: SessionResult, verdict: Verdict) -> Section | None:
    if not spans_speeds(result.blocks):
        return None
    played = [b for b in result.blocks if b.strokes_per_s and b.tilt_mean_deg is not None]
    said = [_say_ends(own, posture) for posture, own in by_posture(played).items() if spans_speeds(own)]
    # Postures that were each played at one speed cannot tell what speed does.
    sentence = " ".join(said) or "No posture was played at two speeds that clearly differ."
    picture = Picture(draw_tilt_against_speed(result), sentence)
    return Section("against-speed", "Tilt against speed", sentence, (Choice("", (picture,)),))


def _say_ends(blocks: Sequence[BlockSummary], posture: str) -> str:
    """The tilts of a posture's slowest and fastest block, each by its number."""
    slow, fast = (pick(blocks, key=lambda block: block.strokes_per_s or 0.0) for pick in (min, max))
    head = f"Posture {posture}: from" if posture else "From"
    return (
        f"{head} block {block_number(slow.index)} ({speed(slow)}) to block {block_number(fast.index)} ({speed(fast)}) "
        f"the tilt goes from {degrees(slow.tilt_mean_deg or 0.0)} to {degrees(fast.tilt_mean_deg or 0.0)}."
    )


def _distribution(result: SessionResult, verdict: Verdict) -> Section | None:
    if len(result.strokes) < LEAST_TO_SHOW:
        return None
    focus = verdict.focus.summary
    sentence = (
        f"{_focus_name(result, verdict)}tilts lie around {degrees(focus.tilt_mean_deg or 0.0)} and scatter by "
        f"{degrees(focus.tilt_sd_deg or 0.0)} (standard deviation)."
    )
    if focus.tilt_offset_se_deg is not None:
        doubted = " and the doubts about the data" if widened_by_doubts(result, verdict.focus) else ""
        sentence += (
            f" Besides, the whole picture may be shifted by up to {degrees(1.96 * focus.tilt_offset_se_deg)} "
            f"either way: the gestures{doubted} leave that much open."
        )
    choices = tuple(
        Choice(label, (Picture(draw_distribution(result, rows, finding), f"Histogram of tilt. {sentence}"),))
        for label, rows, finding in _stretches(result, verdict)
        if len(rows) >= LEAST_TO_SHOW
    )
    return Section("distribution", "How tilts are spread", sentence[0].upper() + sentence[1:], choices)


def _lift(result: SessionResult, verdict: Verdict) -> Section | None:
    if verdict.against_hand or len(result.strokes) < LEAST_TO_SHOW:
        return None
    focus = verdict.focus
    sentence = f"{_focus_name(result, verdict)}{say_lift(focus)}"
    choices = tuple(
        Choice(label, (Picture(draw_lift(result, rows), f"Histogram of lift. {sentence}"),))
        for label, rows, _ in _stretches(result, verdict)
        if len(rows) >= LEAST_TO_SHOW
    )
    return Section("lift", "Lift: by how much strokes clear", sentence, choices)


def _single_strokes(result: SessionResult, verdict: Verdict) -> Section | None:
    picked = pick_strokes(result)
    if not picked:
        return None
    choices = []
    for stroke in picked:
        words = note_stroke(result, stroke)
        pictures = (
            Picture(draw_stroke(result, stroke), f"End view of one stroke. {words}"),
            Picture(draw_stroke_in_space(result, stroke), f"The same stroke in space. {words}"),
        )
        choices.append(Choice(label_stroke(result, stroke), pictures, words))
    sentence = "Some strokes one by one, from the lowest lift to the highest: in end view, and in space to turn about."
    if verdict.against_hand:
        sentence = "Some strokes one by one, from the smallest tilt to the largest: in end view, and in space."
    return Section("single-strokes", "Single strokes", sentence, tuple(choices))
