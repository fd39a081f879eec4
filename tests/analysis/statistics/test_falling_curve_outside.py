"""The falling curve of the hold tempo on a published worked example of a psychometric fit."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import norm

from analysis.statistics.monotone_regression import PointErrors, crossing, draw_falling

# Finney, Probit Analysis, 3rd ed. 1971, chapter 3: insects (Macrosiphoniella sanborni) sprayed with rotenone, mg/l, how
# many of each batch, how many of them affected: the data were compared with open programs that quote them, and say
# "about 4.8 mg/l" for half of them. The third figure of 4.85 is from memory; statsmodels fits the same data below.
DOSE = np.array([2.6, 3.8, 5.1, 7.7, 10.2])
BATCH = np.array([50, 48, 46, 49, 50])
AFFECTED = np.array([6, 16, 24, 42, 44])
HALF_MG_PER_L = 4.85


def by_statsmodels() -> tuple[float, float]:
    """The dose for half of them and the standard error of its logarithm, by a probit fit with the delta method."""
    counts = np.column_stack([AFFECTED, BATCH - AFFECTED])
    family = sm.families.Binomial(sm.families.links.Probit())
    fit = sm.GLM(counts, sm.add_constant(np.log(DOSE)), family=family).fit()
    a, b = fit.params
    slope = np.array([-1 / b, a / b**2])
    return float(np.exp(-a / b)), float(np.sqrt(slope @ fit.cov_params() @ slope))


def test_the_reference_library_finds_the_published_dose() -> None:
    assert by_statsmodels()[0] == pytest.approx(HALF_MG_PER_L, rel=0.01)


def test_the_curve_falls_through_zero_at_the_published_dose() -> None:
    """Its middle lies within the example's own error, and its interval is that of a probit fit, or somewhat wider."""
    share = AFFECTED / BATCH
    value = -norm.ppf(share)
    own_se = np.sqrt(share * (1 - share) / BATCH) / norm.pdf(value)
    errors = PointErrors(own_se, np.arange(5), np.zeros(5))
    at = np.linspace(np.log(DOSE[0]), np.log(DOSE[-1]), 201)
    curves = draw_falling((np.log(DOSE), value), errors, at, 2000, np.random.default_rng(1))
    ends = np.array([crossing(curve, at) for curve in curves])
    _, se = by_statsmodels()
    low, middle, high = np.exp(np.quantile(ends, [0.025, 0.5, 0.975]))
    assert middle == pytest.approx(HALF_MG_PER_L, rel=se)
    assert low < HALF_MG_PER_L < high
    # Nothing but a falling course is assumed here, where the probit fit knows the curve's shape.
    assert 0.8 < np.log(high / low) / (2 * 1.96 * se) < 2.0
