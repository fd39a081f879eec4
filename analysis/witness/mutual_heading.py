r"""How the headings of two sensors lie to each other, and where on the instrument the plectrum plays.

Two sensors without a magnetometer share the vertical, nothing else. While hand and instrument are rocked as one body
their rates differ by one constant rotation, found by Wahba's problem,

.. math:: C = \arg\min_{C \in SO(3)} \sum_t |\omega_h - C\,\omega_i|^2                                     (1)

In play they share only what is slow: the horizontal parts of both rates, each levelled by gravity, then give the turn
:math:`\delta` between the two worlds,

.. math:: \delta = \mathrm{arg} \sum_t w_t\, \bar u_i\, u_h , \qquad u = \omega_x + i\,\omega_y            (2)

The point at which the plectrum plays, :math:`r` in the instrument sensor's axes, follows from forces while both rock:
the plectrum's tip goes where that point goes, but for what the hand does,

.. math:: a_{tip} - a_i = \frac{d^2}{dt^2} (R_i r) + R_i \beta + c + \text{play}                           (3)

References
----------
Wahba, A least squares estimate of satellite attitude, SIAM Review 7 (3), 1965, 409; Markley, Attitude determination
using vector observations and the singular value decomposition, Journal of the Astronautical Sciences 36, 1988,
245-258, for the solution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal

from analysis.model.records import FloatArray

SHARED_HZ = 1.5
"""Below this, hand and instrument share what the body does; strokes are faster."""
PLACE_HZ = (0.2, 2.5)
INDEPENDENT_PER_S = 2.0
"""Independent values a second in a rate below :data:`SHARED_HZ`."""
BIAS_MPS2 = 0.3
"""Both accelerometers' biases, an axis."""
LEAST_MPS2 = 0.02
UNTOLD_RAD = 0.2
"""Known no better than this, it is not known: so much agreement comes about by chance where nothing is shared."""
POINT_ROUNDS = 3
SLID_M = 0.012
"""How far, an axis, the plectrum may slide with the rocking, or play elsewhere than it rested."""
SKIN_RAD = 0.04
"""What skin lets the hand follow otherwise while it rests on the instrument."""


@dataclass(frozen=True)
class RelativeOrientation:
    """The rotation between two sensors on one body.

    Attributes
    ----------
    matrix : float64 (3, 3)
        From the instrument sensor's axes to the hand sensor's.
    covariance_rad2 : float64 (3, 3)
        Of a small rotation of it, hand sensor's axes.
    residual_share : float
        RMS of what it leaves of the hand's rate, as a part of that.
    """

    matrix: FloatArray
    covariance_rad2: FloatArray
    residual_share: float


@dataclass(frozen=True)
class Estimate:
    """A value and its standard error; of a vector, its covariance."""

    value: FloatArray
    covariance: FloatArray


def relative_orientation(
    hand_radps: FloatArray, instrument_radps: FloatArray, duration_s: float
) -> RelativeOrientation:
    """Rotation between two sensors that turn as one, equation (1).

    Parameters
    ----------
    hand_radps, instrument_radps : float64 (n, 3)
        Rates of both at the same times, each in its own axes.
    duration_s : float

    Returns
    -------
    RelativeOrientation

    Examples
    --------
    >>> rates = np.random.default_rng(1).normal(size=(200, 3))
    >>> turn = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    >>> np.allclose(relative_orientation(rates @ turn.T, rates, 5.0).matrix, turn)
    True
    """
    left, _, right = np.linalg.svd(hand_radps.T @ instrument_radps)
    sign = np.linalg.det(left) * np.linalg.det(right)
    matrix = left @ np.diag([1.0, 1.0, sign]) @ right
    turned = instrument_radps @ matrix.T
    left_over = hand_radps - turned
    variance = float((left_over**2).sum(axis=1).mean()) / 3.0
    power = turned.T @ turned / len(turned)
    information = (np.trace(power) * np.eye(3) - power) * INDEPENDENT_PER_S * duration_s / max(variance, 1e-12)
    covariance = np.linalg.pinv(information, hermitian=True) + SKIN_RAD**2 * np.eye(3)
    share = float(np.sqrt(3.0 * variance / max((hand_radps**2).sum(axis=1).mean(), 1e-12)))
    return RelativeOrientation(matrix, covariance, share)


