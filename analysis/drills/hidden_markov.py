"""Best path and posterior probabilities on a banded lattice of (stroke, turned, note) states.

A path visits states with rising stroke. Each move leaves out ``extra`` strokes, goes on by so many notes (0 where one
is played twice) and may turn the strokes round against the notes. Strokes or notes left out are part of a move's score.
Scores are log probabilities.

References
----------
Rabiner 1989, Proc. IEEE 77:257-286 (Viterbi path, forward and backward sums).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.drills.moves import Moves, Timing
from analysis.model.records import FloatArray, IntArray


@dataclass(frozen=True)
class Travel:
    """What the hand's way between two strokes says of their notes.

    Attributes
    ----------
    way_mm : float64 (n, extra)
        From stroke ``i - 1 - e`` to stroke ``i``; NaN where unknown.
    place_mm : float64 (p,)
        Where each note lies across the strings, as the way shows it; note ``j`` at ``j % p``.
    sd_mm, wide_mm : float
        Error of a way between two known notes, and scatter of ways whose notes are not known.
    """

    way_mm: FloatArray
    place_mm: FloatArray
    sd_mm: float
    wide_mm: float

    def score(self, target: IntArray, first: IntArray, moves: Moves) -> FloatArray:
        """Log of the ratio to a way between any notes, of each move to stroke ``target`` (K,) from a note, (..., K)."""
        way = self.way_mm[target, moves.extra]
        size = len(self.place_mm)
        expected = self.place_mm[(first + moves.notes) % size] - self.place_mm[first % size]
        off2 = ((way - expected) / self.sd_mm) ** 2
        own = 0.94 * np.exp(-0.5 * off2) / self.sd_mm + 0.06 * np.exp(-off2 / 18) / (3 * self.sd_mm)
        between = np.exp(-0.5 * (way / self.wide_mm) ** 2) / self.wide_mm
        ratio = np.log(own + LEAST_DENSITY) - np.log(between + LEAST_DENSITY)
        return np.asarray(np.where(np.isfinite(way), ratio, 0.0))


@dataclass(frozen=True)
class Lattice:
    """Scores of all states within a band.

    Attributes
    ----------
    low : int64 (n,)
        First note of each stroke's band; state ``(i, t, w)`` is stroke ``i`` as note ``low[i] + w``.
    match : float64 (n, 2, width)
        Score of each state; -inf for one that cannot be. ``t`` is 1 where strokes are turned against the notes.
    start, end : float64 (n, 2, width)
        Score of beginning and ending a path in each state, the state's own ``match`` left out.
    moves : Moves
    step : float64 (n, K)
        ``step[i, k]`` scores move ``k`` to stroke ``i``; -inf where there is no such stroke.
    travel : Travel, optional
        Adds to a move's score what the hand's way says of both notes.
    timing : Timing, optional
        Adds to a move's score what its time says of both notes, where that is not the same for all (and in ``step``).
    """

    low: IntArray
    match: FloatArray
    start: FloatArray
    end: FloatArray
    moves: Moves
    step: FloatArray
    travel: Travel | None = None
    timing: Timing | None = None


@dataclass(frozen=True)
class Decoded:
    """Best path and what all paths say.

    Attributes
    ----------
    note : int64 (n,)
        Note of each stroke on the best path, -1 where the path leaves the stroke out.
    confidence : float64 (n,)
        Posterior probability of that, over all paths.
    turned : bool (n,)
        Whether the strokes were turned round against the notes there, on the best path.
    pairs : tuple of dict
        For each stroke, the probability of (note before, note) where it follows the stroke before it directly;
        those above :data:`LEAST_PAIR`.
    """

    note: IntArray
    confidence: FloatArray
    turned: np.ndarray[tuple[int], np.dtype[np.bool_]]
    pairs: tuple[dict[tuple[int, int], float], ...]


LEAST_PAIR = 0.005
LEAST_DENSITY = 1e-9


def decode_lattice(lattice: Lattice) -> Decoded:
    """Return the best path, how sure each stroke's place on it is, and which notes follow each other."""
    posterior, pairs = _posterior(lattice)
    note = np.full(len(lattice.low), -1, np.int64)
    turned = np.zeros(len(lattice.low), np.bool_)
    by_note = posterior.sum(axis=1)
    confidence = 1.0 - by_note.sum(axis=1)
    for stroke, turn, place in _best_path(lattice):
        note[stroke] = lattice.low[stroke] + place
        turned[stroke] = bool(turn)
        confidence[stroke] = by_note[stroke, place]
    return Decoded(note, np.clip(confidence, 0.0, 1.0), turned, pairs)


def _best_path(lattice: Lattice) -> list[tuple[int, int, int]]:
    """Return the states of the best path, last one first."""
    count = len(lattice.low)
    best = lattice.start + lattice.match
    source = np.full(best.shape, -1, np.int64)
    sweep = _Sweep(lattice, best)
    for stroke in range(1, count):
        scores = sweep.arriving(stroke)
        choice = np.argmax(scores, axis=2)
        value = np.take_along_axis(scores, choice[..., None], 2)[..., 0] + lattice.match[stroke]
        better = value > best[stroke]
        source[stroke][better] = choice[better]
        sweep.store(stroke, np.where(better, value, best[stroke]))
    last = np.unravel_index(int(np.argmax(sweep.rows() + lattice.end)), best.shape)
    stroke, turn, place = (int(value) for value in last)
    path = [(stroke, turn, place)]
    moves = lattice.moves
    while source[stroke, turn, place] >= 0:
        k = int(source[stroke, turn, place])
        note = int(lattice.low[stroke]) + place - int(moves.notes[k])
        stroke -= 1 + int(moves.extra[k])
        turn ^= int(moves.turn[k])
        place = note - int(lattice.low[stroke])
        path.append((stroke, turn, place))
    return path


