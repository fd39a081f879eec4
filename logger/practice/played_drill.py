"""A block that plays a drill: which course each of its strokes meets."""

from __future__ import annotations

from dataclasses import replace

from analysis.drills.phrases import find_drill
from analysis.synthesis.scenario import PlayBlock


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
        If this instrument cannot play the phrase.
    """
    phrase = find_drill(block.drill, strings, {})
    if phrase is None or block.string_change_every:
        return block
    courses = tuple(strings - note.string for note in phrase.notes)
    return replace(block, courses=courses, first=phrase.first_stroke)
