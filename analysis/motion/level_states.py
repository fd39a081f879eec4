"""The states behind a path's readings, and what their motion alone says: the prior of the level's smoother.

Drift, its speed and the bias are driven by two kinds of noise; the level forgets where it was. Equation (8) of
:mod:`analysis.motion.level`, for any times, as the lower bands of a block-tridiagonal precision.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analysis.model.records import BoolArray, FloatArray

STATES = 4
"""Drift, its speed, the bias, the level."""
PRIOR_SD = (10.0, 1.0, 0.1)
"""Metres, m/s, m/s2: of drift, speed and bias where a path begins; next to nothing is known."""
LEAST_STEP_S = 1e-3
"""Readings closer than that would make the sums ill-conditioned; strokes are never so short."""
READ = np.array([1.0, 0.0, 0.0, 1.0])
READ_PAIRS = ((0, 0), (3, 0), (3, 3))


@dataclass(frozen=True)
class Walks:
    """One-sided densities of the acceleration's error and of its bias's walk."""

    accel_noise_mps2_rthz: float
    bias_walk_mps3_rthz: float


@dataclass(frozen=True)
class Turns:
    """Where a path turned, or came from rest or to rest; in time order.

    Attributes
    ----------
    time_s : float64 (n,)
    side : float64 (n,)
        +1 where a downstroke ends or an upstroke begins, -1 at the other side, 0 where the hand only went on.
    edge : bool (n,)
        No turn: the hand came from rest, or stopped.
    turned_rad : float64 (n, k)
        By how much the hand is turned midway in the strokes that meet there, from any attitude and in any axes; k may
        be 0.
    """

    time_s: FloatArray
    side: FloatArray
    edge: BoolArray
    turned_rad: FloatArray

    def part(self, some: slice) -> Turns:
        """Some of them, in one piece.

        Parameters
        ----------
        some : slice

        Returns
        -------
        Turns
        """
        return Turns(self.time_s[some], self.side[some], self.edge[some], self.turned_rad[some])


class Size(NamedTuple):
    """SD of the level along one axis, by what share of it the turns scatter about it, and how soon it forgets."""

    level_m: float
    share: float
    time_s: float


@dataclass(frozen=True)
class Chain:
    """What the steps (n - 1,) of time alone say: lower bands of the prior's precision but for the level."""

    bands: FloatArray
    log_det: float
    step_s: FloatArray


def chain_of(time_s: FloatArray, motion: Walks) -> Chain:
    """Position, speed and acceleration error from time to time, by their noise."""
    n, dt = time_s.size, np.maximum(np.diff(time_s), LEAST_STEP_S)
    white, walk = 0.5 * motion.accel_noise_mps2_rthz**2, 0.5 * motion.bias_walk_mps3_rthz**2
    step = np.zeros((dt.size, 3, 3))
    step[:, [0, 1, 2], [0, 1, 2]] = 1.0
    step[:, 0, 1] = step[:, 1, 2] = dt
    step[:, 0, 2] = dt**2 / 2
    noise = np.zeros_like(step)
    noise[:, 0, 0] = white * dt**3 / 3 + walk * dt**5 / 20
    noise[:, 0, 1] = noise[:, 1, 0] = white * dt**2 / 2 + walk * dt**4 / 8
    noise[:, 1, 1] = white * dt + walk * dt**3 / 3
    noise[:, 0, 2] = noise[:, 2, 0] = walk * dt**3 / 6
    noise[:, 1, 2] = noise[:, 2, 1] = walk * dt**2 / 2
    noise[:, 2, 2] = walk * dt
    weight = np.linalg.inv(noise)
    pulled = weight @ step
    block = np.zeros((n, 3, 3))
    block[0] += np.diag(1 / np.square(PRIOR_SD))
    block[:-1] += np.swapaxes(step, 1, 2) @ pulled
    block[1:] += weight
    bands = np.zeros((2 * STATES, n * STATES))
    for row in range(3):
        for column in range(3):
            if row >= column:
                bands[row - column, column::STATES] = block[:, row, column]
            bands[STATES + row - column, column : (n - 1) * STATES : STATES] = -pulled[:, row, column]
    log_det = float(np.linalg.slogdet(noise)[1].sum()) + 2.0 * float(np.log(PRIOR_SD).sum())
    return Chain(bands, log_det, dt)


def precision_of(chain: Chain, read: FloatArray, size: Size) -> tuple[FloatArray, float]:
    """Posterior precision of all states (lower bands), and half the log determinant of the prior's.

    ``read`` (n,) is the precision of the reading at each time, 0 where there is none.
    """
    # What a step keeps of the level, and the precision of what it renews.
    keep = np.exp(-chain.step_s / size.time_s)
    fresh = 1.0 - keep**2
    renewed = 1 / (size.level_m**2 * fresh)
    bands = chain.bands.copy()
    level = bands[0, 3::STATES]
    level[0] += 1 / size.level_m**2
    level[:-1] += keep**2 * renewed
    level[1:] += renewed
    bands[STATES, 3 : (read.size - 1) * STATES : STATES] -= keep * renewed
    for row, column in READ_PAIRS:
        bands[row - column, column::STATES] += read
    log_size = 2.0 * read.size * np.log(size.level_m) + np.log(fresh).sum()
    return bands, -0.5 * float(chain.log_det + log_size)