def _posterior(lattice: Lattice) -> tuple[FloatArray, tuple[dict[tuple[int, int], float], ...]]:
    """Return the probability of each state over all paths, and of the notes of neighbouring strokes."""
    count = len(lattice.low)
    forward = _Sweep(lattice, lattice.start + lattice.match)
    for stroke in range(1, count):
        onward = _log_sum(forward.arriving(stroke)) + lattice.match[stroke]
        forward.store(stroke, np.logaddexp(forward.rows()[stroke], onward))
    # Backwards, a row holds the sum over all ways on from a state, times the state's own match.
    backward = _Sweep(lattice, lattice.end + lattice.match)
    for stroke in range(count - 2, -1, -1):
        onward = _log_sum(backward.leaving(stroke)) + lattice.match[stroke]
        backward.store(stroke, np.logaddexp(backward.rows()[stroke], onward))
    evidence = np.logaddexp.reduce((forward.rows() + lattice.end).ravel())
    pairs: list[dict[tuple[int, int], float]] = [{}]
    for stroke in range(1, count):
        joint = forward.arriving(stroke) + backward.rows()[stroke][..., None] - evidence
        pairs.append(_name_pairs(lattice, stroke, joint))
    # Forward and backward both hold the match; -inf minus -inf must stay -inf.
    own = np.where(np.isfinite(lattice.match), lattice.match, 0.0)
    return np.asarray(np.exp(forward.rows() + backward.rows() - own - evidence)), tuple(pairs)


def _name_pairs(lattice: Lattice, stroke: int, joint: FloatArray) -> dict[tuple[int, int], float]:
    """Sum the probabilities of moves without an extra stroke by their two notes."""
    found: dict[tuple[int, int], float] = {}
    for turned, place, k in np.argwhere(joint > np.log(LEAST_PAIR)):
        if lattice.moves.extra[k] == 0:
            note = int(lattice.low[stroke] + place)
            pair = (note - int(lattice.moves.notes[k]), note)
            found[pair] = found.get(pair, 0.0) + float(np.exp(joint[turned, place, k]))
    return found


def _log_sum(scores: FloatArray) -> FloatArray:
    """Return log(sum(exp(scores))) along the last axis."""
    top = np.maximum(scores.max(axis=-1), -1e300)
    with np.errstate(divide="ignore"):
        return np.asarray(top + np.log(np.exp(scores - top[..., None]).sum(axis=-1)))


class _Sweep:
    """Rows of path scores, kept between margins of -inf so that every step is one gather."""

    def __init__(self, lattice: Lattice, first: FloatArray) -> None:
        self.lattice = lattice
        self.count, _, self.width = first.shape
        self.values = np.full((self.count, 2, self.width + 2), -np.inf)
        self.values[:, :, 1:-1] = first
        self.turn = np.arange(2)[:, None, None] ^ lattice.moves.turn[None, None, :]

    def rows(self) -> FloatArray:
        """Return the scores, (n, 2, width)."""
        return self.values[:, :, 1:-1]

    def store(self, stroke: int, row: FloatArray) -> None:
        """Set one stroke's scores."""
        self.values[stroke, :, 1:-1] = row

    def arriving(self, stroke: int) -> FloatArray:
        """Score every move into each state of a stroke, (2, width, K)."""
        moves = self.lattice.moves
        source = np.maximum(stroke - 1 - moves.extra, 0)
        target = np.full_like(source, stroke)
        return self._gather(stroke, source, -moves.notes, self.lattice.step[stroke]) + self._told(target, stroke, 0)

    def leaving(self, stroke: int) -> FloatArray:
        """Score every move out of each state of a stroke, (2, width, K)."""
        moves = self.lattice.moves
        target = stroke + 1 + moves.extra
        inside = np.minimum(target, self.count - 1)
        step = np.where(target < self.count, self.lattice.step[inside, np.arange(len(inside))], -np.inf)
        return self._gather(stroke, inside, moves.notes, step) + self._told(inside, stroke, 1)

    def _gather(self, stroke: int, others: IntArray, notes: IntArray, step: FloatArray) -> FloatArray:
        """Add moves to the scores of other strokes' states, ``notes`` away from each state of this stroke."""
        shift = self.lattice.low[stroke] - self.lattice.low[others] + notes
        column = np.clip(np.arange(self.width)[:, None] + shift[None, :] + 1, 0, self.width + 1)
        return np.asarray(self.values[others[None, None, :], self.turn, column[None]] + step)

    def _told(self, target: IntArray, stroke: int, leaving: int) -> FloatArray | float:
        """What time and way of each move to ``target`` say of the notes at its ends, (width, K)."""
        lattice, moves = self.lattice, self.lattice.moves
        note = lattice.low[stroke] + np.arange(self.width)[:, None]
        first = note - (0 if leaving else moves.notes)
        told: FloatArray | float = 0.0
        if lattice.travel is not None:
            told = told + lattice.travel.score(target, first, moves)
        if lattice.timing is not None:
            told = told + lattice.timing.score(target, first, moves)
        return told
