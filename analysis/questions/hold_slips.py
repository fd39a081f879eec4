"""How else a hold ends than by a tilt that falls smoothly: by slips to the other side, or between two tempi at once.

A stroke that ends on the wrong side beyond the dead band has slipped. Slips come in runs, so a run counts as one: of
``n`` strokes with ``s`` slips in ``r`` runs, ``n r / s`` are independent. Their share never falls with speed: every
resample draws each piece's share (Beta, Jeffreys' prior), takes the nearest rising sequence, and finds where it passes
what may fail. Where a curve falls through 0 between two neighbouring tempi it may do so anywhere between them, of which
a smooth curve knows nothing: half of the resamples are placed there evenly. No resample holds beyond a tempo at which a
piece plainly fails, unless a faster one plainly holds.

References
----------
Brown, Cai and DasGupta, Statistical Science 16, 2001, 101-133 (Jeffreys' interval of a share).
Barlow et al., Statistical Inference under Order Restrictions, Wiley 1972 (the nearest monotone sequence).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.optimize import isotonic_regression

from analysis.model.records import BoolArray, FloatArray, IntArray

FEWEST_SLIPS = 3
SEEN_SHARE = 0.005
PLAIN_SHARE = 0.7
FEWEST_PLAIN = 20


@dataclass(frozen=True)
class PieceCounts:
    """Strokes, slips and independent share of each piece; arrays of one length, in no order.

    ``held``: share of all strokes that hold. ``speed``: logarithm of strokes a second.
    """

    speed: FloatArray
    strokes: IntArray
    slips: IntArray
    runs: IntArray
    held: FloatArray

    @property
    def independent(self) -> float:
        """Independent strokes a stroke, from the length of runs of slips where these are few."""
        few = self.slips < 0.5 * self.strokes
        slips = int(self.slips[few].sum())
        return float(self.runs[few].sum() / slips) if slips else 1.0

    @property
    def plainly_fails(self) -> BoolArray:
        """Pieces whose strokes fail so often that no error of the frame explains it."""
        return np.asarray((self.held < PLAIN_SHARE) & (self.strokes >= FEWEST_PLAIN))


def count_runs(slipped: BoolArray) -> int:
    """Number of unbroken runs.

    Examples
    --------
    >>> count_runs(np.array([True, True, False, True]))
    2
    """
    return int(slipped[:1].sum() + np.count_nonzero(slipped[1:] & ~slipped[:-1]))


def draw_slip_ends(counts: PieceCounts, may_fail: float, draws: int, rng: np.random.Generator) -> FloatArray:
    """Logarithm of the speed at which slips pass what may fail, (draws,); inf where they do not.

    Parameters
    ----------
    counts : PieceCounts
    may_fail : float
        Share of strokes.
    draws : int
    rng : Generator
    """
    if counts.slips.sum() < FEWEST_SLIPS or counts.slips.sum() < SEEN_SHARE * counts.strokes.sum():
        return np.full(draws, np.inf)
    order = np.argsort(counts.speed, kind="stable")
    x, part = counts.speed[order], counts.independent
    slips, strokes = part * counts.slips[order], part * counts.strokes[order]
    # Jeffreys' half a slip is for all pieces together: in each, it would come to more than may fail.
    share = rng.beta(slips + 0.5 / x.size, strokes - slips + 0.5, (draws, x.size))
    wanted = float(special.logit(may_fail))
    ends = np.full(draws, np.inf)
    for k in range(draws):
        level = special.logit(np.clip(isotonic_regression(share[k], weights=strokes).x, 1e-4, 1 - 1e-4))
        over = np.flatnonzero(level > wanted)
        if over.size:
            i = int(over[0])
            ends[k] = (
                -np.inf
                if i == 0
                else x[i - 1] + (x[i] - x[i - 1]) * ((wanted - level[i - 1]) / (level[i] - level[i - 1]))
            )
    return ends


def end_curves(
    curves: FloatArray, grid: FloatArray, counts: PieceCounts, slip_ends: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Let each curve end where slips, the tempi played, or a plain failure say that it does.

    Parameters
    ----------
    curves : float64 (draws, k)
        Falling edges of the tilt, degrees.
    grid : float64 (k,)
        Logarithm of speed.
    counts : PieceCounts
    slip_ends : float64 (draws,)
        As :func:`draw_slip_ends` says.
    rng : Generator

    Returns
    -------
    float64 (draws, k)
        Falling curves.
    """
    speeds = np.unique(counts.speed)
    most = latest_end(counts)
    ended = curves.copy()
    for k, curve in enumerate(curves):
        below = np.flatnonzero(curve < 0)
        end = grid[below[0]] if below.size else np.inf
        if below.size and below[0] and rng.random() < 0.5:
            after = int(np.searchsorted(speeds, end))
            if 0 < after < speeds.size:
                end = rng.uniform(speeds[after - 1], speeds[after])
        end = min(end, slip_ends[k], most)
        # What lies before the end holds, however little; what lies beyond it does not.
        ended[k] = np.where(grid < end, np.maximum(curve, 0.05), np.minimum(curve, -0.05))
    return ended


def latest_end(counts: PieceCounts) -> float:
    """Logarithm of the slowest speed at which a piece plainly fails and no faster one holds; inf without one."""
    holds = counts.held >= 0.95
    fastest_held = counts.speed[holds].max() if holds.any() else -np.inf
    failing = counts.speed[counts.plainly_fails & (counts.speed > fastest_held)]
    return float(failing.min()) if failing.size else np.inf
