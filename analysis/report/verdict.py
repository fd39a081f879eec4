"""The answer a player reads first: one sentence with its certainty, one next action, and what it is based on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.model.cautions import HURT, discomfort
from analysis.model.doubts import CERTAINTIES, Certainty, Doubt, cap_certainty, dominant_doubt, doubts_on
from analysis.model.findings import ActionKind
from analysis.model.number_words import block_number, clock, degrees, millimetres, of_100, speed
from analysis.model.records import BlockSummary, SessionResult
from analysis.model.strokes import other_stroke
from analysis.report.data_quality import GESTURE_ORDER, QualityLine, describe_quality, repeat_gestures
from analysis.stroke.block_case import BlockCase, Case, blocks_differ, find_block, find_group

# The less a case leaves to hope for, the later it stands: the action cures the last one that is met.
SEVERITY: tuple[Case, ...] = (
    "both", "clears", "uneven", "short", "shallow", "flat", "level", "wrong", "mixed", "unsure", "hand"
)  # fmt: skip

BY_HAND = "By the hand's motion,"
"""Opens every answer that rests on the hand's stroke: what the tip makes of it is a claim of its own."""
AS_IT_LAY = "By the hand's motion, with the instrument held as it was for the gestures,"
"""The same where nothing watches the instrument."""

STEP_UP = 1.04
STEP_DOWN = 0.9


@dataclass(frozen=True)
class Verdict:
    """What the session comes to.

    Attributes
    ----------
    sentence : str
        The answer.
    certainty : {"sure", "likely", "open"}
        Of the answer as a claim about the hand's stroke, which the sensor measures.
    tip_certainty : {"sure", "likely", "open"}
        Of the same as a claim about the tip against the strings: fingers and the instrument may move unseen.
    certainty_words, tip_words : str
        The two with their reasons, one sentence each; the second is empty where not even the hand's stroke is known.
    action : str
        The one thing to do next, one sentence.
    action_kind : str
        The same for programs.
    quality : tuple of QualityLine
        Data quality in plain words, each with its cost in degrees.
    how_sure : tuple of str
        Sentences on the three parts of the uncertainty.
    cautions : tuple of str
    against_hand : bool
        True: no instrument frame, tilt is only against the hand's own mean plane.
    postures : tuple of BlockCase
        One a posture, in order of first play.
    blocks : tuple of BlockCase
        One a block.
    focus : BlockCase
        The finding that the action is about: a posture's, or that of the slowest block that did not hold.
    """

    sentence: str
    certainty: Certainty
    tip_certainty: Certainty
    certainty_words: str
    tip_words: str
    action: str
    action_kind: ActionKind
    quality: tuple[QualityLine, ...]
    how_sure: tuple[str, ...]
    cautions: tuple[str, ...]
    against_hand: bool
    postures: tuple[BlockCase, ...]
    blocks: tuple[BlockCase, ...]
    focus: BlockCase

    @property
    def claims(self) -> tuple[tuple[Certainty, str], ...]:
        """What is said of the hand's stroke, and of the tip where anything is, each with its certainty."""
        both = ((self.certainty, self.certainty_words), (self.tip_certainty, self.tip_words))
        return tuple((certainty, words) for certainty, words in both if words)


def judge_session(result: SessionResult) -> Verdict:
    """Turn a session's result into the words that a player reads.

    Parameters
    ----------
    result : SessionResult

    Returns
    -------
    Verdict
    """
    played = [block for block in result.blocks if block.strokes]
    blocks = tuple(find_block(result, block) for block in played)
    groups = by_posture(played) or {"": []}
    postures = tuple(_find_posture(result, members, blocks) for members in groups.values())
    focus = max(postures, key=lambda finding: SEVERITY.index(finding.case))
    ladder = [finding for finding in blocks if finding.summary.posture == focus.summary.posture]
    turn = find_speed_turn(ladder)
    focus = turn[1] if turn is not None else focus
    kind, action = _action(result, focus, ladder)
    turn = turn if len(postures) == 1 else None
    certainty = min((f.certainty for f in turn or postures), key=CERTAINTIES.index)
    tip_certainty = min((f.tip_certainty for f in turn or postures), key=CERTAINTIES.index)
    return Verdict(
        sentence=_sentence(opening(result), postures, blocks),
        certainty=certainty,
        tip_certainty=tip_certainty,
        certainty_words=_certainty_words(certainty, turn or postures, result),
        tip_words=_tip_words(tip_certainty, turn or postures, result),
        action=action,
        action_kind=kind,
        quality=describe_quality(result),
        how_sure=_how_sure(turn or postures, result),
        cautions=result.cautions,
        against_hand=result.reference.kind == "hand",
        postures=postures,
        blocks=blocks,
        focus=focus,
    )


