"""Orientation and band-limited displacement against optical truth (data: see :mod:`tests.outside.optical`).

Displacement was measured in windows of two seconds with at least 1 m/s2 RMS of acceleration, 0.5-10 Hz, turned about
the vertical onto the optical path (there is no heading without a magnetometer). RMS difference in mm, median and 90th
percentile over windows, beside the median RMS of the motion:

| trial | windows | motion | as it stands | setup known |
| --- | --- | --- | --- | --- |
| 11, slow translation | 119 | 72 | 0.85, 1.30 | 0.43, 0.61 |
| 15, fast translation | 95 | 244 | 4.58, 6.50 | 1.65, 2.24 |
| 16, fast translation | 108 | 208 | 5.76, 8.12 | 0.90, 1.29 |
| 21, fast, turning too | 101 | 173 | 5.24, 6.24 | 1.5, 2.3 (fitted here) |

As it stands, most of the difference is the data's own: in trial 21, where the sensor also turns, the gyroscope is found
to lag the accelerometer by 1.4 ms (0.4 of a sample), the optical clock to run 4.2 ms ahead, and the optical point to
stand 8 mm from the sensor, (-0.6, 2.2, -7.6) mm. With these, fitted in trial 21 alone, the other three trials agree to
0.4-0.7 % of the motion. (In the chain itself, skew and lever are unknowns of the ``pivot`` problem.)
Elevation of the principal axis, absolute error, median and 90th percentile: trial 15 0.10, 0.44 deg; 16 0.27, 0.62 deg.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
import vqf
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import matrices, rotate
from analysis.motion.tip_path import GRAVITY_MPS2, Band, band_displacements
from tests.outside.optical import Trial, load_trial, trials_there

BAND = Band(0.5, 4, 10.0)
WINDOW_S = 2.0


@cache
def trial_of(number: int) -> Trial:
    return load_trial(number)


@cache
def trial_and_motion(number: int, skew_s: float = 0.0) -> tuple[Trial, Motion]:
    return trial_of(number), trial_of(number).motion(skew_s)


def inclination_rmse_deg(trial: Trial, quat_wxyz: FloatArray) -> float:
    """RMS angle between the two verticals while the sensor moves."""
    known = trial.moving & ~np.isnan(trial.optical_quat_wxyz).any(axis=1)
    mine = Rotation.from_quat(quat_wxyz[known], scalar_first=True)
    error = (mine * Rotation.from_quat(trial.optical_quat_wxyz[known], scalar_first=True).inv()).as_quat(
        scalar_first=True
    )
    angle = 2 * np.arccos(np.clip(np.hypot(error[:, 0], error[:, 3]), 0.0, 1.0))
    return float(np.degrees(np.sqrt(np.mean(angle**2))))


# Computed from the same files with the same filter before this project's code existed: a guard, no published values.
# The benchmark's paper gives means over 39 trials of other filters (2.7 deg and 3.7 deg; from memory).
@pytest.mark.parametrize(("number", "expected_deg"), [(11, 0.4198), (15, 0.4705), (16, 0.5395), (21, 1.7163)])
def test_inclination_of_the_filter_with_its_defaults(number: int, expected_deg: float) -> None:
    trial, _ = trial_and_motion(number)
    quat = vqf.VQF(1 / trial.rate_hz).updateBatch(trial.gyro_radps, trial.accel_mps2)["quat6D"]
    assert inclination_rmse_deg(trial, quat) == pytest.approx(expected_deg, abs=0.05)


@pytest.mark.parametrize("number", trials_there())
def test_inclination_of_our_orientation_is_no_worse_than_the_filters_defaults(number: int) -> None:
    trial, motion = trial_and_motion(number)
    causal = vqf.VQF(1 / trial.rate_hz).updateBatch(trial.gyro_radps, trial.accel_mps2)["quat6D"]
    # Ours takes each rate at its sample's own time; this sensor's rates seem to belong half a step earlier, which
    # costs 0.18 deg in trial 15 and 0.15 deg in trial 16.
    assert inclination_rmse_deg(trial, motion.quat_wxyz) < inclination_rmse_deg(trial, causal) + 0.25


def optical_displacement(trial: Trial) -> FloatArray:
    """Optical position through the same band."""
    return band_displacements(np.zeros_like(trial.optical_m), trial.optical_m, trial.rate_hz, (BAND,))[0]


def about_vertical(mine: FloatArray, theirs: FloatArray) -> FloatArray:
    """Rotation about the vertical that brings ``mine`` nearest to ``theirs``."""
    (a, b), (c, d) = mine[:, :2].T, theirs[:, :2].T
    angle = np.arctan2((a * d - b * c).sum(), (a * c + b * d).sum())
    return Rotation.from_euler("z", angle).as_matrix()


def fast_windows(trial: Trial, motion: Motion) -> list[slice]:
    """Windows with at least 1 m/s2 RMS of acceleration."""
    world = rotate(motion.quat_wxyz, motion.accel_mps2)
    world[:, 2] -= GRAVITY_MPS2
    power = np.einsum("ij,ij->i", world, world)
    return [window for window in trial.windows(WINDOW_S) if power[window].mean() >= 1.0]


@pytest.mark.parametrize("number", [15, 16])
def test_elevation_of_the_principal_axis(number: int) -> None:
    trial, motion = trial_and_motion(number)
    mine = motion.displacement(0, motion.grid.size, np.zeros(3), BAND)
    theirs = optical_displacement(trial)
    errors = []
    for window in fast_windows(trial, motion):
        p, o = mine[window] - mine[window].mean(axis=0), theirs[window] - theirs[window].mean(axis=0)
        size, axes = np.linalg.svd(o, full_matrices=False)[1:]
        if size[1] >= 0.5 * size[0]:  # not like a line: no principal axis to compare
            continue
        axis = about_vertical(p, o) @ np.linalg.svd(p, full_matrices=False)[2][0]
        axis *= np.sign(axis @ axes[0])
        errors.append(abs(np.degrees(np.arcsin(axis[2]) - np.arcsin(axes[0, 2]))))
    assert len(errors) >= 40
    assert np.median(errors) <= 1.0
    assert np.percentile(errors, 90) <= 2.0


@dataclass(frozen=True)
class Setup:
    """What a recording does not say of itself.

    ``skew_s``: how far the accelerometer's samples are to be moved ahead of the gyroscope's; ``lead_s``: how far the
    optical clock runs ahead of the sensor's; ``arm_m``: the way from the sensor to the optical point, sensor axes.
    """

    skew_s: float = 0.0
    lead_s: float = 0.0
    arm_m: tuple[float, float, float] = (0.0, 0.0, 0.0)


def differences_mm(number: int, setup: Setup) -> tuple[FloatArray, FloatArray]:
    """RMS difference of each window, and of the motion itself."""
    trial, motion = trial_and_motion(number, setup.skew_s)
    mine = motion.displacement(0, motion.grid.size, np.array(setup.arm_m), BAND)
    mine = mine + setup.lead_s * np.gradient(mine, 1 / trial.rate_hz, axis=0)
    theirs = optical_displacement(trial)
    found, moved = [], []
    for window in fast_windows(trial, motion):
        p, o = mine[window] - mine[window].mean(axis=0), theirs[window] - theirs[window].mean(axis=0)
        found.append(rms_mm(p @ about_vertical(p, o).T - o))
        moved.append(rms_mm(o))
    return np.array(found), np.array(moved)


def rms_mm(path_m: FloatArray) -> float:
    return 1e3 * float(np.sqrt((path_m**2).sum(axis=1).mean()))


@cache
def fit_lead_and_arm(number: int, skew_s: float) -> Setup:
    """Lead of the optical clock and arm that explain a trial best, by Gauss-Newton."""
    trial, motion = trial_and_motion(number, skew_s)
    columns = matrices(motion.quat_wxyz).reshape(-1, 9)
    turned = band_displacements(np.zeros_like(columns), columns, trial.rate_hz, (BAND,))[0].reshape(-1, 3, 3)
    base = motion.displacement(0, motion.grid.size, np.zeros(3), BAND)
    speed = np.gradient(base, 1 / trial.rate_hz, axis=0)
    theirs = optical_displacement(trial)
    x = np.zeros(4)
    for _ in range(5):
        rows, values = [], []
        for window in fast_windows(trial, motion):
            design = np.concatenate([turned[window], speed[window][:, :, None]], axis=2)
            p, o = base[window] + design @ x, theirs[window] - theirs[window].mean(axis=0)
            turn = about_vertical(p - p.mean(axis=0), o)
            design, rest = turn @ design, o - p @ turn.T
            rows.append((design - design.mean(axis=0)).reshape(-1, 4))
            values.append((rest - rest.mean(axis=0)).ravel())
        x = x + np.linalg.lstsq(np.concatenate(rows), np.concatenate(values), rcond=None)[0]
    return Setup(skew_s, float(x[3]), (float(x[0]), float(x[1]), float(x[2])))


@cache
def setup_of_trial_21() -> Setup:
    """Skew, lead and arm from the one trial that also turns: the sum of squares is a parabola of the skew."""
    skews = np.array([-3e-3, -1.5e-3, 0.0])
    squares = [np.sum(differences_mm(21, fit_lead_and_arm(21, float(skew)))[0] ** 2) for skew in skews]
    curve, slope, _ = np.polyfit(skews, squares, 2)
    return fit_lead_and_arm(21, float(-slope / (2 * curve)))


# 1.1 to 1.3 times what was measured.
@pytest.mark.parametrize(
    ("number", "median_mm", "high_mm"), [(11, 1.07, 1.53), (15, 5.5, 7.6), (16, 7.2, 9.8), (21, 6.2, 6.9)]
)
def test_displacement_as_it_stands(number: int, median_mm: float, high_mm: float) -> None:
    difference, _ = differences_mm(number, Setup())
    assert difference.size > 90
    assert np.median(difference) < median_mm
    assert np.percentile(difference, 90) < high_mm


@pytest.mark.parametrize(("number", "median_mm", "high_mm"), [(11, 0.57, 0.79), (15, 2.2, 3.1), (16, 1.07, 1.5)])
def test_displacement_with_the_setup_of_another_trial(number: int, median_mm: float, high_mm: float) -> None:
    """The arm takes the place of the lever to the tip: a wrong sign or filter of it would show here."""
    difference, moved = differences_mm(number, setup_of_trial_21())
    assert np.median(difference) < median_mm
    assert np.percentile(difference, 90) < high_mm
    assert np.median(difference / moved) < 0.01


def test_setup_agrees_between_trials() -> None:
    """The same rig recorded all trials: what our displacement finds of it must be the same in each."""
    skew_s = setup_of_trial_21().skew_s
    assert abs(skew_s) < 1 / 285.0  # less than one sample
    found = [fit_lead_and_arm(number, skew_s) for number in (11, 15, 16, 21)]
    assert np.ptp([1e3 * setup.lead_s for setup in found]) < 0.3
    assert 1e3 * np.ptp([setup.arm_m[2] for setup in found]) < 4.0
