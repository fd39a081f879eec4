"""Two tilts in turn against one that wanders; weights of strokes; blocks that differ; the way from hand to tip."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model.records import FloatArray
from analysis.report.verdict import judge_session
from analysis.stroke.block_case import blocks_differ
from analysis.stroke.blocks import stroke_weights
from analysis.stroke.mixed_play import MixedSettings, _kalman, find_groups
from analysis.stroke.tip_claim import TipSettings, effective_strokes, tip_parts_deg
from tests.analysis.report.make_result import Play, make_result

SETTINGS = MixedSettings()


def directions(n: int) -> np.ndarray:
    return np.arange(n) % 2 == 0


@pytest.mark.parametrize("run", [4, 8, 16])
def test_two_tilts_by_groups_are_recognised(run: int) -> None:
    rng = np.random.default_rng(21)
    for _ in range(5):
        high, low = rng.uniform(8, 25), -rng.uniform(0, 25)
        tilt = np.where(np.arange(160) // run % 2, high, low) + rng.normal(0, 1.5, 160)
        groups = find_groups(tilt, directions(160), SETTINGS)
        assert [group.tilt_deg for group in groups] == pytest.approx([high, low], abs=0.6)
        assert groups[0].mean_run == pytest.approx(run, rel=0.15)


def wander(rng: np.random.Generator, n: int) -> FloatArray:
    """A first-order wander of 3 deg (SD), with drift and strokes of their own."""
    noise = rng.normal(size=n)
    path = np.zeros(n)
    for i in range(1, n):
        path[i] = 0.97 * path[i - 1] + noise[i] * 3.0 * np.sqrt(1 - 0.97**2)
    return np.asarray(path + rng.uniform(-8, 8) * np.linspace(0, 1, n) + rng.normal(0, 1.0, n))


def test_one_tilt_that_wanders_or_drifts_is_one() -> None:
    rng = np.random.default_rng(22)
    assert sum(bool(find_groups(wander(rng, 240), directions(240), SETTINGS)) for _ in range(40)) == 0


def test_down_and_upstrokes_of_different_tilt_are_no_groups() -> None:
    rng = np.random.default_rng(23)
    tilt = np.where(directions(160), 9.0, 3.0) + rng.normal(0, 0.8, 160)
    assert find_groups(tilt, directions(160), SETTINGS) == ()


def test_the_likelihood_of_a_wander_is_that_of_the_joint_normal() -> None:
    """Against the density of the whole vector, with its covariance written out (scipy.stats)."""
    from scipy.stats import multivariate_normal

    y = np.random.default_rng(24).normal(size=12)
    phi, noise, moved = 0.8, 0.5, 0.3
    apart = np.abs(np.subtract.outer(np.arange(12), np.arange(12)))
    cov = moved / (1 - phi**2) * phi**apart + noise * np.eye(12)
    assert _kalman(y, phi, noise, moved) == pytest.approx(multivariate_normal(np.zeros(12), cov).logpdf(y))


def test_a_stroke_weighs_by_its_error() -> None:
    """Equal errors give the plain mean; inverse variances where nothing else scatters (DerSimonian and Laird 1986)."""
    assert stroke_weights(np.array([1.0, 5.0, 9.0]), np.full(3, 0.4)) == pytest.approx(np.full(3, 1 / 3))
    tilt, se = np.zeros(4), np.array([1.0, 1.0, 2.0, 4.0])
    assert stroke_weights(tilt, se) == pytest.approx(1 / se**2 / (1 / se**2).sum(), rel=0.02)


def test_a_wild_stroke_does_not_rule_a_block() -> None:
    tilt = np.append(np.random.default_rng(25).normal(15, 1, 60), -60.0)
    weight = stroke_weights(tilt, np.append(np.full(60, 0.4), 63.0))
    assert weight @ tilt == pytest.approx(15.0, abs=0.5)


def test_a_ladder_of_tempi_is_not_averaged() -> None:
    ladder = [Play(tilt_deg=tilt, rate=rate, scatter_deg=1.0) for tilt, rate in ((20, 6), (12, 8), (4, 10), (-4, 12))]
    result = make_result(*ladder)
    assert blocks_differ(result.blocks)
    verdict = judge_session(result)
    mean = float(result.strokes["tilt_deg"].mean())
    assert f"{mean:.1f}" not in verdict.sentence
    assert not blocks_differ(make_result(Play(tilt_deg=20), Play(tilt_deg=20.5)).blocks)


def test_what_the_tip_adds_is_averaged_only_where_it_varies() -> None:
    settings = TipSettings()
    few, many = (tip_parts_deg(15.0, 10.5, n, settings) for n in (4.0, 400.0))
    assert few["each stroke"] == pytest.approx(10 * many["each stroke"])
    assert few["skin and fingers"] == many["skin and fingers"] == 1.1
    assert tip_parts_deg(60.0, 10.5, 4.0, settings)["each stroke"] == pytest.approx(0.45)
    assert effective_strokes(100, 1.0, 0.01) == 100
    assert effective_strokes(100, None, None) == 1