def _find_posture(result: SessionResult, members: Sequence[BlockSummary], blocks: Sequence[BlockCase]) -> BlockCase:
    """The finding of a posture: its blocks together, or the weakest where their average is none that was played."""
    if not blocks_differ(members):
        return find_group(result, members)
    own = [finding for finding in blocks if finding.summary in members]
    worst = max(own, key=lambda finding: (SEVERITY.index(finding.case), -(finding.share or 0.0)))
    # What makes them differ may be what a doubt on one of them says.
    indices = [block.index for block in members]
    hand = cap_certainty(worst.certainty, result.doubts, indices, "hand")
    return replace(worst, certainty=hand, tip_certainty=cap_certainty(worst.tip_certainty, result.doubts, indices))


def by_posture(blocks: Sequence[BlockSummary]) -> dict[str, list[BlockSummary]]:
    """Blocks by posture, in order of first play.

    Parameters
    ----------
    blocks : sequence of BlockSummary
        In order.

    Returns
    -------
    dict of str to list[BlockSummary]
    """
    groups: dict[str, list[BlockSummary]] = {}
    for block in blocks:
        groups.setdefault(block.posture, []).append(block)
    return groups


def is_block(verdict: Verdict, finding: BlockCase) -> bool:
    """Whether a finding is one block's own, the weakest of a posture among them, and none of several together.

    Parameters
    ----------
    verdict : Verdict
    finding : BlockCase
        Its focus, one of its postures or one of its blocks.

    Returns
    -------
    bool
    """
    return any(finding.summary is block.summary for block in verdict.blocks)


def say_lift(finding: BlockCase) -> str:
    """How many strokes clear, and where the middle one passes.

    Parameters
    ----------
    finding : BlockCase

    Returns
    -------
    str
        A sentence without its subject's name.
    """
    middle = finding.summary.lift_mm or 0.0
    return (
        f"{of_100(finding.share or 0.0)} {finding.stroke}strokes clear; the median one passes the next string, or "
        f"ends, {abs(middle):.1f} mm {'above' if middle > 0 else 'below'} the height needed."
    )


def clause(finding: BlockCase) -> str:
    """A finding as a short clause: "the downstroke clears (tilt 15.0°)".

    Parameters
    ----------
    finding : BlockCase
        Of one block or one posture.

    Returns
    -------
    str
        Without a capital or a full stop.
    """
    mean, share = finding.summary.tilt_mean_deg or 0.0, finding.share or 0.0
    tilt = degrees(mean)
    side, other = "down" if mean >= 0 else "up", other_stroke(finding.stroke)
    return {
        "hand": f"tilt {tilt} against the hand's own mean plane",
        "unsure": f"the side cannot be told (tilt {tilt})",
        "level": f"the stroke runs level (tilt {tilt})",
        "flat": f"the stroke runs nearly level (tilt {tilt})",
        "shallow": f"the stroke tilts to the {side}stroke's side, too little to clear (tilt {tilt})",
        "short": f"the {finding.stroke}stroke is too short, clearing {of_100(share)} times (tilt {tilt})",
        "uneven": f"the {finding.stroke}stroke clears only {of_100(share)} times (tilt {tilt})",
        "clears": f"the {finding.stroke}stroke clears (tilt {tilt})",
        "both": f"both strokes clear (an arched path, tilt {tilt})",
        "mixed": f"the stroke changes between two tilts, {_two_tilts(finding)}",
        "wrong": f"the stroke tilts to the {other}stroke's side, not the one wanted (tilt {tilt})",
    }[finding.case]


