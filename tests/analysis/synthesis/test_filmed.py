"""Filmed play: what cameras make of a motion, and that its truth is the filmed one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.model.records import FloatArray
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Camera
from analysis.synthesis.simulate import SimulatedSession, simulate


def made(camera: Camera | None) -> SimulatedSession:
    scenario = random_scenario(5, strokes_per_s=6.0, duration_s=6.0)
    return simulate(replace(scenario, camera=camera), 5)


def places(session: SimulatedSession, around_s: float) -> FloatArray:
    return session.truth.path(around_s + np.arange(0.0, 1.0, 0.005)).tip_mm


def test_noise_moves_the_tip_in_play_and_nothing_before() -> None:
    plain, filmed = made(None), made(Camera(noise_mm=0.3, noise_deg=0.0, losses_per_min=0.0))
    begin = float(plain.truth.strokes["start_s"].iloc[0])
    np.testing.assert_allclose(places(filmed, begin - 4.0), places(plain, begin - 4.0), atol=1e-9)
    moved = (places(filmed, begin + 2.0) - places(plain, begin + 2.0)).std(axis=0)
    # White noise of 120 frames/s through a corner of 20 Hz, forth and back, keeps some three tenths of its power.
    assert (moved > 0.1).all()
    assert (moved < 0.3).all()


def test_truth_is_read_off_the_filmed_path() -> None:
    filmed = made(Camera(noise_mm=0.3, noise_deg=0.3))
    strokes = filmed.truth.strokes.iloc[2:-2]
    start, end = (filmed.truth.path(strokes[name].to_numpy()).tip_mm for name in ("start_s", "end_s"))
    chord = (end - start) * np.where(strokes["direction"] == "down", 1.0, -1.0)[:, None]
    np.testing.assert_allclose(np.degrees(np.arctan2(chord[:, 2], chord[:, 1])), strokes["tilt_deg"], atol=1e-6)


def test_lost_markers_are_filled_smoothly() -> None:
    """Even with every sixth frame lost, no acceleration comes near that of a pick attack."""
    filmed = made(Camera(noise_mm=0.0, noise_deg=0.0, losses_per_min=120.0, loss_s=(0.01, 0.03)))
    plain = made(None)
    begin = float(plain.truth.strokes["start_s"].iloc[0])
    assert np.abs(places(filmed, begin + 2.0) - places(plain, begin + 2.0)).max() < 1.0
