r"""How much a test may allow itself at each of several looks at growing data, so that all together keep one level.

The statistics of looks at one growing series hang together: with information :math:`I_k` at look k,

.. math:: \operatorname{corr}(Z_j, Z_k) = \sqrt{I_j / I_k}, \qquad j \le k                                     (1)

so that steps of :math:`S_k = Z_k \sqrt{I_k}` are independent. Allowing each look its own part of the level as if it
stood alone would alarm too seldom. Here the bound :math:`c_k` of each look follows from the last by integrating the
density of those that have passed no bound yet,

.. math:: g_k(s) = \int_{-\infty}^{c_{k-1} \sqrt{I_{k-1}}} g_{k-1}(u) \,
          \varphi\!\left(\frac{s - u}{\sqrt{I_k - I_{k-1}}}\right) \frac{du}{\sqrt{I_k - I_{k-1}}}             (2)

References
----------
Armitage, McPherson and Rowe, J. R. Stat. Soc. A 132, 1969, 235-244 (the recursion).
Lan and DeMets, Biometrika 70, 1983, 659-663 (spending a level over looks).
"""

from __future__ import annotations

import functools

import numpy as np
from scipy import special

GRID = 801
LOWEST_SD = 8.0


@functools.lru_cache(maxsize=256)
def look_levels(information: tuple[float, ...], spent: tuple[float, ...], series: int = 1) -> tuple[float, ...]:
    """Level at which each look may be tested.

    Parameters
    ----------
    information : tuple of float
        Of each look, rising, any unit.
    spent : tuple of float
        Chance that any look up to this one alarms by chance, rising, below 1.
    series : int
        So many series are looked at, and the largest statistic counts: each has its part of the level.

    Returns
    -------
    tuple of float
        Chance (p) at or below which a look alarms.

    Examples
    --------
    The second of two looks at nearly the same data may allow itself more than the 0.01 that it spends.

    >>> [round(level, 3) for level in look_levels((1.0, 1.1), (0.02, 0.03))]
    [0.02, 0.026]
    """
    levels: list[float] = []
    grid = density = None
    before, spent_before = 0.0, 0.0
    for now, spent_now in zip(information, spent, strict=True):
        own = (spent_now - spent_before) / series
        scale = np.sqrt(now)
        fresh = np.linspace(-LOWEST_SD * scale, LOWEST_SD * scale, GRID)
        if grid is None or density is None:
            dense = np.exp(-0.5 * (fresh / scale) ** 2) / (scale * np.sqrt(2 * np.pi))
        else:
            step = np.sqrt(now - before)
            kernel = np.exp(-0.5 * ((fresh[:, None] - grid) / step) ** 2) / (step * np.sqrt(2 * np.pi))
            dense = np.trapezoid(kernel * density, grid, axis=1)
        # Chance of lying above each grid point, from the top down.
        parts = 0.5 * (dense[1:] + dense[:-1]) * np.diff(fresh)
        above = np.append(np.cumsum(parts[::-1])[::-1], 0.0)
        bound = float(np.interp(-own, -above, fresh))
        levels.append(min(1.0, series * float(special.ndtr(-bound / scale))))
        grid = np.linspace(fresh[0], bound, GRID)
        density = np.interp(grid, fresh, dense)
        before, spent_before = now, spent_now
    return tuple(levels)
