"""A phrase as one line of text, read and written.

``[down|up] [metre=7/8 note=1/16] [swing=2/3] [WORD ... then] WORD ... [once]``

========================  =============================================================================
``4x2``, ``4x3*2/3``      two notes on string 4, frets left open; three of two thirds of a unit (a triplet)
``4:5-7``                 frets; ``x`` for an open choice
``4:5h7-5p4-5s7-5t12``    hammer-on, pull-off, slide, tap: the note after the letter has no stroke
``4:5*2``, ``4:5*1/2``    two units, half a unit long; a tie is a longer note
``4:5d-7d``               these strokes, whatever came before
``r``, ``r*2``            a rest
``... then ...``          what comes before ``then`` stands before the first bar line and is not repeated
``( ... )``, ``)*3``      twice, three times; ``1.`` and ``2.`` before the endings
``|``                     here a bar ends; needs a metre
``once``                  does not loop
========================  =============================================================================
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction

from analysis.drills.notes import MAX_NOTES, Metre, Note, Phrase, Slur, SlurKind
from analysis.drills.repeats import Bar, unfold
from analysis.model.errors import InputError
from analysis.model.strokes import Stroke

_LENGTH = r"(?:\*(\d{1,4}(?:/\d{1,4})?))?"
_COUNT = re.compile(rf"(\d+)x(\d+){_LENGTH}", re.ASCII)
_ITEM = re.compile(rf"(\d+|x)([du]?){_LENGTH}", re.ASCII)
_PLACE = re.compile(r"(\d+):(.+)", re.ASCII)
_REST = re.compile(rf"r{_LENGTH}", re.ASCII)
_CLOSE = re.compile(r"\)(?:\*(\d{1,3}))?", re.ASCII)
_ENDING = re.compile(r"([1-9])\.", re.ASCII)
_SETTING = re.compile(r"(metre|note|swing)=(\d{1,3})/(\d{1,3})", re.ASCII)

SLURS: dict[str, SlurKind] = {"h": "hammer-on", "p": "pull-off", "s": "slide", "t": "tap"}
LETTERS = {kind: letter for letter, kind in SLURS.items()}


@dataclass
class Line:
    """Notes of one run of words as they are collected, with the rest before the first."""

    notes: list[Note] = field(default_factory=list)
    rest: Fraction = Fraction(0)

    def wait(self, units: Fraction) -> None:
        """Add a rest."""
        if self.notes:
            self.notes[-1] = replace(self.notes[-1], rest=self.notes[-1].rest + units)
        else:
            self.rest += units

    def slur(self, slur: Slur) -> None:
        """Let the last note go on without a stroke."""
        last = self.notes[-1]
        if last.rest:
            raise InputError("a slur comes after a rest", next_step="pick the note, or remove the rest")
        self.notes[-1] = replace(last, slurs=(*last.slurs, slur))

    @property
    def units(self) -> Fraction:
        """How long it lasts."""
        return sum((note.span for note in self.notes), self.rest)


def read_phrase(text: str, strings: int) -> Phrase:
    """Read a phrase from its one line of text (see the head of this module).

    Raises
    ------
    InputError
        Naming the word that cannot be read, or the note that cannot be played.

    Examples
    --------
    >>> read_phrase("up 4x2 3:5h7-5", strings=6).notes[2]
    Note(string=3, fret=5, length=Fraction(1, 1), slurs=(Slur(kind='hammer-on', fret=7, length=Fraction(1, 1), \
string=None),), rest=0, stroke=None)
    """
    words = text.split()
    first: Stroke = "down"
    if words and words[0] in ("down", "up"):
        first = "down" if words.pop(0) == "down" else "up"
    loops = not (words and words[-1] == "once")
    words = words if loops else words[:-1]
    settings: dict[str, Fraction | tuple[int, int]] = {}
    while words and (match := _SETTING.fullmatch(words[0])):
        words.pop(0)
        if int(match[3]) == 0:
            raise InputError(
                f"Cannot read {match.group()!r} in the phrase",
                next_step="its lower number is 0.",
            )
        pair = int(match[2]), int(match[3])
        settings[match[1]] = pair if match[1] == "metre" else Fraction(*pair)
    if not words:
        raise InputError(
            "Expected a phrase such as '4x2 3x2' or '4:5-7 3:4-7'",
            found=f"{text!r}.",
        )
    metre = _metre(settings)
    at = words.index("then") if "then" in words else None
    lead = Line() if at is None else _read_words(words[:at], None)
    body = _read_words(words if at is None else words[at + 1 :], metre)
    if metre is not None and lead.units > metre.bar_units:
        raise InputError("the notes before 'then' last longer than a bar", next_step="write whole bars behind it")
    swing = settings.get("swing")
    return Phrase(
        strings,
        tuple(body.notes),
        first,
        loops,
        tuple(lead.notes),
        body.rest,
        lead.rest,
        swing if isinstance(swing, Fraction) else None,
        metre,
    )


def _metre(settings: dict[str, Fraction | tuple[int, int]]) -> Metre | None:
    metre, note = settings.get("metre"), settings.get("note")
    if isinstance(metre, tuple):
        return Metre(*metre, note if isinstance(note, Fraction) else Fraction(1, metre[1]))
    if note is not None:
        raise InputError("the phrase says note= without metre=", next_step="write both, such as metre=7/8 note=1/16")
    return None


def _read_words(words: list[str], metre: Metre | None) -> Line:
    """Read groups, rests, repeats and bar lines."""
    bars, opened = [Bar(Line())], False
    since_bar = Fraction(0)
    for word in words:
        line: Line = bars[-1].content
        closing = _CLOSE.fullmatch(word)
        ending = _ENDING.fullmatch(word)
        if word == "(":
            if opened:
                raise InputError("a repeat stands in a repeat", next_step="write the inner one out")
            bars.append(Bar(Line(), starts=True))
            opened = True
        elif closing:
            if not opened:
                raise InputError(f"{word!r} ends a repeat that never began", next_step="write ( where it begins")
            bars[-1] = replace(bars[-1], ends=True, times=int(closing[1] or 2))
            # Another ending may follow.
            opened = False
            bars.append(Bar(Line()))
        elif ending:
            if not (line.notes or line.rest or bars[-1].starts or bars[-1].ending):
                bars.pop()
            bars.append(Bar(Line(), ending=int(ending[1])))
        elif word == "|":
            since_bar = _check_bar(metre, since_bar)
        else:
            before = line.units
            _read_group(word, line)
            since_bar += line.units - before
    if opened:
        raise InputError("a repeat is not closed", next_step="write ) where it ends")
    return join_lines([bar.content for bar in unfold(bars)])


def join_lines(lines: list[Line]) -> Line:
    """Return several runs of notes as one."""
    whole = Line()
    for line in lines:
        if line.rest:
            whole.wait(line.rest)
        whole.notes.extend(line.notes)
        if len(whole.notes) > MAX_NOTES:
            raise InputError(
                f"A phrase needs 1 to {MAX_NOTES} notes",
                next_step="this one has more.",
            )
    return whole


def _check_bar(metre: Metre | None, units: Fraction) -> Fraction:
    """Refuse a bar line where no bar ends."""
    if metre is None:
        raise InputError("a bar line needs a metre", next_step="write it in front, such as metre=7/8 note=1/16")
    if units == 0 or units % metre.bar_units:
        raise InputError(
            "a bar does not add up", expected=f"{metre.bar_units} units between bar lines", found=str(units)
        )
    return Fraction(0)


def _read_group(word: str, line: Line) -> None:
    """Read one group of notes on one string, or a rest."""
    rest, count, place = _REST.fullmatch(word), _COUNT.fullmatch(word), _PLACE.fullmatch(word)
    if rest:
        line.wait(_length(rest[1]))
    elif count:
        if len(count[1]) > 3 or not 1 <= len(count[2]) <= 4:
            raise InputError(f"The numbers in {word!r} are too large for a phrase.")
        line.notes.extend([Note(int(count[1]), None, _length(count[3]))] * int(count[2]))
    elif place:
        if len(place[1]) > 3:
            raise InputError(f"The numbers in {word!r} are too large for a phrase.")
        _read_items(word, int(place[1]), place[2], line)
    else:
        raise _unreadable(word)


def _read_items(word: str, string: int, text: str, line: Line) -> None:
    """Read the frets of one group."""
    parts = re.split(r"([-hpst])", text)
    # A group that begins with a letter is slurred from another string: "3:h7".
    slurred = parts[0] == "" and len(parts) > 1 and parts[1] in SLURS
    parts = parts[1:] if slurred else ["-", *parts]
    for sign, item in zip(parts[::2], parts[1::2], strict=True):
        match = _ITEM.fullmatch(item)
        if match is None:
            raise _unreadable(word)
        fret = None if match[1] == "x" else int(match[1][:4])
        length = _length(match[3])
        if sign == "-":
            stroke: Stroke | None = {"d": "down", "u": "up"}.get(match[2])  # type: ignore[assignment]
            line.notes.append(Note(string, fret, length, stroke=stroke))
        elif match[2]:
            raise InputError(
                f"In {word!r} a note after {sign!r} states a stroke",
                next_step="it has none.",
            )
        elif not line.notes:
            raise InputError(
                f"{word!r} begins with a note that has no stroke",
                next_step="pick the first note.",
            )
        else:
            own = line.notes[-1].string
            line.slur(Slur(SLURS[sign], fret, length, None if string == own else string))


def _length(text: str | None) -> Fraction:
    try:
        return Fraction(text or 1)
    except ZeroDivisionError:
        raise InputError(
            f"A length of {text} cannot be read",
            next_step="its lower number is 0.",
        ) from None


def _unreadable(word: str) -> InputError:
    return InputError(
        f"Cannot read {word!r} in the phrase",
        next_step="write STRINGxCOUNT (4x2) or STRING:FRET-FRET (4:5-7), with 'down' or 'up' first and 'once' "
        "last where wanted.",
    )


def write_phrase(phrase: Phrase) -> str:
    """Return the one line of text that :func:`read_phrase` reads back as the same phrase.

    Examples
    --------
    >>> write_phrase(read_phrase("down 4:5-7 3x2", strings=6))
    '4:5-7 3x2'
    """
    words = ["up"] if phrase.first_stroke == "up" else []
    if phrase.metre is not None:
        words += [f"metre={phrase.metre.beats}/{phrase.metre.value}", f"note={_ratio(phrase.metre.note)}"]
    if phrase.swing is not None:
        words.append(f"swing={_ratio(phrase.swing)}")
    if phrase.lead or phrase.lead_rest:
        words += [*_write_notes(phrase.lead, phrase.lead_rest), "then"]
    words += _write_notes(phrase.notes, phrase.rest)
    return " ".join(words if phrase.loops else [*words, "once"])


def _ratio(value: Fraction) -> str:
    return f"{value.numerator}/{value.denominator}"


def _star(length: Fraction | int) -> str:
    return "" if length == 1 else f"*{length}"


def _write_notes(notes: tuple[Note, ...], rest: Fraction | int) -> list[str]:
    """Return the groups of a run of notes and the rests between them."""
    words = [f"r{_star(rest)}"] if rest else []
    start = 0
    for stop in range(1, len(notes) + 1):
        last = notes[stop - 1]
        away = any(slur.string not in (None, last.string) for slur in last.slurs)
        if stop < len(notes) and notes[stop].string == notes[start].string and not last.rest and not away:
            continue
        words += _write_group(notes[start:stop])
        if last.rest:
            words.append(f"r{_star(last.rest)}")
        start = stop
    return words


def _write_group(notes: tuple[Note, ...]) -> list[str]:
    """Return the group of notes on one string; slurs that leave it go into groups of their own."""
    string, first = notes[0].string, notes[0]
    if all(note.fret is None and not note.slurs and not note.stroke and note.length == first.length for note in notes):
        return [f"{string}x{len(notes)}{_star(first.length)}"]
    words, here = [f"{string}:"], string
    for number, note in enumerate(notes):
        words[-1] += ("-" if number else "") + _fret(note.fret) + (note.stroke or "")[:1] + _star(note.length)
        for slur in note.slurs:
            on = slur.string or string
            if on != here:
                words.append(f"{on}:")
                here = on
            words[-1] += LETTERS[slur.kind] + _fret(slur.fret) + _star(slur.length)
    return words


def _fret(fret: int | None) -> str:
    return "x" if fret is None else str(fret)


def looks_like_phrase(text: str) -> bool:
    """Tell whether a text is meant as a phrase rather than as a name: its words are groups and signs, one a group."""
    words = text.split()
    signs = [w for w in words if w in ("down", "up", "once", "then", "(", "|") or _SETTING.fullmatch(w)]
    signs += [w for w in words if _CLOSE.fullmatch(w) or _ENDING.fullmatch(w) or _REST.fullmatch(w)]
    groups = [w for w in words if _COUNT.fullmatch(w) or re.fullmatch(r"\d+:[\dxhpstdu*/-]+", w, re.ASCII)]
    return bool(groups) and len(groups) + len(signs) == len(words)
