"""The report of one session: one HTML page that needs nothing from elsewhere."""

from __future__ import annotations

import html
import json
from importlib import resources
from pathlib import Path
from string import Template

import plotly
from plotly.offline import get_plotlyjs

from analysis.findings.arbiter import SessionFindings
from analysis.model.glossary import Explainer
from analysis.model.number_words import clock, duration
from analysis.model.records import SessionResult
from analysis.report.drill_sections import drill_sections
from analysis.report.figures import DARK
from analysis.report.question_sections import question_sections
from analysis.report.session_sections import session_sections
from analysis.report.sound_sections import sound_sections
from logger.files.atomic_file import write_text_atomic
from logger.files.own_result import is_page, write_result
from logger.report.report_parts import (
    render_cautions,
    render_details,
    render_how_sure,
    render_quality,
    render_section,
    render_verdict_part,
)

DATA = resources.files("logger") / "data"


def write_report(found: SessionFindings, path: Path, light: bool = False) -> None:
    """Write the report of one session.

    Parameters
    ----------
    found : SessionFindings
    path : Path
        The HTML file; an older page of ours is replaced whole, or left as it was.
    light : bool
        Keep the plotting library out of the page: it is put beside it once, for all reports in the folder.

    Raises
    ------
    OutputError
        A file cannot be written, or another one is there.
    """
    if light:
        beside = path.parent / library_name()
        if not beside.exists():
            write_text_atomic(beside, get_plotlyjs())
    write_result(path, render_report(found, path.stem, light), is_page)


def library_name() -> str:
    """Name of the plotting library's file beside light reports; another version gets another name."""
    return f"plotly-{plotly.__version__}.min.js"


def render_report(found: SessionFindings, title: str = "session", light: bool = False) -> str:
    """The page as text; parameters as in :func:`write_report`."""
    result, verdict = found.result, found.verdict
    library = f'src="{library_name()}">' if light else f">{get_plotlyjs()}"
    return Template(_data("report.html")).substitute(
        title=html.escape(f"{title}: {verdict.sentence}"),
        style=_data("report.css"),
        kind="session report",
        facts=html.escape(describe_session(result)),
        body=render_body(found),
        version=html.escape(result.version),
        source=html.escape(f"a log with hash {result.log_hash}" if result.log_hash else "a log without a hash"),
        dark=json.dumps(DARK),
        library=f"<script {library}</script>",
        script=_data("report.js"),
    )


def render_body(found: SessionFindings) -> str:
    """Everything between header and footer, technical words explained where they first stand."""
    explainer = Explainer()
    result, verdict = found.result, found.verdict
    more = (*question_sections(found.answers), *drill_sections(found.answers))
    more += () if found.answers.heard is None else sound_sections(found.answers.heard)
    first, *rest = session_sections(result, verdict)
    answer = render_verdict_part(found, explainer) + render_section(first, explainer)
    parts = [f'<div class="answer">{answer}</div>']
    parts += [render_section(section, explainer) for section in (*rest, *more)]
    parts += [
        render_quality(verdict, explainer),
        render_how_sure(verdict, explainer),
        render_cautions(verdict, explainer),
        render_details(result),
    ]
    return "\n".join(parts)


def describe_session(result: SessionResult) -> str:
    """Who, on what, how long, in one line."""
    instrument, player = result.instrument, result.player
    strings = (
        f"{instrument.courses} courses" if instrument.courses != instrument.strings else f"{instrument.strings} strings"
    )
    name = f"{instrument.name}, {strings}" if instrument.name else strings
    who = f"{player.name}, {player.handed}-handed" if player.name else f"{player.handed}-handed"
    blocks = f"{len(result.blocks)} block{'s' * (len(result.blocks) != 1)}, " if result.blocks else ""
    length = clock(result.duration_s) if result.duration_s >= 120 else duration(result.duration_s)
    return f"{who}; {name}; {blocks}{len(result.strokes)} strokes in {length}"


def _data(name: str) -> str:
    return (DATA / name).read_text(encoding="utf-8")
