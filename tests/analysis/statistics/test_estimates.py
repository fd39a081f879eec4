"""Permutation, t intervals, equivalence and effect size against published data, scipy and statsmodels."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind

from analysis.model.errors import NotEnoughDataError
from analysis.statistics.estimates import adjusted_slope, equivalence_test, hedges_g, mean_estimate, sd_estimate
from analysis.statistics.permutation import label_test, sign_flip_test

# Darwin, The Effects of Cross and Self Fertilisation, 1876: 15 pairs of maize, difference in eighths of an inch. The
# permutation test of these data, and its count of 1726 in 32768, is Fisher's (The Design of Experiments, 1935,
# section 21; Ernst, Statistical Science 19, 2004, 676-685), as an open implementation of the test quotes both.
DARWIN = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]) / 8
# Student, Biometrika 6, 1908, 1-25: hours of sleep gained by ten patients with two drugs. The t statistic, its degrees
# of freedom and its interval are those that R prints for this data set, `sleep`.
STUDENT = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]) - np.array(
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
)
# Example of the equivalence test in the documentation of pingouin's `tost`.
FIRST, SECOND = [4, 7, 8, 6, 3, 2], [6, 8, 7, 10, 11, 9]


def test_darwins_maize() -> None:
    test = sign_flip_test(DARWIN)
    assert test.exact
    assert test.assignments == 32768
    assert test.p * 32768 == pytest.approx(1726)
    found = mean_estimate(DARWIN)
    assert found.value / found.se == pytest.approx(2.147987, abs=1e-6)
    assert 2 * stats.t.sf(found.value / found.se, found.df) == pytest.approx(0.049703, abs=1e-6)


def test_students_sleep() -> None:
    assert sign_flip_test(STUDENT).p == pytest.approx(0.00390625)
    found = mean_estimate(STUDENT)
    assert (found.value / found.se, found.df) == pytest.approx((-4.062128, 9), abs=1e-6)
    assert (found.low, found.high) == pytest.approx((-2.459886, -0.700114), abs=1e-6)


def test_equivalence_of_the_documented_example() -> None:
    values, label = np.array(FIRST + SECOND, float), np.repeat([0, 1], 6)
    found = equivalence_test(adjusted_slope(values, label), 1.0)
    assert found.p == pytest.approx(0.965097, abs=1e-6)
    p, lower, upper = ttost_ind(np.array(SECOND, float), np.array(FIRST, float), -1, 1, usevar="pooled")
    assert (found.p, found.p_lower, found.p_upper) == pytest.approx((p, lower[1], upper[1]))


def test_equivalence_is_shown_when_the_90_percent_interval_lies_within() -> None:
    rng = np.random.default_rng(4)
    for _ in range(50):
        y, label = rng.normal(0, 1, 16), np.arange(16) % 2
        inner = adjusted_slope(y, label, confidence=0.9)
        inside = inner.low > -1.2 and inner.high < 1.2
        assert (equivalence_test(inner, 1.2).p < 0.05) == inside


def test_labels_against_scipys_exact_permutation() -> None:
    found = label_test(FIRST + SECOND, [False] * 6 + [True] * 6)

    def difference(a: np.ndarray, b: np.ndarray, axis: int) -> np.ndarray:
        return b.mean(axis=axis) - a.mean(axis=axis)

    theirs = stats.permutation_test((FIRST, SECOND), difference, vectorized=True, n_resamples=np.inf)
    assert found.exact
    assert found.assignments == 924
    assert found.p == pytest.approx(theirs.pvalue)


def test_labels_with_a_trend_against_every_regression_by_itself() -> None:
    rng = np.random.default_rng(8)
    trend = np.linspace(-1, 1, 8)[:, None]
    label = np.array([0, 1, 1, 0, 1, 0, 0, 1], bool)
    y = 2 * trend[:, 0] + 0.8 * label + rng.normal(0, 0.5, 8)
    found = label_test(y, label, trend)
    t = []
    for chosen in itertools.combinations(range(8), 4):
        x = sm.add_constant(np.column_stack([np.isin(np.arange(8), chosen), trend]).astype(float))
        t.append(abs(sm.OLS(y, x).fit().tvalues[1]))
    own = abs(sm.OLS(y, sm.add_constant(np.column_stack([label, trend]).astype(float))).fit().tvalues[1])
    assert found.p == pytest.approx(np.mean(np.array(t) >= own - 1e-9))


def test_labels_are_exchanged_within_strata_only() -> None:
    strata = np.repeat([0, 1], 4)
    label = np.tile([False, True], 4)
    found = label_test(np.arange(8.0), label, strata=strata)
    assert found.assignments == 36
    # Four blocks more of one label alone say nothing.
    more = label_test(
        np.concatenate([np.arange(8.0), [99.0] * 4]), np.append(label, [True] * 4), strata=np.repeat([0, 1, 2], 4)
    )
    assert more.estimate == pytest.approx(found.estimate)
    assert more.p == pytest.approx(found.p)


def test_many_blocks_are_sampled_and_agree_with_t() -> None:
    rng = np.random.default_rng(11)
    y, label = rng.normal(0, 1, 40), np.arange(40) % 2 == 0
    y[label] += 0.7
    found = label_test(y, label)
    assert not found.exact
    assert found.p == pytest.approx(stats.ttest_ind(y[label], y[~label]).pvalue, abs=0.015)


@pytest.mark.parametrize("shared", [0.0, 0.3, 1.0])
def test_null_comparisons_reject_one_in_twenty(shared: float) -> None:
    rng = np.random.default_rng(21)
    place = np.linspace(-1, 1, 12)
    nuisance = np.column_stack([place, place**2])
    rejected = covered = 0
    for _ in range(400):
        label = np.array([int(c) for _ in range(3) for c in ("0110", "1001")[rng.integers(2)]], bool)
        y = 3 * np.exp(-2 * (place + 1)) * rng.normal() + 0.6 * rng.normal(size=12) + shared * rng.normal() * label
        rejected += label_test(y, label, nuisance, shared).p < 0.05
        found = adjusted_slope(y, label, nuisance, shared)
        covered += found.low <= 0 <= found.high
    # 400 trials of 1 in 20: 20 +- 4.4; three standard deviations.
    assert 7 <= rejected <= 33
    assert 367 <= covered <= 393


def test_an_error_of_the_labels_own_widens_interval_and_p() -> None:
    y = np.array([0.1, 1.0, 1.1, 0.0, 1.05, 0.05, 0.02, 0.95])
    label = np.array([0, 1, 1, 0, 1, 0, 0, 1], bool)
    plain, shared = label_test(y, label), label_test(y, label, label_se=1.0)
    assert plain.p == pytest.approx(2 / 70)
    assert shared.p == pytest.approx(2 * stats.norm.sf(shared.estimate), abs=0.02)
    one, other = adjusted_slope(y, label), adjusted_slope(y, label, shared_se=1.0)
    assert other.se == pytest.approx(np.hypot(one.se, 1.0))
    assert other.df > 1e3 * one.df


@given(st.integers(0, 10_000), st.floats(-1e3, 1e3), st.floats(0.1, 1e3))
@settings(max_examples=40, deadline=None)
def test_shift_and_scale_of_the_values_leave_p_as_it_is(seed: int, shift: float, scale: float) -> None:
    rng = np.random.default_rng(seed)
    y, label = rng.normal(size=8), np.array([0, 1, 1, 0, 1, 0, 0, 1], bool)
    assert label_test(scale * y + shift, label).p == pytest.approx(label_test(y, label).p)
    assert label_test(-y, ~label).p == pytest.approx(label_test(y, label).p)


def test_slopes_against_statsmodels() -> None:
    rng = np.random.default_rng(12)
    x, z = rng.normal(size=(2, 15))
    y = 0.4 * x - z + rng.normal(size=15)
    found = adjusted_slope(y, x, z[:, None])
    theirs = sm.OLS(y, sm.add_constant(np.column_stack([x, z]))).fit()
    assert (found.value, found.se, found.df) == pytest.approx((theirs.params[1], theirs.bse[1], theirs.df_resid))
    assert (found.low, found.high) == pytest.approx(tuple(theirs.conf_int()[1]))


def test_block_means_say_what_a_mixed_model_of_all_strokes_says() -> None:
    # A balanced design: the fixed effect of a random-intercept model is the one of the blocks' means.
    rng = np.random.default_rng(14)
    blocks, strokes = 12, 40
    label = np.array([0, 1, 1, 0] * 3)
    effect = rng.normal(0, 0.8, blocks) + 1.5 * label
    y = effect[:, None] + rng.normal(0, 2.0, (blocks, strokes))
    model = sm.MixedLM(
        y.ravel(),
        sm.add_constant(np.repeat(label, strokes).astype(float)),
        groups=np.repeat(np.arange(blocks), strokes),
    ).fit(reml=True)
    found = adjusted_slope(y.mean(axis=1), label)
    assert found.value == pytest.approx(model.fe_params[1], abs=1e-6)
    assert found.se == pytest.approx(model.bse_fe[1], rel=1e-3)


def test_spread_against_the_chi_square_interval() -> None:
    y = np.random.default_rng(15).normal(0, 2, 11)
    found = sd_estimate(y - y.mean(), 10)
    assert found.value == pytest.approx(y.std(ddof=1))
    limits = np.sqrt(10 * y.var(ddof=1) / stats.chi2.ppf([0.975, 0.025], 10))
    assert (found.low, found.high) == pytest.approx(tuple(limits))


def test_effect_size_is_unbiased_in_small_samples() -> None:
    rng = np.random.default_rng(16)
    g = [hedges_g(rng.normal(0, 1, 5), rng.normal(1.2, 1, 5)) for _ in range(4000)]
    # Without the correction the mean would be 1.2 / 0.9027 = 1.33.
    assert np.mean(g) == pytest.approx(1.2, abs=0.04)


@pytest.mark.parametrize(
    "ask",
    [
        lambda: sign_flip_test([1.0]),
        lambda: mean_estimate([1.0]),
        lambda: label_test([1.0, 2.0], [True, True]),
        lambda: label_test([1.0, 2.0, 3.0, 4.0], [False, False, True, True], np.array([[0.0], [0], [1], [1]])),
        lambda: adjusted_slope([1.0, 2.0], [0, 1]),
        lambda: hedges_g([1.0], [2.0, 3.0]),
        lambda: hedges_g([1.0, 1.0], [2.0, 2.0]),
    ],
)
def test_what_too_few_blocks_cannot_say_is_refused(ask: object) -> None:
    with pytest.raises(NotEnoughDataError, match="expected"):
        ask()  # type: ignore[operator]
