"""One evening gives one answer: whatever the results, no two findings contradict each other, and screens add no number.

Results are drawn, not played: any mixture of tilts, lengths, tempi, postures, wanted sides, doubts and reports.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from analysis.findings.arbiter import weigh_session
from analysis.findings.contradictions import find_contradictions, resolve
from analysis.model.doubts import CERTAINTIES, Doubt
from analysis.model.findings import Action, Finding, Measured, Scope
from analysis.model.records import Event, SessionResult
from analysis.report.session_sections import session_sections
from tests.analysis.findings.evenings import KINDS, check_evening
from tests.analysis.findings.screens import check_first_screen, check_live_page, check_questions, check_report
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


# Without shrinking: a failing example is printed as it was drawn, in seconds. The same ones every time; many more of
# them are drawn under ``make soak``.
DRAWN = settings(
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@settings(DRAWN, max_examples=500)
@given(results())
def test_no_two_findings_contradict_and_no_screen_adds_a_number(result: SessionResult) -> None:
    check_findings(result)


@pytest.mark.soak
@settings(DRAWN, max_examples=2000)
@given(results())
def test_no_two_findings_of_many_results_contradict(result: SessionResult) -> None:
    check_findings(result)


def check_findings(result: SessionResult) -> None:
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
    check_first_screen(found)
    # The body first when there is something to say, and not a word of it where there is not.
    hurt = any(e.kind == "hurt" or (e.label == "discomfort" and (e.rating or 0) > 0) for e in result.events)
    assert (found.findings[0].topic == "body") == hurt
    assert not hurt or found.verdict.action_kind == "stop"


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


@settings(DRAWN, max_examples=40)
@given(results())
def test_every_number_of_every_screen_is_a_finding_s_or_a_listed_cell_s(result: SessionResult) -> None:
    check_screens(result)


@pytest.mark.soak
@settings(DRAWN, max_examples=200)
@given(results())
def test_every_number_of_many_screens_is_a_finding_s_or_a_listed_cell_s(result: SessionResult) -> None:
    check_screens(result)


def check_screens(result: SessionResult) -> None:
    found = weigh_session(result)
    check_questions(found)
    check_report(found)
    if len(result.blocks) == 1:
        check_live_page(result, found)


def test_the_weakest_block_s_numbers_are_never_its_posture_s() -> None:
    """Blocks of one posture that differ: what is said of the weakest names it, on every screen."""
    plays = (Play(tilt_deg=24.0), Play(tilt_deg=2.0), Play(tilt_deg=-20.0, posture="B", wanted="up"))
    found = weigh_session(make_result(*plays))
    assert "in the weakest of its 2 blocks" in found.verdict.sentence
    sections = {section.id: section for section in session_sections(found.result, found.verdict)}
    assert sections["lift"].sentence.startswith("Block 2")
    assert not any(choice.label.startswith("Posture A") for choice in sections["lift"].choices)


@pytest.mark.parametrize("seed", range(7_000, 7_000 + len(KINDS)))
def test_an_evening_of_each_kind_says_one_thing(seed: int) -> None:
    check_evening(seed)


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(500))
def test_no_simulated_evening_contradicts_itself(seed: int) -> None:
    check_evening(seed)
