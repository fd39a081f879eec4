"""Shares of counts with their intervals, and the difference of two.

References
----------
Wilson, J. Am. Stat. Assoc. 22, 1927, 209-212. Newcombe, Statistics in Medicine 17, 1998, 857-872, and 873-890 (method
10).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest


@dataclass(frozen=True)
class Proportion:
    """So many of so many, with the 95 % interval of the share; 0 to 1 where nothing was counted.

    Attributes
    ----------
    count : int
    of : int
    low, high : float
        0 to 1.
    """

    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """NaN where nothing was counted."""
        return self.count / self.of if self.of else float("nan")


def wilson(count: int, of: int) -> Proportion:
    """Share with Wilson's interval.

    Parameters
    ----------
    count, of : int
        So many of so many.

    Returns
    -------
    Proportion

    Examples
    --------
    >>> found = wilson(0, 20)
    >>> found.low, round(found.high, 4)
    (0.0, 0.1611)
    """
    if of == 0:
        return Proportion(0, 0, 0.0, 1.0)
    ends = binomtest(count, of).proportion_ci(method="wilson")
    return Proportion(count, of, float(ends.low), float(ends.high))


def newcombe_difference(first: Proportion, second: Proportion) -> tuple[float, float]:
    """95 % interval of ``first`` less ``second``, from their own intervals.

    Parameters
    ----------
    first, second : Proportion
        Independent of each other.

    Returns
    -------
    (float, float)
        Lower and upper end.

    Examples
    --------
    >>> [round(end, 4) for end in newcombe_difference(wilson(56, 70), wilson(48, 80))]
    [0.0524, 0.3339]
    """
    apart = first.share - second.share
    low = apart - float(np.hypot(first.share - first.low, second.high - second.share))
    high = apart + float(np.hypot(first.high - first.share, second.share - second.low))
    return low, high
