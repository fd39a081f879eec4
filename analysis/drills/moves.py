"""Ways from one matched stroke to the next: how many notes on, at what cost, and what the time between says of it.

Time is counted in units of the phrase, by a clock that follows the player's tempo.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from analysis.model.records import FloatArray, IntArray

UNIT_SD, LEAST_UNIT_DENSITY = 0.08, 0.05
"""Scatter of an interval's logarithm about its note's length, and density of one that is none."""


@dataclass(frozen=True)
class AlignmentSettings:
    """Probabilities and bounds of the alignment's model."""

    p_missed: float = 0.03
    p_extra: float = 0.03
    p_wrong: float = 0.01
    p_doubled: float = 0.01
    p_skipped: float = 0.01
    p_turn: float = 0.1
    p_slip_unseen: float = 0.003
    p_first_other: float = 0.1
    p_uneven: float = 0.1
    p_hesitate: float = 0.002
    hesitation_notes: float = 0.5
    least_density: float = 1e-6
    least_uneven: float = 0.04
    most_uneven: float = 0.25
    max_missed: int = 6
    max_extra: int = 4
    band_notes: int = 16
    tempo_wander: float = 0.03
    median_strokes: int = 15
    pause_s: float = 2.0
    learn_from: float = 1.5
    most_learned: float = 0.4
    start_sd_s: float = 0.06
    p_other_start: float = 1e-4
    p_count_in: float = 0.05
    count_in_sd: float = 0.08
    least_confidence: float = 0.9
    p_slip: float = 0.02
    p_wrong_heard: float = 0.4


@dataclass(frozen=True)
class Moves:
    """Ways from one matched stroke to the next; arrays of one length K.

    ``extra``: strokes left out between them; ``notes``: how far the notes go on; ``turn``: 1 where the strokes turn
    round against the notes; ``lasts``: the time that it takes, as that of so many notes from the first one on.
    """

    extra: IntArray
    notes: IntArray
    turn: IntArray
    lasts: IntArray


@dataclass(frozen=True)
class Timing:
    """What the time between two strokes says of their notes, in units of the phrase.

    Attributes
    ----------
    gap : float64 (n, extra)
        From stroke ``i - 1 - e`` to stroke ``i``, where there is one.
    onset : float64 (m,)
        When each note is due; behind the last one they come a unit apart.
    uneven : float
        The player's own unevenness, SD.
    p_slip : float
        Of a slip that a microphone would hear: so many strokes on, whatever the notes say.
    settings : AlignmentSettings
    """

    gap: FloatArray
    onset: FloatArray
    uneven: float
    p_slip: float
    settings: AlignmentSettings

    def score(self, target: IntArray, first: IntArray, moves: Moves) -> FloatArray:
        """Log density of each move to stroke ``target`` (K,) from note ``first``, (..., K)."""
        gap = self.gap[target, moves.extra]
        lasts = self.at(first + moves.lasts) - self.at(first)
        off = gap - lasts
        settings = self.settings
        variance = self.uneven**2 + (settings.tempo_wander * lasts) ** 2
        density = (1 - settings.p_uneven - settings.p_hesitate) * bell(off, variance)
        density += settings.p_uneven * bell(off, 9 * variance)
        hesitation = np.exp(-np.maximum(off, 0) / settings.hesitation_notes) / settings.hesitation_notes
        density += settings.p_hesitate * np.where(off > 0, hesitation, 0.0) + settings.least_density
        if self.p_slip:
            strokes = self.at(first + 1 + moves.extra) - self.at(first)
            density += self.p_slip * bell(gap - strokes, variance)
        return np.asarray(np.log(density))

    def at(self, note: IntArray) -> FloatArray:
        """When notes are due."""
        inside = np.clip(note, 0, len(self.onset) - 1)
        return np.asarray(self.onset[inside] + (note - inside))


def list_moves(settings: AlignmentSettings) -> tuple[Moves, FloatArray]:
    """Every move, and what it costs beyond timing and extra strokes."""
    rows = []
    for extra in range(settings.max_extra + 1):
        for missed in range(settings.max_missed + 1):
            lost = missed * np.log(settings.p_missed)
            rows.append((extra, missed + 1, 0, missed + 1, lost))
            if 0 < extra + missed <= 2:
                # The hand may have played what was taken for extra, or waited where a note is missing.
                rows.append((extra, missed + 1, 1, missed + 1, lost + np.log(settings.p_turn)))
    rows.append((0, 0, 1, 1, np.log(settings.p_doubled)))
    rows.append((0, 2, 1, 1, np.log(settings.p_skipped)))
    whole = np.array([row[:4] for row in rows], dtype=np.int64)
    cost = np.array([row[4] for row in rows], dtype=np.float64)
    return Moves(*whole.T), cost


def bell(deviation: FloatArray, variance: NDArray[np.floating] | float) -> FloatArray:
    """Return the normal density of a deviation."""
    return np.asarray(np.exp(-0.5 * deviation**2 / variance) / np.sqrt(2 * np.pi * variance))


def local_period(intervals: FloatArray, nominal_s: float | None, strokes: int) -> FloatArray:
    """Return the running median of intervals at each stroke; the nominal period where there are too few."""
    count = len(intervals) + 1
    if len(intervals) < 5 and nominal_s is not None:
        return np.full(count, nominal_s)
    size = min(strokes, len(intervals))
    median = np.median(sliding_window_view(intervals, size), axis=1)
    # At both ends the window stays inside: a mirrored one would count a count-in twice.
    window = np.clip(np.arange(count) - (size + 1) // 2, 0, len(median) - 1)
    return np.maximum(median[window], 1e-3)


def unit_of(intervals: FloatArray, spans: FloatArray, share: FloatArray) -> float:
    """Return the time of one unit under which intervals are likeliest to be spans (m,) of a phrase, in any order."""
    tried = np.exp(np.linspace(np.log(intervals.min() / spans.max()), np.log(intervals.max() / spans.min()), 400))
    off = np.log(intervals)[None, :, None] - np.log(tried)[:, None, None] - np.log(spans)[None, None, :]
    likely = np.log(bell(off, UNIT_SD**2) @ share + LEAST_UNIT_DENSITY).sum(axis=1)
    return float(tried[int(np.argmax(likely))])