def _two_tilts(finding: BlockCase) -> str:
    """Both tilts with their intervals."""
    said = []
    for group in finding.summary.groups:
        ends = "" if group.tilt_ci95_deg is None else f" ({' to '.join(degrees(end) for end in group.tilt_ci95_deg)})"
        said.append(f"{degrees(group.tilt_deg)}{ends}")
    return " and ".join(said)


def _mean_run(finding: BlockCase) -> float:
    groups = finding.summary.groups
    return sum(g.strokes for g in groups) / max(1, sum(g.runs for g in groups))


def _only(share: float) -> str:
    return f"only {of_100(share)}" if share > 0 else "none of 100"


def short_clause(finding: BlockCase) -> str:
    """What keeps a block from holding, without its numbers' brackets.

    Parameters
    ----------
    finding : BlockCase
        Of one that does not hold.

    Returns
    -------
    str
        Without a capital or a full stop.
    """
    if finding.case == "short":
        return f"the stroke is too short: {_only(finding.share or 0.0)} clear"
    if finding.case == "uneven":
        return f"{_only(finding.share or 0.0)} clear"
    if finding.case in ("flat", "shallow"):
        return f"its tilt of {degrees(abs(finding.summary.tilt_mean_deg or 0.0))} is too little"
    return clause(finding)


def _is_watched(result: SessionResult) -> bool:
    """Whether a sensor on the instrument told how it lay in every block."""
    return result.witness is not None and all(block.known for block in result.witness.blocks)


def opening(result: SessionResult) -> str:
    """What an answer on the hand's stroke opens with: what it rests on, and what it takes for granted.

    Parameters
    ----------
    result : SessionResult

    Returns
    -------
    str
    """
    return BY_HAND if _is_watched(result) else AS_IT_LAY


def _sentence(lead: str, postures: Sequence[BlockCase], blocks: Sequence[BlockCase]) -> str:
    if len(postures) > 1:
        parts = [
            f"with posture {_label(finding)}{_weakest_of(finding, blocks)} {clause(finding)}"
            for finding in postures[:3]
        ]
        more = f"; and {len(postures) - 3} more postures below" if len(postures) > 3 else ""
        text = "; ".join(parts) + more + "."
        return text[0].upper() + text[1:] if postures[0].case == "hand" else f"{lead} {text}"
    turn = find_speed_turn(blocks)
    if turn is not None:
        held, first = turn
        return (
            f"{lead} your {held.stroke}stroke clears the next string up to {speed(held.summary)}; "
            f"at {speed(first.summary)} {short_clause(first)}."
        )
    where = f" in {len(blocks)} blocks taken together" if len(blocks) > 1 else ""
    summaries = [finding.summary for finding in blocks]
    if blocks_differ(summaries):
        tilts = [summary.tilt_mean_deg for summary in summaries if summary.tilt_mean_deg is not None]
        span = f"{degrees(min(tilts))} to {degrees(max(tilts))}"
        where = f" in the weakest of {len(blocks)} blocks, whose tilts run from {span}"
    return _full_sentence(lead, postures[0], where)


def _weakest_of(finding: BlockCase, blocks: Sequence[BlockCase]) -> str:
    """That a posture's finding is that of its weakest block, where its blocks differ."""
    own = [block.summary for block in blocks if block.summary.posture == finding.summary.posture]
    return f", in the weakest of its {len(own)} blocks," if len(own) > 1 and finding.summary in own else ""


def _label(finding: BlockCase) -> str:
    return f"\N{LEFT DOUBLE QUOTATION MARK}{finding.summary.posture or 'none'}\N{RIGHT DOUBLE QUOTATION MARK}"


def find_speed_turn(blocks: Sequence[BlockCase]) -> tuple[BlockCase, BlockCase] | None:
    """The fastest block that held and the slowest that did not, where all that held are slower; else None.

    Parameters
    ----------
    blocks : sequence of BlockCase
        Of one posture.

    Returns
    -------
    (BlockCase, BlockCase) or None
        The one that held first.
    """
    held = [finding for finding in blocks if finding.held]
    failing = [finding for finding in blocks if not finding.held]
    if not held or not failing:
        return None
    fastest, first = max(held, key=_rate), min(failing, key=_rate)
    return (fastest, first) if _rate(fastest) < _rate(first) else None


