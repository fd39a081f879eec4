r"""A strap that gives: the motion of the sensor's case against the hand, worked out and taken out.

The case hangs on the hand with six degrees of freedom, ``q`` (shift, and turn times :data:`ARM_M`). With ``x`` the
force and the angular acceleration that it would read if it were fixed, and ``y = x + q''`` those that it reads,

.. math:: q'' + C q' + K q = -x  \quad\Rightarrow\quad  q = -(D y + E q'), \qquad D = K^{-1}, \; E = K^{-1} C      (S1)

so that what it reads tells ``q``, sag under gravity included, without a pole near the resonances.

References
----------
Ewins, Modal Testing, 2nd ed., 2000, on base excitation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from analysis.model.records import FloatArray
from analysis.signal.working_grid import Signals

ARM_M = 0.010
"""Turns times this are lengths: about the radius of gyration of a small case."""
HIGHEST_HZ = 45.0
FADE_S = 1.0


@dataclass(frozen=True)
class Strap:
    """How a case hangs on the hand.

    Attributes
    ----------
    sag_s2 : float64 (6, 6)
        ``D`` of (S1): shift (m) and turn (times :data:`ARM_M`) for a unit of force per mass and of turning.
    lag_s : float64 (6, 6)
        ``E``.
    raps : int
        Impulses after which it was seen to ring.
    """

    sag_s2: FloatArray
    lag_s: FloatArray
    raps: int

    @property
    def natural_hz(self) -> FloatArray:
        """Its natural frequencies (6,), the lowest first."""
        sag = np.abs(np.linalg.eigvals(self.sag_s2))
        return np.asarray(np.sort(1.0 / (2 * np.pi * np.sqrt(np.maximum(sag, 1e-12)))))


def take_out(signals: Signals, strap: Strap | None) -> Signals:
    """Return the signals of a sensor that would sit firmly.

    Parameters
    ----------
    signals : Signals
    strap : Strap or None
        None: it sits firmly.

    Returns
    -------
    Signals
    """
    if strap is None:
        return signals
    accel, gyro, rate_hz = signals.accel_mps2, signals.gyro_radps, signals.grid.rate_hz
    n = len(accel)
    size = fft.next_fast_len(n + int(FADE_S * rate_hz), real=True)
    read = np.concatenate([accel, ARM_M * gyro], axis=1)
    read = np.concatenate([read, np.zeros((size - n, 6))])
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(size - n) + 1) / (size - n + 1))[:, None]
    read[n:] = (1 - fade) * read[n - 1] + fade * read[0]
    s = 2j * np.pi * fft.rfftfreq(size, 1 / rate_hz)
    spectrum = fft.rfft(read, axis=0)
    spectrum[:, 3:] *= s[:, None]
    taper = 1 / (1 + (np.abs(s) / (2 * np.pi * HIGHEST_HZ)) ** 8)
    lagging = np.eye(6) + strap.lag_s * s[:, None, None]
    hung = -np.linalg.solve(lagging, (spectrum @ strap.sag_s2.T)[:, :, None])[:, :, 0] * taper[:, None]
    turned = fft.irfft(hung[:, 3:], size, axis=0)[:n] / ARM_M
    turning = fft.irfft(hung[:, 3:] * s[:, None], size, axis=0)[:n] / ARM_M
    pushed = fft.irfft(hung[:, :3] * (s**2)[:, None], size, axis=0)[:n]
    force = accel - pushed
    return replace(signals, accel_mps2=force + np.cross(turned, force), gyro_radps=gyro - turning)
