"""Technical words of the screens and the report, each with the sentence that explains it where it first stands."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Term:
    """One word, how to find it in a text, and what it means."""

    word: str
    pattern: str
    meaning: str


TERMS: tuple[Term, ...] = (
    Term(
        "tilt",
        r"tilts?|tilted",
        "the angle at which the tip's path leaves the plane of the strings, seen along the strings. Above zero the "
        "downstroke ends clear of the strings, below zero the upstroke does. It is the tilt of the path, not of the "
        "plectrum",
    ),
    Term("clear", r"clears?|cleared|clearing", "to pass over the next string without touching it"),
    Term(
        "95 % interval",
        r"95 % intervals?",
        "where the true value lies in 95 of 100 sessions like this one",
    ),
    Term("hand's own mean plane", r"hand's own mean plane", "the average plane in which this hand happened to move"),
    Term(
        "reference gestures",
        r"reference gestures?|[Gg]estures?|[Rr]epeat across",
        "short movements before play that show where the strings and the plectrum's tip are: still (hold), across "
        "(over all muted strings), along (on one string), pivot (tip fixed, hand rocking)",
    ),
    Term(
        "session offset",
        r"[Ss]ession offset|the offset",
        "an error that all strokes of a session share, because the gestures are never perfect",
    ),
    Term("scatter", r"[Ss]catters?", "how much single strokes differ from one another"),
    Term("block", r"[Bb]locks?", "one stretch of play with one posture and tempo; between blocks you rest"),
    Term("posture", r"[Pp]ostures?", "your own label for a way of resting and turning the hand"),
    Term(
        "dead band",
        r"dead band",
        "tilts too small for a straight stroke to get over the next string",
    ),
    Term("arched", r"arched|bow", "bent, so that the path lifts at both ends; the bow is by how much"),
    Term(
        "lift",
        r"lift",
        "how high above the needed height the tip passes the next string, or ends if it does not get there. Below zero "
        "the stroke does not clear",
    ),
    Term("median", r"median", "the middle value: half are higher, half are lower"),
    Term("standard deviation", r"standard deviation", "two of three strokes lie within it of the mean"),
    Term("sample", r"[Ss]amples?", "one reading of the sensor"),
    Term("lever arm", r"lever arm", "the way from the sensor to the plectrum's tip"),
)


class Explainer:
    """Explains every term once: in the part of a text in which it is first met.

    Parameters
    ----------
    terms : sequence of Term, optional
        In the order of the glossary.
    """

    def __init__(self, terms: Iterable[Term] = TERMS) -> None:
        self._left = list(terms)

    def meet(self, texts: Iterable[str]) -> tuple[Term, ...]:
        """Return the terms met for the first time in these texts, in the order in which they stand.

        Parameters
        ----------
        texts : iterable of str

        Returns
        -------
        tuple of Term

        Examples
        --------
        >>> explainer = Explainer()
        >>> [term.word for term in explainer.meet(["The tilt of block 3 clears."])]
        ['tilt', 'block', 'clear']
        >>> explainer.meet(["Tilt and tilt again."])
        ()
        """
        text = "\n".join(texts)
        found = []
        for term in self._left:
            match = re.search(rf"\b(?:{term.pattern})\b", text, re.IGNORECASE)
            if match:
                found.append((match.start(), term))
        met = tuple(term for _, term in sorted(found, key=lambda entry: entry[0]))
        self._left = [term for term in self._left if term not in met]
        return met
