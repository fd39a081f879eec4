r"""Statistics of directions and axes.

A direction repeats after 360 degrees, an axis after 180: a stroke's tilt is an axis, the same for down- and
upstroke. Axes are doubled, treated as directions, and halved again. With unit vectors of angles :math:`\theta_i`:

.. math::

   \bar\theta &= \mathrm{atan2}\left(\sum w_i \sin\theta_i, \sum w_i \cos\theta_i\right), \qquad
   R = \left|\sum w_i e^{i\theta_i}\right| / \sum w_i                                                     (1) \\
   s &= \sqrt{2 (1 - R)} \quad \text{(angular deviation)}, \qquad
   s_0 = \sqrt{-2 \ln R} \quad \text{(circular standard deviation)}                                       (2)

The two spreads differ once angles scatter widely; every result names which one it is. ``R`` is not corrected for
grouping.

References
----------
Zar, Biostatistical Analysis, 5th ed. 2010, ch. 26 and 27.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from analysis.model.errors import InputError
from analysis.model.records import FloatArray

FULL_TURN_DEG = 360.0
HALF_TURN_DEG = 180.0


@dataclass(frozen=True)
class DirectionalSummary:
    """Centre and spread of angles.

    Attributes
    ----------
    mean_deg : float
        In [0, period) for directions; in (-90, 90] for axes, the range in which tilt is given.
    resultant : float
        ``R`` of equation (1), of the doubled angles for axes: 1 when all agree, 0 without any common direction.
    angular_deviation_deg, circular_sd_deg : float
        Equation (2), halved for axes.
    count : float
        Number of angles, or the sum of their counts.
    """

    mean_deg: float
    resultant: float
    angular_deviation_deg: float
    circular_sd_deg: float
    count: float


@dataclass(frozen=True)
class UniformityTest:
    """Test of uniform directions: its statistic (Rayleigh's z, or the V test's u) and p."""

    statistic: float
    p: float


def summarise_directions(angles_deg: ArrayLike, counts: ArrayLike | None = None) -> DirectionalSummary:
    """Centre and spread of directions.

    Parameters
    ----------
    angles_deg : array_like (n,)
    counts : array_like (n,), optional
        How often each angle stands; all once if left out.

    Returns
    -------
    DirectionalSummary

    Raises
    ------
    InputError
        No angles, or angles that are not finite.

    Examples
    --------
    >>> round(summarise_directions([350, 10, 30]).mean_deg, 6)
    10.0
    """
    return _summarise(angles_deg, counts, FULL_TURN_DEG)


def summarise_axes(angles_deg: ArrayLike, counts: ArrayLike | None = None) -> DirectionalSummary:
    """Centre and spread of axes, by doubled angles.

    Parameters
    ----------
    angles_deg : array_like (n,)
    counts : array_like (n,), optional

    Returns
    -------
    DirectionalSummary

    Raises
    ------
    InputError
        No angles, or angles that are not finite.

    Examples
    --------
    Nearly upright axes: an arithmetic mean of 88 and -88 would say 0.

    >>> abs(round(summarise_axes([88, -88]).mean_deg, 6))
    90.0
    """
    return _summarise(angles_deg, counts, HALF_TURN_DEG)


def axial_difference_deg(first_deg: ArrayLike, second_deg: ArrayLike) -> FloatArray:
    """Signed angle from the second axis to the first, in [-90, 90).

    Examples
    --------
    >>> axial_difference_deg([80.0], [-80.0]).tolist()
    [-20.0]
    """
    apart = np.asarray(first_deg, dtype=np.float64) - np.asarray(second_deg, dtype=np.float64)
    return np.asarray((apart + 90.0) % HALF_TURN_DEG - 90.0)


def rayleigh_test(angles_deg: ArrayLike) -> UniformityTest:
    """Rayleigh's test that the directions have no mean direction.

    Parameters
    ----------
    angles_deg : array_like (n,)
        Directions; double axes first.

    Returns
    -------
    UniformityTest
        ``z = n R^2``; p by the approximation of Greenwood and Durand as in Zar, eq. 27.4.
    """
    summary = summarise_directions(angles_deg)
    n, length = summary.count, summary.count * summary.resultant
    p = float(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - length**2)) - (1 + 2 * n)))
    return UniformityTest(n * summary.resultant**2, min(1.0, p))


def v_test(angles_deg: ArrayLike, expected_deg: float) -> UniformityTest:
    """V test that the directions do not gather about an expected one.

    Parameters
    ----------
    angles_deg : array_like (n,)
    expected_deg : float

    Returns
    -------
    UniformityTest
        ``u = V sqrt(2 / n)`` with ``V = n R cos(mean - expected)``; p one-sided, normal approximation.
    """
    summary = summarise_directions(angles_deg)
    along = summary.count * summary.resultant * np.cos(np.radians(summary.mean_deg - expected_deg))
    u = float(along * np.sqrt(2 / summary.count))
    return UniformityTest(u, float(special.ndtr(-u)))


def _summarise(angles_deg: ArrayLike, counts: ArrayLike | None, period_deg: float) -> DirectionalSummary:
    angles = np.asarray(angles_deg, dtype=np.float64)
    weights = np.ones(angles.shape) if counts is None else np.asarray(counts, dtype=np.float64)
    total = float(weights.sum())
    if not total > 0 or not np.isfinite(angles).all():
        raise InputError(
            expected="at least one angle, all of them finite",
            found=f"{angles.size} with {int(np.isnan(angles).sum())} missing",
            next_step="leave strokes without a tilt out",
        )
    vector = complex(np.sum(weights * np.exp(1j * angles * (2 * np.pi / period_deg))) / total)  # (1)
    resultant = min(1.0, abs(vector))
    scale = period_deg / FULL_TURN_DEG
    mean = float(np.degrees(np.angle(vector))) * scale
    spread = np.degrees([np.sqrt(2 * (1 - resultant)), np.sqrt(max(0.0, -2 * np.log(max(resultant, 1e-300))))])  # (2)
    if period_deg == FULL_TURN_DEG:
        mean %= FULL_TURN_DEG
    return DirectionalSummary(mean, resultant, float(scale * spread[0]), float(scale * spread[1]), total)
