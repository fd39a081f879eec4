r"""Whether a gyroscope turns as gravity does in the accelerometer's axes: its unit, and a wrong pairing of columns.

While a hand turns slowly the accelerometer reads mostly gravity, whose direction :math:`u` moves in the sensor's axes
by :math:`\dot u = -s\,\omega \times u`, where :math:`s` is the gyroscope's unit in rad/s. Both sides pass one smooth
filter, then :math:`s` is the least-squares ratio and the correlation tells how well the axes agree. The sign of the
accelerometer does not matter: both sides turn over with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from analysis.model.records import FloatArray

SMOOTH_S = 0.12
CALM_SHARE = 0.25
"""Gravity's magnitude may be off by this part of its median where the direction is used."""
LEAST_TURN_PER_S = 0.15
ENOUGH_S = 2.0


@dataclass(frozen=True)
class TurnCheck:
    """``unit_radps``: size of the gyroscope's unit, in rad/s; ``agreement``: correlation of both ways to turn.

    Attributes
    ----------
    unit_radps : float
    agreement : float
        -1 to 1.
    """

    unit_radps: float
    agreement: float


def check_turns(accel: FloatArray, gyro: FloatArray, rate_hz: float) -> TurnCheck | None:
    """Compare both sensors.

    Parameters
    ----------
    accel, gyro : float64 (n, 3)
        Evenly sampled, any unit, gravity included.
    rate_hz : float

    Returns
    -------
    TurnCheck or None
        None where the sensor turned too little.

    Examples
    --------
    >>> t = np.arange(2000) / 100.0
    >>> angle = np.sin(t)
    >>> accel = 9.81 * np.stack([np.sin(angle), np.zeros(t.size), np.cos(angle)], axis=1)
    >>> gyro = np.degrees(np.stack([np.zeros(t.size), -np.cos(t), np.zeros(t.size)], axis=1))
    >>> found = check_turns(accel, gyro, 100.0)
    >>> round(float(np.degrees(found.unit_radps)), 1), round(float(found.agreement), 1)
    (1.0, 1.0)
    """
    sigma = SMOOTH_S * rate_hz
    smooth = gaussian_filter1d(accel, sigma, axis=0)
    size = np.linalg.norm(smooth, axis=1)
    usual = float(np.median(size))
    if usual == 0:
        return None
    up = smooth / np.maximum(size, 1e-12)[:, None]
    turn = np.gradient(up, 1 / rate_hz, axis=0)
    predicted = -np.cross(gaussian_filter1d(gyro - np.median(gyro, axis=0), sigma, axis=0), up)
    used = (np.abs(size - usual) < CALM_SHARE * usual) & (np.linalg.norm(turn, axis=1) > LEAST_TURN_PER_S)
    if used.sum() < ENOUGH_S * rate_hz:
        return None
    a, b = turn[used], predicted[used]
    power, cross, mine = float((b * b).sum()), float((a * b).sum()), float((a * a).sum())
    if power == 0:
        return None
    return TurnCheck(cross / power, cross / float(np.sqrt(power * mine)))
