r"""A curve that never rises, through points that are not exact, and where it falls through zero.

Each point is one block: its place ``u`` (scaled to 0..1), its value ``y`` in degrees, the standard error ``s`` of its
own, and an error that all blocks of one session share, with covariance ``F``:

.. math:: y = f(u) + e, \quad \operatorname{cov}(e) = F + \operatorname{diag}(s_i^2 + \tau^2) = S_0              (1)

``tau`` is the scatter between blocks. The curve is a line and a smooth bend of unknown roughness ``rho``:

.. math:: f(u) = a + b u + \rho\, w(u), \quad \operatorname{cov}(w(s), w(t)) = m^3 / 3 + m^2 |s - t| / 2 = K,
          \quad m = \min(s, t)                                                                                    (2)

so that its best estimate is a smoothing spline, linear in the values: ``A y``, with ``S = rho^2 K + S_0``, ``X`` the
line at the points, ``G`` the line and ``K_g`` the bend where the curve is wanted,

.. math:: B = (X^T S^{-1} X)^{-1} X^T S^{-1}, \quad A = G B + \rho^2 K_g S^{-1} (I - X B)                         (3)

Every draw takes ``rho`` and ``tau`` by their restricted likelihood (that of ``Z^T y``, where the columns of ``Z`` are
orthogonal to those of ``X``) times a prior, uniform in log rho and the positive half of Student's t in tau,

.. math:: p(\rho, \tau \mid y) \propto N(Z^T y;\, 0,\, Z^T S Z)\, (1 + \tau^2 / \nu \tau_0^2)^{-(\nu + 1) / 2}      (4)

then resamples the blocks, each with an error of (1), and the bend, of which the points pin down only a part:

.. math:: f^* = \rho\, w_g + A (y + e^* - \rho\, w)                                                               (5)

and takes the falling curve nearest to ``f*`` (isotonic regression). With few blocks the fit leaves almost no residuals;
``tau`` is then drawn from a wide range instead of being taken for nothing, which a plain resampling of blocks does.

References
----------
Wahba, J. R. Statist. Soc. B 40, 1978, 364-372 (equations 2 and 3).
Patterson and Thompson, Biometrika 58, 1971, 545-554 (restricted likelihood).
Gelman, Bayesian Analysis 1, 2006, 515-534 (half-t prior of the scatter between few groups).
Journel and Huijbregts, Mining Geostatistics, 1978, chap. VII (equation 5).
Lin and Dunson, Biometrika 101, 2014, 303-317 (draws of a smooth process, made monotone).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special
from scipy.optimize import isotonic_regression

from analysis.model.records import FloatArray, IntArray

APART = 0.03
"""Places nearer than this count as one."""
ROUGHNESS_DEG = np.geomspace(3.0, 1000.0, 8)
"""From a bend that is hardly one to a step between neighbouring blocks: rho."""
USUAL_BETWEEN_DEG = 1.0
BETWEEN_DF = 4.0
"""Scale and degrees of freedom of the prior of tau: blocks of one tempo commonly differ by a degree or less (common
practice, no source), seldom by three."""
BETWEEN_STEPS = 12
LEAST_DEG = 0.02
"""No block's value is taken to be more exact than this."""


@dataclass(frozen=True)
class PointErrors:
    """Errors of the points, degrees.

    Attributes
    ----------
    own_se : float64 (n,)
        Of each point alone.
    session : int64 (n,)
        Session of each point.
    session_se : float64 (sessions,)
        Error that all points of a session share.
    """

    own_se: FloatArray
    session: IntArray
    session_se: FloatArray

    def covariance(self) -> FloatArray:
        """``S_0`` of equation (1) without the scatter between blocks, (n, n).

        Returns
        -------
        float64 (n, n)
        """
        shared = np.equal.outer(self.session, self.session) * self.session_se[self.session] ** 2
        return np.asarray(shared + np.diag(self.own_se**2 + LEAST_DEG**2))


def count_distinct(x: FloatArray) -> int:
    """Number of places that lie apart.

    Parameters
    ----------
    x : float64 (n,)
        At least one value, in any order.

    Returns
    -------
    int

    Examples
    --------
    >>> count_distinct(np.array([1.0, 1.001, 2.0]))
    2
    """
    return 1 + int(np.count_nonzero(np.diff(np.sort(x)) > APART))


