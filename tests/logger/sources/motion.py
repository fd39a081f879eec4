"""Counts of a sensor that is turned and shaken as a script says, for tests of check and calibration."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.model.records import RawSamples, SensorProfile
from logger.sources.device_profile import load_profile, sensor_from_hello
from tests.logger.sources.make import HELLO

G = 9.81
SENSOR: SensorProfile = sensor_from_hello(load_profile("frames"), HELLO).sensor
RATE = 400.0


def counts_of(accel_mps2: np.ndarray, gyro_radps: np.ndarray, seed: int = 0, noise: float = 1.0) -> np.ndarray:
    """Noise of an MPU-6050's class, then whole counts, clipped at the end of the range."""
    rng = np.random.default_rng(seed)
    accel = accel_mps2 + noise * 0.04 * rng.normal(size=accel_mps2.shape)
    gyro = gyro_radps + np.radians(0.8) + noise * np.radians(0.1) * rng.normal(size=gyro_radps.shape)
    both = np.hstack([accel / SENSOR.accel_mps2_per_count, gyro / SENSOR.gyro_radps_per_count])
    return np.clip(np.round(both), -32768, 32767).astype(np.int32)


def raw_of(counts: np.ndarray, rate_hz: float = RATE, first: int = 0) -> RawSamples:
    numbers = np.arange(first, first + len(counts), dtype=np.int64)
    ticks = np.round(numbers * 1e6 / rate_hz).astype(np.int64)
    return RawSamples(ticks, numbers, ticks / 1e6, counts)


def resting(seconds: float, up: tuple[float, float, float] = (0.0, 0.0, 1.0)) -> tuple[np.ndarray, np.ndarray]:
    n = round(seconds * RATE)
    return np.tile(G * np.array(up) / np.linalg.norm(up), (n, 1)), np.zeros((n, 3))


def turning(seconds: float, hold_s: float) -> tuple[np.ndarray, np.ndarray]:
    """From z up to x up about the y axis, smoothly, then held."""
    n = round(seconds * RATE)
    t = np.clip(np.arange(n) / (n - round(hold_s * RATE)), 0.0, 1.0)
    # "Up" moves from the sensor's z to its x: the sensor turns about its y by -90 degrees.
    angle = -math.pi / 2 * (10 * t**3 - 15 * t**4 + 6 * t**5)
    attitude = Rotation.from_euler("y", angle[:, None])
    accel = attitude.inv().apply([0.0, 0.0, G])
    gyro = np.zeros((n, 3))
    gyro[:, 1] = np.gradient(angle) * RATE
    return accel, gyro


def strokes(seconds: float, peak_mps2: float = 40.0, peak_radps: float = 8.0) -> tuple[np.ndarray, np.ndarray]:
    accel, gyro = resting(seconds)
    phase = 2 * np.pi * 4.0 * np.arange(len(accel)) / RATE
    accel[:, 1] += peak_mps2 * np.sin(phase)
    gyro[:, 0] += peak_radps * np.cos(phase)
    return accel, gyro


def flick(seconds: float, ring_mps2: float, ring_hz: float, decay_s: float) -> tuple[np.ndarray, np.ndarray]:
    """A flick of 0.15 s one second in, after which the strap rings."""
    accel, gyro = resting(seconds)
    t = np.arange(len(accel)) / RATE - 1.0
    during = (t >= 0) & (t < 0.15)
    gyro[during, 0] += 12.0 * np.sin(np.pi * t[during] / 0.15)
    accel[during, 1] += 40.0 * np.sin(2 * np.pi * t[during] / 0.15)
    after = t >= 0.15
    accel[after, 2] += (
        ring_mps2 * np.exp(-(t[after] - 0.15) / decay_s) * np.cos(2 * np.pi * ring_hz * (t[after] - 0.15))
    )
    return accel, gyro
