"""A strap that gives: found by raps on the sensor, taken out of its signals, said where it was not found."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal
from scipy.linalg import eigh

from analysis.consistency.strap_ringing import StrapSettings, find_strap, impulses
from analysis.model.records import SessionResult
from analysis.motion.strap import Strap
from analysis.pipeline import analyse_session
from analysis.signal.pieces import PIECE_ROWS
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import prepare_signals
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.grades import SoftMount, draw_mount
from analysis.synthesis.scenario import GesturePlan
from analysis.synthesis.simulate import SimulatedSession, simulate

SEEDS = (11, 12, 13)


@functools.cache
def played(seed: int, soft: bool, raps: bool) -> SimulatedSession:
    scenario = random_scenario(seed, strokes_per_s=14.0, duration_s=10.0)
    mount = draw_mount(np.random.default_rng(seed), 15.0, 35.0) if soft else None
    return simulate(replace(scenario, mount=mount, gestures=GesturePlan(raps=raps)), seed)


@functools.cache
def analysed(seed: int, soft: bool, raps: bool) -> SessionResult:
    return analyse_session(played(seed, soft, raps).session)


def strap_of(made: SimulatedSession) -> Strap | None:
    timebase = fit_timebase(made.session.raw, made.session.profile)
    return find_strap(made.session, timebase, prepare_signals(made.session, timebase), StrapSettings())


def error_deg(seed: int, soft: bool, raps: bool) -> float:
    true = played(seed, soft, raps).truth.blocks["tilt_mean_deg"].iloc[0]
    mean = analysed(seed, soft, raps).blocks[0].tilt_mean_deg
    assert mean is not None
    return float(mean - true)


def frequencies_hz(mount: SoftMount) -> np.ndarray:
    """Natural frequencies by scipy's generalised eigenvalues of a stiffness and a mass matrix written out here."""
    x, y, z = 1e-3 * np.array(mount.centre_mm)
    arm = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    inertia = (1e-3 * mount.gyration_mm) ** 2 * np.eye(3) + arm.T @ arm
    mass = np.block([[np.eye(3), arm.T], [arm, inertia]])
    own = np.concatenate([np.ones(3), np.diag(inertia)])
    stiffness = np.diag(own * (2 * np.pi * np.array([*mount.shift_hz, *mount.turn_hz])) ** 2)
    return np.asarray(np.sqrt(eigh(stiffness, mass, eigvals_only=True)) / (2 * np.pi))


@pytest.mark.parametrize("seed", SEEDS)
def test_raps_tell_the_natural_frequencies(seed: int) -> None:
    made = played(seed, True, True)
    strap = strap_of(made)
    assert strap is not None
    assert made.truth.performance.rap_s.size == 10
    mount = draw_mount(np.random.default_rng(seed), 15.0, 35.0)
    np.testing.assert_allclose(strap.natural_hz[:3], frequencies_hz(mount)[:3], rtol=0.08)


def test_taken_out_it_leaves_a_fraction_of_the_error() -> None:
    without = np.array([error_deg(seed, True, False) for seed in SEEDS])
    taken_out = np.array([error_deg(seed, True, True) for seed in SEEDS])
    assert np.sqrt(np.mean(without**2)) > 2.0
    assert np.sqrt(np.mean(taken_out**2)) < 0.5 * np.sqrt(np.mean(without**2))


@pytest.mark.parametrize("raps", [False, True])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_soft_strap_is_said_with_what_to_change(seed: int, raps: bool) -> None:
    result = analysed(seed, True, raps)
    (doubt,) = [doubt for doubt in result.doubts if doubt.kind == "strap"]
    assert "tighten the strap" in doubt.change
    assert ("rap five times" in doubt.change) is not raps
    interval = result.blocks[0].tilt_ci95_deg
    assert interval is not None
    assert interval[1] - interval[0] > 2 * 1.96 * doubt.se_deg


@pytest.mark.parametrize("raps", [False, True])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_firm_sensor_is_left_alone(seed: int, raps: bool) -> None:
    assert strap_of(played(seed, False, raps)) is None
    assert not [doubt for doubt in analysed(seed, False, raps).doubts if doubt.kind == "strap"]


def test_impulses_are_the_same_whether_hours_are_searched_whole_or_in_pieces() -> None:
    envelope = (2.0 * np.random.default_rng(17).gamma(0.3, 1.0, size=5 * PIECE_ROWS // 2)).astype(np.float32)
    whole, _ = signal.find_peaks(envelope, height=0.4, distance=8)
    np.testing.assert_array_equal(impulses(envelope, 0.4, 8), whole)
