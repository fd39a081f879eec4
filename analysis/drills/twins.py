"""Twins of a phrase: every way to put its string changes after the other stroke, the musically smallest change first.

Flipped once before the first change, strict alternation stays flipped, so each way alters one stroke at the beginning.
A loop keeps its notes: what is altered is a first pass that is played once, in front of the loop. From the smallest:

1. the other first stroke: no sound changes;
2. a slur: pitches and times stay, one attack softens;
3. a pickup: all stays, one note is added before the first bar line;
4. one note more: one note is played twice in its own time;
5. a rest: one pitch is lost;
6. one note later: the phrase starts elsewhere in the bar.

The order is the author's; nothing measured stands behind it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from analysis.drills.notes import Note, Phrase, Slur
from analysis.drills.phrases import make_twin, read_demand, require_changes
from analysis.model.errors import InputError
from analysis.model.strokes import other_stroke

TwinWay = Literal["first stroke", "slur", "pickup", "one note more", "rest", "one note later"]
WAYS: tuple[TwinWay, ...] = ("first stroke", "slur", "pickup", "one note more", "rest", "one note later")

MOST_SLUR_FRETS = 4
"""Widest slur that one hand position reaches (common practice, no source)."""


@dataclass(frozen=True)
class Twin:
    """A twin, the way to it, and what was changed in one sentence.

    Attributes
    ----------
    way : TwinWay
        How it was made.
    phrase : Phrase
        The twin.
    change : str
        What was changed, in a sentence.
    """

    way: TwinWay
    phrase: Phrase
    change: str


def list_twins(phrase: Phrase) -> tuple[Twin, ...]:
    """Return the twins of a phrase, the musically smallest change first.

    A way that would lose a string change, or that the phrase has no room for, is left out.

    Parameters
    ----------
    phrase : Phrase

    Returns
    -------
    tuple of Twin

    Raises
    ------
    InputError
        If the phrase stays on one string, or loops over an odd number of strokes: it then demands both by turns, and so
        would its twin.
    """
    require_changes(phrase)
    if phrase.loops and phrase.cycle_notes > len(phrase.notes):
        raise InputError(
            f"A loop of {len(phrase.notes)} notes turns its strokes round on every pass, so it demands "
            "both and has no twin",
            next_step="add or drop one note.",
        )
    twins = [_other_first(phrase)]
    if not phrase.states_strokes:
        for way, make in (("slur", _slur), ("pickup", _pickup), ("one note more", _more), ("rest", _rest)):
            twins += [Twin(way, *made) for made in make(phrase)]  # type: ignore[arg-type]
        twins += _later(phrase)
    return tuple(twins)


def find_twin(phrase: Phrase, way: TwinWay | None = None) -> Twin:
    """Return the twin made in one way; the musically smallest where none is named.

    Parameters
    ----------
    phrase : Phrase
    way : TwinWay, optional
        How the twin is to be made; None takes the smallest change.

    Returns
    -------
    Twin

    Raises
    ------
    InputError
        If the phrase has no twin of that kind, with those that it has.
    """
    twins = list_twins(phrase)
    for twin in twins:
        if way in (None, twin.way):
            return twin
    has = ", ".join(twin.way for twin in twins)
    raise InputError(f"the phrase has no twin by {way}", expected=f"one of: {has}", found=str(way))


def find_counterpart(phrase: Phrase, way: TwinWay | None = None) -> Twin:
    """Return what is practised beside a phrase: a twin, or where it can have none the phrase from the other stroke.

    A phrase on one string has no string changes to turn, a loop over an odd number of strokes demands both anyway.

    Parameters
    ----------
    phrase : Phrase
    way : TwinWay, optional
        How the twin is to be made; None takes the smallest change.

    Returns
    -------
    Twin

    Raises
    ------
    InputError
        The phrase has no twin of that kind.
    """
    odd = phrase.loops and phrase.cycle_notes > len(phrase.notes)
    if way is None and (odd or not read_demand(phrase).changes):
        other = _other_first(phrase)
        why = "it demands both strokes by turns" if odd else "it has no string change"
        return replace(other, change=f"{other.change} There is no twin: {why}.")
    return find_twin(phrase, way)


def _other_first(phrase: Phrase) -> Twin:
    """The same notes, every stroke the other one, stated ones too."""

    def turned(notes: tuple[Note, ...]) -> tuple[Note, ...]:
        return tuple(n if n.stroke is None else replace(n, stroke=other_stroke(n.stroke)) for n in notes)

    first = other_stroke(phrase.first_stroke)
    twin = replace(phrase, notes=turned(phrase.notes), lead=turned(phrase.lead), first_stroke=first)
    return Twin("first stroke", twin, f"Start on the {first}stroke; every note stays.")


def _with_opening(phrase: Phrase, opening: tuple[Note, ...], rest: Fraction | int) -> Phrase:
    """Return the phrase with its first notes altered: in place, or for a loop without a lead as a first pass."""
    if phrase.lead:
        return replace(phrase, lead=opening, lead_rest=rest)
    if not phrase.loops:
        return replace(phrase, notes=opening, rest=rest)
    return replace(phrase, lead=opening, lead_rest=rest)


def _opening(phrase: Phrase) -> tuple[tuple[Note, ...], Fraction | int]:
    """Return the notes that are played first, and the rest before them."""
    return (phrase.lead, phrase.lead_rest) if phrase.lead else (phrase.notes, phrase.rest)


def _opening_words(phrase: Phrase) -> str:
    return ", the first time round" if phrase.loops and not phrase.lead else ""


def _slur(phrase: Phrase) -> list[tuple[Phrase, str]]:
    """Join the second note of the first run to the first one."""
    notes, rest = _opening(phrase)
    if len(notes) < 2:
        return []
    one, two = notes[:2]
    if one.string != two.string or one.rest or (len(notes) == 2 and not phrase.loops and not phrase.lead):
        return []
    if one.fret is not None and two.fret is not None:
        if one.fret == two.fret or abs(one.fret - two.fret) > MOST_SLUR_FRETS:
            return []
        last = one.slurs[-1].fret if one.slurs else one.fret
        if last is None or last == two.fret:
            return []
        kind: Literal["hammer-on", "pull-off"] = "hammer-on" if two.fret > last else "pull-off"
    else:
        kind = "hammer-on"
    joined = replace(one, slurs=(*one.slurs, Slur(kind, two.fret, two.length), *two.slurs), rest=two.rest)
    words = f"Slur the second note to the first ({kind}){_opening_words(phrase)}; every pitch and its time stay."
    return [(_with_opening(phrase, (joined, *notes[2:]), rest), words)]


def _pickup(phrase: Phrase) -> list[tuple[Phrase, str]]:
    """Put one note on the first note's string before everything."""
    notes, _ = _opening(phrase)
    added = replace(notes[0], slurs=(), rest=phrase.rest if not phrase.lead else 0)
    added = replace(added, length=min(Fraction(1), notes[0].span))
    # The rest before the phrase is the pickup's own now only where it led.
    twin = replace(phrase, lead=(replace(added, rest=phrase.lead_rest), *phrase.lead), lead_rest=0)
    if not phrase.lead:
        twin = replace(phrase, lead=(replace(added, rest=0),), lead_rest=0)
    return [(twin, "Play one note as a pickup before the first bar line; the phrase itself stays.")]


def _more(phrase: Phrase) -> list[tuple[Phrase, str]]:
    """Play the first note twice in its own time."""
    notes, rest = _opening(phrase)
    half = Fraction(notes[0].length) / 2
    twice = (Note(notes[0].string, notes[0].fret, half), replace(notes[0], length=half))
    words = f"Play the first note twice in its own time{_opening_words(phrase)}; every pitch stays."
    return [(_with_opening(phrase, (*twice, *notes[1:]), rest), words)]


def _rest(phrase: Phrase) -> list[tuple[Phrase, str]]:
    """Rest instead of the first note, where another one on its string follows."""
    notes, rest = _opening(phrase)
    if len(notes) < 2 or notes[0].string != notes[1].string:
        return []
    words = f"Rest instead of the first note{_opening_words(phrase)}; one pitch is lost, all times stay."
    return [(_with_opening(phrase, notes[1:], rest + notes[0].span), words)]


def _later(phrase: Phrase) -> list[Twin]:
    if phrase.lead or phrase.rest:
        return []
    words = "Start one note later on the same stroke: the phrase is displaced in its bar."
    return [Twin("one note later", make_twin(phrase), words)]
