"""Findings on the stroke itself: the session's answer, and one finding per block."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.model.doubts import doubts_on
from analysis.model.findings import Action, Finding, Measured, Scope
from analysis.model.number_words import block_number, degrees, speed
from analysis.model.records import SessionResult, Side
from analysis.questions.hold import HoldTempo
from analysis.report.verdict import Verdict, clause, find_speed_turn, is_block, opening, say_lift, short_clause
from analysis.stroke.block_case import BlockCase

TONIGHT = "tonight"


def whole_session(result: SessionResult) -> Scope:
    """All blocks of a session that hold strokes."""
    return Scope(TONIGHT, tuple(block.index for block in result.blocks if block.strokes))


def answer_finding(result: SessionResult, verdict: Verdict, holds: Sequence[HoldTempo]) -> Finding:
    """The answer that a player reads first.

    Parameters
    ----------
    result : SessionResult
    verdict : Verdict
        Of the same result.
    holds : sequence of HoldTempo
        One a posture, where there is one: then the tempo up to which the tilt holds is theirs, not that of the fastest
        block that happened to hold.

    Returns
    -------
    Finding
    """
    turn = find_speed_turn(verdict.blocks) if len(verdict.postures) == 1 else None
    hold = next((hold for hold in holds if hold.bound == "inside"), None) if turn is not None else None
    claim, action = verdict.sentence, Action(verdict.action_kind, verdict.action)
    measured: tuple[Measured, ...] = ()
    interval: tuple[str, ...] = ()
    if turn is not None and hold is not None:
        claim = _held_up_to(opening(result), hold, turn[1])
        measured, interval = (hold_measured(hold),), (_hold_interval(hold),)
        action = _slower(verdict, hold, action)
    elif len(verdict.postures) == 1 and turn is None and _agree(verdict):
        measured = _tilt(verdict.postures[0])
    return Finding(
        topic="answer",
        claim=claim,
        certainty=verdict.certainty,
        scope=whole_session(result),
        measured=measured,
        evidence=(*interval, *(words for _, words in verdict.claims), *verdict.how_sure, *_together(verdict)),
        assumptions=_assumptions(verdict),
        action=action,
    )


def _together(verdict: Verdict) -> tuple[str, ...]:
    """What the blocks of a posture come to, where one number speaks for all of them."""
    said = []
    for posture in verdict.postures:
        summary = posture.summary
        if is_block(verdict, posture) or summary.tilt_mean_deg is None:
            continue
        name = f"Posture {summary.posture}: tilt" if summary.posture else "Tilt"
        scatter = "" if summary.tilt_sd_deg is None else f", scatter {degrees(summary.tilt_sd_deg)}"
        lift = "" if posture.share is None else f" {say_lift(posture)}"
        said.append(f"{name} {degrees(summary.tilt_mean_deg)} over all strokes{scatter}.{lift}")
    return tuple(said)


def _agree(verdict: Verdict) -> bool:
    """Whether one tilt speaks for all blocks: of blocks that differ, neither the average nor the weakest does."""
    together = verdict.postures[0].summary.tilt_ci95_deg
    if together is None:
        return len(verdict.blocks) < 2
    intervals = [case.summary.tilt_ci95_deg for case in verdict.blocks]
    return all(own is not None and own[0] <= together[1] and together[0] <= own[1] for own in intervals)


def hold_measured(hold: HoldTempo) -> Measured:
    """The hold tempo as a number: a bound where it lies beyond the speeds tested."""
    quantity = "hold tempo" + (f", posture {hold.posture}" if hold.posture else "")
    if hold.bound == "at least":
        return Measured(quantity, "strokes/s", None, hold.low or hold.strokes_per_s, None, hold.side)
    if hold.bound == "below":
        return Measured(quantity, "strokes/s", None, None, hold.high or hold.strokes_per_s, hold.side)
    return Measured(quantity, "strokes/s", hold.strokes_per_s, hold.low, hold.high, hold.side)


def block_findings(result: SessionResult, verdict: Verdict) -> list[Finding]:
    """One finding a block, as the table of blocks shows it.

    Parameters
    ----------
    result : SessionResult
    verdict : Verdict
        Of the same result.

    Returns
    -------
    list of Finding
    """
    return [_block(result, case, verdict) for case in verdict.blocks]


def _block(result: SessionResult, case: BlockCase, verdict: Verdict) -> Finding:
    summary = case.summary
    number = block_number(summary.index)
    said = clause(case)
    evidence = [f"{summary.strokes} strokes, {speed(summary)}."]
    if summary.tilt_ci95_deg is not None:
        low, high = (degrees(end) for end in summary.tilt_ci95_deg)
        evidence.append(f"95 % interval of the tilt: {low} to {high}.")
    if summary.tilt_sd_deg is not None:
        evidence.append(f"Single strokes scatter by {degrees(summary.tilt_sd_deg)}.")
    if summary.tilt_mean_deg is not None:
        evidence.append(f"Tilt {degrees(summary.tilt_mean_deg)}.")
    if case.share is not None:
        evidence.append(say_lift(case))
    evidence += [doubt.sentence for doubt in doubts_on(result.doubts, (summary.index,))]
    return Finding(
        topic="block",
        claim=f"{said[0].upper()}{said[1:]}.",
        certainty=case.certainty,
        scope=Scope(f"block {number}", (summary.index,), summary.posture),
        measured=() if verdict.against_hand else _tilt(case),
        evidence=tuple(evidence),
    )


def _tilt(case: BlockCase) -> tuple[Measured, ...]:
    summary = case.summary
    if summary.tilt_mean_deg is None:
        return ()
    side: Side = "none" if case.case in ("level", "flat") else summary.tilt_side
    low, high = summary.tilt_ci95_deg or (None, None)
    # Blocks of one posture may differ: a tilt is a block's own quantity.
    return (Measured("tilt", "deg", summary.tilt_mean_deg, low, high, side),)


def _held_up_to(lead: str, hold: HoldTempo, first: BlockCase) -> str:
    return (
        f"{lead} your {hold.side}stroke stays tilted enough up to {_pace(hold, hold.strokes_per_s)}; at "
        f"{speed(first.summary)} {short_clause(first)}."
    )


def _hold_interval(hold: HoldTempo) -> str:
    low, high = (end if end is not None else hold.tested[i] for i, end in enumerate((hold.low, hold.high)))
    return f"95 % interval of the tempo up to which it holds: {_pace(hold, low)} to {_pace(hold, high)}."


def _pace(hold: HoldTempo, strokes_per_s: float) -> str:
    bpm = hold.bpm(strokes_per_s)
    return f"{strokes_per_s:.1f} strokes/s" if bpm is None else f"{bpm:.0f} BPM"


def _slower(verdict: Verdict, hold: HoldTempo, action: Action) -> Action:
    """Slow down to a tempo that was played and lies within what holds."""
    if action.kind != "slow":
        return action
    played = [
        case.summary
        for case in verdict.blocks
        if case.held and case.summary.strokes_per_s is not None and case.summary.strokes_per_s <= hold.strokes_per_s
    ]
    if not played:
        return action
    best = max(played, key=lambda summary: summary.strokes_per_s or 0.0)
    return Action("slow", f"Slow down to {speed(best)}, the fastest you played at which it still holds.")


def _assumptions(verdict: Verdict) -> tuple[str, ...]:
    if verdict.against_hand:
        return ("The strings are taken to lie as the hand's own mean plane does; that is not known.",)
    return (
        "The fingers keep the plectrum still against the hand.",
        "The instrument stays as it was in the reference gestures.",
    )
