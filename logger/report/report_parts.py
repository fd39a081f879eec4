"""Parts of the report as HTML. Every text is escaped here, nowhere else."""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING

from analysis.findings.arbiter import SessionFindings
from analysis.model.doubts import Certainty
from analysis.model.glossary import Explainer
from analysis.model.records import SessionResult
from analysis.report.data_quality import QualityLine
from analysis.report.sections import Choice, Section, Table
from analysis.report.verdict import Verdict

if TYPE_CHECKING:
    import plotly.graph_objects as go

SCALE: dict[Certainty, str] = {"sure": "■■■", "likely": "■■□", "open": "□□□"}
GRADE_MARK = {"good": "● good", "usable": "◐ usable", "poor": "○ poor"}
AGAINST_HAND = (
    "No reference gestures could be used: every tilt on this page is only against the hand's own mean plane. It shows "
    "changes, not on which side the stroke leaves the strings."
)


def render_verdict_part(found: SessionFindings, explainer: Explainer) -> str:
    """What is worrying about the body; the answer, its certainty, the next action."""
    result, verdict = found.result, found.verdict
    body = "".join(f'<p class="stop">{text(f.claim)}</p>' for f in found.findings if f.topic == "body")
    met = explain(explainer, [verdict.sentence, verdict.certainty_words, verdict.tip_words, verdict.action])
    claims = "".join(
        f'<p class="certainty"><span class="scale" aria-hidden="true">{SCALE[certainty]}</span>{text(words)}</p>'
        for certainty, words in verdict.claims
    )
    hand = f'<p class="warn" id="against-hand">{text(AGAINST_HAND)}</p>' if verdict.against_hand else ""
    unsaid = [caution for caution in result.cautions if caution != verdict.action]
    first = f'<p class="stop">{text(unsaid[0])}</p>' if unsaid else ""
    return (
        f'<section class="verdict" aria-labelledby="answer">{body}<h1 id="answer">{text(verdict.sentence)}</h1>'
        f"{claims}{hand}"
        f'<p class="next"><b>Do this next</b>{text(verdict.action)}</p>{first}{met}</section>'
    )


def render_section(section: Section, explainer: Explainer) -> str:
    """One section: title, sentence, pictures, table, notes, words."""
    notes = "".join(f'<p class="note">{text(note)}</p>' for note in section.notes)
    table = render_table(section.table) if section.table else ""
    met = explain(explainer, _texts(section))
    return (
        f'<section id="{text(section.id)}" aria-labelledby="{text(section.id)}-title">'
        f'<h2 id="{text(section.id)}-title">{text(section.title)}</h2>'
        f'<p class="sentence">{text(section.sentence)}</p>'
        f"{_pictures(section.id, section.choices)}{table}{notes}{met}</section>"
    )


def _texts(section: Section) -> Iterable[str]:
    yield section.title
    yield section.sentence
    if len(section.choices) > 1:
        yield from (choice.label for choice in section.choices)
    yield from section.notes
    yield from (choice.note for choice in section.choices[:1])
    if section.table:
        yield " ".join(section.table.columns)


def _pictures(name: str, choices: Sequence[Choice]) -> str:
    """Hosts of the figures, and what to choose between; the figures themselves as data."""
    if not choices:
        return ""
    hosts = "".join(
        f'<div class="figure" role="img" aria-label="{text(picture.description)}"></div>'
        for picture in choices[0].pictures
    )
    pair = " pair" if len(choices[0].pictures) > 1 else ""
    note = ""
    if any(choice.note for choice in choices):
        note = f'<p id="{name}-figures-note" aria-live="polite">{text(choices[0].note)}</p>'
    return (
        f"{_chooser(name, choices) if len(choices) > 1 else ''}{note}"
        f'<div class="pictures{pair}" data-figures="{name}-figures">{hosts}</div>'
        "<noscript><p>The pictures need JavaScript; the numbers stand in the tables.</p></noscript>"
        f'<script type="application/json" id="{name}-figures">{_data(choices)}</script>'
    )


def _chooser(name: str, choices: Sequence[Choice]) -> str:
    options = "".join(f"<option>{text(choice.label)}</option>" for choice in choices)
    return (
        f'<div class="choose"><label for="{name}-figures-select">Show</label>'
        f'<select id="{name}-figures-select">{options}</select>'
        '<button type="button" data-step="-1" aria-label="previous">←</button>'
        '<button type="button" data-step="1" aria-label="next">→</button></div>'
    )


