r"""Smoothness of single strokes: spectral arc length, and dimensionless jerk.

A stroke's speed :math:`v` from turn to turn is sampled :data:`SPEED_POINTS` times, so that both measures are taken at
one rate and one cut-off in units of the stroke's own duration :math:`T`, whatever the tempo. With the amplitude
spectrum :math:`\hat V = V(f) / V(0)` up to the last frequency :math:`f_c \le 20 / T` at which it reaches 0.05,

.. math::

   \mathrm{SPARC} &= -\int_0^{f_c} \sqrt{(1 / f_c)^2 + (d \hat V / d f)^2} \, d f                                (1) \\
   \mathrm{LDLJ} &= -\ln \left( \frac{T^3}{v_\mathrm{max}^2} \int_0^T (d^2 v / d t^2)^2 \, d t \right)             (2)

Both are negative; further below zero is less smooth. The usual cut-off of 10 Hz is for movements of about a second: it
would cut a stroke of a tenth of a second off at its first harmonic. The dimensionless jerk of a sampled movement
depends on its rate (minimum jerk over one second: 185.7 at 100 samples, 202.8 at 1000), hence the one rate.

References
----------
Balasubramanian, Melendez-Calderon, Roby-Brami, Burdet, J. NeuroEng. Rehab. 12:112, 2015.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from analysis.model.records import FloatArray
from analysis.motion.turns import sample_at
from analysis.stroke.play import StrokeSet
from analysis.stroke.stroke_paths import LevelPath

SPEED_POINTS = 100
CUTOFF_STROKES = 20.0
LEAST_AMPLITUDE = 0.05
PADDING = 16
"""Points of the spectrum for each sample, as published; a power of two."""
STROKE_PADDING = 4
"""The same for tens of thousands of strokes: four times quicker, and within 0.03 of it on rough ones."""
CHUNK = 4000
MOST_OF_SERIES = 128
"""Strokes measured of one series: they are only used as medians of a block."""


def spectral_arc_length(speed: FloatArray, rate_hz: float, cutoff_hz: float, padding: int = PADDING) -> FloatArray:
    """SPARC of speed profiles, equation (1).

    Parameters
    ----------
    speed : float64 (n, k)
        One profile a row, any unit of speed.
    rate_hz : float
    cutoff_hz : float
        Highest frequency looked at.
    padding : int
        Points of the spectrum for each sample.

    Returns
    -------
    float64 (n,)
        NaN where a profile is zero throughout.

    Examples
    --------
    >>> t = np.arange(-100, 101) / 100
    >>> spectral_arc_length(np.exp(-5 * t[None] ** 2), 100.0, 10.0).round(5).tolist()
    [-1.41399]
    """
    k = speed.shape[1]
    size = padding * 2 ** int(np.ceil(np.log2(k)))
    bins = min(int(np.floor(cutoff_hz * size / rate_hz + 1e-9)), size // 2) + 1
    cosine, sine = _transform(k, size, bins)
    out = np.empty(len(speed))
    for first in range(0, len(speed), CHUNK):
        some = np.asarray(speed[first : first + CHUNK], dtype=np.float64)
        out[first : first + CHUNK] = _arc_lengths(np.hypot(some @ cosine, some @ sine))
    return out


@lru_cache(maxsize=4)
def _transform(k: int, size: int, bins: int) -> tuple[FloatArray, FloatArray]:
    """The few rows that are needed of a Fourier transform, which is quicker than the whole of it."""
    angle = 2 * np.pi / size * np.arange(k)[:, None] * np.arange(bins)
    return np.cos(angle), np.sin(angle)


def _arc_lengths(amplitude: FloatArray) -> FloatArray:
    highest = amplitude.max(axis=1, keepdims=True)
    share = amplitude / np.where(highest > 0, highest, np.nan)
    above = share >= LEAST_AMPLITUDE
    bins = share.shape[1]
    low, high = above.argmax(axis=1), bins - 1 - above[:, ::-1].argmax(axis=1)
    width = np.maximum(high - low, 1)[:, None]
    step = np.hypot(1.0 / width, np.diff(share, axis=1))
    at = np.arange(bins - 1)
    return np.asarray(-np.where((at >= low[:, None]) & (at < high[:, None]), step, 0.0).sum(axis=1))


def log_dimensionless_jerk(speed: FloatArray, rate_hz: float) -> FloatArray:
    """LDLJ of speed profiles, equation (2).

    Parameters
    ----------
    speed : float64 (n, k)
        One profile a row, first and last sample at the movement's ends.
    rate_hz : float

    Returns
    -------
    float64 (n,)

    Examples
    --------
    >>> t = np.arange(-100, 101) / 100
    >>> log_dimensionless_jerk(np.exp(-5 * t[None] ** 2), 100.0).round(5).tolist()
    [-5.81636]
    """
    values = np.asarray(speed, dtype=np.float64)
    duration = (values.shape[1] - 1) / rate_hz
    jerk = np.diff(values, 2, axis=1) * rate_hz**2
    total = np.trapezoid(jerk**2, dx=1.0 / rate_hz, axis=1)
    return np.asarray(-np.log(duration**3 / values.max(axis=1) ** 2 * total))


def stroke_smoothness(path: LevelPath, strokes: StrokeSet, most_hz: float) -> tuple[FloatArray, FloatArray]:
    """SPARC and LDLJ of all strokes; of a long series every third or fifth, downstrokes as often as upstrokes.

    Parameters
    ----------
    path : LevelPath
    strokes : StrokeSet
        Strokes inside it.
    most_hz : float
        Highest frequency of the path that is kept.

    Returns
    -------
    sparc, ldlj : float64 (n,)
        NaN in a series of fewer than three strokes, and where a stroke was not taken.
    """
    sparc, ldlj = (np.full(strokes.start.size, np.nan) for _ in range(2))
    if strokes.start.size == 0:
        return sparc, ldlj
    # Cut-offs in units of the stroke: the same part of its spectrum is kept at every tempo where the sensor allows.
    change = _rate_of_change(path.lowpassed(min(most_hz, 8.0 * float(np.median(strokes.cycle_hz)))))
    for members in strokes.series():
        if members.size > 2:
            step = -(-members.size // MOST_OF_SERIES) // 2 * 2 + 1
            taken = members[::step]
            start, end = strokes.start[taken] - path.first, strokes.end[taken] - path.first
            at = start[:, None] + (end - start)[:, None] * np.linspace(0.0, 1.0, SPEED_POINTS)
            speed = np.linalg.norm(sample_at(change, at), axis=2)
            # Duration is one, so that the cut-off is a number of cycles a stroke.
            sparc[taken] = spectral_arc_length(speed, SPEED_POINTS - 1.0, CUTOFF_STROKES, STROKE_PADDING)
            ldlj[taken] = log_dimensionless_jerk(speed, SPEED_POINTS - 1.0)
    return sparc, ldlj


def _rate_of_change(path: FloatArray) -> FloatArray:
    """Derivative a sample, by the five-point formula inside and plain differences at the ends."""
    change = np.gradient(path, axis=0)
    if len(path) > 4:
        change[2:-2] = (8 * (path[3:-1] - path[1:-3]) - (path[4:] - path[:-4])) / 12
    return np.asarray(change)
