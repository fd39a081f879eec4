"""A block that plays a drill: which course each of its strokes meets, and when."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from analysis.drills.notes import Note, Phrase
from analysis.drills.phrases import find_drill
from analysis.model.errors import InputError
from analysis.synthesis.scenario import PlayBlock, Sound, Written


def played_drill(block: PlayBlock, strings: int) -> PlayBlock:
    """Return the block playing its drill, where that is a phrase and no other string changes are asked for.

    Parameters
    ----------
    block : PlayBlock
    strings : int
        Strings or courses of the instrument.

    Returns
    -------
    PlayBlock
        The block unchanged where its drill is only a name.

    Raises
    ------
    InputError
        If this instrument cannot play the phrase, or the phrase asks for a stroke twice in a row.
    """
    phrase = find_drill(block.drill, strings, {})
    if phrase is None or block.string_change_every:
        return block
    _require_alternation(phrase)
    first = phrase.stroke_at(0)
    if phrase.is_even and not phrase.lead:
        return replace(block, courses=tuple(strings - note.string for note in phrase.notes), first=first)
    return replace(block, written=written_play(phrase), first=first)


def written_play(phrase: Phrase) -> Written:
    """Return a phrase as the simulated player reads it: one sound or silence after the other.

    Parameters
    ----------
    phrase : Phrase

    Returns
    -------
    Written
    """

    def flat(notes: tuple[Note, ...], rest: Fraction | int) -> tuple[Sound, ...]:
        sounds = [Sound(float(rest), None)] if rest else []
        for note in notes:
            sounds.append(Sound(float(note.length), phrase.strings - note.string))
            sounds += [Sound(float(slur.length), None) for slur in note.slurs]
            sounds += [Sound(float(note.rest), None)] if note.rest else []
        return tuple(sounds)

    swing = 0.5 if phrase.swing is None else float(phrase.swing)
    return Written(flat(phrase.notes, phrase.rest), flat(phrase.lead, phrase.lead_rest), swing)


def _require_alternation(phrase: Phrase) -> None:
    strokes = [phrase.stroke_at(place) for place in range(phrase.stroke_count(2))]
    if any(one == other for one, other in pairwise(strokes)):
        raise InputError(
            "The simulated player alternates strictly, but the phrase has two strokes of one direction in a row",
            next_step="take the strokes out of the phrase, or record it yourself.",
        )
