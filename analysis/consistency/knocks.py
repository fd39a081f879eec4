r"""A still that is shaken in a rhythm: a foot that taps, a table that is knocked on, a metronome that stands on it.

What taps moves sensor, table and instrument as one and turns none of them, so the acceleration alone repeats itself.
With ``a`` the acceleration along the axis on which it varies most, between 1 and 20 Hz,

.. math:: \rho(\tau) = \frac{\sum_t a(t) a(t + \tau)}{\sqrt{\sum_t a(t)^2 \sum_t a(t + \tau)^2}}          (C5)

has a maximum near 1 at the time between two taps; noise has none, and a hand that trembles one far below it.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, find_peaks, sosfiltfilt

from analysis.model.records import FloatArray

BAND_HZ = (1.0, 20.0)
LEAST_HZ, MOST_HZ = 0.8, 4.0
"""What repeats itself more often is a tone or a tremor."""
LEAST_MATCH = 0.7
LEAST_CYCLES = 2.0
"""The still must last so many times as long as the time between two taps."""


def tapping_hz(accel: FloatArray, rate_hz: float) -> float | None:
    """How often a second a still is shaken, by (C5); None where nothing repeats itself.

    Parameters
    ----------
    accel : float (n, 3)
        m/s2, of a sensor that lies or is held still.
    rate_hz : float

    Returns
    -------
    float or None

    Examples
    --------
    >>> t = np.arange(1200) / 400
    >>> taps = np.exp(-(((t % 0.5 - 0.2) / 0.03) ** 2))[:, None] * [0.1, 0.0, 1.0]
    >>> round(tapping_hz(taps, 400.0), 2)
    2.0
    """
    lags = np.arange(int(rate_hz / BAND_HZ[1]), int(rate_hz / LEAST_HZ) + 1)
    lags = lags[lags * LEAST_CYCLES <= len(accel)]
    if lags.size < 3 or rate_hz <= 2.5 * BAND_HZ[1]:
        return None
    moved = sosfiltfilt(butter(2, BAND_HZ, "bandpass", fs=rate_hz, output="sos"), accel, axis=0)
    along = moved @ np.linalg.svd(moved, full_matrices=False)[2][0]
    match = np.array([along[:-lag] @ along[lag:] for lag in lags])
    match /= [np.sqrt((along[:-lag] ** 2).sum() * (along[lag:] ** 2).sum()) + 1e-30 for lag in lags]
    peaks = find_peaks(match, height=LEAST_MATCH, prominence=LEAST_MATCH)[0]
    if not peaks.size or rate_hz / lags[peaks[0]] > MOST_HZ:
        return None
    return float(rate_hz / lags[peaks[0]])