def _data(choices: Sequence[Choice]) -> str:
    """Figures as JSON inside a script element: nothing in it may close the element."""
    plain = [
        {
            "note": choice.note,
            "pictures": [
                {"description": picture.description, "figure": _plain_figure(picture.figure)}
                for picture in choice.pictures
            ],
        }
        for choice in choices
    ]
    return json.dumps(plain, ensure_ascii=False, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _plain_figure(figure: go.Figure) -> dict[str, object]:
    """A figure as plain data, without the library's default look: the page has its own."""
    plain: dict[str, object] = json.loads(figure.to_json(validate=False))
    layout = plain["layout"]
    if isinstance(layout, dict):
        layout.pop("template", None)
    return plain


def render_table(table: Table) -> str:
    """A table that becomes a list of rows where the page is narrow; roles keep it a table for screen readers."""
    head = "".join(f'<th role="columnheader" scope="col">{text(name)}</th>' for name in table.columns)
    body = []
    for row in table.rows:
        kind = f'<span class="stub">{text(table.columns[0])}</span>'
        first = f'<th role="rowheader" scope="row">{kind} {text(row[0])}</th>'
        rest = "".join(
            f'<td role="cell" data-name="{text(name)}">{text(cell)}</td>'
            for name, cell in zip(table.columns[1:], row[1:], strict=True)
        )
        body.append(f'<tr role="row">{first}{rest}</tr>')
    return (
        f'<table class="stack dense" role="table"><caption>{text(table.caption)}</caption>'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{"".join(body)}</tbody></table>'
    )


def render_quality(verdict: Verdict, explainer: Explainer) -> str:
    """Data quality in plain words with its cost in degrees."""
    rows = "".join(_quality_row(line) for line in verdict.quality)
    names = ("About", "Found", "Cost in degrees", "Grade")
    head = "".join(f'<th role="columnheader" scope="col">{name}</th>' for name in names)
    met = explain(explainer, [word for line in verdict.quality for word in (line.subject, line.words, line.cost)])
    return (
        '<section id="quality" aria-labelledby="quality-title"><h2 id="quality-title">How good the data is</h2>'
        '<table class="stack" role="table"><caption>Data quality</caption>'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table>{met}</section>'
    )


def _quality_row(line: QualityLine) -> str:
    return (
        f'<tr role="row"><th role="rowheader" scope="row">{text(line.subject)}</th>'
        f'<td role="cell">{text(line.words)}</td><td role="cell" data-name="Cost:">{text(line.cost)}</td>'
        f'<td role="cell" class="grade">{text(GRADE_MARK[line.grade])}</td></tr>'
    )


def render_how_sure(verdict: Verdict, explainer: Explainer) -> str:
    """How sure the answer is and why."""
    said = [*(words for _, words in verdict.claims), *verdict.how_sure]
    lines = "".join(f"<p>{text(line)}</p>" for line in said)
    return (
        '<section id="how-sure" aria-labelledby="how-sure-title"><h2 id="how-sure-title">How sure, and why</h2>'
        f"<div>{lines}{explain(explainer, said)}</div></section>"
    )


def render_cautions(verdict: Verdict, explainer: Explainer) -> str:
    """The cautions, the most urgent first."""
    items = "".join(f"<li>{text(caution)}</li>" for caution in verdict.cautions)
    return (
        '<section id="cautions" aria-labelledby="cautions-title"><h2 id="cautions-title">Cautions</h2>'
        f"<div><ul>{items}</ul>{explain(explainer, verdict.cautions)}</div></section>"
    )


def render_details(result: SessionResult) -> str:
    """Warnings, instrument, gestures, settings, version and log hash, folded away."""
    instrument = {field.name: getattr(result.instrument, field.name) for field in fields(result.instrument)}
    facts: dict[str, object] = {
        "version": result.version,
        "log hash": result.log_hash or "none",
        "rate_hz": f"{result.rate_hz:.4g}",
        "lost_samples": result.lost_samples,
        "clipped_samples": result.clipped_samples,
        "lever_mm": _numbers(result.lever_mm),
        "lever_se_mm": _numbers(result.lever_se_mm),
        "tilt_offset_se_deg": _numbers(result.tilt_offset_se_deg),
        **{f"instrument.{name}": value for name, value in instrument.items()},
        **{f"warning {number}": warning for number, warning in enumerate(result.warnings, 1)},
        **dict(_flat(result.settings, "settings")),
    }
    items = "".join(f"<dt>{text(name)}</dt><dd>{text(value)}</dd>" for name, value in facts.items())
    return f"<details><summary>Settings, version and log hash</summary><dl>{items}</dl></details>"


def _numbers(value: float | Sequence[float] | None) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, float | int):
        return f"{value:.3g}"
    return ", ".join(f"{item:.3g}" for item in value)


def _flat(settings: Mapping[str, object], prefix: str) -> Iterable[tuple[str, object]]:
    for name, value in settings.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{prefix}.{name}")
        else:
            yield f"{prefix}.{name}", value


def explain(explainer: Explainer, texts: Iterable[str]) -> str:
    """The words met here for the first time, explained."""
    met = explainer.meet(texts)
    if not met:
        return ""
    items = "".join(f"<div><dt>{text(term.word)}</dt> <dd>{text(term.meaning)}.</dd></div>" for term in met)
    return f'<dl class="words">{items}</dl>'


def text(value: object) -> str:
    """A value as escaped text."""
    return html.escape(str(value), quote=True)
