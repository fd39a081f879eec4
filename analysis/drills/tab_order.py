"""One system of a tab: which note comes after which, its bars, and what stands over and under it."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import NamedTuple

from analysis.drills.notes import SlurKind
from analysis.drills.reading import Remark
from analysis.drills.repeats import Bar
from analysis.drills.tab_body import BarSign, Body, Fret, read_body
from analysis.drills.tab_lines import System, TextLine, find_endings
from analysis.model.strokes import Stroke

_TIMES = re.compile(r"\(?\s*(?:[xX]\s*(\d{1,2})|(\d{1,2})\s*(?:[xX]|times))\s*\)?", re.ASCII)
_STROKE_SIGNS: tuple[dict[str, Stroke], ...] = (
    {"d": "down", "u": "up"},
    {"n": "down", "v": "up"},
    {"⊓": "down", "\u2228": "up", "v": "up"},
)
_VALUES: dict[str, Fraction | int] = {"w": 4, "h": 2, "q": 1, "e": Fraction(1, 2), "s": Fraction(1, 4)}


@dataclass(frozen=True)
class Sound:
    """One fret of a system: where it stands in the text, and how it sounds."""

    string: int
    fret: int | None
    join: SlurKind | None
    row: int
    column: int
    length: Fraction | int = 1
    stroke: Stroke | None = None

    @property
    def place(self) -> str:
        """Column for messages."""
        return str(self.column + 1)


class _Placed(NamedTuple):
    """A fret with its segment between bar lines, its column there, its string and line."""

    segment: int
    column: int
    string: int
    body: Body
    fret: Fret


@dataclass
class SystemRead:
    """Bars of one system, each with its sounds, and what was said."""

    bars: list[Bar]
    remarks: list[Remark] = field(default_factory=list)
    used: set[int] = field(default_factory=set)


def read_system(system: System) -> SystemRead:
    """Read one system.

    Raises
    ------
    InputError
        Naming the row and column where two notes stand at one moment, or their order is not certain.
    """
    bodies = [(string, read_body(line)) for string, line in system.lines]
    signs = _bar_columns([body for _, body in bodies])
    ragged = len({len(body.line.body) for _, body in bodies}) > 1
    placed: list[_Placed] = []
    for string, body in bodies:
        own = body.bars if ragged else signs
        starts = [sign.stop for sign in own]
        for fret in body.frets:
            segment = bisect_right(starts, fret.column)
            offset = fret.column - (starts[segment - 1] if segment and ragged else 0)
            placed.append(_Placed(segment, offset, string, body, fret))
    placed.sort(key=lambda item: item[:2])
    _check_order(placed, bodies, signs, ragged)
    remarks = [Remark(system.number, "", system.said)] if system.said else []
    remarks += [Remark(body.line.number, "", fret.said) for *_, body, fret in placed if fret.said]
    sounds = [Sound(s, f.fret, f.join, b.line.number, b.line.start + f.column) for _, _, s, b, f in placed]
    read = SystemRead([], remarks)
    sounds = _read_rows(system, sounds, read)
    segments = [[s for s, item in zip(sounds, placed, strict=True) if item[0] == k] for k in range(len(signs) + 1)]
    read.bars = _make_bars(system, segments, signs, bodies[0][1].line.start, read)
    return read


def _bar_columns(bodies: Sequence[Body]) -> list[BarSign]:
    """Return the system's bar signs: those of the line that has most, with the dots that any line adds."""
    most = max(bodies, key=lambda body: len(body.bars))
    signs = list(most.bars)
    for body in bodies:
        for k, sign in enumerate(body.bars):
            at = k if len(body.bars) == len(signs) else _nearest(signs, sign.column)
            signs[at] = replace(signs[at], starts=signs[at].starts or sign.starts, ends=signs[at].ends or sign.ends)
    return signs


def _nearest(signs: Sequence[BarSign], column: int) -> int:
    return min(range(len(signs)), key=lambda k: abs(signs[k].column - column))


