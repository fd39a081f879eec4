"""The music on one line of a tab: frets, what joins them, bars and repeat signs."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from analysis.drills.notes import MAX_FRET, SlurKind
from analysis.drills.tab_lines import StringLine
from analysis.model.errors import InputError

_FRET = re.compile(r"\d+|[xX]", re.ASCII)
# What may follow a fret and changes nothing of strokes: bends with the pitch they reach, release, vibrato, accents.
_BEND = re.compile(r"b(?:\(?(?:\d{1,2}(?:/\d)?|full|½|¼)\)?)?(?:r(?:\(?\d{1,2}\)?)?)?|r\(?\d{1,2}\)?", re.ASCII)
_AFTER = re.compile(r"[~≈=]+|tr(?![a-z])(?:\(?\d{1,2}\)?)?|[*.'^](?!\d)|[vVwW]+(?=[-~|)\s]|$)")
_BARS = re.compile(r"[:*o]?(?:[|\]]+|(?<=\|)\[)[:*o]?")
_JOINS: dict[str, SlurKind] = {"h": "hammer-on", "p": "pull-off", "s": "slide", "/": "slide", "\\": "slide", "t": "tap"}
BRACKETS = "()<>{}[]"


@dataclass(frozen=True)
class Fret:
    """One number (or x) on a line: its place in the body, and how it is joined to the one before."""

    column: int
    length: int
    fret: int | None
    join: SlurKind | None = None
    said: str = ""


@dataclass(frozen=True)
class BarSign:
    """A bar line: its first column, the column after it, and whether a repeat begins or ends there."""

    column: int
    stop: int
    starts: bool = False
    ends: bool = False


@dataclass
class Body:
    """All that stands on one line."""

    line: StringLine
    frets: list[Fret] = field(default_factory=list)
    bars: list[BarSign] = field(default_factory=list)

    def error(self, column: int, problem: str, **facts: str) -> InputError:
        """Return an error with line and column of the text."""
        return InputError(problem, row=self.line.number, column=str(self.line.start + column + 1), **facts)  # type: ignore[arg-type]


@dataclass(frozen=True)
class _Join:
    """A letter between two frets: its column, kind, and whether frets touch it."""

    column: int
    sign: str
    touches: bool


def read_body(line: StringLine) -> Body:
    """Take one line apart.

    Raises
    ------
    InputError
        Naming line and column of a character that cannot be read.
    """
    body = Body(line)
    text = line.body
    join: _Join | None = None
    column = 0
    while column < len(text):
        before = text[column - 1] if column else "-"
        bars = _BARS.match(text, column)
        if bars and ("|" in bars.group() or bars.group() == "]") and not _is_harmonic(text, column):
            body.bars.append(_bar_sign(bars, column))
            column = bars.end()
        elif fret := _FRET.match(text, column):
            body.frets.append(_read_fret(body, fret, column, join))
            join = None
            column = _skip_after(text, fret.end())
        elif text[column].lower() in _JOINS:
            if join is not None:
                raise body.error(column, f"{text[column]!r} follows {join.sign!r} with no fret between")
            join = _Join(column, text[column].lower(), before.isalnum() or before in "~)>]")
            column += 1
        elif text[column] in "- _" + BRACKETS or (text[column] in "~≈=." and body.frets):
            join = _slid_out(text, column, join)
            column += 1
        else:
            raise body.error(
                column,
                f"cannot read {text[column]!r}",
                expected="frets, x, h, p, s, t, /, \\, b, r, ~ and bar lines on a string line",
                next_step="write it as one of these, or put # in front of the line",
            )
    if join is not None and join.sign not in "/\\s":
        raise body.error(join.column, f"{join.sign!r} leads to no fret", next_step="write the fret that it leads to")
    return body


def _is_harmonic(text: str, column: int) -> bool:
    """Whether a star belongs to the fret before it: a repeat's dot stands before a double bar."""
    return text[column] == "*" and text[column - 1 : column].isdigit() and text[column + 1 : column + 3] != "||"


def _slid_out(text: str, column: int, join: _Join | None) -> _Join | None:
    """Forget a slide that touches its fret and leads nowhere: the note slides away."""
    leads = join is not None and join.sign in "/\\" and join.touches and text[column] == "-"
    return None if leads else join


def _bar_sign(match: re.Match[str], column: int) -> BarSign:
    sign = match.group()
    # A dot takes a place of its own on its line, where the others have a dash: it is not part of the bar's width.
    first = column + (sign[0] in ":*o")
    last = match.end() - (sign[-1] in ":*o" and len(sign) > 1)
    return BarSign(first, last, starts=sign[-1] in ":*o" and len(sign) > 1, ends=sign[0] in ":*o")


def _skip_after(text: str, column: int) -> int:
    """Return the column after all that decorates a fret."""
    while column < len(text):
        match = _BEND.match(text, column) or _AFTER.match(text, column)
        if match is None or (match.group() == "*" and not _is_harmonic(text, column)):
            return column
        column = match.end()
    return column


def _read_fret(body: Body, match: re.Match[str], column: int, join: _Join | None) -> Fret:
    text = match.group()
    if text.isdigit() and (len(text) > 2 or int(text) > MAX_FRET):
        raise body.error(column, f"fret {text[:8]} is beyond {MAX_FRET}", next_step="separate two notes with a dash")
    fret = int(text) if text.isdigit() else None
    kind: SlurKind | None = None
    said = ""
    if join is not None:
        kind = _JOINS[join.sign]
        apart = body.line.body[join.column + 1 : column].strip("(<[{") != ""
        if kind == "slide" and not join.touches:
            if not apart:
                # A slide into a note from nowhere: the note is picked.
                kind, said = None, "a slide that touches only the note after it was read as picked, from nowhere"
            elif body.frets:
                said = "a slide that stands alone was read as one without a stroke"
            else:
                kind = None
        elif kind == "slide" and apart:
            raise body.error(
                join.column, "cannot tell whether the slide leads to the next fret", next_step="write 5/7, or 5/ -7"
            )
    if not said and body.line.body[column - 1 : column] == "(" and column:
        said = "a fret in brackets was read as a note that is picked"
    return Fret(column, len(text), fret, kind, said)
