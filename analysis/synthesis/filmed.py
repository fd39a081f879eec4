"""Play as cameras saw it: frames of noisy markers, smoothed, some of them lost, and a sensor carried along that path.

A motion that was filmed holds nothing above some 20 Hz, no pick attack and no jolt at a string, and the noise of its
markers, coloured by the smoothing, is part of it. The virtual sensor moves with it as a rigid body, and so does the
tip: the truth is the filmed tip's own path. Gestures and stills stay as they were.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, sosfiltfilt

from analysis.model.records import BoolArray, FloatArray
from analysis.synthesis.performance import Performance, Pose
from analysis.synthesis.rotation import conjugate, exp_quat, multiply, rotate
from analysis.synthesis.scenario import Camera
from analysis.synthesis.timeline import LEVER

_BEFORE_S = 1.2
"""A take begins before its first stroke, and ends after its last, by so much."""
_FADE_S = 0.4


@dataclass(frozen=True)
class Take:
    """One filmed stretch: the sensor's place and attitude, splines of time."""

    start_s: float
    end_s: float
    place_m: CubicSpline
    quat: CubicSpline

    def share(self, t_s: FloatArray) -> FloatArray:
        """How much of the motion at times (n,) is the filmed one: 1 inside, ramps at both ends."""
        u = np.clip(np.minimum(t_s - self.start_s, self.end_s - t_s) / _FADE_S, 0.0, 1.0)
        risen: FloatArray = u**3 * (10 - 15 * u + 6 * u**2)
        return risen


@dataclass(frozen=True)
class FilmedPerformance(Performance):
    """A performance whose blocks were filmed."""

    takes: tuple[Take, ...] = ()

    def pose(self, t_s: FloatArray) -> Pose:
        """Return the pose at times (n,)."""
        plain = super().pose(t_s)
        place, quat = plain.sensor_m.copy(), plain.sensor_quat.copy()
        for take in self.takes:
            at = np.flatnonzero((t_s > take.start_s) & (t_s < take.end_s))
            share = take.share(t_s[at])
            place[:, at] += share * (take.place_m(t_s[at]).T - place[:, at])
            seen = take.quat(t_s[at]).T
            seen *= np.sign((seen * quat[:, at]).sum(axis=0))
            quat[:, at] += share * (seen - quat[:, at])
        quat /= np.linalg.norm(quat, axis=0)
        tip = place + rotate(quat, self.slow(t_s)[LEVER])
        return Pose(
            rotate(conjugate(plain.instrument_quat), tip) - self.origin_m[:, None],
            place,
            quat,
            plain.instrument_quat,
            plain.origin_m,
        )

    def tip_m(self, t_s: FloatArray) -> FloatArray:
        """Return the tip (3, n) in the instrument's frame."""
        return self.pose(t_s).tip_m


def film(performance: Performance, camera: Camera, seed: int) -> FilmedPerformance:
    """Film every block of a performance.

    Parameters
    ----------
    performance : Performance
    camera : Camera
    seed : int

    Returns
    -------
    FilmedPerformance
    """
    rng = np.random.default_rng([seed, 0xF11])
    takes = tuple(
        _take(performance, camera, rng, plan.turns_s[0] - _BEFORE_S, plan.turns_s[-1] + _BEFORE_S)
        for plan in performance.blocks
    )
    same = {field.name: getattr(performance, field.name) for field in fields(Performance)}
    return FilmedPerformance(**same, takes=takes)


def _take(performance: Performance, camera: Camera, rng: np.random.Generator, start_s: float, end_s: float) -> Take:
    frames = start_s + np.arange(int((end_s - start_s) * camera.rate_hz)) / camera.rate_hz
    pose = performance.pose(frames)
    place = pose.sensor_m + 1e-3 * camera.noise_mm * rng.normal(size=(3, frames.size))
    quat = multiply(exp_quat(np.radians(camera.noise_deg) * rng.normal(size=(3, frames.size))), pose.sensor_quat)
    # A rotation has two quaternions: one spline wants neighbours of one sign.
    quat *= np.cumprod(np.concatenate(([1.0], np.sign((quat[:, 1:] * quat[:, :-1]).sum(axis=0)))))
    seen = _seen(camera, rng, frames)
    both = CubicSpline(frames[seen], np.concatenate((place, quat))[:, seen].T)(frames)
    if camera.lowpass_hz < 0.5 * camera.rate_hz:
        both = sosfiltfilt(butter(2, camera.lowpass_hz, fs=camera.rate_hz, output="sos"), both, axis=0)
    return Take(float(frames[0]), float(frames[-1]), CubicSpline(frames, both[:, :3]), CubicSpline(frames, both[:, 3:]))


def _seen(camera: Camera, rng: np.random.Generator, frames: FloatArray) -> BoolArray:
    """Frames in which the markers were seen."""
    seen = np.ones(frames.size, dtype=bool)
    for _ in range(int(rng.poisson(camera.losses_per_min * frames.size / camera.rate_hz / 60.0))):
        first = int(rng.integers(1, frames.size - 1))
        seen[first : first + int(rng.uniform(*camera.loss_s) * camera.rate_hz) + 1] = False
    seen[[0, -1]] = True
    return seen