def _check_order(
    placed: Sequence[_Placed],
    bodies: Sequence[tuple[int, Body]],
    signs: Sequence[BarSign],
    ragged: bool,
) -> None:
    """Refuse two notes at one moment, notes under a bar line, and lines of which the order of notes is not certain."""
    if ragged:
        for _, body in bodies:
            unclosed = len(body.bars) == len(signs) - 1 and not body.line.body.endswith("|")
            if len(body.bars) != len(signs) and body.frets and not unclosed:
                raise body.error(
                    0,
                    "this line has another number of bars than the others of its system",
                    expected=str(len(signs)),
                    found=str(len(body.bars)),
                    next_step="put the bar lines under each other",
                )
    else:
        _check_bars(bodies, signs)
    slack = _slack([body for _, body in bodies], len(signs) + 1) if ragged else {}
    # Placed in order of columns, so only so many neighbours can be too near.
    most = 3 + max(slack.values(), default=0)
    for k, here in enumerate(placed):
        for there in placed[max(k - most * len(bodies), 0) : k][::-1]:
            if here.segment != there.segment or here.column - there.column > most:
                break
            if here.string != there.string:
                upper, lower = sorted((there, here), key=lambda item: item.body.line.number)
                _check_pair(upper, lower, slack)


def _check_pair(upper: _Placed, lower: _Placed, slack: dict[tuple[int, int], int]) -> None:
    """Refuse two notes of different strings that stand at one moment, or may."""
    segment, first, _, other, upper_fret = upper
    _, second, _, body, lower_fret = lower
    far, own = (slack.get((id(each), segment), 0) for each in (other, body))
    if second > first + upper_fret.length - 1 + far or first > second + lower_fret.length - 1 + own:
        return
    if own or far:
        raise body.error(
            lower_fret.column,
            f"cannot tell whether this note comes before the one on line {other.line.number}",
            next_step="make the lines of the bar equally long",
        )
    raise body.error(
        lower_fret.column,
        f"a second note at the same moment as on line {other.line.number}",
        next_step="a phrase has one note at a time: keep the one that the stroke ends on",
    )


def _check_bars(bodies: Sequence[tuple[int, Body]], signs: Sequence[BarSign]) -> None:
    strict = {column for sign in signs for column in range(sign.column, sign.stop)}
    for _, body in bodies:
        for sign in body.bars:
            if strict.isdisjoint(range(sign.column, sign.stop)):
                raise body.error(sign.column, "a bar line with none above or below", next_step="put them in one column")
        for fret in body.frets:
            if fret.column in strict:
                raise body.error(fret.column, "a fret under a bar line", next_step="put the bar lines under each other")


