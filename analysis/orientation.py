"""Orientation of the hand in the world, from gyroscope and accelerometer only.

The filter is VQF (Laidig and Seel 2023, Information Fusion 91, 187-204), offline, without its own bias estimation:
a living hand is never still enough for it, and the bias comes from the sensor lying off the hand.
"""

from __future__ import annotations

import numpy as np
import vqf

from analysis.model import FloatArray
from analysis.rotation import multiply

TAU_ACC_S = 3.0
_NO_BIAS = {"motionBiasEstEnabled": False, "restBiasEstEnabled": False}


def estimate_orientation(gyro_radps: FloatArray, accel_mps2: FloatArray, rate_hz: float) -> FloatArray:
    """Sensor-to-world orientation, Z up, heading arbitrary and drifting.

    Parameters
    ----------
    gyro_radps, accel_mps2 : float64 (n, 3)
        Bias-corrected, uniform.
    rate_hz : float

    Returns
    -------
    float64 (n, 4)
        ``quat_wxyz``.
    """
    params = {"tauAcc": TAU_ACC_S, **_NO_BIAS}
    result = vqf.offlineVQF(rate_since_last(gyro_radps), np.ascontiguousarray(accel_mps2), None, 1.0 / rate_hz, params)
    return np.asarray(result["quat6D"], dtype=np.float64)


def integrate_rotation(gyro_radps: FloatArray, rate_hz: float) -> FloatArray:
    """Strapdown integration of the gyroscope alone, starting at the identity.

    Parameters
    ----------
    gyro_radps : float64 (n, 3)
    rate_hz : float

    Returns
    -------
    float64 (n, 4)
        ``quat_wxyz`` at the time of each sample.

    Examples
    --------
    >>> quat = integrate_rotation(np.tile([0.0, 0.0, np.pi / 2], (100, 1)), 100.0)
    >>> np.round(quat[-1], 6).tolist()
    [0.707107, 0.0, 0.0, 0.707107]
    """
    step = rate_since_last(gyro_radps) / rate_hz
    angle = np.linalg.norm(step, axis=1)
    quat = np.empty((len(step), 4))
    quat[:, 0] = np.cos(angle / 2)
    quat[:, 1:] = 0.5 * np.sinc(angle / (2 * np.pi))[:, None] * step
    # Prefix products by doubling: after pass k every entry holds the product of the last 2^k steps.
    reach = 1
    while reach < len(quat):
        quat[reach:] = multiply(quat[:-reach], quat[reach:])
        reach *= 2
    return np.asarray(quat / np.linalg.norm(quat, axis=1, keepdims=True))


def rate_since_last(gyro_radps: FloatArray) -> FloatArray:
    """Mean rate between the sample before and each sample, from the cubic through four samples.

    A filter turns the orientation by one sample's rate over the whole step that ends at it. Given the sample itself,
    orientation would run half a step ahead of the accelerometer: 5 ms at 100 samples/s.

    Parameters
    ----------
    gyro_radps : float64 (n, 3)

    Returns
    -------
    float64 (n, 3)

    Examples
    --------
    >>> rate_since_last(np.arange(5.0)[:, None] * np.ones(3))[:, 0].tolist()
    [0.0, 0.5, 1.5, 2.5, 3.5]
    """
    rate = np.asarray(gyro_radps, dtype=np.float64)
    mean = rate.copy()
    mean[1:] += rate[:-1]
    mean[1:] *= 0.5
    if len(rate) > 3:
        mean[2:-1] = (13 * (rate[1:-2] + rate[2:-1]) - rate[:-3] - rate[3:]) / 24
    return mean