def _rate(finding: BlockCase) -> float:
    return finding.summary.strokes_per_s or 0.0


def _full_sentence(lead: str, finding: BlockCase, where: str) -> str:
    mean, share, stroke = finding.summary.tilt_mean_deg or 0.0, finding.share or 0.0, finding.stroke
    tilt, side = degrees(mean), "down" if mean >= 0 else "up"
    low, high = finding.summary.tilt_ci95_deg or (0.0, 0.0)
    bow = millimetres(finding.summary.bow_mm or 0.0)
    text = {
        "hand": f"Your stroke tilts {tilt} against the hand's own mean plane{where}; without reference gestures "
        "nothing can be said about the strings.",
        "unsure": f"This session cannot tell on which side your stroke leaves the strings{where}: its tilt lies "
        f"somewhere between {degrees(low)} and {degrees(high)}.",
        "level": f"your stroke runs level{where}, at a tilt of {tilt}: too flat to clear either way.",
        "flat": f"your stroke runs nearly level{where}, at a tilt of {tilt}: too flat to clear either way.",
        "shallow": f"your stroke tilts to the {side}stroke's side{where}, but {degrees(abs(mean))} is too "
        "flat to clear the next string.",
        "short": f"your stroke is tilted enough to the {side}stroke's side{where}, by {degrees(abs(mean))}, but it is "
        f"too short: {_only(share)} {stroke}strokes clear the next string.",
        "uneven": f"your {stroke}stroke clears the next string only {of_100(share)} times{where}: its tilt of {tilt} "
        "is not steady enough.",
        "clears": f"your {stroke}stroke clears the next string {of_100(share)} times{where}, at a tilt of {tilt}.",
        "both": f"both your strokes clear the next string{where}: the path is arched by {bow}, at a tilt of {tilt}.",
        "mixed": f"your stroke changes between two tilts{where}, {_two_tilts(finding)}, every {_mean_run(finding):.0f} "
        "strokes or so: you never played their average.",
        "wrong": f"your stroke is tilted to the {other_stroke(stroke)}stroke's side{where}, by {degrees(abs(mean))}, "
        f"but the {stroke}stroke was meant to clear: {of_100(share)} do.",
    }[finding.case]
    return text if finding.case in ("hand", "unsure") else f"{lead} {text}"


def _certainty_words(certainty: Certainty, said: Sequence[BlockCase], result: SessionResult) -> str:
    if said[0].case == "hand":
        return "Open: without reference gestures nobody knows where your strings are."
    lowering = _lowering(certainty, said, result, [d for d in result.doubts if d.about == "hand"])
    if lowering:
        return f"{certainty.capitalize()} about the hand's stroke: {lowering}"
    if certainty == "sure" and any(finding.case == "mixed" for finding in said):
        return "Sure: two tilts explain the strokes far better than one that wanders, and no offset changes that."
    intervals = [finding.summary.tilt_ci95_deg for finding in said]
    known = [interval for interval in intervals if interval is not None]
    if len(known) < len(intervals):
        return "Open: there are too few strokes, or the gestures say too little, for an interval."
    spans = " and ".join(f"{degrees(low)} to {degrees(high)}" for low, high in known[:3])
    widening = _widening(result, said)
    if certainty == "open" and widening is not None:
        return f"Open, even about the hand's stroke (95 % interval {spans}): {_reason(widening)}"
    tilts = f"95 % interval of its tilt, {spans}" if len(known) == 1 else f"95 % intervals of its tilts, {spans}"
    return {
        "sure": f"Sure about the hand's stroke: the answer is the same anywhere in the {tilts}.",
        "likely": f"Likely about the hand's stroke: the answer would change only near an end of the {tilts}.",
        "open": f"Open, even about the hand's stroke: the answer changes within the {tilts}.",
    }[certainty]


