r"""How far the heading has drifted, as a Gaussian process.

Without a magnetometer the world's heading drifts. Two things show by how much: the directions of ``along`` at several
times (the strings do not turn), and the yaw of the playing hand, which wanders but has a home in each posture:

.. math::

   y_i &= D(t_i) + o_{class(i)} + u(t_i) + e_i                                                         (4) \\
   \mathrm{cov}\, D(t, u) &= \sigma_1^2 t u + q^2 m^2 (3 M - m) / 6 + \sigma_j^2 k \quad
   (t, u \text{ from the reference, same sign})

``D`` is a residual gyroscope bias, its random walk, and a jump at each of the ``k`` long gaps between the reference
and both times; ``o`` the home of each posture (or the azimuth of the strings); ``u`` the hand's wander,
``cov = s_u^2 exp(-|t-u|/60 s) + s_v^2 exp(-|t-u|/4 s)``. In a gesture the hand is near its home but not at it, by an
offset that the gestures of a posture share and one of each. Only ``D`` is removed: a change of the hand's yaw stays in
the data.

References
----------
Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, eq. 2.22-2.24.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from analysis.model.records import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class HeadingSettings:
    """Standard deviations of equation (4), degrees and seconds.

    ``rate_dps`` covers what a still off the hand cannot show of the gyroscope's bias on the hand: warming up, and the
    response to gravity in another attitude; the pivot problem's own uncertainty is added to it. At ``jumps_s``, the
    ends of long gaps, the heading may have jumped: the hand turned unseen.

    Attributes
    ----------
    rate_dps : float
        Constant drift, deg/s.
    walk_dps_rts : float
        Random walk of the bias, deg/s per root second.
    wander_deg, wander_tau_s : float
        Slow wander of the hand's heading, and its time.
    unrest_deg, unrest_tau_s : float
        Quick unrest of it, and its time.
    window_noise_deg, along_noise_deg : float
        Of one window of play, of one ``along``.
    home_deg : float
        Of a posture's home heading, which nobody tells.
    gesture_deg, each_gesture_deg : float
        Of the hand in gestures against its home in play: all together, each by itself.
    most_windows : int
        Windows of play that are used at most.
    window_s : float
        Length of one.
    jump_deg : float
        Size of a jump.
    jumps_s : tuple of float
        Log time.
    """

    rate_dps: float = 0.04
    walk_dps_rts: float = 0.003
    wander_deg: float = 2.5
    wander_tau_s: float = 60.0
    unrest_deg: float = 1.8
    unrest_tau_s: float = 4.0
    window_noise_deg: float = 0.3
    along_noise_deg: float = 0.6
    home_deg: float = 20.0
    gesture_deg: float = 8.0
    each_gesture_deg: float = 4.0
    most_windows: int = 400
    window_s: float = 2.5
    jump_deg: float = 10.0
    jumps_s: tuple[float, ...] = ()


@dataclass(frozen=True)
class HeadingDrift:
    """Posterior of the drift, to be asked at any time.

    Attributes
    ----------
    reference_s : float
        Time at which the drift is zero by definition.
    times_s : float64 (n,)
        Of the observations.
    weights : float64 (n,)
        By which they make the mean.
    factor : float64 (n, n)
        Cholesky factor of their covariance.
    settings : HeadingSettings
    """

    reference_s: float
    times_s: FloatArray
    weights: FloatArray
    factor: FloatArray
    settings: HeadingSettings

    def mean_rad(self, times_s: FloatArray) -> FloatArray:
        """Expected drift (rad) at each time (s).

        Parameters
        ----------
        times_s : float64 (n,)
            Log time.

        Returns
        -------
        float64 (n,)
        """
        cross = _drift_cov(np.atleast_1d(times_s), self.times_s, self.reference_s, self.settings)
        return np.asarray(np.radians(cross @ self.weights))

    def covariance_rad2(self, times_s: FloatArray) -> FloatArray:
        """Posterior covariance (rad^2) of the drift between times (s).

        Parameters
        ----------
        times_s : float64 (n,)
            Log time.

        Returns
        -------
        float64 (n, n)
        """
        t = np.atleast_1d(times_s)
        cross = _drift_cov(t, self.times_s, self.reference_s, self.settings)
        half = linalg.solve_triangular(self.factor, cross.T, lower=True)
        return np.asarray(np.radians(1.0) ** 2 * (_drift_cov(t, t, self.reference_s, self.settings) - half.T @ half))


def fit_drift(
    times_s: FloatArray,
    yaw_rad: FloatArray,
    group: IntArray,
    gesture: BoolArray,
    reference_s: float,
    settings: HeadingSettings,
) -> HeadingDrift:
    """Fit equation (4).

    Parameters
    ----------
    times_s, yaw_rad : float64 (n,)
        Observations, unwrapped.
    group : int64 (n,)
        Negative: azimuth of ``along``. Otherwise the posture of the hand.
    gesture : bool (n,)
        The hand in a gesture: near its home in play, but not at it.
    reference_s : float
    settings : HeadingSettings

    Returns
    -------
    HeadingDrift

    Examples
    --------
    >>> t = np.linspace(0, 3600, 300)
    >>> drift = fit_drift(t, np.radians(0.01 * t), np.zeros(300, int), np.zeros(300, bool), 0.0, HeadingSettings())
    >>> bool(abs(np.degrees(drift.mean_rad(np.array([3600.0]))[0]) - 36) < 3)
    True
    """
    apart = np.abs(np.subtract.outer(times_s, times_s))
    hand = group >= 0
    same = np.equal.outer(group, group)
    both = np.logical_and.outer(hand, hand)
    cov = _drift_cov(times_s, times_s, reference_s, settings)
    posing = np.logical_and.outer(gesture, gesture)
    cov += posing * (same * settings.gesture_deg**2 + np.eye(times_s.size) * settings.each_gesture_deg**2)
    wander = settings.wander_deg**2 * np.exp(-apart / settings.wander_tau_s)
    cov += (wander + settings.unrest_deg**2 * np.exp(-apart / settings.unrest_tau_s)) * both
    # The azimuth of the strings is unknown: a wide prior; so is each posture's home, less so.
    cov += same * np.where(both, settings.home_deg**2, 180.0**2)
    cov += np.diag(np.where(hand, settings.window_noise_deg, settings.along_noise_deg) ** 2)
    factor = linalg.cholesky(cov, lower=True) if times_s.size else np.empty((0, 0))
    centred = np.degrees(yaw_rad)
    weights = linalg.cho_solve((factor, True), centred) if times_s.size else np.empty(0)
    return HeadingDrift(reference_s, times_s, weights, factor, settings)


def _drift_cov(first_s: FloatArray, second_s: FloatArray, reference_s: float, settings: HeadingSettings) -> FloatArray:
    """Prior covariance (deg^2) of the drift between log times."""
    t, u = first_s - reference_s, second_s - reference_s
    same_side = np.greater_equal(np.multiply.outer(t, u), 0)
    low = np.minimum.outer(np.abs(t), np.abs(u))
    high = np.maximum.outer(np.abs(t), np.abs(u))
    walk = settings.walk_dps_rts**2 * low**2 * (3 * high - low) / 6
    jumps = np.sort(np.array(settings.jumps_s) - reference_s)
    before = np.searchsorted(jumps, 0.0)
    passed_t, passed_u = (np.abs(np.searchsorted(jumps, times, side="right") - before) for times in (t, u))
    leaps = settings.jump_deg**2 * np.minimum.outer(passed_t, passed_u)
    return np.asarray(settings.rate_dps**2 * np.multiply.outer(t, u) + same_side * (walk + leaps))
