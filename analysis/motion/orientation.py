"""Orientation of the hand in the world, from gyroscope and accelerometer only.

The filter is VQF (Laidig and Seel 2023, Information Fusion 91, 187-204), offline, without its own bias estimation:
a living hand is never still enough for it, and the bias comes from the sensor lying off the hand.
"""

from __future__ import annotations

import numpy as np
import vqf

from analysis.model.records import FloatArray
from analysis.motion.rotation import matrices, multiply, turned_about_vertical
from analysis.signal.grid import Grid
from analysis.signal.pieces import PIECE_ROWS

TAU_ACC_S = 3.0
LONG_GAP_S = 0.1
"""A longer gap is no line between its ends: a playing hand turns to and fro in it."""
SHORTEST_PART_S = 0.5
JOIN_S = 2.0
_NO_BIAS = {"motionBiasEstEnabled": False, "restBiasEstEnabled": False}


def estimate_orientation(gyro_radps: FloatArray, accel_mps2: FloatArray, grid: Grid) -> FloatArray:
    """Sensor-to-world orientation, Z up, heading arbitrary and drifting.

    Across a gap of more than 0.1 s nothing is integrated: each part between such gaps is filtered by itself, and
    turned about the vertical so that the hand's mean heading over two seconds goes on where it was.

    Parameters
    ----------
    gyro_radps, accel_mps2 : float64 (n, 3)
        Bias-corrected.
    grid : Grid
        Of these samples.

    Returns
    -------
    float64 (n, 4)
        ``quat_wxyz``; in a gap that of the sample before it.
    """
    parts = gapless_parts(grid)
    if len(parts) < 2:
        return _filter(gyro_radps, accel_mps2, grid.rate_hz)
    quat = np.empty((grid.size, 4))
    join = int(JOIN_S * grid.rate_hz)
    end = 0
    for part in parts:
        own = _filter(gyro_radps[part], accel_mps2[part], grid.rate_hz)
        if part is not parts[0]:
            before, after = (matrices(q).mean(axis=0) for q in (quat[max(0, end - join) : end], own[:join]))
            own = turned_about_vertical(own, -heading_between(before, after))
        quat[end : part.start] = quat[end - 1] if end else own[0]
        quat[part] = own
        end = part.stop
    quat[end:] = quat[end - 1]
    return quat


def gapless_parts(grid: Grid) -> list[slice]:
    """Parts of at least half a second between gaps of more than 0.1 s; all of it where there is none.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    list of slice
        Sample numbers, in order.
    """
    return grid.parts_between(grid.gaps(LONG_GAP_S), SHORTEST_PART_S) or [slice(0, grid.size)]


def heading_between(before: FloatArray, after: FloatArray) -> float:
    """Turn about the vertical (rad) from one (mean of) rotation matrix (3, 3) to another.

    Parameters
    ----------
    before, after : float64 (3, 3)

    Returns
    -------
    float
        Radians, -pi to pi, counterclockwise as seen from above.
    """
    turn = after @ before.T
    return float(np.arctan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1]))


def new_filter(rate_hz: float) -> vqf.VQF:
    """The same filter for samples as they come."""
    return vqf.VQF(1.0 / rate_hz, tauAcc=TAU_ACC_S, **_NO_BIAS)


def _filter(gyro_radps: FloatArray, accel_mps2: FloatArray, rate_hz: float) -> FloatArray:
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
    return np.asarray(integrate_rotations(np.asarray(gyro_radps, dtype=np.float64)[None], rate_hz)[0])


def integrate_rotations(gyro_radps: FloatArray, rate_hz: float) -> FloatArray:
    """Strapdown integration of several windows (k, n, 3), each as :func:`integrate_rotation`; (k, n, 4).

    Parameters
    ----------
    gyro_radps : float64 (k, n, 3)
        Turning rates of windows of one length.
    rate_hz : float

    Returns
    -------
    float64 (k, n, 4)
        Unit quaternions w, x, y, z since before the first sample.
    """
    return chain_turns(np.stack([rate_since_last(window) for window in gyro_radps]) / rate_hz)


def chain_turns(step_rad: FloatArray) -> FloatArray:
    """Small turns of several windows, one after the other.

    Parameters
    ----------
    step_rad : float64 (k, n, 3)
        Rotation vectors.

    Returns
    -------
    float64 (k, n, 4)
        Unit quaternions w, x, y, z: the turns so far.
    """
    k, n = step_rad.shape[:2]
    out = np.empty((k, n, 4))
    each = max(1, PIECE_ROWS // max(1, n))
    for at in range(0, k, each):
        out[at : at + each] = _chained(step_rad[at : at + each])
    return out


def _chained(step_rad: FloatArray) -> FloatArray:
    angle = np.linalg.norm(step_rad, axis=2, keepdims=True)
    quat = np.concatenate([np.cos(angle / 2), 0.5 * np.sinc(angle / (2 * np.pi)) * step_rad], axis=2)
    # Prefix products by doubling: after pass m every entry holds the product of the last 2^m steps.
    reach = 1
    while reach < quat.shape[1]:
        left, right = quat[:, :-reach].reshape(-1, 4), quat[:, reach:].reshape(-1, 4)
        quat[:, reach:] = multiply(left, right).reshape(len(quat), -1, 4)
        reach *= 2
    return np.asarray(quat / np.linalg.norm(quat, axis=2, keepdims=True))


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
