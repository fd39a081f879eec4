"""The least error of single strokes that any estimator can reach with the simulated sensor, beside what is reached.

A path integrated twice is the strokes, the hand's level and the drift of the accelerometer's noise. All three are
Gaussian in the forward model, or nearly, and the path is their sum, so the Bayesian Cramer-Rao bound (Van Trees 1968,
ch. 2.4) is reached by the conditional mean: the bound is the posterior variance of what the drift adds from turn to
turn, given one reading of level plus drift at every turn, half a stroke of unknown size to either side in turn.
Covariances: of the level, that of its 1/f spectrum from 0.05 to 1 Hz, across the stroke, whose tilts lie within 28 deg:
the hand wanders more in the strings' plane than out of it; of the drift, N^2 / 2 (m^2 (3 M - m)) / 6 with m, M the
smaller and larger time; of a reading, the scatter of the tilts at each turn (that of the spans shows along the stroke).
Frame, lever and scale are taken as known: the bound is that of the scatter within a block.

Every attack that folds into the band of a sensor of 400 samples/s leaves a step of the speed behind, whose SD was
measured on noiseless sessions: a white noise of the acceleration that grows with the strokes a second.

Run: python -m benchmarks.bench_bound
"""

from __future__ import annotations

import numpy as np

NOISE_MPS2_RTHZ = 400e-6 * 9.81
GOOD_MPS2_RTHZ = 70e-6 * 9.81
ATTACK_STEP_MPS = 1.05e-3
WANDER_M, WANDER_HZ = (0.7e-3, 0.25e-3), (0.05, 1.0)
TILTS_DEG = np.linspace(0.0, 28.0, 8)
SPAN_M, TILT_SCATTER_DEG = 15e-3, 1.0
STROKES = 80
DIFFUSE = 1e4


def drift_covariance(t: np.ndarray, u: np.ndarray, noise: float) -> np.ndarray:
    """Of twice integrated white noise between times (n,) and (m,), an unknown line added."""
    m, M = np.minimum(t[:, None], u), np.maximum(t[:, None], u)
    return noise**2 / 2 * m**2 * (3 * M - m) / 6 + noise**2 * DIFFUSE * (1 + t[:, None] * u)


def level_covariance(t: np.ndarray, tilt_deg: float) -> np.ndarray:
    """Of a process with a 1/f spectrum inside the band, across a stroke of this tilt."""
    across_m = np.hypot(WANDER_M[0] * np.sin(np.radians(tilt_deg)), WANDER_M[1] * np.cos(np.radians(tilt_deg)))
    f = np.linspace(*WANDER_HZ, 2000)
    weight = 1 / f
    lag = np.abs(t[:, None] - t)
    each = {float(x): float((weight * np.cos(2 * np.pi * f * x)).sum()) for x in np.unique(lag.round(6))}
    return across_m**2 * np.vectorize(lambda x: each[float(x)])(lag.round(6)) / weight.sum()


def least_error_deg(strokes_per_s: float, noise: float) -> tuple[float, float]:
    """Bound (deg) of the tilts of a series, root mean square, and of its first stroke's."""
    each = np.array([least_errors_deg(strokes_per_s, noise, tilt) for tilt in TILTS_DEG])
    return float(np.sqrt(np.mean(each**2))), float(np.sqrt(np.mean(each[:, 0] ** 2)))


def least_errors_deg(strokes_per_s: float, noise: float, tilt_deg: float) -> np.ndarray:
    """Bound (deg) of each stroke of a series."""
    turns = 1.0 + np.arange(STROKES + 1) / strokes_per_s
    side = (-1.0) ** np.arange(STROKES + 1)
    # A chord joins two turns, so that scatter at turns is sqrt 2 times what the chord shows.
    reading_m = 0.5 * SPAN_M * np.sqrt(2.0) * np.radians(TILT_SCATTER_DEG)
    drift = drift_covariance(turns, turns, noise)
    level = level_covariance(turns, tilt_deg)
    known = drift + level + reading_m**2 * np.eye(side.size) + SPAN_M**2 * np.outer(side, side)
    cross = np.diff(drift, axis=0)
    left = np.diag(np.diff(cross, axis=1) - cross @ np.linalg.solve(known, cross.T))
    return np.degrees(np.sqrt(np.maximum(left, 0.0)) / SPAN_M)


def with_attacks(noise: float, strokes_per_s: float) -> float:
    """The noise and what attacks fold into it, as one density."""
    return float(np.sqrt(noise**2 + 2 * ATTACK_STEP_MPS**2 * strokes_per_s))


def main() -> None:
    """Print the table."""
    print("| strokes/s | 400 ug/rtHz | first stroke | with attacks | first stroke | 70 ug/rtHz | with attacks |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for rate in (2.0, 4.0, 8.0, 12.0):
        cheap, good = (
            [least_error_deg(rate, each) for each in (noise, with_attacks(noise, rate))]
            for noise in (NOISE_MPS2_RTHZ, GOOD_MPS2_RTHZ)
        )
        values = [*cheap[0], *cheap[1], good[0][0], good[1][0]]
        print(f"| {rate:g} | " + " | ".join(f"{value:.2f}" for value in values) + " |")


if __name__ == "__main__":
    main()
