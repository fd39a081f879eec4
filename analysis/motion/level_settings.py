"""What the level's smoother assumes of sensor and hand: :mod:`analysis.motion.level`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from analysis.motion.level_states import Size, Walks

LEAST_NOISE_MPS2_RTHZ = 2e-3


@dataclass(frozen=True)
class LevelSettings:
    """What is assumed of sensor and hand.

    Attributes
    ----------
    accel_noise_mps2_rthz : tuple of float
        One-sided densities of the acceleration's error that are tried, the same for all axes. The least is for a cheap
        sensor whose noise is not known: leaking gravity and scale add to it, and attacks that a slow sensor folds
        into its band.
    bias_walk_mps3_rthz : float
        How fast the acceleration's bias walks.
    level_time_s, crossing_time_s : float
        Over which the level forgets where it was; the second across the strings, of a hand that changes them.
    level_sizes_m : tuple of float
        SDs of the level that are tried.
    across : int
        The axis across the strings.
    turning_m_per_rad : float
        How far the level across the strings may move for a radian by which the hand turns: SD, about any axis.
    following_gain : float
        By how much the log likelihood must rise before the level is taken to follow the turn.
    one_string_m : float
        A level whose SD across the strings is larger is that of a hand that changes strings.
    reading_m : float
        SD by which each turn's reading is off by itself, at least.
    reading_shares : tuple of float
        What the turns' scatter about the level adds to it, as shares of the level's SD that are tried.
    half_span_m : float
        How far a turn lies to its side of the level: SD about the mean of all strokes.
    edge_reading_m : float
        SD of the reading of an end that is no turn.
    se_factors : (float, float)
        How much larger the chord's error is than what noise, bias and a Gaussian level make of it: leaking gravity and
        scale add to it; the second where the hand goes from string to string, because it leaps. From simulated
        sessions of two forward models.
    most_turns, overlap : int
        Turns solved at once; neighbours share so many at each end.
    tried : int
        Turns in whose middle the level's SD is sought.
    """

    accel_noise_mps2_rthz: tuple[float, ...] = (6e-3, 1.2e-2, 2.4e-2)
    bias_walk_mps3_rthz: float = 3e-3
    level_time_s: float = 0.7
    crossing_time_s: float = 3.0
    level_sizes_m: tuple[float, ...] = (1e-4, 3e-4, 1e-3, 2e-3, 5e-3, 1e-2, 3e-2)
    across: int = 1
    turning_m_per_rad: float = 0.1
    following_gain: float = 10.0
    one_string_m: float = 2e-3
    reading_m: float = 1e-4
    reading_shares: tuple[float, ...] = (0.3, 1.0, 3.0)
    half_span_m: float = 0.1
    edge_reading_m: float = 5e-4
    se_factors: tuple[float, float] = (1.1, 1.5)
    most_turns: int = 800
    overlap: int = 40
    tried: int = 120

    @property
    def walks(self) -> Walks:
        """How the states move, at the least of the noises."""
        return Walks(self.accel_noise_mps2_rthz[0], self.bias_walk_mps3_rthz)

    def changes_strings(self, sizes: Sequence[Size]) -> bool:
        """Whether a level moves as that of a hand that changes strings.

        Parameters
        ----------
        sizes : sequence of Size
            Of each axis.

        Returns
        -------
        bool
        """
        return any(size.level_m > self.one_string_m for size in sizes[self.across :][:1])

    def within_one_string(self) -> Self:
        """The settings of a hand that stays over one string.

        Returns
        -------
        LevelSettings
        """
        return replace(self, level_sizes_m=tuple(each for each in self.level_sizes_m if each <= self.one_string_m))

    def with_noise(self, sensor_mps2_rthz: float | None) -> Self:
        """The settings for a sensor whose noise was measured: 1.3 times that, and no less than 2 mm/s2.

        Parameters
        ----------
        sensor_mps2_rthz : float or None

        Returns
        -------
        LevelSettings
        """
        if sensor_mps2_rthz is None:
            return self
        ratio = max(1.3 * sensor_mps2_rthz, LEAST_NOISE_MPS2_RTHZ) / self.accel_noise_mps2_rthz[0]
        return replace(self, accel_noise_mps2_rthz=tuple(ratio * each for each in self.accel_noise_mps2_rthz))

    def for_clipped_attacks(self) -> Self:
        """The settings where attacks go beyond the sensor's range.

        What they lack, and what folds into the band, is noise of up to sixteen times the sensor's own, in whatever
        player: without it, it would pass for leaps from string to string. Turns then are off by more, too.

        Returns
        -------
        LevelSettings
        """
        least = self.accel_noise_mps2_rthz[0]
        noises = tuple(least * 2.0**k for k in range(5))
        return replace(self, accel_noise_mps2_rthz=noises, one_string_m=np.inf, reading_m=3 * self.reading_m)
