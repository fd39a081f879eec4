"""Every number on every screen of a session, read back: a finding tells it, or it is the named field of its own record.

A screen is sentences that findings (or the verdict, the cautions, the glossary) hold word for word; and cells, labels
and descriptions of pictures, of which :mod:`tests.analysis.findings.expected` says which field each shows. Whatever is
neither fails, a right number in a wrong place too.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence

from analysis.findings.arbiter import SessionFindings
from analysis.model.glossary import TERMS
from analysis.model.records import SessionResult
from analysis.report.drill_sections import drill_sections
from analysis.report.question_sections import question_sections
from analysis.report.sections import Section
from analysis.report.session_sections import session_sections
from logger.live.block_result import judge_block
from logger.live.state import Verdict as Shown
from logger.report.answer_output import render_text
from logger.report.result_files import render_result_json
from logger.report.session_page import render_body
from logger.terminal.terminal_verdict import MOST_BLOCKS, render_verdict
from tests.analysis.findings.expected import check_section, question_expected, session_expected, speed_number, told_by
from tests.analysis.findings.read_back import check_numbers, in_100, numbers, untold
from tests.logger.report.page_text import read_page


def check_terminal(screen: str, found: SessionFindings) -> None:
    """The terminal's whole text: the answer, the table of blocks, the lines about the data, words and cautions."""
    lines = screen.splitlines()
    rows = [line for line in lines if re.match(r"block \d+ ", line)]
    for row, case in zip(rows, found.verdict.blocks[:MOST_BLOCKS], strict=True):
        summary = case.summary
        share = () if case.share is None else (in_100(case.share), 100)
        when = summary.start_s - found.result.start_s
        check_numbers(row, [summary.index + 1, when, speed_number(summary), summary.tilt_mean_deg or 0.0, *share])
    more = len(found.verdict.blocks) - len(rows)
    rest = "\n".join(line for line in lines if line not in rows)
    check_numbers(rest, [more] if more else (), told_by(found))


def check_first_screen(found: SessionFindings) -> None:
    check_terminal(render_verdict(found, 100), found)


def check_questions(found: SessionFindings) -> None:
    """What the questions' commands print: their sentences and notes are findings', their tables the answers' own."""
    told, expected = told_by(found), question_expected(found)
    sections = (*question_sections(found.answers), *drill_sections(found.answers))
    for section in sections:
        check_section(section, told, expected[section.id])
    # Laid out for a terminal, nothing is added and nothing lost.
    shown = {number for section in sections for text in _texts(section) for number in numbers(text)}
    assert set(numbers(render_text(sections, ()))) == shown


def _texts(section: Section) -> list[str]:
    """What a section shows on a terminal: no pictures."""
    table = section.table
    cells = [cell for row in (table.columns, *table.rows) for cell in row] if table else []
    return [section.title, section.sentence, *section.notes, *cells]


def check_report(found: SessionFindings) -> None:
    """The sections that only the report has, the page that is made of all, and what goes out as JSON."""
    told, expected = told_by(found), session_expected(found)
    sections = session_sections(found.result, found.verdict)
    for section in sections:
        check_section(section, told, expected[section.id])
    all_sections = (*sections, *question_sections(found.answers), *drill_sections(found.answers))
    check_page(read_page(render_body(found)).texts, found, all_sections)
    document = json.loads(render_result_json(found))
    assert [f["claim"] for f in document["findings"]] == [f.claim for f in found.findings]
    assert [f["certainty"] for f in document["findings"]] == [f.certainty for f in found.findings]


def check_page(texts: dict[str, str], found: SessionFindings, sections: Sequence[Section]) -> None:
    """A page's sections hold their own numbers in their order and no others; answer, quality and cautions are told."""
    words = [f"{term.word} {term.meaning}." for term in TERMS]
    lines = [f"{line.subject} {line.words} {line.cost}" for line in found.verdict.quality]
    for name in ("answer", "quality", "how-sure", "cautions"):
        check_numbers(texts[name], (), [*told_by(found), *words, *lines])
    for section in sections:
        shown, own = (numbers(untold(text, words)) for text in (texts[section.id], _page_text(section)))
        assert shown == own, section.id


def _page_text(section: Section) -> str:
    """The texts of a section in a page's order: every row of a table begins with the name of its first column."""
    choices, table = section.choices, section.table
    labels = [choice.label for choice in choices] if len(choices) > 1 else []
    cells = [] if table is None else [cell for row in table.rows for cell in (table.columns[0], *row)]
    head = [section.title, section.sentence, *labels, *(choice.note for choice in choices[:1])]
    return "\n".join((*head, *((table.caption, *table.columns) if table else ()), *cells, *section.notes))


def check_live(shown: Shown, found: SessionFindings) -> None:
    """The words of the guided session's page after a block are those of the block's own findings."""
    assert shown.sentence == found.verdict.sentence
    check_numbers("\n".join((shown.sentence, *shown.more)), (), told_by(found))
    if shown.strokes:
        (block,) = (case.summary for case in found.verdict.blocks)
        assert (shown.strokes, shown.strokes_per_s) == (block.strokes, block.strokes_per_s)
        assert (shown.tilt_mean_deg, shown.tilt_ci95_deg) == (block.tilt_mean_deg, block.tilt_ci95_deg)


def check_live_page(result: SessionResult, found: SessionFindings) -> None:
    check_live(judge_block(result, 1, {}), found)
