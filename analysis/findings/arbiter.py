"""The one arbiter: a session's results turned into an ordered list of findings, none contradicting another.

What is worrying about the body stands first. Then the answer, with the one thing to do next; the player's questions;
one finding a block. Screens, reports and files render this list and add no claim of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.findings.contradictions import resolve
from analysis.findings.question_findings import body_findings, question_findings
from analysis.findings.stroke_findings import answer_finding, block_findings
from analysis.model.doubts import CERTAINTIES
from analysis.model.findings import Finding
from analysis.model.records import SessionResult
from analysis.report.session_answers import SessionAnswers, answer_session
from analysis.report.verdict import Verdict, judge_session
from analysis.sound.witness import Heard


@dataclass(frozen=True)
class SessionFindings:
    """What is said of a session.

    Attributes
    ----------
    result : SessionResult
        What it is said of.
    findings : tuple of Finding
        The weightiest first; free of contradictions.
    answers : SessionAnswers
        What the sections of a report are drawn from.
    verdict : Verdict
        The same, reconciled with the findings: its sentence, certainty and action are those of the answer.
    """

    result: SessionResult
    findings: tuple[Finding, ...]
    answers: SessionAnswers
    verdict: Verdict

    @property
    def answer(self) -> Finding:
        """The finding that answers the session's first question."""
        return next(finding for finding in self.findings if finding.topic == "answer")


def weigh_session(
    result: SessionResult, metadata: Mapping[str, str] | None = None, heard: Heard | None = None
) -> SessionFindings:
    """Turn a session's result into what is said of it.

    Parameters
    ----------
    result : SessionResult
    metadata : Mapping, optional
        The session's metadata; keys ``drill.NAME`` give names of drills their phrases.
    heard : Heard, optional
        What a recording of the sound says.

    Returns
    -------
    SessionFindings
    """
    answers = answer_session(result, metadata, heard)
    verdict = judge_session(result)
    answer = answer_finding(result, verdict, answers.holds)
    body = body_findings(result, answers)
    if body and body[0].action is not None:
        # One thing to do next: what the body asks for comes before what the stroke asks for.
        answer = replace(answer, action=body[0].action)
    findings = resolve([*body, answer, *question_findings(result, answers), *block_findings(result, verdict)])
    answer = next(finding for finding in findings if finding.topic == "answer")
    action = answer.action
    words, tip, tip_words = verdict.certainty_words, verdict.tip_certainty, verdict.tip_words
    if answer.certainty != verdict.certainty:
        words = f"{answer.certainty.capitalize()}: {answer.evidence[-1]}"
        tip, tip_words = min(tip, answer.certainty, key=CERTAINTIES.index), ""
    reconciled = replace(
        verdict,
        sentence=answer.claim,
        certainty=answer.certainty,
        certainty_words=words,
        tip_certainty=tip,
        tip_words=tip_words,
        action=action.sentence if action else verdict.action,
        action_kind=action.kind if action else verdict.action_kind,
    )
    return SessionFindings(result, findings, answers, reconciled)
