"""Which strings a block is played on, where its drill is a phrase, and which way they run in the sensor's axes.

Other strings turn the forearm; an instrument that leans rolls about them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analysis.drills.phrases import find_drill
from analysis.model.errors import InputError
from analysis.model.records import FloatArray, Session
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import matrices
from analysis.reference.epochs import posture_of
from analysis.reference.gesture_directions import Direction


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


def strings_felt(motion: Motion, directions: Sequence[Direction]) -> dict[str, FloatArray]:
    """By posture: the strings' direction in sensor axes, as `along` told it.

    Parameters
    ----------
    motion : Motion
    directions : sequence of Direction
        Of all gestures.

    Returns
    -------
    dict of str to float64 (3,)
        A line without a sign, of length 1; no entry where a posture has no usable `along`.
    """
    felt: dict[str, FloatArray] = {}
    for direction in (d for d in directions if d.usable and d.kind == "along"):
        rotation = matrices(motion.quat_wxyz[[motion.grid.index_at(direction.time_s)]])[0]
        line = rotation.T @ direction.chord_m / np.linalg.norm(direction.chord_m)
        posture = posture_of(direction.posture)
        felt[posture] = felt.get(posture, np.zeros((3, 3))) + np.outer(line, line)
    return {posture: np.linalg.eigh(lines)[1][:, -1] for posture, lines in felt.items()}
