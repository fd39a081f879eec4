"""Switches of posture: made, missed, lost, per direction and tempo; Wilson's and Newcombe's published intervals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from analysis.findings.question_findings import question_findings
from analysis.model.errors import NotEnoughDataError
from analysis.model.records import SessionResult
from analysis.questions.switch_success import measure_switches
from analysis.report.question_sections import question_sections
from analysis.report.session_answers import answer_session
from analysis.statistics.proportions import newcombe_difference, wilson
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

SWITCHES = 24


def play(missed: set[int], late: dict[int, int], lost: set[int], apart: float = 24.0) -> SessionResult:
    """Two postures by turns; ``missed`` keep the old tilt, ``late`` come after so many strokes, ``lost`` return."""
    blocks = [
        DrawnBlock(
            "low" if i % 2 else "high", 8.0, 3.0, apart / 2 if i % 2 else -apart / 2, tempo_bpm=96.0 + 12 * (i > 12)
        )
        for i in range(SWITCHES + 1)
    ]
    result = draw_session(blocks, Drawing(rest_s=2.0), np.random.default_rng(5))
    strokes = result.strokes.copy()
    tilt = strokes["tilt_deg"].to_numpy(copy=True)
    for block in range(SWITCHES + 1):
        own = np.flatnonzero(strokes["block"] == block)
        if block in missed:
            tilt[own] *= -1
        tilt[own[: late.get(block, 0)]] *= -1
        if block in lost:
            tilt[own[12:17]] *= -1
    return replace(result, strokes=strokes.assign(tilt_deg=tilt))


def test_every_switch_is_judged_as_it_was_played() -> None:
    found = measure_switches(play({3, 20}, {5: 6, 8: 1}, {10}))
    assert (found.made.count, found.made.of) == (22, 24)
    by_block = {t.block: t for t in found.tries}
    assert [b for b, t in by_block.items() if not t.made] == [3, 20]
    assert [b for b, t in by_block.items() if t.lost] == [10]
    assert (by_block[5].strokes, by_block[8].strokes, by_block[6].strokes) == (6, 1, 0)
    assert sum(g.made.of for g in found.groups) == 24
    assert {(g.from_posture, g.tempo_bpm) for g in found.groups} == {
        ("high", 96.0), ("high", 108.0), ("low", 96.0), ("low", 108.0)
    }  # fmt: skip
    assert found.fatigue is not None
    assert found.fatigue.verdict == "not shown"


def test_tiring_is_told() -> None:
    found = measure_switches(play({14, 16, 18, 19, 21, 22, 24}, {}, set()))
    assert found.fatigue is not None
    assert found.fatigue.verdict == "tires"


def test_postures_that_tilt_alike_and_too_few_switches_are_not_told() -> None:
    with pytest.raises(NotEnoughDataError, match="tilt alike"):
        measure_switches(play(set(), {}, set(), apart=2.0))
    slow = draw_session([DrawnBlock("A"), DrawnBlock("B", tilt_deg=-15.0)], Drawing(), np.random.default_rng(1))
    with pytest.raises(NotEnoughDataError, match="found 1"):
        measure_switches(slow)


def test_they_stand_in_the_report_and_among_the_findings() -> None:
    result = play({3, 20}, {5: 6}, {10})
    answers = answer_session(result)
    section = next(s for s in question_sections(answers) if s.id == "switches")
    assert section.sentence.startswith("Of 24 switches of posture 22 were made (74 to 97 of 100")
    assert section.table is not None
    assert len(section.table.rows) == 4
    picture = section.choices[0].pictures[0].figure
    assert [trace.name for trace in picture.data] == ["high to low", "low to high", "open: lost again"]
    missed_at = picture.layout.yaxis.tickvals[-1]
    assert picture.layout.yaxis.ticktext[-1] == "missed"
    assert sum(y == missed_at for trace in picture.data for y in trace.y) == 2
    assert max(y for trace in picture.data for y in trace.y if y not in (None, missed_at)) == 6 < missed_at
    assert [text.text for text in picture.layout.annotations] == ["96 BPM", "108 BPM"]
    findings = [f for f in question_findings(result, answers) if f.topic == "switching"]
    assert [f.claim for f in findings] == [section.sentence]


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_against_the_published_table(count: int, of: int, low: float, high: float) -> None:
    """Newcombe 1998, Statistics in Medicine 17, 857-872, table I, score method (values from memory); statsmodels."""
    found = wilson(count, of)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)
    assert (found.low, found.high) == pytest.approx(proportion_confint(count, of, method="wilson"), abs=1e-12)


def test_difference_against_the_published_table() -> None:
    """Newcombe 1998, Statistics in Medicine 17, 873-890, table II, method 10 (values from memory); statsmodels."""
    for (a, n), (b, m), published in (((56, 70), (48, 80), (0.0524, 0.3339)), ((9, 10), (3, 10), (0.1705, 0.8090))):
        found = newcombe_difference(wilson(a, n), wilson(b, m))
        assert found == pytest.approx(published, abs=6e-5)
        assert found == pytest.approx(confint_proportions_2indep(a, n, b, m, method="newcomb"), abs=1e-12)
