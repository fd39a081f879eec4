"""A hand that raps three times on a hollow body, as a sensor on its back feels it. An own model, from mechanics:

The hand swings from the wrist and meets wood: it falls, is stopped within 4 to 8 ms, and the body and the sensor's
strap ring on at 50 to 140 Hz. Decelerations of 30 to 120 m/s2 follow from a knuckle at 0.15 to 0.5 m/s (from memory).
"""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray


def rap_accel(rng: np.random.Generator, rate_hz: float, clip_mps2: float = 4 * 9.80665) -> FloatArray:
    """Acceleration (n, 3) with gravity: the hand comes, waits a second, raps three times, waits, goes."""
    interval = rng.uniform(0.22, 0.45)
    times = 2.0 + interval * np.arange(3) + rng.normal(0, 0.05 * interval, 3)
    t = np.arange(int((times[2] + 2.5) * rate_hz)) / rate_hz
    way = rng.normal(size=3)
    way /= np.linalg.norm(way)
    side = np.cross(way, rng.normal(size=3))
    side /= np.linalg.norm(side)
    accel = np.zeros((t.size, 3))
    strength = rng.uniform(30, 100)
    for at in times:
        peak = strength * rng.uniform(0.7, 1.3)
        width = rng.uniform(0.004, 0.008)
        stop = np.where(np.abs(t - at) < width / 2, np.cos(np.pi * (t - at) / width), 0.0)
        age = np.clip(t - at, 0, None)
        ring = np.exp(-age / rng.uniform(0.006, 0.015)) * np.sin(2 * np.pi * rng.uniform(50, 140) * age)
        accel += peak * (stop[:, None] * way + 0.4 * ring[:, None] * (0.7 * way + 0.7 * side))
        # The swing: the hand lifts and falls once a rap, with the speed that the stop takes away again.
        speed = peak * width * 2 / np.pi
        swing = np.exp(-0.5 * ((t - at + 0.3 * interval) / (0.12 * interval)) ** 2)
        back = np.exp(-0.5 * ((t - at - 0.25 * interval) / (0.12 * interval)) ** 2)
        area = 0.12 * interval * np.sqrt(2 * np.pi)
        accel -= (0.7 * speed / area * (swing + 0.4 * back))[:, None] * way
    for at in (rng.uniform(0.3, 0.6), times[2] + rng.uniform(1.3, 1.6)):
        accel += _move(t - at, rng.uniform(0.4, 0.6))[:, None] * rng.normal(size=3) * rng.uniform(0.05, 0.15)
    for axis in range(3):
        for _ in range(3):
            # Tremor, and a hand that is not quite still.
            accel[:, axis] += 0.08 * np.sin(2 * np.pi * (rng.uniform(1, 12) * t + rng.random()))
    gravity = rng.normal(size=3)
    accel += 9.81 * gravity / np.linalg.norm(gravity) + 0.1 * rng.normal(size=accel.shape)
    return np.clip(accel, -clip_mps2, clip_mps2)


def _move(t: FloatArray, duration_s: float) -> FloatArray:
    """Acceleration of a movement of unit length with the least jerk, from 0 to ``duration_s``."""
    x = np.clip(t / duration_s, 0.0, 1.0)
    return np.asarray((60 * x - 180 * x**2 + 120 * x**3) / duration_s**2 * ((x > 0) & (x < 1)))
