"""The map between the two streams on a rigid body about a fixed point: exact, whatever is exchanged."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.consistency.axes import compare_streams, signed_permutations
from analysis.consistency.stream_map import fit_map
from analysis.model.records import FloatArray
from tests.analysis.consistency.bodies import turning_body, windows_of

SMALL_LEVER, LONG_LEVER = (0.0, 0.0, 0.0), (0.05, -0.04, 0.05)


@pytest.mark.parametrize("lever_m", [SMALL_LEVER, LONG_LEVER])
def test_a_rigid_body_agrees_with_itself(lever_m: tuple[float, float, float]) -> None:
    """At 1.7 Hz the rotational part on 80 mm is as large as gravity's change: without it the map would be off by .5."""
    found = fit_map(windows_of(*turning_body(lever_m=lever_m)), np.eye(3))
    assert np.abs(found.matrix - np.eye(3)).max() < 0.01
    assert abs(found.delay_s) < 0.5e-3


def test_the_lever_matters_in_this_motion() -> None:
    force, _ = turning_body(lever_m=LONG_LEVER)
    without, _ = turning_body(lever_m=SMALL_LEVER)
    turned = without - without.mean(axis=0)
    assert np.sqrt(((force - without) ** 2).mean()) > 0.5 * np.sqrt((turned**2).mean())


@pytest.mark.parametrize("wrong", signed_permutations(), ids=lambda wrong: np.array2string(wrong.astype(int).ravel()))
def test_every_exchange_of_the_gyroscopes_axes_is_found(wrong: FloatArray) -> None:
    force, rate = turning_body()
    found = compare_streams(windows_of(force, rate @ wrong.T))
    assert found.map is not None
    assert np.abs(found.map.matrix - wrong.T).max() < 0.05
    assert bool(found.fault) == (not np.array_equal(wrong, np.eye(3)))


@pytest.mark.parametrize("wrong", signed_permutations(), ids=lambda wrong: np.array2string(wrong.astype(int).ravel()))
def test_an_exchange_of_the_accelerometers_axes_is_found_but_for_its_overall_sign(wrong: FloatArray) -> None:
    force, rate = turning_body()
    found = compare_streams(windows_of(force @ wrong.T, rate))
    assert bool(found.fault) == (abs(np.trace(wrong)) != 3.0)


def test_a_mirrored_pair_agrees_with_itself() -> None:
    """A specific force mirrored by P and a rate by det(P) P are the pair of a mirrored body: no fault."""
    mirror = np.diag([-1.0, 1.0, 1.0])
    force, rate = turning_body()
    assert compare_streams(windows_of(force @ mirror.T, -rate @ mirror.T)).fault == ""


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (0.5, "reads 0.50 times"),
        (1.15, "reads 1.15 times"),
        (np.degrees(1.0), "counts in deg/s and is read as rad/s"),
        (np.radians(1.0), "counts in rad/s and is read as deg/s"),
    ],
)
def test_a_wrong_scale_is_named(factor: float, words: str) -> None:
    force, rate = turning_body()
    found = compare_streams(windows_of(force, factor * rate))
    assert words in found.fault
    assert found.change
    assert found.tested == ("x", "y", "z")


@pytest.mark.parametrize("late_s", [-0.15, -0.04, -0.005, 0.01, 0.04, 0.2])
def test_a_delay_is_found(late_s: float) -> None:
    rate_hz = 1000.0
    force, rate = turning_body(rate_hz)
    shift = round(late_s * rate_hz)
    rate = np.roll(rate, shift, axis=0)[300:-300:10]
    found = compare_streams(windows_of(force[300:-300:10], rate))
    assert found.map is not None
    assert found.fault == ""
    assert found.map.delay_s == pytest.approx(late_s, abs=1e-3)


def test_what_is_not_turned_is_not_tested() -> None:
    """A rotation about the vertical through the sensor shows nothing to an accelerometer."""
    t = np.arange(3000) / 100.0
    rate = np.stack([0 * t, 0 * t, np.cos(2 * np.pi * 0.5 * t)], axis=1)
    force = np.broadcast_to([0.0, 0.0, 9.80665], rate.shape) + np.random.default_rng(3).normal(0, 0.02, rate.shape)
    found = compare_streams(windows_of(force, rate))
    assert found.fault == ""
    assert "z" not in found.tested


def test_a_gyroscope_that_has_nothing_to_do_with_it_is_found() -> None:
    force, rate = turning_body(seconds=60.0)
    noise = np.random.default_rng(5).normal(size=rate.shape).cumsum(axis=0)
    noise -= np.linspace(0, 1, len(noise))[:, None] * noise[-1]
    found = compare_streams(windows_of(force, noise / noise.std() * rate.std()))
    assert found.fault != ""
