"""The player's questions asked of one session, once: every page, file and screen shows the same answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from analysis.drills.session_changes import DrillBlock, judge_drills
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import SessionResult
from analysis.questions.clearing import Clearing, judge_clearing
from analysis.questions.consistency import Consistency, measure_consistency
from analysis.questions.hold import HoldTempo, find_hold_tempo
from analysis.questions.posture import PostureComparison, compare_postures
from analysis.questions.switch_success import SwitchSuccess, measure_switches
from analysis.sound.witness import Heard
from analysis.tension.assessment import Tension, is_long, measure_tension

Answer = TypeVar("Answer")
LEAST_SPEEDS_RANGE = 1.15


@dataclass(frozen=True)
class SessionAnswers:
    """What a session can answer; a question that it does not put has no answer here.

    Attributes
    ----------
    holds : tuple of HoldTempo
        Of postures played at three speeds or more.
    steady : tuple of Consistency
        Of postures played in two blocks or more.
    clears : tuple of Clearing
    comparison : PostureComparison or str or None
        Of the first two postures; the reason where there is none; None with one posture.
    tension : Tension or str or None
        For twenty minutes or more, or where discomfort was reported; the reason where it cannot be told.
    drills : tuple of DrillBlock
    drill_problems : tuple of str
    heard : Heard or None
        What a recording of the sound says, where there is one.
    switches : SwitchSuccess or None
        Of sessions with four switches of posture or more that can be told.
    """

    holds: tuple[HoldTempo, ...]
    steady: tuple[Consistency, ...]
    clears: tuple[Clearing, ...]
    comparison: PostureComparison | str | None
    tension: Tension | str | None
    drills: tuple[DrillBlock, ...]
    drill_problems: tuple[str, ...]
    heard: Heard | None = None
    switches: SwitchSuccess | None = None


def answer_session(
    result: SessionResult, metadata: Mapping[str, str] | None = None, heard: Heard | None = None
) -> SessionAnswers:
    """Ask a session all questions that it can answer.

    Parameters
    ----------
    result : SessionResult
    metadata : Mapping, optional
        The session's metadata; keys ``drill.NAME`` give names of drills their phrases.
    heard : Heard, optional
        What a recording of the sound says; its pitches help to tell which stroke played which note of a drill.

    Returns
    -------
    SessionAnswers
    """
    blocks = [b for b in result.blocks if b.strokes]
    postures = list(dict.fromkeys(b.posture for b in blocks))
    repeated = [p for p in postures if sum(b.posture == p for b in blocks) > 1]
    switches = _or_reason(lambda: measure_switches(result)) if len(postures) > 1 else None
    drills, problems = judge_drills(result, metadata or {}, heard=None if heard is None else heard.emissions)
    return SessionAnswers(
        holds=_answers([p for p in postures if _has_ladder(result, p)], lambda p: find_hold_tempo([result], p)),
        steady=_answers(repeated, lambda p: measure_consistency([result], p)),
        clears=_answers(postures, lambda p: judge_clearing([result], p)),
        comparison=_or_reason(lambda: compare_postures([result], postures[:2])) if len(postures) > 1 else None,
        tension=_or_reason(lambda: measure_tension(result)) if is_long(result) else None,
        drills=drills,
        drill_problems=problems,
        heard=heard,
        switches=None if isinstance(switches, str) else switches,
    )


def _answers(postures: Sequence[str], ask: Callable[[str], Answer]) -> tuple[Answer, ...]:
    """The answers of those postures for which there is one."""
    found = [_or_reason(lambda posture=posture: ask(posture)) for posture in postures]  # type: ignore[misc]
    return tuple(answer for answer in found if not isinstance(answer, str))


def _or_reason(ask: Callable[[], Answer]) -> Answer | str:
    """The answer, or why there is none."""
    try:
        return ask()
    except (NotEnoughDataError, InputError) as error:
        return str(error)


def _has_ladder(result: SessionResult, posture: str) -> bool:
    speeds = [b.strokes_per_s for b in result.blocks if b.posture == posture and b.strokes_per_s is not None]
    return len(speeds) > 2 and max(speeds) >= LEAST_SPEEDS_RANGE * min(speeds)