def _slack(bodies: Sequence[Body], segments: int) -> dict[tuple[int, int], int]:
    """Return by how many places each line's part of a segment is shorter than the longest that has notes there.

    So many dashes may be missing anywhere. A line that ends without a bar line just ends early: there none is missing.
    """
    widths: dict[tuple[int, int], int] = {}
    for body in bodies:
        edges = [0, *(edge for sign in body.bars for edge in (sign.column, sign.stop)), len(body.line.body)]
        for k in range(0, len(edges), 2):
            open_end = k == len(edges) - 2
            if not open_end and any(edges[k] <= fret.column < edges[k + 1] for fret in body.frets):
                widths[id(body), k // 2] = edges[k + 1] - edges[k]
    longest = [max((w for (_, s), w in widths.items() if s == k), default=0) for k in range(segments)]
    return {key: longest[key[1]] - width for key, width in widths.items()}


def _read_rows(system: System, sounds: list[Sound], read: SystemRead) -> list[Sound]:
    """Read a line of strokes and one of note values, where the system has them."""
    for line in (*system.above, *system.below):
        text = line.text.lstrip("#").rjust(len(line.text))
        marks = [(k, sign) for k, sign in enumerate(text.lower()) if sign not in " |.-"]
        if not marks:
            continue
        for signs in _STROKE_SIGNS:
            if {sign for _, sign in marks} <= set(signs) and {sign for _, sign in marks} != {"v"}:
                picked = [k for k, sound in enumerate(sounds) if sound.join is None]
                pairs = _match(marks, [sounds[k].column for k in picked])
                if pairs is not None:
                    for mark, place in pairs:
                        sounds[picked[place]] = replace(sounds[picked[place]], stroke=signs[mark])
                    read.used.add(line.number)
                break
        else:
            if {sign for _, sign in marks} <= set(_VALUES) and len(marks) == len(sounds):
                pairs = _match(marks, [sound.column for sound in sounds])
                if pairs is not None:
                    sounds = _with_lengths(sounds, text.lower(), marks)
                    read.used.add(line.number)
    return sounds


def _match(marks: list[tuple[int, str]], columns: list[int]) -> list[tuple[str, int]] | None:
    """Return each mark with the note that it stands over: one each in order, else by column; None if neither."""
    by_column = []
    for column, sign in marks:
        near = [k for k, at in enumerate(columns) if abs(at - column) <= 1]
        near.sort(key=lambda k: abs(columns[k] - column))
        if not near:
            break
        by_column.append((sign, near[0]))
    if len(by_column) == len(marks) and len({place for _, place in by_column}) == len(marks):
        return by_column
    return [(sign, k) for k, (_, sign) in enumerate(marks)] if len(marks) == len(columns) else None


def _with_lengths(sounds: list[Sound], text: str, marks: list[tuple[int, str]]) -> list[Sound]:
    """Return the sounds with the lengths that letters say; the most frequent one is the unit."""
    lengths = []
    for column, sign in marks:
        dotted = text[column + 1 : column + 2] == "."
        lengths.append(Fraction(_VALUES[sign]) * (Fraction(3, 2) if dotted else 1))
    unit = max(sorted(set(lengths)), key=lengths.count)
    return [replace(sound, length=length / unit) for sound, length in zip(sounds, lengths, strict=True)]


def _make_bars(
    system: System, segments: list[list[Sound]], signs: Sequence[BarSign], start: int, read: SystemRead
) -> list[Bar]:
    """Return the segments as bars with their repeats, endings and how often they are played."""
    bars = [Bar(tuple(segment), line=system.number) for segment in segments]
    for k, sign in enumerate(signs):
        if sign.ends:
            bars[k] = replace(bars[k], ends=True)
        if sign.starts:
            bars[k + 1] = replace(bars[k + 1], starts=True)
    for line in system.above:
        _read_endings(line, bars, signs, start, read)
    _read_times(system, bars, read)
    kept = [bar for bar in bars if bar.content or bar.starts or bar.ends or bar.ending]
    return _drop_empty(kept)


def _drop_empty(bars: list[Bar]) -> list[Bar]:
    """Pass the signs of empty segments on to their neighbours, so that every bar has notes or stands for itself."""
    kept: list[Bar] = []
    for bar in bars:
        if not bar.content and bar.ends and not bar.starts and not bar.ending and kept and not kept[-1].ends:
            kept[-1] = replace(kept[-1], ends=True, times=bar.times)
        else:
            kept.append(bar)
    return kept


def _read_endings(line: TextLine, bars: list[Bar], signs: Sequence[BarSign], start: int, read: SystemRead) -> None:
    found = find_endings(line.text)
    if not found or re.search(r"[A-Za-z]{3}", re.sub(r"(?i)times?|endings?", "", line.text)):
        return
    for column, number in found:
        # The number stands just behind the bar line, or over it.
        at = bisect_right([sign.column - 1 for sign in signs], column - start)
        bars[min(at, len(bars) - 1)] = replace(bars[min(at, len(bars) - 1)], ending=number)
    read.used.add(line.number)


def _read_times(system: System, bars: list[Bar], read: SystemRead) -> None:
    """Apply ``x3`` behind a line: to the repeat that ends there, else to the whole system."""
    seen = False
    for _, line in system.lines:
        match = _TIMES.fullmatch(line.tail) if line.tail else None
        if match and not seen:
            seen = True
            times = int(match[1] or match[2])
            ends = [k for k, bar in enumerate(bars) if bar.ends]
            if ends:
                bars[ends[-1]] = replace(bars[ends[-1]], times=times)
            elif times > 1:
                last = max((k for k, bar in enumerate(bars) if bar.content), default=0)
                bars[0] = replace(bars[0], starts=True)
                bars[last] = replace(bars[last], ends=True, times=times)
                read.remarks.append(
                    Remark(line.number, "", f"{line.tail!r} was read: the line is played {times} times")
                )
        elif line.tail not in ("", "]") and not match:
            read.remarks.append(Remark(line.number, line.tail, "words behind the line were not read"))
