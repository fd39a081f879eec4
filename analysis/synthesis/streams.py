"""Independent random streams of one seed, so that gestures stay the same whatever is played after them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Streams:
    """One generator for each purpose."""

    seed: int
    person: np.random.Generator
    gestures: np.random.Generator
    processes: np.random.Generator
    sensor: np.random.Generator
    noise: np.random.Generator
    host: np.random.Generator

    @classmethod
    def of(cls, seed: int) -> Streams:
        """Return the streams of a seed."""
        children = np.random.SeedSequence([seed, 0x57120]).spawn(6)
        return cls(seed, *(np.random.default_rng(child) for child in children))

    def block(self, index: int) -> np.random.Generator:
        """Return a stream of its own for each block."""
        return np.random.default_rng(np.random.SeedSequence([self.seed, 0xB10C, index]))
