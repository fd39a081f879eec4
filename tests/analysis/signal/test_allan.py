"""Allan deviation against the handbook's tables and a reference library; noise terms against simulated noise."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model.errors import NotEnoughDataError
from analysis.signal.allan import adev, fit_noise, mdev, oadev, octave_factors
from tests.optional import need_module


def handbook_numbers() -> np.ndarray:
    """The 1000-point test set of NIST SP 1065, section 12.4: a congruential generator."""
    n, values = 1234567890, []
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    assert round(values[1] * 2147483647) == 395529916
    assert round(values[-1] * 2147483647) == 1560135652
    return np.array(values)


# NIST SP 1065 (Riley 2008), section 12.4, table 31: averaging factors 1, 10, 100;
# compared with two open programs that quote the table.
@pytest.mark.parametrize(
    ("function", "expected"),
    [
        (adev, (0.2922319, 0.09965736, 0.03897804)),
        (oadev, (0.2922319, 0.09159953, 0.03241343)),
        (mdev, (0.2922319, 0.06172376, 0.02170921)),
    ],
)
def test_handbook_1000_points(function: object, expected: tuple[float, ...]) -> None:
    result = function(handbook_numbers(), 1.0, np.array([1, 10, 100]))  # type: ignore[operator]
    np.testing.assert_allclose(result.deviation, expected, rtol=2e-7)


def test_handbook_nine_points() -> None:
    # NIST SP 1065, section 12.4, tables 29 and 30.
    data = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
    result = adev(data, 1.0, np.array([1, 2]))
    np.testing.assert_allclose(result.deviation, (91.22945, 115.8082), rtol=1e-7)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::SyntaxWarning")
def test_against_allantools() -> None:
    reference = need_module("allantools", "extra 'test'")
    data = np.random.default_rng(3).normal(size=5000) + np.cumsum(np.random.default_rng(4).normal(size=5000)) * 0.01
    factors = octave_factors(len(data))
    for mine, theirs in ((adev, reference.adev), (oadev, reference.oadev), (mdev, reference.mdev)):
        tau, deviation, _, pairs = theirs(data, rate=200.0, data_type="freq", taus=factors / 200.0)
        keep = np.isin(np.round(factors / 200.0, 9), np.round(tau, 9))
        result = mine(data, 200.0, factors)
        np.testing.assert_allclose(result.deviation[keep], deviation, rtol=1e-6)
        np.testing.assert_array_equal(result.pairs[keep], pairs)


def test_noise_terms_of_simulated_noise() -> None:
    """White noise and random walk of known size come back; what is not there is not reported."""
    rng, rate, n = np.random.default_rng(5), 100.0, 400_000
    white = 0.005 * np.sqrt(rate) * rng.normal(size=n)  # N = 0.005 unit sqrt(s)
    terms = fit_noise(oadev(white, rate, octave_factors(n)))
    assert terms.white == pytest.approx(0.005, rel=0.02)
    assert terms.random_walk is None
    walk = np.cumsum(0.001 / np.sqrt(rate) * rng.normal(size=n))  # K = 0.001 unit / sqrt(s)
    terms = fit_noise(oadev(white + walk, rate, octave_factors(n)))
    assert terms.white == pytest.approx(0.005, rel=0.03)
    assert terms.random_walk == pytest.approx(0.001, rel=0.25)


def test_bias_instability_of_a_flat_floor() -> None:
    # IEEE Std 952-1997: the flat minimum is 0.664 times the bias instability.
    rng, rate, n = np.random.default_rng(6), 10.0, 1 << 17
    # Flicker noise by shaping white noise to a 1/f spectrum: density h / f gives sigma^2 = 2 ln 2 h.
    spectrum = np.fft.rfft(rng.normal(size=n))
    f = np.fft.rfftfreq(n, 1 / rate)
    spectrum[1:] *= np.sqrt(1.0 / f[1:])
    spectrum[0] = 0.0
    flicker = np.fft.irfft(spectrum, n)
    density = 2.0 / rate  # one-sided density of the white noise, unit^2/Hz, times 1/f
    expected = np.sqrt(2 * np.log(2) * density) / 0.664283
    terms = fit_noise(oadev(flicker, rate, octave_factors(n)))
    assert terms.bias_instability == pytest.approx(expected, rel=0.1)


def test_too_short_is_a_clear_error() -> None:
    with pytest.raises(NotEnoughDataError, match="record a longer still"):
        oadev(np.zeros(100), 1.0, np.array([60]))
    with pytest.raises(NotEnoughDataError, match="at least four averaging times"):
        fit_noise(adev(np.random.default_rng(0).normal(size=20), 1.0, np.array([1, 2])))
