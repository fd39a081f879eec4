r"""Displacement of the plectrum tip from a hand-worn sensor.

The tip stands at ``p + R r``: sensor position ``p``, orientation ``R``, lever ``r``. Position is the double integral
of the world acceleration, which drifts, so both terms pass through ONE zero-phase response ``H`` (different filters
would break the sum):

.. math:: d(f) = H(f) \left( -\frac{a(f)}{(2 \pi f)^2} + (R r)(f) \right), \qquad
          H = \frac{1}{1 + (f_h / f)^{n}} \, \frac{1}{1 + (f / f_l)^{8}}
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from analysis.model.records import FloatArray

LOWPASS_ORDER = 8
GRAVITY_MPS2 = 9.80665
FADE_S = 2.0


@dataclass(frozen=True)
class Band:
    """A zero-phase band: high-pass ``1/(1 + (f_h/f)^n)`` times low-pass ``1/(1 + (f/f_l)^8)``.

    Attributes
    ----------
    highpass_hz : float
        ``f_h``.
    highpass_order : int
        ``n``.
    lowpass_hz : float
        ``f_l``.
    """

    highpass_hz: float
    highpass_order: int
    lowpass_hz: float

    def gain(self, frequency_hz: FloatArray) -> FloatArray:
        """Gain at each frequency (Hz); 0 at 0.

        Parameters
        ----------
        frequency_hz : float64 (n,)

        Returns
        -------
        float64 (n,)

        Examples
        --------
        >>> np.round(Band(1.0, 4, 40.0).gain(np.array([0.0, 1.0, 4.0])), 3).tolist()
        [0.0, 0.5, 0.996]
        """
        f = np.asarray(frequency_hz, dtype=np.float64)
        # f^n / (f^n + f_h^n) is the high-pass without a division by zero; powers by squaring are much quicker.
        power = _power(f / self.highpass_hz, self.highpass_order)
        return np.asarray(power / ((1 + power) * (1 + _power(f / self.lowpass_hz, LOWPASS_ORDER))))


def band_displacements(
    accel_world_mps2: FloatArray, lever_world_m: FloatArray, rate_hz: float, bands: tuple[Band, ...]
) -> tuple[FloatArray, ...]:
    """Band-limited displacements of the tip.

    Parameters
    ----------
    accel_world_mps2 : float64 (n, k)
        Sensor acceleration in the world, gravity removed.
    lever_world_m : float64 (n, k)
        ``R r``.
    rate_hz : float
    bands : tuple of Band

    Returns
    -------
    tuple of float64 (n, k)
        Metres, zero mean, one a band. The first and last ``1/highpass_hz`` seconds feel the ends: give a margin.
    """
    n = len(accel_world_mps2)
    size = fft.next_fast_len(n + min(n, int(FADE_S * rate_hz)), real=True)
    frequency = fft.rfftfreq(size, 1 / rate_hz)
    omega2 = np.maximum((2 * np.pi * frequency) ** 2, 1e-12)[:, None]
    spectrum = fft.rfft(_closed(lever_world_m, size), axis=0)
    spectrum -= fft.rfft(_closed(accel_world_mps2, size), axis=0) / omega2
    gains = [band.gain(frequency)[:, None] for band in bands]
    return tuple(np.asarray(fft.irfft(spectrum * gain, size, axis=0)[:n]) for gain in gains)


def main_direction(path_m: FloatArray) -> FloatArray:
    """Direction (3,) along which a path (n, 3) varies most; its sign is arbitrary.

    Parameters
    ----------
    path_m : float64 (n, 3)
        Metres.

    Returns
    -------
    float64 (3,)
        Of length 1.
    """
    centred = path_m - path_m.mean(axis=0)
    return np.asarray(np.linalg.eigh(centred.T @ centred)[1][:, -1])


def _power(base: FloatArray, exponent: int) -> FloatArray:
    """Integer power by repeated squaring."""
    if exponent == 1:
        return base
    half = _power(base, exponent // 2)
    return half * half * base if exponent % 2 else half * half


def _closed(values: FloatArray, size: int) -> FloatArray:
    """Centre, and lead smoothly from the last value back to the first, so that the period has no step."""
    n = len(values)
    out = np.empty((size, values.shape[1]))
    np.subtract(values, np.full(n, 1 / n) @ values, out=out[:n])  # a product is quicker than a mean over short rows
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(size - n) + 1) / (size - n + 1))[:, None]
    out[n:] = (1 - ramp) * out[n - 1] + ramp * out[0]
    return out