def shared_heading(
    hand_radps: FloatArray, instrument_radps: FloatArray, parts: Sequence[slice], rate_hz: float
) -> Estimate | None:
    """Turn about the vertical from the instrument's world to the hand's, from motion that both share, equation (2).

    Parameters
    ----------
    hand_radps, instrument_radps : float64 (n, 3)
        Rates in either world.
    parts : sequence of slice
        Times of play and gestures.
    rate_hz : float

    Returns
    -------
    Estimate or None
        Radians; None where they share nothing, or too little to tell.
    """
    cut = signal.butter(2, SHARED_HZ, fs=rate_hz, output="sos")
    total, weight = 0.0 + 0.0j, 0.0
    for part in parts:
        if part.stop - part.start < 2 * rate_hz:
            continue
        hand, instrument = (
            signal.sosfiltfilt(cut, values[part, :2] - values[part, :2].mean(axis=0), axis=0) @ np.array([1.0, 1.0j])
            for values in (hand_radps, instrument_radps)
        )
        power = float((np.abs(instrument) ** 2).mean())
        noise = max(float((np.abs(hand) ** 2).mean() - power), 0.05 * power, 1e-10)
        independent = INDEPENDENT_PER_S * (part.stop - part.start) / rate_hz
        total += (np.conj(instrument) * hand).mean() * independent / noise
        weight += power * independent / noise
    if weight <= 0.0 or abs(total) <= 0.0:
        return None
    # Each independent pair of parts holds half of the noise across the direction.
    variance = 0.5 * weight / abs(total) ** 2
    if variance > UNTOLD_RAD**2:
        return None
    return Estimate(np.array([np.angle(total)]), np.array([[float(variance)]]))


@dataclass(frozen=True)
class RockedWindow:
    """A time in which the tip stays on its spot.

    Attributes
    ----------
    tip_mps2, sensor_mps2 : float64 (n, 3)
        Acceleration of the tip, by the hand's sensor, and of the instrument's sensor; hand's world, gravity left in.
    rotation : float64 (n, 3, 3)
        Instrument sensor to that world.
    """

    tip_mps2: FloatArray
    sensor_mps2: FloatArray
    rotation: FloatArray


def point_of_play(
    windows: Sequence[RockedWindow], rate_hz: float, prior_sd_m: float, heading_sd_rad: float
) -> tuple[Estimate, Estimate]:
    """Where on the instrument the plectrum plays, and what is left to turn between both worlds, equation (3).

    Parameters
    ----------
    windows : sequence of RockedWindow
    rate_hz : float
    prior_sd_m : float
        How far from the sensor it may be, an axis.
    heading_sd_rad : float
        How far the turn between both worlds may be off.

    Returns
    -------
    point : Estimate
        Metres, instrument sensor's axes.
    heading : Estimate
        Radians, to be added to the turn of the instrument's world.
    """
    prior = np.diag([prior_sd_m**-2] * 3 + [BIAS_MPS2**-2] * 3 + [heading_sd_rad**-2])
    found, covariance = np.zeros(7), np.linalg.inv(prior)
    for _ in range(POINT_ROUNDS):
        found, covariance = _solve_point(windows, rate_hz, prior, found[:3])
    slid = SLID_M**2 * np.eye(3)
    return Estimate(found[:3], covariance[:3, :3] + slid), Estimate(found[6:], covariance[6:, 6:])


def _solve_point(
    windows: Sequence[RockedWindow], rate_hz: float, prior: FloatArray, point_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Solution (7,) of equation (3) with its covariance: point, biases, turn; linear about a point.

    What a turn of the instrument's world changes is the motion that the instrument itself makes there. Taken from the
    hand instead, an instrument at rest would seem to tell its heading.
    """
    band = signal.butter(2, PLACE_HZ, "bandpass", fs=rate_hz, output="sos")
    information, pulled = prior.copy(), np.zeros(7)
    for window in windows:
        n = len(window.rotation)
        turn = window.rotation - window.rotation.mean(axis=0)
        swung = slope(slope(turn, rate_hz), rate_hz)
        aside = np.cross([0.0, 0.0, 1.0], window.sensor_mps2 + swung @ point_m)[:, :, None]
        columns = np.concatenate([swung, turn, aside], axis=2).reshape(n, -1)
        filtered = signal.sosfiltfilt(band, columns, axis=0).reshape(n, 3, 7)
        seen = signal.sosfiltfilt(band, window.tip_mps2 - window.sensor_mps2, axis=0)
        gram = np.einsum("nik,nil->kl", filtered, filtered) / n
        moment = np.einsum("nik,ni->k", filtered, seen) / n
        fit = np.linalg.lstsq(gram + np.diag([1e-9] * 7), moment, rcond=None)[0]
        variance = max(float(((seen - filtered @ fit) ** 2).mean()), LEAST_MPS2**2)
        independent = 2 * (PLACE_HZ[1] - PLACE_HZ[0]) * n / rate_hz
        information += gram * independent / variance
        pulled += moment * independent / variance
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    return covariance @ pulled, covariance


def slope(values: FloatArray, rate_hz: float) -> FloatArray:
    """Derivative along axis 0 by five points: true to 0.1 % up to a twentieth of the rate.

    Examples
    --------
    >>> np.round(slope(np.arange(6.0)[:, None] ** 2, 1.0)[:, 0], 6)[2:-2].tolist()
    [4.0, 6.0]
    """
    out = np.gradient(values, 1 / rate_hz, axis=0)
    out[2:-2] = rate_hz * (8 * (values[3:-1] - values[1:-3]) - (values[4:] - values[:-4])) / 12
    return np.asarray(out)
