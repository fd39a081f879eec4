"""Numbers of a shown text, read back: what stands in no sentence that is told must be, in order, what is expected."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from analysis.report.sections import Choice, Section
from logger.terminal.ascii_text import ASCII

SHOWN = re.compile(r"(?<![\w.])(\d{4}-\d\d-\d\d|\d+:\d\d(?::\d\d)?|-?\d+(?:\.\d+)?)")
ROUNDING = 1e-9


def flat(text: str) -> str:
    """A text as both the page and a terminal of plain ASCII show it."""
    return " ".join(text.translate(ASCII).split()).lower()


def numbers(text: str) -> list[str]:
    """Numbers, times and dates of a text, in order, as they are shown."""
    return SHOWN.findall(flat(text))


def untold(text: str, told: Iterable[str]) -> str:
    """What is left of a text without the sentences that are told."""
    left = flat(text)
    for sentence in sorted({flat(one) for one in told}, key=len, reverse=True):
        if sentence in left:
            left = re.sub(rf"(?<![\w.]){re.escape(sentence)}(?!\w)", "|", left)
    return left


def in_100(share: float | None) -> float | None:
    """A share as so many of 100: cut, not rounded."""
    return None if share is None else math.floor(100 * share + ROUNDING)


def same(shown: str, value: float) -> bool:
    """Whether a number is shown as it is: rounded to its decimals; a time in whole seconds; a date by its day."""
    if "-" in shown[1:]:
        return shown == date.fromordinal(round(value)).isoformat()
    if ":" in shown:
        seconds = 0
        for part in shown.split(":"):
            seconds = 60 * seconds + int(part)
        return abs(seconds - value) <= 0.5 + ROUNDING
    half = 0.5 * 10.0 ** -len(shown.partition(".")[2])
    return abs(float(shown) - value) <= half + ROUNDING


def check_numbers(text: str, values: Sequence[float | None], told: Iterable[str] = ()) -> None:
    """Besides what is told, a text's numbers are these, in this order; None stands for a number that is not there."""
    found, wanted = numbers(untold(text, told)), [value for value in values if value is not None]
    agree = len(found) == len(wanted) and all(same(shown, value) for shown, value in zip(found, wanted, strict=True))
    assert agree, f"{text!r} shows {found}, expected {wanted}"


def changed(text: str) -> list[str]:
    """The same text with one digit of one number another one, for each of its numbers."""
    found = []
    for match in re.finditer(r"\d+(?:\.\d+)?", text):
        if re.search(r"[A-Za-z_]$", text[: match.start()]):
            continue  # a digit of a name
        digits = list(match.group())
        first = digits[0]
        digits[0] = str((int(first) + 1) % 10 or 1)
        found.append(text[: match.start()] + "".join(digits) + text[match.end() :])
    return found


def changed_sections(section: Section) -> list[Section]:
    """The same section with one number another one, for each number that it shows."""
    found = [replace(section, title=text) for text in changed(section.title)]
    found += [replace(section, sentence=text) for text in changed(section.sentence)]
    for i, note in enumerate(section.notes):
        found += [replace(section, notes=_with(section.notes, i, text)) for text in changed(note)]
    for i, choice in enumerate(section.choices):
        found += [replace(section, choices=_with(section.choices, i, other)) for other in _changed_choices(choice)]
    table = section.table
    for i, row in enumerate(table.rows if table else ()):
        for j, cell in enumerate(row):
            for text in changed(cell):
                assert table is not None
                found.append(replace(section, table=replace(table, rows=_with(table.rows, i, _with(row, j, text)))))
    return found


def _changed_choices(choice: Choice) -> list[Choice]:
    found = [replace(choice, label=text) for text in changed(choice.label)]
    found += [replace(choice, note=text) for text in changed(choice.note)]
    for i, picture in enumerate(choice.pictures):
        found += [
            replace(choice, pictures=_with(choice.pictures, i, replace(picture, description=text)))
            for text in changed(picture.description)
        ]
    return found


def _with(items: tuple[Any, ...], place: int, item: Any) -> tuple[Any, ...]:
    return (*items[:place], item, *items[place + 1 :])
