r"""The level about which a hand plays, told from the drift of double integration: a smoother with a state for each.

A path integrated twice from the accelerometer, and known only between its ends, is

.. math:: \hat p(t) = \text{stroke}(t) + \ell(t) + e(t), \qquad
          \ddot e = b + w, \quad \dot b = v, \quad d\ell = -\ell \, dt / \tau + u                            (8)

with the level :math:`\ell` of the hand (the string it plays on, and its wander), and the drift :math:`e` of a white
acceleration error :math:`w` on a bias :math:`b` that walks. At a turn the stroke is half a span to one side or the
other: each turn gives one reading of :math:`\ell + e \pm h`, with :math:`h` unknown and a scatter from turn to turn.
All else is Kalman's: the means of all states given all readings, which a Rauch-Tung-Striebel smoother finds
recursively, are the solution of one block-tridiagonal system here. How much the level moves, and how much the turns
scatter about it, is not given: it is taken from what makes the readings likeliest, for each axis and each few minutes.

A hand that goes to another string turns on the way, about the joints that carry it, and a turn does not drift. So the
level across the strings is, in part, a combination :math:`\beta^T \rho` of the hand's turn :math:`\rho`. What
:math:`\beta` is, the readings tell: it is one more unknown, with a prior of no preferred direction, as :math:`h` is.

With the level held still and the bias nil, the drift is the cubic smoothing spline of the readings.

References
----------
Rauch, Tung, Striebel 1965, AIAA J. 3, 1445-1450. Wahba 1978, J. R. Stat. Soc. B 40, 364-372 (the spline).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.polynomial import legendre

from analysis.model.records import FloatArray
from analysis.motion.level_fit import chord_se, find_likeliest, states_of
from analysis.motion.level_settings import LevelSettings
from analysis.motion.level_states import Turns


@dataclass(frozen=True)
class Drift:
    """Drift of a path at its turns.

    Attributes
    ----------
    time_s : float64 (n,)
    position_m, speed_mps : float64 (n, d)
    chord_se_m : float64 (n - 1, d)
        Standard error of what the drift adds from each turn to the next.
    """

    time_s: FloatArray
    position_m: FloatArray
    speed_mps: FloatArray
    chord_se_m: FloatArray

    def at(self, time_s: FloatArray) -> FloatArray:
        """Drift (m) at times (k,): cubic between readings, straight beyond the outermost.

        Parameters
        ----------
        time_s : float64 (k,)

        Returns
        -------
        float64 (k, d)
        """
        knots, n = self.time_s, self.time_s.size
        at = np.clip(np.searchsorted(knots, time_s, side="right") - 1, 0, n - 2)
        step = (knots[at + 1] - knots[at])[:, None]
        u = (time_s - knots[at])[:, None] / step
        inside = np.clip(u, 0.0, 1.0)
        p0, p1 = self.position_m[at], self.position_m[at + 1]
        v0, v1 = self.speed_mps[at] * step, self.speed_mps[at + 1] * step
        cubic = ((2 * (p0 - p1) + v0 + v1) * inside + 3 * (p1 - p0) - 2 * v0 - v1) * inside**2 + v0 * inside + p0
        return np.asarray(cubic + np.minimum(u, 0.0) * v0 + np.maximum(u - 1.0, 0.0) * v1)


def smooth_drift(turns: Turns, reading_m: FloatArray, settings: LevelSettings) -> Drift:
    """Drift of a twice integrated path from where it turns.

    Parameters
    ----------
    turns : Turns
        Two at least, at times that ascend.
    reading_m : float64 (n, d)
        Path at each, axis by axis.
    settings : LevelSettings

    Returns
    -------
    Drift
    """
    n = turns.time_s.size
    parts = max(1, -(-n // settings.most_turns))
    edges = np.linspace(0, n, parts + 1).astype(np.int64)
    out = np.empty((3, *reading_m.shape))
    for first, last in pairwise(edges.tolist()):
        low, high = max(0, first - settings.overlap), min(n, last + settings.overlap)
        found = _smooth_part(turns.part(slice(low, high)), reading_m[low:high], settings)
        out[:, first:last] = found[:, first - low : last - low]
    return Drift(turns.time_s, out[0], out[1], out[2, :-1])


def _smooth_part(turns: Turns, reading_m: FloatArray, settings: LevelSettings) -> FloatArray:
    """Position, speed and the standard error of what comes until the next turn (3, n, d) of some turns."""
    known, trend, slope = _no_news(turns, reading_m)
    likeliest = find_likeliest(turns, reading_m - known, settings)
    states = states_of(turns, reading_m - known, likeliest)
    chord_se_m = np.zeros(reading_m.shape)
    for size, mine in likeliest.axes_by_size():
        chord_se_m[:-1, mine] = chord_se(turns, size, likeliest.settings)[:, None]
    leaps = bool(likeliest.follows.any()) or settings.changes_strings(likeliest.sizes)
    return np.stack([states[:, 0] + trend, states[:, 1] + slope, settings.se_factors[leaps] * chord_se_m])


def _no_news(turns: Turns, reading_m: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What is in the readings (n, d) whatever drifts, and of that the drift's share and its speed: states stay small.

    Half of the mean stroke to either side, and a parabola through what is left.
    """
    time_s, step = turns.time_s, np.diff(turns.side)[:, None]
    stroke = turns.side[:, None] * (np.diff(reading_m, axis=0) * step).sum(axis=0) / max((step**2).sum(), 1.0)
    half_s = max(0.5 * float(time_s[-1] - time_s[0]), 1e-9)
    span = (time_s - time_s[0]) / half_s - 1
    fit = legendre.legfit(span, reading_m - stroke, max(0, min(2, time_s.size - 2)))
    trend, slope = (legendre.legval(span, c).T for c in (fit, legendre.legder(fit) / half_s))
    return stroke + trend, trend, np.broadcast_to(slope, trend.shape)
