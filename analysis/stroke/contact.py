"""The moment at which a stroke meets its string: pick attacks, what only looks like one, and the place on the path."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.model.records import BoolArray, FloatArray, FloatArray32, IntArray
from analysis.motion.hand_motion import Motion
from analysis.stroke.play import StrokeSet

MIDDLE = (0.15, 0.85)
"""Part of a stroke in which its pick attack is looked for."""
AT_TURN = 0.1
"""Part of a stroke to either side of its end in which no string is met."""
STANDS_OUT = 1.5
"""Attacks are louder than what is heard at the turns by this factor; noise in the path is as loud everywhere."""
STRENGTH_GROUP = 64
ONSET_S = 0.015
ONSET_SHARE = 0.3


def hear_attacks(
    motion: Motion, strokes: StrokeSet, threshold_mps2: float | None, of_typical: float
) -> tuple[BoolArray, FloatArray]:
    """Which strokes have a pick attack, and how strong the burst in the middle of each is.

    None has an attack where the bursts are hardly louder than what is heard at the turns of the same strokes: a jerky
    path and its noise are heard everywhere, a string in mid-stroke only.

    Parameters
    ----------
    motion : Motion
    strokes : StrokeSet
    threshold_mps2 : float or None
        None where the rate is too low to see attacks.
    of_typical : float
        An attack also reaches this part of the upper quartile of the bursts in its group of strokes.

    Returns
    -------
    attack : bool (n,)
    strength_mps2 : float64 (n,)
        Peak of the acceleration above 60 Hz; NaN where attacks are not seen.
    """
    n = strokes.start.size
    attack, strength = np.zeros(n, dtype=bool), np.full(n, np.nan)
    if motion.attack_mps2 is None or threshold_mps2 is None or n == 0:
        return attack, strength
    strength = _loudest(motion.attack_mps2, *_middle(motion, strokes))
    reach = AT_TURN * (strokes.end - strokes.start)
    last = motion.grid.size - 1
    around = [np.clip(np.rint(strokes.end + side * reach), 0, last).astype(np.int64) for side in (-1, 1)]
    at_turn = _loudest(motion.attack_mps2, *around)
    for group in np.array_split(np.arange(n), max(1, n // STRENGTH_GROUP)):
        burst = strength[group]
        attack[group] = (burst > threshold_mps2) & (burst > of_typical * np.percentile(burst, 75))
    if attack.any() and np.median(strength[attack]) <= STANDS_OUT * np.median(at_turn[attack]):
        attack[:] = False
    return attack, strength


def _loudest(envelope: FloatArray32, first: IntArray, last: IntArray) -> FloatArray:
    """Greatest value of each stretch from ``first`` to ``last``, both included."""
    # Maxima of all stretches between borders; every other one is wanted.
    borders = np.stack([first, np.minimum(last + 1, envelope.size - 1)], axis=1).ravel()
    return np.asarray(np.maximum.reduceat(envelope, borders)[::2], dtype=np.float64)


def find_contacts(motion: Motion, strokes: StrokeSet, attack: BoolArray) -> FloatArray:
    """Moment of contact: the onset of the largest burst above 60 Hz in the middle of the stroke.

    Parameters
    ----------
    motion : Motion
    strokes : StrokeSet
    attack : bool (n,)
        Strokes that have a pick attack.

    Returns
    -------
    float64 (n,)
        Share of the stroke; 0.5 where it has no attack.
    """
    contact = np.full(attack.size, 0.5)
    some = np.flatnonzero(attack)
    if motion.attack_mps2 is None or some.size == 0:
        return contact
    struck = strokes.select(some)
    first, last = _middle(motion, struck)
    columns = np.minimum(first[:, None] + np.arange(int((last - first).max()) + 1), last[:, None])
    peak = first + motion.attack_mps2[columns].argmax(axis=1)
    contact[some] = np.clip((_onset(motion, peak) - struck.start) / (struck.end - struck.start), 0.0, 1.0)
    return contact


def _middle(motion: Motion, strokes: StrokeSet) -> tuple[IntArray, IntArray]:
    """First and last working sample of the middle of each stroke."""
    length = strokes.end - strokes.start
    end = motion.grid.size - 1
    first = np.minimum(np.ceil(strokes.start + MIDDLE[0] * length).astype(np.int64), end)
    last = np.floor(strokes.start + MIDDLE[1] * length).astype(np.int64)
    return first, np.clip(last, first, end)


def _onset(motion: Motion, peak: IntArray) -> FloatArray:
    """Working sample number at which the burst around each peak begins, found at the full rate.

    A burst rings for some 5 to 15 ms and may grow as it rings; the string was touched when it began.
    """
    if motion.fine_attack_mps2 is None:
        return peak.astype(np.float64)
    before = int(np.ceil(ONSET_S * motion.grid.rate_hz * motion.factor))
    window = peak[:, None] * motion.factor + np.arange(-before, motion.factor)
    envelope = motion.fine_attack_mps2[np.clip(window, 0, motion.fine_attack_mps2.size - 1)]
    begun = envelope >= ONSET_SHARE * envelope[:, before:].max(axis=1, keepdims=True)
    return np.asarray((peak * motion.factor - before + begun.argmax(axis=1)) / motion.factor)


def contact_share(strokes: pd.DataFrame) -> FloatArray:
    """Moment of string contact of each stroke of the stroke table, as a share of the stroke."""
    start, end = strokes["start_s"].to_numpy(np.float64), strokes["end_s"].to_numpy(np.float64)
    return np.asarray((strokes["contact_s"].to_numpy(np.float64) - start) / (end - start))


def at_contact(values: FloatArray, contact: FloatArray) -> FloatArray:
    """What a path is at contact, on the line between its points.

    Parameters
    ----------
    values : float64 (n, k) or (n, k, d)
        ``k`` points of each stroke, from turn to turn.
    contact : float64 (n,)
        Share of the stroke; held inside 0..1.

    Returns
    -------
    float64 (n,) or (n, d)

    Examples
    --------
    >>> at_contact(np.array([[0.0, 2.0, 8.0]]), np.array([0.75])).tolist()
    [5.0]
    """
    last = values.shape[1] - 1
    at = np.clip(contact, 0.0, 1.0) * last
    base = np.minimum(at.astype(np.int64), last - 1)
    share = (at - base).reshape(-1, *[1] * (values.ndim - 2))
    rows = np.arange(len(values))
    return np.asarray(values[rows, base] * (1 - share) + values[rows, base + 1] * share)