def _lowering(
    certainty: Certainty, said: Sequence[BlockCase], result: SessionResult, doubts: Sequence[Doubt]
) -> str | None:
    """The doubt that lowers a claim to this certainty is its reason; it says what to change."""
    postures = {finding.summary.posture for finding in said}
    blocks = [block.index for block in result.blocks if block.strokes and block.posture in postures]
    found = [doubt for doubt in doubts_on(doubts, blocks) if doubt.cap == certainty]
    if certainty == "sure" or not found:
        return None
    return _reason(found[0])


def _reason(doubt: Doubt) -> str:
    return f"{doubt.fault} ({doubt.evidence}). {_change(doubt)}"


def _change(doubt: Doubt) -> str:
    return f"{doubt.change[0].upper()}{doubt.change[1:]}."


def _widening(result: SessionResult, said: Sequence[BlockCase]) -> Doubt | None:
    """The doubt that makes most of the interval of what is said."""
    hand = [doubt for doubt in result.doubts if doubt.about == "hand"]
    postures = {finding.summary.posture for finding in said}
    blocks = [block.index for block in result.blocks if block.strokes and block.posture in postures]
    offsets = [finding.summary.tilt_offset_se_deg for finding in said]
    return dominant_doubt(hand, blocks, max((offset for offset in offsets if offset is not None), default=None))


def _tip_words(certainty: Certainty, said: Sequence[BlockCase], result: SessionResult) -> str:
    """What the same answer is worth as a claim about the tip; nothing where not even the hand's is measured."""
    known = [finding.summary.tip_ci95_deg for finding in said if finding.summary.tip_ci95_deg is not None]
    if len(known) < len(said) or any(finding.case == "mixed" for finding in said):
        return ""
    lowering = _lowering(certainty, said, result, [d for d in result.doubts if d.about == "tip"])
    if lowering:
        return f"{certainty.capitalize()} about the tip: {lowering}"
    spans = " and ".join(f"{degrees(low)} to {degrees(high)}" for low, high in known[:3])
    allowed = "unseen fingers and skin" if _is_watched(result) else "unseen fingers, skin and an instrument that moved"
    changes = {
        "sure": "",
        "likely": "the answer would change only near an end of ",
        "open": "the answer changes within ",
    }
    return f"{certainty.capitalize()} about the tip: {changes[certainty]}{spans}, which allows for {allowed}."


def _action(result: SessionResult, focus: BlockCase, ladder: Sequence[BlockCase]) -> tuple[ActionKind, str]:
    """The one thing to do next."""
    if discomfort(result.events):
        return "stop", HURT
    if focus.case == "hand":
        if any(event.kind in GESTURE_ORDER for event in result.events):
            return "gestures", "Record the reference gestures once more: the notes say which were not usable, and why."
        return "gestures", "Record the reference gestures before you play: still, across, along, pivot."
    slower = None if focus.held else _fastest_held(ladder)
    # That it holds when slower and not when faster is a difference within one posture: the offset does not touch it.
    if slower is not None and focus.case != "unsure":
        return "slow", f"Slow down to {speed(slower.summary)}, the fastest at which it held."
    widening = _widening(result, [focus])
    doubtful = widening is not None and focus.certainty != "sure"
    if doubtful or focus.case == "unsure" or (focus.certainty == "open" and not focus.held):
        return "repeat", repeat_gestures(focus.summary) if widening is None else _change(widening)
    return _cure(focus, ladder)


def _fastest_held(ladder: Sequence[BlockCase]) -> BlockCase | None:
    """The fastest block that held, if a faster one did not."""
    held = [finding for finding in ladder if finding.held]
    failing = [finding for finding in ladder if not finding.held]
    if not held or not failing:
        return None
    best = max(held, key=_rate)
    return best if _rate(best) < max(_rate(finding) for finding in failing) else None


