"""Findings from the answers to the player's questions."""

from __future__ import annotations

from collections.abc import Iterable

from analysis.findings.stroke_findings import TONIGHT, hold_measured, whole_session
from analysis.model.cautions import HURT
from analysis.model.doubts import Certainty, cap_certainty
from analysis.model.findings import Action, Finding, Measured, Scope
from analysis.model.number_words import block_number
from analysis.model.records import SessionResult
from analysis.questions.clearing import Clearing
from analysis.questions.consistency import Consistency
from analysis.questions.hold import HoldTempo
from analysis.questions.posture import PostureComparison
from analysis.questions.posture_words import say_comparison, say_measure
from analysis.questions.switch_success import SwitchSuccess
from analysis.report.answer_sentences import (
    say_clearing,
    say_comparison_notes,
    say_consistency,
    say_hold,
    say_switches,
    say_switching,
)
from analysis.report.session_answers import SessionAnswers
from analysis.report.tension_sections import say_level, tension_notes
from analysis.statistics.estimate_words import LEAST_DF, capitalise
from analysis.tension.assessment import Tension

REST = "Rest now, play more softly and slower, and end the evening if it does not ease."


def body_findings(result: SessionResult, answers: SessionAnswers) -> list[Finding]:
    """What is worrying about the body: a report of discomfort, or markers that ask to ease off; else nothing."""
    tension = answers.tension
    if not isinstance(tension, Tension):
        return []
    level = tension.level
    if not level.hurt and level.level not in ("watch", "ease off"):
        return []
    action = Action("stop", HURT) if level.hurt else Action("rest", REST)
    return [
        Finding(
            topic="body",
            claim=" ".join(_sentences(level.reasons)) if level.hurt else say_level(level),
            certainty="sure" if level.hurt else "likely",
            scope=whole_session(result),
            evidence=(*_sentences(level.reasons), *tension_notes(tension)),
            action=action,
        )
    ]


def _sentences(clauses: Iterable[str]) -> tuple[str, ...]:
    """Clauses as sentences."""
    return tuple(f"{capitalise(clause)}." for clause in clauses)


def question_findings(result: SessionResult, answers: SessionAnswers) -> list[Finding]:
    """One finding a question that has an answer.

    Parameters
    ----------
    result : SessionResult
    answers : SessionAnswers
        Of the same result.

    Returns
    -------
    list of Finding
    """
    found = [_hold(result, hold) for hold in answers.holds]
    found += [_clearing(result, clearing) for clearing in answers.clears]
    found += [_steady(result, steady) for steady in answers.steady]
    if isinstance(answers.comparison, str):
        said = f"The postures cannot be compared here: {answers.comparison}."
        found.append(Finding("posture", said, "open", whole_session(result)))
    if isinstance(answers.comparison, PostureComparison):
        found += _comparison(result, answers.comparison, answers.switches is None)
    if answers.switches is not None:
        found.append(_switches(result, answers.switches))
    if isinstance(answers.tension, Tension) and not body_findings(result, answers):
        level, notes = answers.tension.level, tension_notes(answers.tension)
        certainty: Certainty = "likely" if level.level == "steady" else "open"
        found.append(Finding("tension", say_level(level), certainty, whole_session(result), evidence=notes))
    if isinstance(answers.tension, str):
        said = f"Whether tension grows cannot be told here: {answers.tension}."
        found.append(Finding("tension", said, "open", whole_session(result)))
    found += _changes(result, answers)
    return found


def _scope(result: SessionResult, posture: str) -> Scope:
    blocks = tuple(b.index for b in result.blocks if b.strokes and b.posture == posture)
    return Scope(f"{TONIGHT}, posture {posture}" if posture else TONIGHT, blocks, posture)


def _hold(result: SessionResult, hold: HoldTempo) -> Finding:
    scope = _scope(result, hold.posture)
    known = hold.bound != "inside" or (hold.low is not None and hold.high is not None)
    certainty: Certainty = "sure" if known else "likely"
    return Finding(
        topic="hold",
        claim=say_hold(hold),
        certainty=cap_certainty(certainty, result.doubts, scope.blocks),
        scope=scope,
        measured=(hold_measured(hold),),
        evidence=_sentences(hold.remarks),
    )


def _clearing(result: SessionResult, clearing: Clearing) -> Finding:
    scope = _scope(result, clearing.posture)
    share = clearing.share
    certainty: Certainty = "sure" if (share.low or 0.0) > 0.5 or (share.high or 1.0) < 0.5 else "open"
    return Finding(
        topic="clearing",
        claim=say_clearing(clearing),
        certainty=cap_certainty(certainty, result.doubts, scope.blocks),
        scope=scope,
        measured=(
            Measured(f"share of {clearing.direction}strokes that clear", "share", share.value, share.low, share.high),
        ),
        evidence=_sentences(clearing.remarks),
    )


def _steady(result: SessionResult, steady: Consistency) -> Finding:
    scope = _scope(result, steady.posture)
    within = steady.within_sd_deg
    # Of two blocks no interval is given, here as in the sentence.
    low, high = (None, None) if within.df < LEAST_DF else (within.low, within.high)
    return Finding(
        topic="steady",
        claim=say_consistency(steady),
        certainty="sure",
        scope=scope,
        measured=(Measured("scatter of tilt within a block", "deg", within.value, low, high),),
        evidence=_sentences(steady.remarks),
    )


def _comparison(result: SessionResult, comparison: PostureComparison, with_switching: bool) -> list[Finding]:
    scope = whole_session(result)
    measured = tuple(
        Measured(f"{m.name}, {comparison.second} less {comparison.first}", m.unit, d.value, d.low, d.high)
        for m in comparison.measures
        for d in [m.difference]
    )
    shown = any(m.verdict == "different" for m in comparison.measures)
    found = [
        Finding(
            topic="posture",
            claim=say_comparison(comparison),
            certainty=cap_certainty("sure" if shown else "open", result.doubts, scope.blocks),
            scope=scope,
            measured=measured,
            evidence=(
                *(say_measure(comparison, m) for m in comparison.measures if m.verdict == "different"),
                *say_comparison_notes(comparison),
            ),
        )
    ]
    if with_switching and comparison.switching.switches:
        found.append(Finding("switching", say_switching(comparison.switching), "likely", scope))
    return found


def _switches(result: SessionResult, switches: SwitchSuccess) -> Finding:
    scope = whole_session(result)
    made = switches.made
    return Finding(
        topic="switching",
        claim=say_switches(switches),
        certainty=cap_certainty("likely", result.doubts, scope.blocks),
        scope=scope,
        measured=(Measured("share of switches made", "share", made.share, made.low, made.high),),
        evidence=(f"{made.of} switches within rests of ten seconds at most.",),
    )


def _changes(result: SessionResult, answers: SessionAnswers) -> list[Finding]:
    found = []
    for drill in answers.drills:
        if drill.changes.empty:
            continue
        verdicts = drill.changes["verdict"]
        cleared, touched = (int((verdicts == verdict).sum()) for verdict in ("cleared", "touched"))
        told = drill.share_told or 0.0
        posture = next((b.posture for b in result.blocks if b.index == drill.index), "")
        found.append(
            Finding(
                topic="string changes",
                claim=f"Of {len(verdicts)} string changes {cleared} cleared, {touched} touched, and "
                f"{len(verdicts) - cleared - touched} are not known.",
                certainty=cap_certainty("likely" if told > 0.5 else "open", result.doubts, (drill.index,)),
                scope=Scope(f"block {block_number(drill.index)}", (drill.index,), posture),
            )
        )
    return found
