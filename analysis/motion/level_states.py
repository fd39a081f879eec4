"""The states behind a path's readings, and what their motion alone says: the prior of the level's smoother.

Drift, its speed and the bias are driven by two kinds of noise; the level forgets where it was. Equation (8) of
:mod:`analysis.motion.level`, for any times, as the lower bands of a block-tridiagonal precision.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray

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
    """One-sided densities of the acceleration's error and of its bias's walk, and how soon the level forgets."""

    accel_noise_mps2_rthz: float
    bias_walk_mps3_rthz: float
    level_time_s: float


@dataclass(frozen=True)
class Chain:
    """What the times alone say: lower bands of the prior's precision but for the level, whose SD comes later.

    ``fresh`` (n - 1,) is the share of the level's variance that a step renews, ``keep`` what it keeps of the level.
    """

    bands: FloatArray
    log_det: float
    keep: FloatArray
    fresh: FloatArray


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
    keep = np.exp(-dt / motion.level_time_s)
    return Chain(bands, log_det, keep, 1.0 - keep**2)


def precision_of(chain: Chain, read: FloatArray, size_m: float) -> tuple[FloatArray, float]:
    """Posterior precision of all states (lower bands), and half the log determinant of the prior's.

    ``read`` (n,) is the precision of the reading at each time, 0 where there is none.
    """
    bands = chain.bands.copy()
    level = bands[0, 3::STATES]
    level[0] += 1 / size_m**2
    level[:-1] += chain.keep**2 / (size_m**2 * chain.fresh)
    level[1:] += 1 / (size_m**2 * chain.fresh)
    bands[STATES, 3 : (read.size - 1) * STATES : STATES] -= chain.keep / (size_m**2 * chain.fresh)
    for row, column in READ_PAIRS:
        bands[row - column, column::STATES] += read
    log_size = 2.0 * read.size * np.log(size_m) + np.log(chain.fresh).sum()
    return bands, -0.5 * float(chain.log_det + log_size)
