"""Best path and posterior probabilities on a banded lattice of (stroke, note) pairs.

A path visits pairs with rising stroke and rising note; strokes or notes that it leaves out are extra or missed, and
their scores are part of the step. Scores are log probabilities.

References
----------
Rabiner 1989, Proc. IEEE 77:257-286 (Viterbi path, forward and backward sums).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray, IntArray


@dataclass(frozen=True)
class Lattice:
    """Scores of all pairs within a band.

    Attributes
    ----------
    low : int64 (n,)
        First note of each stroke's band; pair ``(i, w)`` is stroke ``i`` as note ``low[i] + w``.
    match : float64 (n, width)
        Score of each pair; -inf for one that cannot be.
    start, end : float64 (n, width)
        Score of beginning and ending a path in each pair, the pair's own ``match`` left out.
    step : float64 (n, extra, missed)
        ``step[i, e, m]`` scores the step to stroke ``i`` from stroke ``i - 1 - e`` with ``m`` notes left out;
        -inf where there is no such stroke.
    """

    low: IntArray
    match: FloatArray
    start: FloatArray
    end: FloatArray
    step: FloatArray


def decode_lattice(lattice: Lattice) -> tuple[IntArray, FloatArray]:
    """Return the best path and how sure each stroke's place on it is.

    Returns
    -------
    note : int64 (n,)
        Note of each stroke on the best path, -1 where the path leaves the stroke out.
    confidence : float64 (n,)
        Posterior probability of that, over all paths.
    """
    posterior = _posterior(lattice)
    note = np.full(len(lattice.low), -1, np.int64)
    confidence = 1.0 - posterior.sum(axis=1)
    for stroke, place in _best_path(lattice):
        note[stroke] = lattice.low[stroke] + place
        confidence[stroke] = posterior[stroke, place]
    return note, np.clip(confidence, 0.0, 1.0)


def _best_path(lattice: Lattice) -> list[tuple[int, int]]:
    """Return the pairs of the best path, last one first."""
    count, width = lattice.match.shape
    best = lattice.start + lattice.match
    source = np.full((count, width), -1, np.int64)
    sweep = _Sweep(lattice, best)
    for stroke in range(1, count):
        scores = sweep.arriving(stroke)
        choice = np.argmax(scores, axis=1)
        value = scores[np.arange(width), choice] + lattice.match[stroke]
        better = value > best[stroke]
        source[stroke, better] = choice[better]
        sweep.store(stroke, np.where(better, value, best[stroke]))
    stroke, place = divmod(int(np.argmax(sweep.rows() + lattice.end)), width)
    path = [(stroke, place)]
    while source[stroke, place] >= 0:
        extra, missed = divmod(int(source[stroke, place]), lattice.step.shape[2])
        note = lattice.low[stroke] + place - 1 - missed
        stroke -= 1 + extra
        place = int(note - lattice.low[stroke])
        path.append((stroke, place))
    return path


def _posterior(lattice: Lattice) -> FloatArray:
    """Return the probability of each pair over all paths."""
    count = len(lattice.low)
    forward = _Sweep(lattice, lattice.start + lattice.match)
    for stroke in range(1, count):
        onward = _log_sum(forward.arriving(stroke)) + lattice.match[stroke]
        forward.store(stroke, np.logaddexp(forward.rows()[stroke], onward))
    # Backwards, a row holds the sum over all ways on from a pair, times the pair's own match.
    backward = _Sweep(lattice, lattice.end + lattice.match)
    for stroke in range(count - 2, -1, -1):
        onward = _log_sum(backward.leaving(stroke)) + lattice.match[stroke]
        backward.store(stroke, np.logaddexp(backward.rows()[stroke], onward))
    evidence = np.logaddexp.reduce((forward.rows() + lattice.end).ravel())
    # Forward and backward both hold the match; -inf minus -inf must stay -inf.
    own = np.where(np.isfinite(lattice.match), lattice.match, 0.0)
    return np.asarray(np.exp(forward.rows() + backward.rows() - own - evidence))


def _log_sum(scores: FloatArray) -> FloatArray:
    """Return log(sum(exp(scores))) along the last axis."""
    top = np.maximum(scores.max(axis=1), -1e300)
    with np.errstate(divide="ignore"):
        return np.asarray(top + np.log(np.exp(scores - top[:, None]).sum(axis=1)))


class _Sweep:
    """Rows of path scores, kept between margins of -inf so that every step is one gather."""

    def __init__(self, lattice: Lattice, first: FloatArray) -> None:
        self.lattice = lattice
        self.count, self.width = first.shape
        self.values = np.full((self.count, self.width + 2), -np.inf)
        self.values[:, 1:-1] = first
        self.back = np.arange(lattice.step.shape[1])
        self.missed = np.arange(lattice.step.shape[2])

    def rows(self) -> FloatArray:
        """Return the scores, (n, width)."""
        return self.values[:, 1:-1]

    def store(self, stroke: int, row: FloatArray) -> None:
        """Set one stroke's scores."""
        self.values[stroke, 1:-1] = row

    def arriving(self, stroke: int) -> FloatArray:
        """Score every step into each pair of a stroke, (width, extra x missed)."""
        source = np.maximum(stroke - 1 - self.back, 0)
        return self._gather(stroke, source, -1 - self.missed, self.lattice.step[stroke])

    def leaving(self, stroke: int) -> FloatArray:
        """Score every step out of each pair of a stroke, (width, extra x missed)."""
        target = stroke + 1 + self.back
        inside = np.minimum(target, self.count - 1)
        step = np.where((target < self.count)[:, None], self.lattice.step[inside, self.back], -np.inf)
        return self._gather(stroke, inside, 1 + self.missed, step)

    def _gather(self, stroke: int, others: IntArray, notes: IntArray, step: FloatArray) -> FloatArray:
        """Add steps to the scores of other strokes' pairs, ``notes`` away from each pair of this stroke."""
        shift = self.lattice.low[stroke] - self.lattice.low[others]
        place = np.arange(self.width)[:, None, None] + shift[None, :, None] + notes[None, None, :]
        column = np.clip(place + 1, 0, self.width + 1)
        scores = self.values[others[None, :, None], column] + step
        return np.asarray(scores.reshape(self.width, -1))