def draw_falling(
    points: tuple[FloatArray, FloatArray], errors: PointErrors, at: FloatArray, draws: int, rng: np.random.Generator
) -> FloatArray:
    """Falling curves that agree with the points, each as likely as the other.

    Parameters
    ----------
    points : tuple of float64 (n,)
        Places and values of three blocks or more, not all at one place.
    errors : PointErrors
    at : float64 (k,)
        Where the curves are wanted, rising.
    draws : int
    rng : Generator

    Returns
    -------
    float64 (draws, k)

    Examples
    --------
    >>> x = np.linspace(0, 1, 9)
    >>> exact = PointErrors(np.full(9, 0.01), np.zeros(9, np.int64), np.zeros(1))
    >>> curves = draw_falling((x, 10 - 20 * x), exact, x, 200, np.random.default_rng(1))
    >>> bool(np.abs(np.median(curves, axis=0) - (10 - 20 * x)).max() < 0.1)
    True
    """
    x, y = points
    u, g = (x - x.min()) / np.ptp(x), (at - x.min()) / np.ptp(x)
    n = u.size
    places = np.concatenate([u, g])
    bend = bend_covariance(places, places)
    rough, between, weight = _weigh(u, y, errors.covariance(), bend[:n, :n])
    # Coinciding places make the covariance singular by rounding.
    root = np.linalg.cholesky(bend + 1e-12 * np.eye(places.size))
    w = rng.normal(size=(draws, places.size)) @ root.T
    chosen = rng.choice(weight.size, draws, p=weight)
    shared = (errors.session_se * rng.normal(size=(draws, errors.session_se.size)))[:, errors.session]
    noise = rng.normal(size=(draws, n))
    curves = np.empty((draws, g.size))
    for k in np.unique(chosen):
        own = chosen == k
        rho, own_var = rough[k], errors.own_se**2 + LEAST_DEG**2 + between[k] ** 2
        fit = fit_matrix(u, g, rho**2 * bend[:, :n], errors.covariance() + between[k] ** 2 * np.eye(n))
        again = y + shared[own] + np.sqrt(own_var) * noise[own] - rho * w[own, :n]
        curves[own] = rho * w[own, n:] + again @ fit.T
    return np.array([isotonic_regression(curve, increasing=False).x for curve in curves])


def bend_covariance(s: FloatArray, t: FloatArray) -> FloatArray:
    """``K`` of equation (2) between places from 0 on, (s, t)."""
    least = np.minimum.outer(s, t)
    return np.asarray(least**3 / 3 + least**2 * np.abs(np.subtract.outer(s, t)) / 2)


def _weigh(
    u: FloatArray, y: FloatArray, covariance: FloatArray, bend: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Roughnesses, scatters between blocks, and the probability of each pair, equation (4)."""
    line = np.column_stack([np.ones(u.size), u])
    z = np.linalg.qr(line, mode="complete")[0][:, 2:]
    rest = z.T @ y
    # Steps of equal prior probability, up to all that lies about the straight line.
    most = max(math.sqrt(float(rest @ rest) / rest.size), LEAST_DEG) / USUAL_BETWEEN_DEG
    above = float(special.stdtr(BETWEEN_DF, most)) - 0.5
    steps = 0.5 + above * (np.arange(BETWEEN_STEPS) + 0.5) / BETWEEN_STEPS
    between_deg = USUAL_BETWEEN_DEG * special.stdtrit(BETWEEN_DF, steps)
    rough, between = (a.ravel() for a in np.meshgrid(ROUGHNESS_DEG, between_deg, indexing="ij"))
    spread = rough[:, None, None] ** 2 * (z.T @ bend @ z) + between[:, None, None] ** 2 * np.eye(rest.size)
    root = np.linalg.cholesky(spread + z.T @ covariance @ z)
    scaled = np.linalg.solve(root, np.broadcast_to(rest[:, None], (rough.size, rest.size, 1)))[..., 0]
    log = -0.5 * np.sum(scaled**2, axis=1) - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    weight = np.exp(log - log.max())
    return rough, between, weight / weight.sum()


def fit_matrix(u: FloatArray, g: FloatArray, bend: FloatArray, covariance: FloatArray) -> FloatArray:
    """``A`` of equation (3), from values at ``u`` to the best curve at ``g``, (g, u).

    ``bend`` is ``rho^2 K`` between ``u`` and ``g`` together and ``u``, (u + g, u); ``covariance`` is ``S_0``.
    """
    n = u.size
    line, shown = (np.column_stack([np.ones(places.size), places]) for places in (u, g))
    inverse = np.linalg.inv(bend[:n] + covariance)
    straight = np.linalg.solve(line.T @ inverse @ line, line.T @ inverse)
    return np.asarray(shown @ straight + bend[n:] @ inverse @ (np.eye(n) - line @ straight))


def crossing(y: FloatArray, x: FloatArray) -> float:
    """Where a curve falls through 0: -inf if it starts below, inf if it never does.

    Parameters
    ----------
    y : float64 (n,)
        Falling.
    x : float64 (n,)
        Ascending.

    Returns
    -------
    float
        In the unit of ``x``; interpolated linearly.

    Examples
    --------
    >>> crossing(np.array([1.0, -1.0]), np.array([0.0, 1.0]))
    0.5
    """
    if y[0] < 0:
        return -math.inf
    below = np.flatnonzero(y < 0)
    if not below.size:
        return math.inf
    i = int(below[0])
    return float(x[i - 1] + y[i - 1] / (y[i - 1] - y[i]) * (x[i] - x[i - 1]))
