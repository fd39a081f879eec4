"""Repetitions of real wrist recordings, counted with the turns and strokes of our own segmentation.

Recordings: the watch data set that seglearn 1.2.5 carries (D. M. Burns and C. M. Whyne, "Seglearn: A Python Package
for Learning Sequences and Time Series", Journal of Machine Learning Research 19(83), 2018; the study is
arXiv:1802.01489): 140 recordings at 50 Hz of a watch on the wrist, each one set of 20 repetitions of one shoulder
exercise. A repetition is a move and its return: two strokes. Rowing is left out, its pull has a double rotation and
counts half of the sets twice.

Counted 20 +- 1, of 20 recordings each: pendulum 17, abduction 19, forward elevation 20, internal rotation 19,
external rotation 19, trapezius 19. Only the range of tempo differs from the settings for picking. What limits it: arms
that swing or are shaken out before and after the set (22.5 at the most), and a first or last repetition that is taken
slowly (18.5 at the least).
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from analysis.model.records import FloatArray
from analysis.motion.moves import strokes_along
from analysis.motion.tip_path import Band, band_displacements
from analysis.motion.turns import StrokeSettings, cycle_frequencies
from tests.optional import missing

RATE_HZ = 50.0
# An arm is slower than a pick: one repetition in half a second to five seconds.
SETTINGS = StrokeSettings(min_cycle_hz=0.1, max_cycle_hz=2.0, min_span_mm=100.0)
SHA256 = "eb122f23cdf06ef6bd6c6c5312958ec5cf9d038e2e6d457b8081662c75a42537"


@cache
def recordings() -> dict[str, list[FloatArray]]:
    """Recordings by exercise; the file is unpickled only if it is the one that was looked at."""
    found = find_spec("seglearn")  # without importing it and all that it needs
    if found is None or found.origin is None:
        missing("the Python module seglearn is not installed (see the extras in pyproject.toml)")
    path = Path(found.origin).parent / "data" / "watch_dataset.npy"
    assert hashlib.sha256(path.read_bytes()).hexdigest() == SHA256
    data = np.load(path, allow_pickle=True).item()
    labels = data["y_labels"]
    by_name: dict[str, list[FloatArray]] = {name: [] for name in labels}
    for samples, kind in zip(data["X"], data["y"], strict=True):
        by_name[labels[int(kind)]].append(np.asarray(samples, dtype=np.float64))
    return by_name


def band_limited(angle: FloatArray, band: Band) -> FloatArray:
    return band_displacements(np.zeros((angle.size, 1)), angle[:, None], RATE_HZ, (band,))[0]


def count_repetitions(gyro_radps: FloatArray) -> float:
    """Half the strokes of the angle about the principal axis of rotation."""
    gyro = gyro_radps - gyro_radps.mean(axis=0)
    axis = np.linalg.eigh(gyro.T @ gyro)[1][:, -1]
    angle = cumulative_trapezoid(gyro @ axis, dx=1 / RATE_HZ, initial=0)
    rough = band_limited(angle, Band(0.2, 4, 2.0))[:, 0]
    _, frequency, speed = cycle_frequencies(rough, RATE_HZ, SETTINGS, window_s=8.0)
    cycle_hz = float(np.average(frequency, weights=speed**2))
    position = band_limited(angle, Band(0.5 * cycle_hz, 4, max(3.5 * cycle_hz, 1.0)))
    # In parts of the whole way: the least span of a stroke is in millimetres.
    return strokes_along(position[:, 0] / float(np.ptp(position)), RATE_HZ, SETTINGS).start.size / 2


@pytest.mark.parametrize(
    ("exercise", "at_least"), [("PEN", 17), ("ABD", 19), ("FEL", 20), ("IR", 19), ("ER", 19), ("TRAP", 19)]
)
def test_sets_of_twenty_repetitions(exercise: str, at_least: int) -> None:
    counts = np.array([count_repetitions(samples[:, 3:]) for samples in recordings()[exercise]])
    assert counts.size == 20
    assert abs(np.median(counts) - 20) <= 0.5
    assert (np.abs(counts - 20) <= 1).sum() >= at_least, np.sort(counts)
    assert np.abs(counts - 20).max() <= 3, np.sort(counts)
