"""Answers to the player's questions, printed, as JSON, or as a page of sections."""

from __future__ import annotations

import html
import itertools
import json
import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from importlib.metadata import version
from pathlib import Path
from string import Template
from typing import Any, TypeVar

import click
import numpy as np
import pandas as pd

from analysis.model.cautions import SIMULATED
from analysis.model.errors import NotEnoughDataError
from analysis.model.records import SessionResult
from analysis.report.sections import Section, Table
from logger.files.own_result import MADE_BY, check_result, is_json, is_page, made_by, write_result
from logger.terminal.ascii_text import plain_text, wrap_plain
from logger.terminal.say import show, show_document

Answer = TypeVar("Answer")
STDOUT = Path("-")
WIDEST = 100


def each_posture(results: Sequence[SessionResult], posture: str | None, ask: Callable[[str], Answer]) -> list[Answer]:
    """Ask a question of one posture, or of every posture that blocks name; one that cannot be told is passed over.

    Parameters
    ----------
    results : sequence of SessionResult
        Sessions whose blocks name the postures.
    posture : str or None
        The only one to ask about, or None for all.
    ask : callable
        Takes a posture's name and gives the answer.

    Returns
    -------
    list
        One answer a posture.

    Raises
    ------
    StrokeplaneError
        The question's own, if no posture gives an answer.
    """
    if posture is not None:
        return [ask(posture)]
    from analysis.questions.block_table import tabulate_blocks

    answers, reasons = [], []
    for name in dict.fromkeys(tabulate_blocks(results)["posture"]):
        try:
            answers.append(ask(str(name)))
        except NotEnoughDataError as error:
            reasons.append(error)
    if not answers:
        raise reasons[0]
    return answers


def check_outputs(json_path: Path | None, html_path: Path | None, inputs: Sequence[Path]) -> None:
    """Find out before a long computation what would keep its answer from being written.

    Parameters
    ----------
    json_path, html_path : Path or None
        Where the answer is to go; ``-`` is standard output.
    inputs : sequence of Path
        Files that must not be written over.

    Raises
    ------
    OutputError, click.UsageError
    """
    signs = ((json_path, is_json), (html_path, is_page))
    given = [(path, sign) for path, sign in signs if path is not None and path != STDOUT]
    outputs = [path for path, _ in given]
    for path, sign in given:
        check_result(path, sign, inputs)
    if len({path.resolve() for path in outputs}) < len(outputs):
        raise click.UsageError("--json and --html name the same file")


def put_out(
    title: str,
    sections: Sequence[Section],
    answer: object,
    cautions: Sequence[str],
    outputs: tuple[Path | None, Path | None],
) -> None:
    """Print the sections, or write them where they were asked for.

    Parameters
    ----------
    title : str
    sections : sequence of Section
    answer : object
        Dataclasses, for the JSON.
    cautions : sequence of str
    outputs : (Path or None, Path or None)
        JSON and HTML.
    """
    json_path, html_path = outputs
    if json_path is not None:
        put_json({**plain(answer), "said": [_say_section(section) for section in sections]}, cautions, json_path)
    if html_path is not None:
        write_result(html_path, render_page(title, sections, cautions), is_page)
    if json_path != STDOUT:
        show(render_text(sections, cautions))


def put_json(answer: Mapping[str, object], cautions: Sequence[str], json_path: Path) -> None:
    """Write an answer as JSON, or print it.

    Parameters
    ----------
    answer : Mapping
        Only what :func:`plain` takes.
    cautions : sequence of str
    json_path : Path
        ``-`` is standard output.
    """
    head = {MADE_BY: made_by(), "version": version("strokeplane")}
    tail = {"synthetic": SIMULATED in cautions, "cautions": list(cautions)}
    document = json.dumps({**head, **plain(answer), **tail}, indent=2)
    if json_path == STDOUT:
        show_document(document + "\n")
    else:
        write_result(json_path, document + "\n", is_json)


def _say_section(section: Section) -> dict[str, object]:
    """What a section says, as JSON: the same words and tables as on the screen."""
    table = section.table
    rows = [dict(zip(table.columns, row, strict=True)) for row in table.rows] if table else []
    return {"title": section.title, "sentence": section.sentence, "table": rows, "notes": list(section.notes)}


