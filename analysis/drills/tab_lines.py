"""Text tab as lines: which are strings, which belong together to a system, which are something else."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from analysis.drills.tuning import Tuning, read_root
from analysis.model.errors import InputError

# Dashes, bars and signs of a typographer, by their code points: hyphens to rules, box drawings, times, sharp, flat.
_DASHES = "\u2010\u2011\u2012\u2013\u2014\u2015\u2500\u2501\u2212"
_UPRIGHT = "\u2502\u2503\u00a6\u2758\u2506"
_PLAIN = str.maketrans(
    {**dict.fromkeys(_DASHES, "-"), **dict.fromkeys(_UPRIGHT, "|"), "\u00d7": "x", "\u266f": "#", "\u266d": "b"}
)
_HEAD = re.compile(
    r"\s*(?:(\d{1,4})[.:)]?\s+(?=[A-Ga-g1-9|]))?([A-Ga-g](?:[#b](?=\W|\d))?\d?|\d{1,2})?\s*(?=[-|:\])>!])"
)
_SEPARATOR = re.compile(r"\s*[:\])>!]*")
_TAIL = re.compile(r"(?<=\|)\s*[^-|]*$|(?<=-)\s+[^-|]*[A-Za-z(][^-|]*$")
_MUSIC = re.compile(r"[-|0-9]")
_ENDINGS = re.compile(r"(?:^|[\s|_\[-])([1-9])(?:\.|st|nd|rd|th)(?=[\s|_\-.\]]|$)")


@dataclass(frozen=True)
class TextLine:
    """A line that is no string: its number and text."""

    number: int
    text: str


@dataclass(frozen=True)
class StringLine:
    """A line that is a string.

    Attributes
    ----------
    number : int
        In the text, from 1.
    text : str
        As it stands there, odd dashes and bars made plain.
    name : str
        What it calls itself, or nothing.
    start, stop : int
        Where its music begins and ends in the text.
    """

    number: int
    text: str
    name: str
    start: int
    stop: int

    @property
    def body(self) -> str:
        """The music."""
        return self.text[self.start : self.stop]

    @property
    def tail(self) -> str:
        """Words after the music, such as ``x2``."""
        return self.text[self.stop :].strip()


@dataclass(frozen=True)
class System:
    """Lines that sound together.

    Attributes
    ----------
    lines : tuple of (int, StringLine)
        With the string that each stands for.
    above, below : tuple of TextLine
        Directly over it and under it.
    said : str
        In which unusual way it was read; empty for the usual.
    """

    lines: tuple[tuple[int, StringLine], ...]
    above: tuple[TextLine, ...] = ()
    below: tuple[TextLine, ...] = ()
    said: str = ""

    @property
    def number(self) -> int:
        """Line of the text where it begins."""
        return min(line.number for _, line in self.lines)


def read_line(number: int, text: str) -> StringLine | TextLine:
    """Tell whether a line is a string, and take it apart."""
    plain = text.translate(_PLAIN).rstrip()
    head = _HEAD.match(plain)
    if plain.lstrip().startswith(("#", "//")) or head is None or (not head[2] and _ENDINGS.search(plain)):
        return TextLine(number, text.rstrip())
    name = head[2] or ""
    separator = _SEPARATOR.match(plain, head.end())
    start = separator.end() if separator else head.end()
    tail = _TAIL.search(plain, start)
    stop = tail.start() if tail else len(plain)
    body = plain[start:stop]
    inked = body.replace(" ", "")
    music = len(_MUSIC.findall(inked))
    barred = body.startswith("|")
    barred_off = barred and body.count("|") > 1
    enough = body.count("-") >= (1 if (barred and name) or barred_off else 3) or (bool(name) and barred_off)
    if not name and re.search("[A-Z]", body):  # names of chords between bars
        return TextLine(number, text.rstrip())
    if not inked and not (barred and name):
        return TextLine(number, text.rstrip())
    if not enough or music < (0.5 if name else 0.6) * len(inked):
        return TextLine(number, text.rstrip())
    return StringLine(number, plain, name, start, stop)


def find_systems(text: str, tuning: Tuning) -> tuple[list[System], list[TextLine]]:
    """Return the systems of a tab in order, and all lines that belong to none.

    Raises
    ------
    InputError
        If string lines do not make up systems of this tuning.
    """
    lines = [read_line(number, line) for number, line in enumerate(text.splitlines(), 1)]
    systems: list[System] = []
    used: set[int] = set()
    for run in _join_runs(_runs(lines), lines, tuning.strings):
        if _is_rule(run):
            continue
        for k in range(0, len(run), tuning.strings):
            part = run[k : k + tuning.strings]
            placed, said = _place(part, tuning)
            first, last = part[0].number, part[-1].number
            above = _neighbours(lines, range(first - 2, -1, -1))[::-1]
            below = _neighbours(lines, range(last, len(lines)))
            systems.append(System(tuple(placed), tuple(above), tuple(below), said))
            used |= {line.number for line in part}
    rest = [TextLine(line.number, line.text) for line in lines if line.number not in used and line.text.strip()]
    return systems, rest


def _is_rule(run: Sequence[StringLine]) -> bool:
    """Whether it is a line drawn across the page."""
    return len(run) == 1 and not run[0].name and not re.search(r"[|\dxX]", run[0].text)


def _runs(lines: Sequence[StringLine | TextLine]) -> list[list[StringLine]]:
    """Return string lines that follow each other directly."""
    runs: list[list[StringLine]] = [[]]
    for line in lines:
        if isinstance(line, StringLine):
            runs[-1].append(line)
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if run]


def _join_runs(
    runs: list[list[StringLine]], lines: Sequence[StringLine | TextLine], strings: int
) -> list[list[StringLine]]:
    """Join the lines of double-spaced systems: single lines with nothing but empty ones between them."""
    joined: list[list[StringLine]] = []
    for run in runs:
        before = joined[-1] if joined else []
        between = lines[before[-1].number : run[0].number - 1] if before else ()
        spaced = bool(before) and len(run) == 1 and all(not line.text.strip() for line in between)
        if spaced and len(before) % strings and (len(before) == 1 or _is_spaced(before)):
            before.extend(run)
        else:
            joined.append(list(run))
    return joined


def _is_spaced(run: Sequence[StringLine]) -> bool:
    return all(b.number - a.number > 1 for a, b in pairwise(run))


def _neighbours(lines: Sequence[StringLine | TextLine], places: range) -> list[TextLine]:
    """Return the other lines that touch a system."""
    found = []
    for k in places:
        line = lines[k]
        if isinstance(line, StringLine) or not line.text.strip():
            break
        found.append(line)
    return found


def _place(part: Sequence[StringLine], tuning: Tuning) -> tuple[list[tuple[int, StringLine]], str]:
    """Say which string each line of a system stands for."""
    names = [line.name for line in part]
    count = tuning.strings
    numbers = [int(name) for name in names if name.isdigit()]
    named = all(names) and not numbers
    if len(part) == count:
        if numbers == list(range(count, 0, -1)) and count > 1:
            return _numbered(range(count, 0, -1), part), "its lines are numbered upwards, and were read so"
        classes = [None if not name or name.isdigit() else _pitch_class(name) for name in names]
        wanted = [pitch % 12 for pitch in tuning.open_midi]
        if all(found in (None, want) for found, want in zip(classes, wanted, strict=True)):
            return _numbered(range(1, count + 1), part), ""
        if named and classes == wanted[::-1]:
            return _numbered(range(count, 0, -1), part), "string 1 stands at the bottom by the lines' names: read so"
        raise _other_tuning(part, tuning)
    if numbers and len(numbers) == len(part) and len(set(numbers)) == len(part) and max(numbers) <= count:
        return [(number, line) for number, line in zip(numbers, part, strict=True)], _only(numbers)
    if named:
        found = _by_name(names, tuning)
        if found is not None:
            return _numbered(found, part), _only(found)
        if all(_pitch_class(name) not in [pitch % 12 for pitch in tuning.open_midi] for name in names):
            raise _other_tuning(part, tuning)
    raise InputError(
        f"a system ends after {len(part)} of {count} string lines",
        next_step="write one line for each string, string 1 at the top, or choose another tuning",
        row=part[-1].number,
    )


def _numbered(numbers: Sequence[int], part: Sequence[StringLine]) -> list[tuple[int, StringLine]]:
    return list(zip(numbers, part, strict=True))


def _only(numbers: Sequence[int]) -> str:
    return f"only strings {', '.join(map(str, sorted(numbers)))} are written; the others were taken to be silent"


def _by_name(names: Sequence[str], tuning: Tuning) -> list[int] | None:
    """Return which strings in order these names are, if that is certain."""
    wanted = [pitch % 12 for pitch in tuning.open_midi]
    ways: list[list[int]] = [[]]
    for name in names:
        after = [
            [*way, k]
            for way in ways
            for k in range((way[-1] if way else 0) + 1, tuning.strings + 1)
            if wanted[k - 1] == _pitch_class(name) and _case_fits(name, k, wanted)
        ]
        ways = after[:50]
    return ways[0] if len(ways) == 1 else None


def _case_fits(name: str, string: int, wanted: Sequence[int]) -> bool:
    """Where two strings share a name, the small letter is the upper line of the tab (common practice, no source)."""
    same = [k for k, pitch in enumerate(wanted, 1) if pitch == wanted[string - 1]]
    return len(same) == 1 or (string == same[0] if name[0].islower() else string != same[0])


def _pitch_class(name: str) -> int:
    bare = name.rstrip("0123456789")
    return read_root(bare[0].upper() + bare[1:])


def _other_tuning(part: Sequence[StringLine], tuning: Tuning) -> InputError:
    """Return the sentence on a tab of another tuning, with the tuning that would fit if there is one."""
    at = next(
        (k for k, line in enumerate(part[: tuning.strings]) if line.name and not line.name.isdigit()
         and _pitch_class(line.name) != tuning.open_midi[k] % 12), 0)  # fmt: skip
    step = "put string 1 at the top or choose another tuning"
    if len(part) == tuning.strings and all(line.name and not line.name.isdigit() for line in part):
        classes = [_pitch_class(line.name) for line in part]
        if sorted(classes) != sorted(pitch % 12 for pitch in tuning.open_midi):
            step = f"if it is meant so, name its tuning: --tuning '{spell_near(classes, tuning)}'"
    line = part[at]
    return InputError(
        f"this line is called {line.name!r}, but string {at + 1} of the tuning is {tuning.names[at]}",
        next_step=step,
        row=line.number,
    )


def spell_near(classes: Sequence[int], tuning: Tuning) -> str:
    """Return the tuning with these pitch classes, string 1 first, that is nearest to a known one."""
    near = [open_midi + (k - open_midi + 6) % 12 - 6 for k, open_midi in zip(classes, tuning.open_midi, strict=True)]
    return Tuning(tuple(near)).spelled


def find_endings(text: str) -> list[tuple[int, int]]:
    """Return column and number of each ending that a line over a system announces."""
    return [(match.start(1), int(match[1])) for match in _ENDINGS.finditer(text)]