def _cure(focus: BlockCase, ladder: Sequence[BlockCase]) -> tuple[ActionKind, str]:
    stroke, mean = focus.stroke, focus.summary.tilt_mean_deg or 0.0
    if focus.case == "mixed":
        return "steady", "Play each of the two tilts in a block of its own, so that each gets its own answer."
    if focus.case == "wrong":
        return "posture", (
            f"Turn the hand so that the {stroke}stroke, not the {other_stroke(stroke)}stroke, "
            "ends away from the strings; start large and slow."
        )
    if focus.case in ("level", "flat", "shallow"):
        choose = "Choose a side and tilt" if focus.case == "level" and focus.summary.wanted is None else "Tilt"
        return "tilt", (
            f"{choose} the stroke more: let the {stroke}stroke end farther out from the strings, at about "
            f"{focus.needed_tilt_deg:.0f}° instead of {abs(mean):.0f}°; start large and slow."
        )
    if focus.case == "short" and focus.needed_span_mm is not None:
        return "larger", (
            f"Make the stroke larger: about {focus.needed_span_mm:.0f} mm instead of "
            f"{focus.summary.span_mm or 0.0:.0f} mm, with the same tilt."
        )
    if focus.case in ("short", "uneven"):
        return "slow", f"Slow down to {_stepped(focus, ladder, STEP_DOWN)} and keep the same tilt on every stroke."
    if len(ladder) and all(finding.held for finding in ladder):
        return "faster", f"Go up one step, to {_stepped(focus, ladder, STEP_UP)}, and see whether it still clears."
    return "steady", "Keep the stroke as it is, and play it in more blocks."


def _stepped(focus: BlockCase, ladder: Sequence[BlockCase], factor: float) -> str:
    """The speed one step from the fastest block (up) or the slowest one (down)."""
    pick = max if factor > 1 else min
    block = pick(ladder, key=_rate).summary if ladder else focus.summary
    if block.tempo_bpm is not None:
        return f"{round(block.tempo_bpm * factor)} BPM"
    return f"{(block.strokes_per_s or 0.0) * factor:.1f} strokes a second"


def _how_sure(findings: Sequence[BlockCase], result: SessionResult) -> tuple[str, ...]:
    if result.reference.kind == "hand":
        return (
            "Tilt is measured against the hand's own mean plane only. Changes within one posture are real; "
            "the side, and whether a stroke clears, are unknown.",
        )
    said = []
    for finding in findings:
        summary = finding.summary
        if summary.tilt_offset_se_deg is None or summary.tilt_sd_deg is None or finding.share_range is None:
            continue
        same_posture = len({f.summary.posture for f in findings}) == 1
        name = f"At {speed(summary)}" if same_posture else f"With posture {_label(finding)}"
        low, high = finding.share_range
        range_words = of_100(low) if of_100(low) == of_100(high) else f"{of_100(low)} to {of_100(high)}"
        common = "session offset, common to all strokes,"
        if widened_by_doubts(result, finding):
            # The session offset is the gestures' alone, here as among the lines about the data.
            common = "error common to all strokes, every doubt about the data included,"
        said.append(
            f"{name + ', the' if len(findings) > 1 else 'The'} {common} is "
            f"{degrees(1.96 * summary.tilt_offset_se_deg)} either way (95 %); single strokes scatter by "
            f"{degrees(summary.tilt_sd_deg)} (standard deviation). With that error at either end of its interval "
            f"{range_words} {finding.stroke}strokes would clear."
        )
    said.append(
        "Fingers and skin, between hand and tip, add a third part. From block to block within one posture only the "
        "scatter counts; between postures both offsets do."
    )
    return tuple(said)


def widened_by_doubts(result: SessionResult, finding: BlockCase) -> bool:
    """Whether doubts widen the interval of a tilt beyond what the gestures leave open.

    Parameters
    ----------
    result : SessionResult
    finding : BlockCase
        Of one of its blocks or postures.

    Returns
    -------
    bool
    """
    own = [block.index for block in result.blocks if block is finding.summary]
    blocks = own or [b.index for b in result.blocks if b.strokes and b.posture == finding.summary.posture]
    return any(doubt.se_deg > 0 for doubt in doubts_on(result.doubts, blocks, "hand"))


def block_name(block: BlockSummary, start_s: float) -> str:
    """A block as a player knows it: number, posture, speed, when."""
    posture = f", posture {block.posture}" if block.posture else ""
    return f"Block {block_number(block.index)}{posture}, {speed(block)}, at {clock(block.start_s - start_s)}"
