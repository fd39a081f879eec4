"""One evening gives one answer: whatever the results, no two findings contradict each other, and screens add no number.

Results are drawn, not played: any mixture of tilts, lengths, tempi, postures, wanted sides, doubts and reports.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from analysis.findings.arbiter import SessionFindings, weigh_session
from analysis.findings.contradictions import find_contradictions, resolve
from analysis.model.doubts import CERTAINTIES, Doubt
from analysis.model.findings import Action, Finding, Measured, Scope
from analysis.model.records import Event, SessionResult
from logger.terminal.terminal_verdict import render_verdict
from tests.analysis.report.make_result import START_S, Made, Play, make_result

plays = st.lists(
    st.builds(
        Play,
        tilt_deg=st.floats(-60, 60),
        span_mm=st.floats(4, 60),
        scatter_deg=st.floats(0.3, 8),
        bow_mm=st.sampled_from([0.0, 0.0, 2.0, 5.0]),
        rate=st.floats(2, 16),
        seconds=st.floats(3, 9),
        posture=st.sampled_from(["A", "A", "B"]),
        tempo_bpm=st.sampled_from([None, 72.0, 96.0, 131.0]),
        wanted=st.sampled_from([None, None, "down", "up"]),
    ),
    min_size=1,
    max_size=5,
)
reports = st.lists(
    st.builds(
        Event,
        start_s=st.just(START_S + 45.0),
        end_s=st.just(START_S + 45.0),
        kind=st.sampled_from(["rating", "hurt"]),
        label=st.sampled_from(["effort", "discomfort"]),
        rating=st.integers(0, 10).map(float),
    ),
    max_size=2,
)
doubts = st.lists(
    st.builds(
        Doubt,
        kind=st.just("invented"),
        cap=st.sampled_from(CERTAINTIES),
        fault=st.just("a fault"),
        evidence=st.just("its evidence"),
        change=st.just("what to change"),
        blocks=st.sampled_from([None, (0,)]),
    ),
    max_size=2,
)


@st.composite
def results(draw: st.DrawFn) -> SessionResult:
    made = Made(
        offset_se_deg=draw(st.floats(0.3, 6)),
        hand=draw(st.sampled_from([False, False, False, True])),
        events=tuple(draw(reports)),
    )
    result = make_result(*draw(plays), made=made, seed=draw(st.integers(0, 99)))
    return replace(result, doubts=tuple(draw(doubts)))


# Without shrinking: a failing example is printed as it was drawn, in seconds.
@settings(
    max_examples=500,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(results())
def test_no_two_findings_contradict_and_no_screen_adds_a_number(result: SessionResult) -> None:
    found = weigh_session(result)
    assert find_contradictions(found.findings) == []
    # One answer, one certainty, one next action.
    assert [finding.topic for finding in found.findings].count("answer") == 1
    assert found.verdict.certainty == found.answer.certainty
    actions = {finding.action.sentence for finding in found.findings if finding.action is not None}
    assert actions <= {found.verdict.action}
    # A doubt on a block caps every finding about that block.
    for doubt in result.doubts:
        about = [f for f in found.findings if f.topic not in ("body", "steady") and doubt.touches(f.scope.blocks)]
        assert all(CERTAINTIES.index(f.certainty) <= CERTAINTIES.index(doubt.cap) for f in about if f.topic == "block")
    check_numbers(found)
    # The body first when there is something to say, and not a word of it where there is not.
    hurt = any(e.kind == "hurt" or (e.label == "discomfort" and (e.rating or 0) > 0) for e in result.events)
    assert (found.findings[0].topic == "body") == hurt
    assert not hurt or found.verdict.action_kind == "stop"


def numbers(text: str) -> set[str]:
    plain = text.replace("\N{MINUS SIGN}", "-").replace("\N{PLUS-MINUS SIGN}", "")
    return set(re.findall(r"\d+(?:\.\d+)?", plain))


def check_numbers(found: SessionFindings) -> None:
    """Every number of the first screen is in a finding: its sentences, its evidence, or the scope's name."""
    known: set[str] = set()
    for finding in found.findings:
        for text in (finding.claim, *finding.evidence, *finding.assumptions, finding.scope.words):
            known |= numbers(text)
        if finding.action is not None:
            known |= numbers(finding.action.sentence)
    screen = render_verdict(found, 100)
    answer, _, rest = screen.partition("End view")
    table = "\n".join(line for line in rest.splitlines() if line.startswith("block "))
    # The times at which blocks begin are no claims.
    shown = numbers(re.sub(r"\b\d+:\d\d(:\d\d)?\b", "", answer + table))
    assert sorted(shown - known) == [], answer + table


def finding(
    value: float, low: float, high: float, action: str | None = None, blocks: tuple[int, ...] = (0,)
) -> Finding:
    measured = (Measured("tilt", "deg", value, low, high),)
    said = None if action is None else Action(action, action)  # type: ignore[arg-type]
    return Finding("answer", f"Tilt {value}.", "sure", Scope("tonight", blocks), measured, action=said)


def test_contradictions_are_seen() -> None:
    apart = [finding(10, 9, 11), finding(14, 13, 15)]
    assert [c.why for c in find_contradictions(apart)] == ["tilt: intervals apart"]
    assert find_contradictions([finding(10, 9, 13.5), finding(14, 13, 15)]) == []
    assert find_contradictions([finding(10, 9, 11), finding(14, 13, 15, blocks=(1,))]) == []
    opposed = [finding(10, 9, 11, "slow"), finding(10, 9, 11, "faster")]
    assert [c.why for c in find_contradictions(opposed)] == ["opposed actions"]
    assert len(find_contradictions([finding(10, 9, 11, "stop"), finding(10, 9, 11, "larger")])) == 1
    sides = [
        replace(one, measured=(replace(one.measured[0], low=-20.0, high=20.0, side=side),))
        for one, side in ((finding(10, 9, 11), "down"), (finding(10, 9, 11), "up"))
    ]
    assert [c.why for c in find_contradictions(sides)] == ["tilt: opposite sides"]


def test_of_two_that_contradict_the_first_stays_and_is_less_sure() -> None:
    first, second = finding(10, 9, 11, "larger"), finding(14, 13, 15, "slow")
    (kept,) = resolve([first, second])
    assert kept.claim == first.claim
    assert kept.certainty == "likely"
    assert "tilt 14" in kept.evidence[-1]
    agreeing = finding(10.5, 9.5, 12, "faster")
    slow = finding(10, 9, 11, "slow")
    assert [f.action and f.action.kind for f in resolve([slow, agreeing])] == ["slow", None]


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(500))
def test_no_two_findings_of_a_simulated_session_contradict(seed: int) -> None:
    from analysis.pipeline import analyse_session
    from analysis.synthesis.draw import random_scenario
    from analysis.synthesis.scenario import PlayBlock
    from analysis.synthesis.simulate import simulate

    rng = np.random.default_rng(seed)
    tempi = np.sort(rng.uniform(60, 220, rng.integers(1, 5)))
    blocks = tuple(
        PlayBlock(seconds=8, tempo_bpm=float(round(t)), tilt_deg=float(rng.uniform(-30, 30)), rest_s=3.0) for t in tempi
    )
    session = simulate(replace(random_scenario(seed), blocks=blocks), seed).session
    found = weigh_session(analyse_session(session))
    assert find_contradictions(found.findings) == []
    check_numbers(found)
