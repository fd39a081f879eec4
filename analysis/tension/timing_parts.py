r"""Timing of even strokes, split into a clock's part and a hand's part.

A clock of variance :math:`C^2` sets each stroke off, the hand answers with a delay of variance :math:`D^2`. An
interval between two strokes is one tick of the clock, plus one delay less the delay before, so that neighbouring
intervals are correlated and others are not:

.. math::

   \gamma_0 = C^2 + 2 D^2, \qquad \gamma_1 = -D^2, \qquad \gamma_k = 0 \; (k > 1), \qquad
   -\tfrac{1}{2} \le \rho_1 \le 0                                                                              (1)

Where a player corrects against a click, intervals also answer to the errors before, and the split is rough.

References
----------
Wing and Kristofferson, Perception & Psychophysics 14, 1973, 5-12 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray

FEWEST_INTERVALS = 30
EVEN_SHARE = 0.25
"""A series whose intervals scatter by more than this part of their mean is not even play."""


@dataclass(frozen=True)
class TimingParts:
    """Timing of one block: the SDs of clock and hand in ms, the mean interval, and both autocovariances in ms2.

    A part whose variance comes out negative, which noise can do, is given as zero.
    """

    clock_ms: float
    motor_ms: float
    interval_ms: float
    gamma0_ms2: float
    gamma1_ms2: float
    intervals: int


def split_timing(series_s: Sequence[FloatArray]) -> TimingParts | None:
    """Split the intervals of one block, equation (1).

    Down- and upstrokes may differ in length, and tempo may drift: a mean for each of the two, and a straight trend,
    are taken out of every series; what that takes out of the autocovariances is put back.

    Parameters
    ----------
    series_s : sequence of float64 (k,)
        Moments of the strokes of each unbroken series, down and up in turns, seconds.

    Returns
    -------
    TimingParts or None
        None below thirty intervals, or where they are not even.
    """
    sums, counts, traces = np.zeros(2), np.zeros(2), np.zeros(2)
    lengths = []
    for moments in series_s:
        interval = 1e3 * np.diff(np.asarray(moments, dtype=np.float64))
        if interval.size < 8:
            continue
        residual, keep = _residual(interval)
        if np.std(residual) > EVEN_SHARE * interval.mean():
            continue
        sums += [residual @ residual, residual[1:] @ residual[:-1]]
        counts += [interval.size, interval.size - 1]
        # What white noise of unit variance leaves in each sum.
        traces += [np.trace(keep), np.trace(keep, 1)]
        lengths.append(interval)
    if counts[0] < FEWEST_INTERVALS:
        return None
    gamma0 = sums[0] / traces[0]
    gamma1 = (sums[1] - traces[1] * gamma0) / counts[1]
    clock, motor = gamma0 + 2 * gamma1, -gamma1
    if motor < 0:
        clock, motor = gamma0, 0.0
    elif clock < 0:
        clock, motor = 0.0, gamma0 / 2
    mean = float(np.concatenate(lengths).mean())
    return TimingParts(float(np.sqrt(clock)), float(np.sqrt(motor)), mean, float(gamma0), float(gamma1), int(counts[0]))


def _residual(interval: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Intervals about their trend and the means of both directions, and the projection that does it."""
    n = interval.size
    odd = np.arange(n) % 2
    columns = np.column_stack([odd, 1 - odd, np.linspace(-1, 1, n)])
    q = np.linalg.qr(columns)[0]
    return np.asarray(interval - q @ (q.T @ interval)), np.asarray(np.eye(n) - q @ q.T)
