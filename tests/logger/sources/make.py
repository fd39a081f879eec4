"""Streams with known contents, shared by the sensor tests."""

from __future__ import annotations

import numpy as np

from analysis.model.records import RawSamples
from logger.sources.messages import Hello, SampleFrame
from logger.sources.packets import encode
from logger.sources.stream import Item, join_samples

HELLO = Hello(
    tick_bits=32,
    tick_hz=1_000_000,
    rate_hz=400.0,
    accel_range_g=8,
    gyro_range_dps=2000,
    accel_g_per_count=1.0 / 4096.0,
    gyro_dps_per_count=1.0 / 16.4,
    axes=(1, 2, 3),
    boot=0x1234ABCD,
    id="0011223344556677",
    part="MPU-6050",
    firmware="test 1",
)


def random_counts(n: int, seed: int = 0) -> np.ndarray:
    """Counts that look like nothing else in a stream."""
    return np.random.default_rng(seed).integers(-32768, 32768, (n, 6), dtype=np.int16)


def sample_frames(counts: np.ndarray, per_frame: int = 10, period_ticks: int = 2500, first: int = 0) -> list[bytes]:
    """Wire frames of evenly spaced samples, numbered from ``first``, ticks starting at ``first * period``."""
    frames = []
    for at in range(0, len(counts), per_frame):
        part = counts[at : at + per_frame]
        offsets = (np.arange(len(part)) * period_ticks).astype(np.uint16)
        number = first + at
        frame = SampleFrame(number % 2**32, number * period_ticks % 2**32, offsets, part)
        frames.append(encode(frame, number))
    return frames


def samples_of(items: list[Item]) -> RawSamples:
    """All samples among the items."""
    return join_samples([item for item in items if isinstance(item, RawSamples)])