def all_cautions(results: Sequence[SessionResult]) -> tuple[str, ...]:
    """Cautions of several sessions, each once, the most urgent first.

    Parameters
    ----------
    results : sequence of SessionResult

    Returns
    -------
    tuple of str
    """
    return tuple(dict.fromkeys(caution for result in results for caution in result.cautions))


def plain(value: Any) -> Any:
    """Only what JSON knows: tables as lists of rows; numbers that are none, or infinite, as null.

    Parameters
    ----------
    value : Any
        Plain values, arrays, tables, records, and what holds them.

    Returns
    -------
    Any

    Raises
    ------
    TypeError
        A value that has no form in JSON; the caller is wrong, not the user.
    """
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict("records")]
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no form in JSON")


def render_text(sections: Sequence[Section], cautions: Sequence[str]) -> str:
    """The sections for a terminal: plain ASCII, no line longer than the screen, 100 columns at most."""
    import shutil

    width = max(40, min(WIDEST, shutil.get_terminal_size().columns))
    parts = []
    for section in sections:
        parts.append(f"{wrap_plain(section.title, width)}\n{wrap_plain(section.sentence, width)}")
        if section.table:
            parts.append(_text_table(section.table, width))
        if section.notes:
            parts.append("\n".join(wrap_plain(note, width, "- ") for note in section.notes))
    said = " ".join(words for section in sections for words in (section.sentence, *section.notes))
    parts.append("\n".join(wrap_plain(caution, width, "! ") for caution in cautions if caution not in said))
    return "\n\n".join(part for part in parts if part)


def _text_table(table: Table, width: int) -> str:
    """Columns side by side, names on several lines where they need the room; otherwise row by row."""
    names = [plain_text(name).strip() for name in table.columns]
    rows = [[plain_text(cell).strip() for cell in row] for row in table.rows]
    cells = [max((len(row[i]) for row in rows), default=0) for i in range(len(names))]
    widths = [max(cell, len(name)) for cell, name in zip(cells, names, strict=True)]
    words = [max((len(word) for word in name.split()), default=1) for name in names]
    least = [max(cell, word) for cell, word in zip(cells, words, strict=True)]
    while _total(widths) > width and widths != least:
        spare = [w - few for w, few in zip(widths, least, strict=True)]
        widths[spare.index(max(spare))] -= 1
    if _total(widths) <= width:
        heads = [textwrap.wrap(name, w) for name, w in zip(names, widths, strict=True)]
        lines = [list(line) for line in itertools.zip_longest(*heads, fillvalue="")]
        return "\n".join(_line(row, widths) for row in (*lines, *rows))
    told = []
    for row in rows:
        said = "; ".join(f"{name} {cell}" for name, cell in zip(names[1:], row[1:], strict=True) if cell)
        told.append(wrap_plain(f"{row[0]}: {said}", width, "  "))
    return "\n".join(told)


def _total(widths: Sequence[int]) -> int:
    return sum(widths) + 2 * (len(widths) - 1)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()


def render_page(title: str, sections: Sequence[Section], cautions: Sequence[str]) -> str:
    """A self-contained page of sections, in the report's look."""
    from plotly.offline import get_plotlyjs

    from analysis.model.glossary import Explainer
    from analysis.report.figures import DARK
    from logger.report.report_parts import render_section, text
    from logger.report.session_page import DATA

    explainer = Explainer()
    items = "".join(f"<li>{text(caution)}</li>" for caution in cautions)
    body = [render_section(section, explainer) for section in sections]
    body.append(
        '<section id="cautions" aria-labelledby="cautions-title"><h2 id="cautions-title">Cautions</h2>'
        f"<div><ul>{items}</ul></div></section>"
    )
    return Template((DATA / "report.html").read_text(encoding="utf-8")).substitute(
        title=html.escape(title),
        style=(DATA / "report.css").read_text(encoding="utf-8"),
        kind=html.escape(title),
        facts="",
        body="\n".join(body),
        version=html.escape(version("strokeplane")),
        source="session files",
        dark=json.dumps(DARK),
        library=f"<script >{get_plotlyjs()}</script>",
        script=(DATA / "report.js").read_text(encoding="utf-8"),
    )
