"""Which strings a block is played on, where its drill is a phrase: other strings turn the forearm."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from analysis.drills.phrases import find_drill
from analysis.model.errors import InputError
from analysis.model.records import Session


def strings_told(session: Session) -> Mapping[int, float]:
    """By block: the mean string of its phrase, counted from the middle of all strings.

    A block whose drill is only a name, or a phrase that this instrument cannot play, tells nothing; what is wrong with
    the phrase is said where the drill itself is judged.

    Examples
    --------
    >>> from analysis.model.records import Event
    >>> strings_told(Session(None, None, events=(Event(0, 9, "play", drill="4x6 4x5"), Event(9, 12, "play"))))
    {0: 0.5}
    """
    told = {}
    plays = [event for event in session.events if event.kind == "play"]
    middle = 0.5 * (session.instrument.courses + 1)
    for index, event in enumerate(plays):
        if not event.drill:
            continue
        try:
            phrase = find_drill(event.drill, session.instrument.courses, session.metadata)
        except InputError:
            continue
        if phrase is not None:
            told[index] = float(np.mean([note.string for note in phrase.notes])) - middle
    return told
