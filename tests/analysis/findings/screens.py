"""Every number on every screen, parsed back: it stands in a finding, or in the cell of a table that is listed here.

A cell's number must be one of the record that the row is drawn from, rounded as it is shown. What is neither (a date of
the page, a number that a wording adds) is a stray, and fails.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from analysis.findings.arbiter import SessionFindings
from analysis.model.glossary import TERMS
from analysis.model.records import SessionResult
from analysis.report.question_sections import question_sections
from analysis.report.sections import Section
from analysis.report.session_sections import session_sections
from analysis.tension.assessment import Tension
from logger.live.block_result import judge_block
from logger.report.answer_output import plain, render_text
from logger.report.result_files import render_result_json
from logger.terminal.ascii_text import ASCII
from logger.terminal.terminal_verdict import render_verdict

NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")
CLOCK = re.compile(r"\b\d+:\d\d(:\d\d)?\b")
"""When a block began is no claim."""
FIXED = {"95", "100", "10", "0.001"}
"""Words of the trade that hold a number: 95 % interval, so many of 100, of 10, p < 0.001."""


def numbers(text: str) -> set[str]:
    return set(NUMBER.findall(CLOCK.sub("", text).replace("\N{MINUS SIGN}", " ").replace("\N{PLUS-MINUS SIGN}", " ")))


def said_of(found: SessionFindings) -> set[str]:
    """Numbers of all findings, and of what every screen takes over whole: cautions, doubts, explained words."""
    texts = [text for f in found.findings for text in (f.claim, *f.evidence, *f.assumptions, f.scope.words)]
    texts += [f.action.sentence for f in found.findings if f.action is not None]
    texts += [*found.verdict.cautions, *found.result.warnings, *(term.meaning for term in TERMS)]
    return FIXED | numbers(" ".join(texts))


def pool(value: Any) -> Iterator[float]:
    """Every number of a record."""
    if isinstance(value, bool) or value is None:
        return
    if isinstance(value, int | float):
        yield float(value)
    elif isinstance(value, str):
        yield from map(float, NUMBER.findall(value))
    elif isinstance(value, dict):
        for item in value.values():
            yield from pool(item)
    elif isinstance(value, list):
        yield float(len(value))
        for item in value:
            yield from pool(item)


def is_of(number: str, values: Sequence[float]) -> bool:
    """Whether a shown number is one of these, rounded (a share as so many of 100 is cut), a speed perhaps as BPM."""
    decimals = len(number.partition(".")[2])
    shown = float(number)
    half = 0.5 * 10.0**-decimals + 1e-9
    return any(
        abs(abs(factor * value) - shown) <= half or int(abs(100 * value) + 1e-9) == shown
        for value in values
        for factor in (1.0, 100.0)
    )


def strays(cells: Iterable[str], record: Any, said: set[str] = FIXED) -> list[str]:
    """Numbers of a row that are not its record's."""
    values = list(pool(plain(record)))
    return [n for cell in cells for n in sorted(numbers(cell)) if n not in said and not is_of(n, values)]


def check_first_screen(found: SessionFindings) -> None:
    """The terminal's whole text: the answer, the table of blocks, the lines about the data, words and cautions."""
    said = said_of(found)
    screen = render_verdict(found, 100)
    rows = [line for line in screen.splitlines() if re.match(r"block \d", line)]
    for row, case in zip(rows, found.verdict.blocks, strict=False):
        record = [plain(case.summary), plain(case.share), case.summary.index + 1]
        assert strays([row], record) == [], row
    quality = numbers(" ".join(f"{line.subject} {line.words} {line.cost}" for line in found.verdict.quality))
    rest = "\n".join(line for line in screen.splitlines() if line not in rows)
    more = {str(len(found.verdict.blocks) - len(rows))}
    assert sorted(numbers(rest) - said - quality - more) == [], rest


def check_questions(found: SessionFindings) -> None:
    """What the questions' commands print: their sentences and notes are findings', their tables the answers' own."""
    said = said_of(found)
    answers = found.answers
    records: dict[str, Sequence[Any]] = {
        "hold": [
            [piece, hold.bpm(piece.strokes_per_s)]
            for hold in answers.holds
            for piece in sorted(hold.pieces, key=lambda piece: piece.strokes_per_s)
        ],
        "steady": [each for steady in answers.steady for each in steady.evenness],
        "room": [pair for clearing in answers.clears for pair in clearing.pairs],
        "postures": getattr(answers.comparison, "measures", ()),
        "switches": () if answers.switches is None else answers.switches.groups,
    }
    sections = question_sections(answers)
    for section in sections:
        if section.id == "tension":
            continue
        check_section(section, records[section.id], said)
    if isinstance(answers.tension, Tension):
        (tension,) = (section for section in sections if section.id == "tension")
        check_section(tension, [answers.tension] * len(tension.table.rows if tension.table else ()), said)
    # Laid out for a terminal, nothing is added and nothing lost.
    told = " ".join(
        text for s in sections for text in (s.title, s.sentence, *s.notes, *(s.table.columns if s.table else ()))
    )
    cells = " ".join(cell for s in sections if s.table for row in s.table.rows for cell in row)
    assert numbers(render_text(sections, ())) == numbers(f"{told} {cells}".translate(ASCII))


def check_section(section: Section, records: Sequence[Any], said: set[str]) -> None:
    for text in (section.title, section.sentence, *section.notes):
        assert sorted(numbers(text) - said) == [], f"{section.id}: {text}"
    if section.table is not None:
        for row, record in zip(section.table.rows, records, strict=True):
            assert strays(row, record) == [], f"{section.id}: {row}"


def check_report(found: SessionFindings) -> None:
    """The sections that only the report has, and what goes out as JSON."""
    said = said_of(found)
    blocks = {"blocks": [[case.summary, case.share, case.summary.index + 1] for case in found.verdict.blocks]}
    for section in session_sections(found.result, found.verdict):
        known = said | numbers(json.dumps(plain(found.result.instrument)))
        known |= {f"{n:.1f}" for n in pool(plain(found.result.instrument))}
        known |= {str(n) for n in range(len(found.verdict.blocks) + 1)}
        check_section(section, blocks.get(section.id, ()), known)
    document = json.loads(render_result_json(found))
    assert [f["claim"] for f in document["findings"]] == [f.claim for f in found.findings]
    assert [f["certainty"] for f in document["findings"]] == [f.certainty for f in found.findings]


def check_live_page(result: SessionResult) -> None:
    """The words of the guided session's page after a block are those of the block's own findings."""
    from analysis.findings.arbiter import weigh_session

    found, shown = weigh_session(result), judge_block(result, 1, {})
    texts = " ".join((shown.sentence, *shown.more))
    assert sorted(numbers(texts) - said_of(found)) == [], texts
    assert shown.sentence == found.verdict.sentence
