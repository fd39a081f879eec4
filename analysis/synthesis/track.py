"""Smooth functions of time from which the motion is built: piecewise quintics, random processes, short pulses.

All are evaluated at arbitrary times and return (d, n). Tracks have continuous acceleration, so that what a sensor
sees is a motion that a body can make.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy.fft import irfft, next_fast_len, rfftfreq
from scipy.interpolate import CubicSpline

from analysis.model.records import FloatArray, IntArray


@dataclass(frozen=True)
class Track:
    """A piecewise quintic through nodes with given value, velocity and acceleration; held outside them.

    Attributes
    ----------
    times_s : float64 (k,)
    coefficients : float64 (6, d, k - 1)
        Powers of the local time, scaled to 0..1 within each interval.
    """

    times_s: FloatArray
    coefficients: FloatArray

    def __call__(self, t_s: FloatArray) -> FloatArray:
        """Evaluate at times (n,); quickest where they increase."""
        if t_s.size > 1 and np.all(t_s[1:] >= t_s[:-1]):
            first, last = np.clip(np.searchsorted(self.times_s, t_s[[0, -1]], "right") - 1, 0, self.times_s.size - 2)
            edges = np.searchsorted(t_s, self.times_s[first + 1 : last + 1])
            edges = np.concatenate(([0], edges, [t_s.size]))
            if (last - first + 1) * 1000 < t_s.size:
                return self._evaluate_runs(t_s, int(first), edges)
            index = np.repeat(np.arange(first, last + 1), np.diff(edges))
        else:
            index = np.clip(np.searchsorted(self.times_s, t_s, "right") - 1, 0, self.times_s.size - 2)
        start = self.times_s[index]
        u = np.clip((t_s - start) / (self.times_s[index + 1] - start), 0.0, 1.0)
        value = np.take(self.coefficients[5], index, axis=1)
        for power in range(4, -1, -1):
            value *= u
            value += np.take(self.coefficients[power], index, axis=1)
        return value

    def _evaluate_runs(self, t_s: FloatArray, first: int, edges: IntArray) -> FloatArray:
        """Evaluate where many times share an interval: no coefficient is copied for each time."""
        value = np.empty((self.coefficients.shape[1], t_s.size))
        for k, (a, b) in enumerate(pairwise(edges.tolist()), start=first):
            c = self.coefficients[:, :, k, None]
            part = value[:, a:b]
            part[:] = c[0]
            if b > a and np.any(c[1:]):
                u = np.clip((t_s[a:b] - self.times_s[k]) / (self.times_s[k + 1] - self.times_s[k]), 0.0, 1.0)
                part[:] = c[5]
                for power in range(4, -1, -1):
                    part *= u
                    part += c[power]
        return value


@dataclass
class Nodes:
    """A list of nodes that grows in time order and becomes a :class:`Track`."""

    dims: int
    times: list[FloatArray] = field(default_factory=list)
    values: list[FloatArray] = field(default_factory=list)
    velocities: list[FloatArray] = field(default_factory=list)
    accelerations: list[FloatArray] = field(default_factory=list)

    def add(
        self,
        t_s: FloatArray | Sequence[float] | float,
        value: FloatArray,
        velocity: FloatArray | None = None,
        acceleration: FloatArray | None = None,
    ) -> None:
        """Append nodes at times (k,) with values (k, d) or (d,); velocity and acceleration default to zero."""
        times = np.atleast_1d(np.asarray(t_s, dtype=float))
        shape = (times.size, self.dims)
        self.times.append(times)
        self.values.append(np.broadcast_to(value, shape))
        self.velocities.append(np.zeros(shape) if velocity is None else np.broadcast_to(velocity, shape))
        self.accelerations.append(np.zeros(shape) if acceleration is None else np.broadcast_to(acceleration, shape))

    @property
    def last(self) -> FloatArray:
        """Value (d,) of the last node."""
        last: FloatArray = self.values[-1][-1]
        return last

    @property
    def last_s(self) -> float:
        """Time of the last node."""
        return float(self.times[-1][-1])

    def build(self) -> Track:
        """Return the track.

        Raises
        ------
        ValueError
            If fewer than two nodes were given, or times do not increase.
        """
        t = np.concatenate(self.times)
        if t.size < 2 or not np.all(np.diff(t) > 0):
            raise ValueError("a track needs at least two nodes at increasing times")
        p, v, a = (np.concatenate(x).T for x in (self.values, self.velocities, self.accelerations))
        h = np.diff(t)
        p0, step = p[:, :-1], np.diff(p, axis=1)
        v0, v1 = v[:, :-1] * h, v[:, 1:] * h
        a0, a1 = a[:, :-1] * h**2, a[:, 1:] * h**2
        coefficients = np.stack(
            (
                p0,
                v0,
                0.5 * a0,
                10 * step - 6 * v0 - 4 * v1 - 1.5 * a0 + 0.5 * a1,
                -15 * step + 8 * v0 + 7 * v1 + 1.5 * a0 - a1,
                6 * step - 3 * v0 - 3 * v1 - 0.5 * a0 + 0.5 * a1,
            )
        )
        return Track(t, coefficients)


def add_samples(nodes: Nodes, t_s: FloatArray, values: FloatArray) -> None:
    """Append a smooth curve through samples (k, d), at rest at both ends."""
    spline = CubicSpline(t_s, values, bc_type="clamped")
    acceleration = spline(t_s, 2)
    acceleration[[0, -1]] = 0.0
    nodes.add(t_s, values, spline(t_s, 1), acceleration)


@dataclass(frozen=True)
class GridSpline:
    """A cubic spline on a uniform grid that starts at ``start_s``; coefficients (4, d, m), highest power first."""

    start_s: float
    step_s: float
    coefficients: FloatArray

    def __call__(self, t_s: FloatArray) -> FloatArray:
        """Evaluate at times (n,)."""
        position = (t_s - self.start_s) / self.step_s
        index = np.clip(position.astype(np.int64), 0, self.coefficients.shape[2] - 1)
        u = (position - index) * self.step_s
        value = np.take(self.coefficients[0], index, axis=1)
        for power in range(1, 4):
            value *= u
            value += np.take(self.coefficients[power], index, axis=1)
        return value


def random_process(
    rng: np.random.Generator, span_s: tuple[float, float], step_s: float, band_hz: tuple[float, float], sd: FloatArray
) -> GridSpline:
    """Return a smooth Gaussian process of the given SDs (d,), its power falling as 1/f inside a band.

    Parameters
    ----------
    rng : Generator
    span_s : (float, float)
        First and last time needed.
    step_s : float
        Grid; at least four points a cycle of the upper band edge.
    band_hz : (float, float)
    sd : float64 (d,)
    """
    margin = 4 * step_s
    start = span_s[0] - margin
    # Never shorter than four of the slowest cycles, or a short session would have hardly any process at all.
    needed = int(np.ceil(max(span_s[1] - start + margin, 4.0 / band_hz[0]) / step_s)) + 1
    n = next_fast_len(needed, real=True)
    frequency = rfftfreq(n, step_s)
    inside = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    gain = np.zeros(frequency.size)
    gain[inside] = frequency[inside] ** -0.5
    spectrum = rng.normal(size=(sd.size, frequency.size, 2)) @ np.array([1.0, 1.0j]) * gain
    power = 4.0 * np.sum(gain**2) / n**2
    samples = irfft(spectrum, n, axis=1) * (sd / np.sqrt(power))[:, None]
    kept = min(n, int(np.ceil((span_s[1] - start + margin) / step_s)) + 1)
    spline = CubicSpline(np.arange(kept) * step_s, samples[:, :kept].T)
    return GridSpline(start, step_s, np.ascontiguousarray(np.moveaxis(spline.c, 2, 1)))


@dataclass(frozen=True)
class Pulses:
    """Short damped vibrations: displacement ``amplitude (t/tau)^2 exp(-t/tau) sin(2 pi f t)`` after each onset.

    A displacement, not an acceleration, so that a vibration leaves no velocity behind. ``onset_s`` increases.
    """

    onset_s: FloatArray
    amplitude: FloatArray
    frequency_hz: FloatArray
    decay_s: FloatArray

    def __call__(self, t_s: FloatArray) -> FloatArray:
        """Evaluate at times (n,); only the two latest pulses still sound."""
        value = np.zeros((self.amplitude.shape[0], t_s.size))
        if self.onset_s.size == 0:
            return value
        latest = np.searchsorted(self.onset_s, t_s, side="right") - 1
        for back in (0, 1):
            index = latest - back
            age = t_s - self.onset_s[np.maximum(index, 0)]
            heard = np.flatnonzero((index >= 0) & (age < 25.0 * self.decay_s[np.maximum(index, 0)]))
            k = index[heard]
            x = age[heard] / self.decay_s[k]
            shape = x**2 * np.exp(-x) * np.sin(2 * np.pi * self.frequency_hz[k] * age[heard])
            value[:, heard] += self.amplitude[:, k] * shape
        return value


@dataclass(frozen=True)
class Catches:
    """Moments at which the string holds the tip back: ``-depth exp(-(t - centre)^2 / 2 width^2)``; depth (3, k)."""

    centre_s: FloatArray
    depth: FloatArray
    width_s: float = 0.006

    def __call__(self, t_s: FloatArray) -> FloatArray:
        """Evaluate at times (n,); pulses are far enough apart that only the nearest counts."""
        value = np.zeros((3, t_s.size))
        if self.centre_s.size == 0:
            return value
        right = np.clip(np.searchsorted(self.centre_s, t_s), 1, self.centre_s.size - 1) if self.centre_s.size > 1 else 0
        left = np.maximum(right - 1, 0) + np.zeros(t_s.size, dtype=np.int64)
        right = right + np.zeros(t_s.size, dtype=np.int64)
        nearer_right = np.abs(self.centre_s[right] - t_s) < np.abs(self.centre_s[left] - t_s)
        k = np.where(nearer_right, right, left)
        x = (t_s - self.centre_s[k]) / self.width_s
        near = np.flatnonzero(np.abs(x) < 6.0)
        value[:, near] = -self.depth[:, k[near]] * np.exp(-0.5 * x[near] ** 2)
        return value
