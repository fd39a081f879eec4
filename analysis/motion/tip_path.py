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
from numpy.polynomial.legendre import legvander
from scipy import fft

from analysis.model.records import FloatArray

LOWPASS_ORDER = 8
GRAVITY_MPS2 = 9.80665
FADE_S = 2.0


@dataclass(frozen=True)
class Band:
    """A zero-phase band: high-pass ``1/(1 + (f_h/f)^n)`` times low-pass ``1/(1 + (f/f_l)^8)``."""

    highpass_hz: float
    highpass_order: int
    lowpass_hz: float

    def gain(self, frequency_hz: FloatArray) -> FloatArray:
        """Gain at each frequency (Hz); 0 at 0.

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


def filter_contained(
    path_m: FloatArray, rate_hz: float, bands: tuple[Band, ...], cycle_hz: float, hold: bool = False
) -> tuple[FloatArray, ...]:
    """Filter a path that is known only between its ends.

    What a hand does before and after a series of strokes is larger and slower than the strokes, and would ring into
    the first and last of them; so the path is continued beyond its ends without it.

    A cubic trend, to which double integration drifts, is removed first; then the path is extended by point
    reflection about each end, which keeps value and slope continuous, and by the curvature of its cycle means, so
    that a wrong acceleration at the end (a hand that leaves disturbs the orientation) bends nothing.

    Parameters
    ----------
    path_m : float64 (n, k)
    rate_hz : float
    bands : tuple of Band
    cycle_hz : float
        Frequency of the strokes' cycle.
    hold : bool
        Continue the path by its end values instead: right for lengths. Reflection about a turn scales all axes of a
        straight stroke alike, which keeps its direction, but shortens it.

    Returns
    -------
    tuple of float64 (n, k)
        One a band.
    """
    n = len(path_m)
    trend = legvander(np.linspace(-1, 1, n), 3)  # all but orthogonal: the normal equations are well conditioned
    path = path_m - trend @ np.linalg.solve(trend.T @ trend, trend.T @ path_m)
    reach = min(n - 1, int(3.0 / min(band.highpass_hz for band in bands) * rate_hz))
    tau2 = (np.arange(1, reach + 1) / rate_hz)[:, None] ** 2
    cycle = round(rate_hz / cycle_hz)
    head = (2 * path[0] - path[1 : reach + 1] + _curvature(path, cycle, rate_hz) * tau2)[::-1]
    tail = 2 * path[-1] - path[-2 : -reach - 2 : -1] + _curvature(path[::-1], cycle, rate_hz) * tau2
    if hold:
        head, tail = np.repeat(path[:1], reach, axis=0), np.repeat(path[-1:], reach, axis=0)
    extended = np.concatenate([head, path, tail])
    size = fft.next_fast_len(len(extended) + reach, real=True)
    frequency = fft.rfftfreq(size, 1 / rate_hz)
    spectrum = fft.rfft(_closed(extended, size), axis=0)
    filtered = [fft.irfft(spectrum * band.gain(frequency)[:, None], size, axis=0) for band in bands]
    return tuple(np.asarray(path[reach : reach + n]) for path in filtered)


def main_direction(path_m: FloatArray) -> FloatArray:
    """Direction (3,) along which a path (n, 3) varies most; its sign is arbitrary."""
    centred = path_m - path_m.mean(axis=0)
    return np.asarray(np.linalg.eigh(centred.T @ centred)[1][:, -1])


def _curvature(path: FloatArray, cycle: int, rate_hz: float) -> FloatArray:
    """Second derivative (m/s2) of the first three cycle means; zero where the path is shorter than that."""
    if len(path) < 3 * cycle:
        return np.zeros(path.shape[1])
    first, second, third = path[: 3 * cycle].reshape(3, cycle, -1).mean(axis=1)
    return np.asarray((first - 2 * second + third) * (rate_hz / cycle) ** 2)


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
