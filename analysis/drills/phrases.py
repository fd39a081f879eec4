"""Which stroke precedes each string change of a phrase, and what that demands of the hand.

Only picked notes count: a note that is slurred has no stroke, and a rest holds the hand back without changing which
stroke comes next. A change lies between two strokes that follow each other, whatever sounds or rests between them. Its
clearing demand is the stroke before it, whatever way across the strings it goes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from analysis.drills.notes import MAX_FRET, MAX_NOTES, Note, Phrase, Slur
from analysis.drills.phrase_text import looks_like_phrase, read_phrase, write_phrase
from analysis.model.errors import InputError
from analysis.model.records import Clearing
from analysis.model.strokes import Stroke

__all__ = [
    "MAX_FRET",
    "MAX_NOTES",
    "Demand",
    "Note",
    "Phrase",
    "Slur",
    "StringChange",
    "find_drill",
    "make_twin",
    "read_demand",
    "read_phrase",
    "require_changes",
    "write_phrase",
]

DemandKind = Literal["down", "up", "mixed", "none"]

DRILL_KEY = "drill."
"""Prefix of a session's metadata keys that give a drill's name its phrase."""


@dataclass(frozen=True)
class StringChange:
    """A change of string after the note at ``index`` (0-based, within the cycle) and the stroke that precedes it.

    ``reverses`` marks a change that goes the other way across the strings than the change before it; ``seam`` one
    from the last note of a pass to the first of the next.
    """

    index: int
    from_string: int
    to_string: int
    after: Stroke
    reverses: bool
    seam: bool

    @property
    def travel(self) -> Stroke:
        """The stroke whose way the hand travels across the strings: down towards string 1, up towards the last."""
        return "down" if self.to_string < self.from_string else "up"


@dataclass(frozen=True)
class Demand:
    """What a phrase demands: its changes over one cycle and the stroke that must clear.

    Attributes
    ----------
    kind : DemandKind
        The stroke that must clear at the changes, or that it differs.
    changes : tuple of StringChange
        Over one cycle.
    """

    kind: DemandKind
    changes: tuple[StringChange, ...]

    @property
    def after_down(self) -> int:
        """Changes that follow a downstroke."""
        return sum(change.after == "down" for change in self.changes)

    @property
    def after_up(self) -> int:
        """Changes that follow an upstroke."""
        return len(self.changes) - self.after_down

    def suited(self, clearing: Clearing) -> int:
        """Count the changes that a hand with this clearing stroke plays clear of the strings.

        Parameters
        ----------
        clearing : Clearing

        Returns
        -------
        int
        """
        counts: Mapping[Clearing, int] = {
            "down": self.after_down,
            "up": self.after_up,
            "both": len(self.changes),
            "level": 0,
        }
        return counts[clearing]

    def suits(self, clearing: Clearing) -> bool:
        """Tell whether every change follows a stroke that clears.

        Parameters
        ----------
        clearing : Clearing

        Returns
        -------
        bool
        """
        return self.suited(clearing) == len(self.changes)


def read_demand(phrase: Phrase) -> Demand:
    """Find every string change of a phrase, the loop's seam included, and the stroke that each one follows.

    Parameters
    ----------
    phrase : Phrase

    Returns
    -------
    Demand
        ``kind`` is the stroke after which all changes fall, ``mixed``, or ``none`` for a phrase on one string.
    """
    count = len(phrase.notes)
    # A loop is looked at where its strokes have settled: behind the lead, and where strokes are stated one pass on.
    skipped = phrase.stroke_count(1 if phrase.states_strokes else 0) if phrase.loops else 0
    last = phrase.cycle_notes if phrase.loops else phrase.stroke_count(1) - 1
    strings = [phrase.string_at(skipped + j) for j in range(last + 1)]
    places = [j for j in range(last) if strings[j] != strings[j + 1]]
    towards_last = [strings[j + 1] > strings[j] for j in places]
    changes = []
    for k, j in enumerate(places):
        # The change before the first one is the last of the loop; a phrase played once has none before its first.
        turned = towards_last[k] != towards_last[k - 1] if k or phrase.loops else False
        seam = phrase.loops and j % count == count - 1
        changes.append(StringChange(j, strings[j], strings[j + 1], phrase.stroke_at(skipped + j), turned, seam))
    found = {change.after for change in changes}
    kind: DemandKind = "none" if not found else "mixed" if len(found) == 2 else found.pop()
    return Demand(kind, tuple(changes))


def require_changes(phrase: Phrase) -> Demand:
    """Return the demand of a phrase that changes strings.

    Raises
    ------
    InputError
        If the phrase stays on one string.
    """
    demand = read_demand(phrase)
    if demand.kind == "none":
        raise InputError(
            f"The phrase stays on string {phrase.notes[0].string}, so it has no string change to look at",
            next_step="put some of its notes on another string.",
        )
    return demand


def make_twin(phrase: Phrase) -> Phrase:
    """Return the phrase that demands the other stroke at every change, from the same first stroke.

    A loop starts one note later: every note falls on the other stroke. A phrase played once drops its first note;
    where that would lose a change, the first note is played twice instead.

    Raises
    ------
    InputError
        If the phrase stays on one string, or loops over an odd number of notes (it then demands both strokes by
        turns, and so would its twin).
    """
    require_changes(phrase)
    notes = phrase.notes
    if phrase.states_strokes or phrase.lead or phrase.rest:
        raise InputError(
            "A phrase with strokes of its own, a pickup or a rest in front cannot simply start one note later",
            next_step="ask for its other twins.",
        )
    if phrase.loops and len(notes) % 2:
        raise InputError(
            f"A loop of {len(notes)} notes turns its strokes round on every pass, so it demands both and has no twin",
            next_step="add or drop one note.",
        )
    if phrase.loops:
        return replace(phrase, notes=notes[1:] + notes[:1])
    keeps_changes = notes[0].string == notes[1].string
    return replace(phrase, notes=notes[1:] if keeps_changes else notes[:1] + notes)


def find_drill(label: str, strings: int, metadata: Mapping[str, str]) -> Phrase | None:
    """Return the phrase that a block's drill stands for, or None where the label is only a name.

    A label is looked up in the session's metadata (key ``drill.LABEL``) first; else it may be the phrase itself.

    Parameters
    ----------
    label : str
        The block's drill.
    strings : int
        Strings or courses of the instrument.
    metadata : mapping of str to str
        Of the session.

    Returns
    -------
    Phrase or None

    Raises
    ------
    InputError
        If the label or its entry is a phrase that this instrument cannot play.
    """
    if f"{DRILL_KEY}{label}" in metadata:
        return read_phrase(metadata[f"{DRILL_KEY}{label}"], strings)
    return read_phrase(label, strings) if looks_like_phrase(label) else None
