"""Allan deviation of a still sensor, and the noise terms that it shows.

References
----------
Riley (2008), Handbook of Frequency Stability Analysis, NIST Special Publication 1065.
IEEE Std 952-1997, Annex C: slopes and coefficients of a gyroscope's noise terms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray

BIAS_FACTOR = 2.0 * np.log(2.0) / np.pi
"""Square of 0.664: the flat part of the Allan deviation is 0.664 times the bias instability (IEEE Std 952, C.1.3)."""
MIN_PAIRS = 8
VISIBLE_SE = 3.0
"""A part counts as seen from so many of its standard errors on."""


@dataclass(frozen=True)
class AllanDeviation:
    """Deviation over averaging time.

    Attributes
    ----------
    tau_s : float64 (k,)
    deviation : float64 (k,)
        In the unit of the data.
    pairs : int64 (k,)
        Number of differences that each deviation rests on; overlapping ones are not independent.
    """

    tau_s: FloatArray
    deviation: FloatArray
    pairs: np.ndarray


@dataclass(frozen=True)
class NoiseTerms:
    """Parts of ``sigma^2 = N^2 / tau + 0.44 B^2 + K^2 tau / 3``; None where a part is nowhere visible.

    Attributes
    ----------
    white : float or None
        N, unit of the data times sqrt(s): the angle (or velocity) random walk; also unit / sqrt(Hz).
    bias_instability : float or None
        B, unit of the data.
    random_walk : float or None
        K, unit of the data / sqrt(s).
    """

    white: float | None
    bias_instability: float | None
    random_walk: float | None


def octave_factors(samples: int) -> np.ndarray:
    """Return averaging factors 1, 2, 4, ... that leave at least ``MIN_PAIRS`` averages.

    Parameters
    ----------
    samples : int
        Length of the record.

    Returns
    -------
    int (k,)
    """
    top = max(0, int(np.log2(max(samples // (MIN_PAIRS + 1), 1))))
    return 2 ** np.arange(top + 1)


def adev(data: FloatArray, rate_hz: float, factors: np.ndarray) -> AllanDeviation:
    """Return the Allan deviation of adjacent averages (NIST SP 1065, equation 10).

    Parameters
    ----------
    data : float64 (n,)
        Rates: frequency, or turning rate, or acceleration.
    rate_hz : float
    factors : int (k,)
        Averaging factors in samples.

    Returns
    -------
    AllanDeviation
        In the unit of ``data``.

    Raises
    ------
    NotEnoughDataError
        If a factor leaves fewer than two averages.
    """
    deviations, pairs = [], []
    for m in factors:
        averages = data[: len(data) // m * m].reshape(-1, m).mean(axis=1)
        steps = np.diff(averages)
        _need(len(steps) >= 1, int(m), len(data))
        deviations.append(np.sqrt(0.5 * np.mean(steps**2)))
        pairs.append(len(steps))
    return AllanDeviation(np.asarray(factors) / rate_hz, np.array(deviations), np.array(pairs))


def oadev(data: FloatArray, rate_hz: float, factors: np.ndarray) -> AllanDeviation:
    """Return the overlapping Allan deviation (NIST SP 1065, equation 11), as :func:`adev` otherwise.

    Parameters
    ----------
    data : float64 (n,)
        Rates: frequency, or turning rate, or acceleration.
    rate_hz : float
    factors : int (k,)
        Averaging factors in samples.

    Returns
    -------
    AllanDeviation
        In the unit of ``data``.

    Raises
    ------
    NotEnoughDataError
        If a factor leaves no pair of averages.
    """
    phase = _phase(data)
    deviations, pairs = [], []
    for m in factors:
        second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
        _need(len(second) >= 1, int(m), len(data))
        deviations.append(np.sqrt(0.5 * np.mean(second**2)) / m)
        pairs.append(len(second))
    return AllanDeviation(np.asarray(factors) / rate_hz, np.array(deviations), np.array(pairs))


def mdev(data: FloatArray, rate_hz: float, factors: np.ndarray) -> AllanDeviation:
    """Return the modified Allan deviation (NIST SP 1065, equation 14), as :func:`adev` otherwise."""
    phase = _phase(data)
    deviations, pairs = [], []
    for m in factors:
        second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
        sums = np.concatenate([[0.0], np.cumsum(second)])
        windows = (sums[m:] - sums[:-m]) / m
        _need(len(windows) >= 1, int(m), len(data))
        deviations.append(np.sqrt(0.5 * np.mean(windows**2)) / m)
        pairs.append(len(windows))
    return AllanDeviation(np.asarray(factors) / rate_hz, np.array(deviations), np.array(pairs))


def fit_noise(deviation: AllanDeviation) -> NoiseTerms:
    """Split a deviation into white noise, bias instability and random walk by non-negative least squares.

    Each averaging time weighs by the number of independent pairs behind it.

    Parameters
    ----------
    deviation : AllanDeviation

    Returns
    -------
    NoiseTerms
        In the deviation's unit; None for a part that does not stand out.

    Raises
    ------
    NotEnoughDataError
        With fewer than four averaging times.
    """
    tau, sigma = deviation.tau_s, deviation.deviation
    if len(tau) < 4 or not (sigma > 0.0).all():
        raise NotEnoughDataError(
            expected="at least four averaging times with noise in them",
            found=f"{len(tau)}",
            next_step="record a longer still",
        )
    variance = sigma**2
    columns = np.column_stack([1.0 / tau, np.full_like(tau, BIAS_FACTOR), tau / 3.0])
    # A variance from k independent pairs is uncertain by sqrt(2 / k) of itself; overlap adds few independent ones.
    independent = np.maximum(deviation.pairs * tau[0] / tau, 1.0)
    weight = np.sqrt(independent / 2.0) / variance
    weighted = columns * weight[:, None]
    parts, _ = nnls(weighted, variance * weight)
    seen = parts > VISIBLE_SE * np.sqrt(np.diag(np.linalg.inv(weighted.T @ weighted)))
    white, bias, walk = (float(np.sqrt(part)) if visible else None for part, visible in zip(parts, seen, strict=True))
    return NoiseTerms(white, bias, walk)


def _phase(data: FloatArray) -> FloatArray:
    """Integral of the data less its mean, which the second differences drop anyway: keeps the sums small."""
    return np.concatenate([[0.0], np.cumsum(data - np.mean(data))])


def _need(enough: bool, factor: int, samples: int) -> None:
    if not enough:
        raise NotEnoughDataError(
            expected=f"at least {2 * factor} samples to average over {factor}",
            found=f"{samples}",
            next_step="record a longer still",
        )
